"""The plan of a sampling day, in words."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "placement-unknown": (
        "{rate:0} of {product} went on {on}; its placement is unknown. Cores are planned as for bands.",
        "Write how it was placed: broadcast, incorporated, banded or injected.",
        '{key:applications.placement} = "broadcast"',
    ),
    "few-cores": (
        "You asked for {asked:core|cores}. A sample is made of {cores}. Extension bulletins ask for {least}.",
        "Leave --cores out to plan {least}.",
    ),
    "after-rain": (
        "{rain} of rain fell on {day}, at the end of the weather record. Nitrate is still moving.",
        "Sample from {first} on: two or three days after heavy rain (Penn State).",
    ),
    "edge-reduced": (
        "Staying {asked:0} off the edge would close more than 40% of the field, so {kept:0} is kept.",
        "To keep another distance, set it with --edge.",
    ),
    "second-foot-left-out": (
        "The second depth is not pulled. Nitrate that rain moved down will not be counted.",
        "To pull some, plan again without that choice.",
    ),
}

SENTENCES: Final[dict[str, str]] = {
    "of": "{name}: sampling plan",
    "of-season": "{name}, season {season}: sampling plan",
    "facts-field": "Season {season} · {area}",
    "facts-none": "no more samples",
    "facts-samples": "{count:sample|samples} of {cores:core|cores}",
    "facts-samples-deep": "{count:sample|samples} of {cores:core|cores}, {deep} of them at both depths",
    "facts-composites": "{count:composite|composites} of {cores:core|cores}",
    "facts-composites-deep": "{count:composite|composites} of {cores:core|cores}, {deep} of them at both depths",
    "facts-walk": "about {hours:1} h: cores {pulling:1}, readings {reading:1}, the rest a walk of {walk}",
    "facts-area": "{cores:core|cores}, {area}",
    "size-given": "You need {needed:sample|samples} to know the field's mean within ± {error}, {sure} sure. That is "
    "for the variation you gave, {cv}.",
    "size-readings": "You need {needed:sample|samples} to know the field's mean within ± {error}, {sure} sure. That is "
    "for a variation of {cv}, from the {readings} readings in hand.",
    "size-usual": "You need {needed:sample|samples} to know the field's mean within ± {error}, {sure} sure. That is "
    "for a usual variation of {cv} (fields often vary by 30 to 60%; from memory).",
    "size-composites": "{count:composite was|composites were} planned, one for each area. The map will show no pattern "
    "inside an area.",
    "size-asked": "{count:sample was|samples were} planned, as you asked.",
    "size-for-map": "{count:sample was|samples were} planned for a map, one for every {each:1} (common practice).",
    "size-for-mean": "{count:sample was|samples were} planned.",
    "size-gives": "They give the mean within ± {error}.",
    "size-pairs": "{count:more stands|more stand} close to others. They show how much of the difference between "
    "samples is sampling error.",
    "next-enough": "You have enough samples. No further reading would move the rate by a step ({step}) on {patch} or "
    "more.",
    "next-readings": "{count:suggested new sample location|suggested new sample locations}.",
    "next-fewer": "{count:suggested new sample location|suggested new sample locations}. After that, no reading would "
    "move the rate by a step ({step}).",
    "next-gain": "Together they should correct the placement of about {gain}.",
    "next-gain-one": "It should correct the placement of about {gain}.",
    "next-few-readings": "There are too few readings to show how nitrate changes with distance. Two thirds of the "
    "variation was assumed to fade over a sixth of the field's width.",
    "next-no-pattern": "The readings show no pattern by distance. Two thirds of the variation was assumed to fade over "
    "a sixth of the field's width.",
    "next-saving": "Expected saving in all: {saving}, by the prices you gave.",
    "next-saving-cost": "Expected saving in all: {saving}, by the prices you gave. Each reading costs {cost}.",
    "next-enough-money": "You have enough samples. The best further reading should save {saving}, and it costs {cost}.",
    "second-foot-all": "Also pull {depth} cores at every place, as you asked.",
    "second-foot-none": "Nothing is pulled from {depth}, as you asked.",
    "second-foot-sand": "Also pull {depth} cores at every place, because the soil is {texture} (Purdue).",
    "second-foot-rain": "Also pull {depth} cores at half of the places, because {rain} of rain fell since the last "
    "nitrogen (Iowa State).",
    "second-foot-rain-all": "Also pull {depth} cores at every new place, because {rain} of rain fell since the "
    "last nitrogen (Iowa State).",
    "second-foot-usual": "Also pull {depth} cores at one place in four, to know what lies below.",
    "second-foot-no-weather": "Also pull {depth} cores at one place in four, to know what lies below. No "
    "weather was given to show how far rain moved nitrate.",
    "second-foot-gain": "Also pull {depth} cores where they should bring at least a quarter of what the "
    "first depth brings.",
    "second-foot-unlikely": "Nothing is pulled from {depth}: the soil is not known to be sand, and no heavy rain is "
    "known.",
    "close-pair": "close pair of {name}",
    "gain": "zone {zone}: gain {gain}, may change {moved}",
    "both-depths": "both depths",
    "in-hand": "in hand",
    "core": "core",
    "walk": "walk",
    "keep-out": "keep out",
    "walk-route": "Walk",
    "boundary": "Boundary {number}",
    "boundary-hole": "Boundary {number} hole {hole}",
    "caution-pull": "Pull {cores:core|cores} for each sample, within {near:0} of the place, {first} deep.",
    "caution-pull-areas": "Pull {cores:core|cores} for each sample, spread over the places of its area, {first} deep.",
    "caution-bag": "Bag {second} cores on their own. Break and mix the cores in a clean plastic pail, fill one bag and "
    "write place and depth on it, as the form does.",
    "caution-cores": "With {cores:core|cores}, one sample is off by about ± {error} (two times in three). One core "
    "alone is off by about half (study of side-dressed corn, 2003).",
    "caution-rows": "Move each core an eighth of the row spacing farther from the row than the one before, from 0/8 to "
    "7/8 (Iowa State).",
    "caution-bands": "{rate:0} lies, or may lie, in bands (last on {last}). Pull {sets:set|sets} of three, evenly "
    "spaced from one row to the next (Illinois; number of cores: Iowa State).",
    "caution-avoid-beside-bands": "Keep out of manure and lime piles, end rows and odd spots. Do not aim for bands or "
    "dodge them. Wait two or three days after heavy rain (Penn State).",
    "caution-avoid": "Keep out of starter and injection bands, manure and lime piles, end rows and odd spots. Wait two "
    "or three days after heavy rain (Penn State).",
    "caution-keep": "Keep samples cool and out of the sun. Read or deliver them within 24 hours, or dry or freeze them "
    "(University of Nebraska-Lincoln, G1740).",
    "caution-check": "Read a check standard first, after every ten samples, and last. Read a blank, and every tenth "
    "sample twice (common practice).",
    "caution-stage": "Count leaf collars that day and write down the stage.",
    "caution-safe": "Stay out until the re-entry time on the label of the last spray has passed. Have buried lines "
    "located before you probe deeper than {depth=12}.",
    "readings": "Readings",
    "why-these": "Why these",
    "how-many": "How many",
    "column-sample": "sample",
    "column-depth": "depth",
    "column-place": "latitude, longitude",
    "column-nitrate": "{ppm:unit} NO3-N",
    "column-time": "time",
    "column-remarks": "remarks",
    "standard-remark": "should read ______ {ppm:unit}",
    "read-twice": "read twice",
    "curve-samples": "samples",
    "curve-error": "mean of the field, ± %",
    "curve-more": "ten more would take off",
    "wrote": "wrote {path}",
    "then-add": "Add the readings of {form} to {samples}, then: vrn check {field}",
    "then-fill-in": "Print field_sheet.pdf and load plan.gpx. Take field.html along on a phone: it saves {samples}. Or "
    "fill in {form} and save it as {samples} beside {field}. Write the day, the meter, how samples were kept and the "
    "standard's value once, in the first row, and again only where they change.",
    "then-areas": 'Name their areas in {field}: [samples.areas] file = "{areas}"',
    "then-check": "Then: vrn check {field}",
    # words of the page that goes to the field on a phone
    "edge-title": "{field}: readings",
    "edge-intro": "{field}, season {season}. {samples:sample|samples}, {cores:core|cores} each.",
    "edge-setup": "Before the first reading",
    "edge-setup-again": "Stage, date, meter, standard",
    "edge-stage": "Leaf collars today",
    "edge-date": "Date the cores were pulled",
    "edge-instrument": "Name of the meter",
    "edge-nominal": "The standard should read, {ppm:unit}",
    "edge-begin": "Start",
    "edge-setup-missing": "Fill in all four first.",
    "edge-date-odd": "This date is not in {season}. Check it.",
    "edge-next": "Next",
    "edge-change": "Change",
    "edge-standard": "Standard",
    "edge-standard-due": "Read the standard. It should read {nominal}.",
    "edge-blank": "Blank",
    "edge-blank-due": "Read the blank: clean extract without soil.",
    "edge-duplicate": "{name}, second time",
    "edge-duplicate-due": "Read the same extract once more.",
    "edge-depth-due": "Bag {name}, {depth}.",
    "edge-unit": "{ppm:unit} NO3-N",
    "edge-erase": "Erase",
    "edge-save": "Keep {value}",
    "edge-save-nothing": "Type the reading",
    "edge-need-here": "Need at {place}: {need}",
    "edge-need-none": "No need is shown for this reading. Use vrn need --field for it.",
    "edge-need-stage": "No need is shown: the method does not hold at {stage}.",
    "edge-need-never": "No need is shown. {problem} {remedy}",
    "edge-mean-one": "Field so far: {ppm}, need {need} (one place).",
    "edge-mean": "Field so far ({places} places): {ppm}, need {need} ± {half}, 95% sure.",
    "edge-mean-ppm": "Field so far ({places} places): {ppm} ± {half}, 95% sure.",
    "edge-doubt": "The method itself may be off by {doubt} more, the same for all places.",
    "edge-worth-go": "Go to {place} next. There a reading should save about {saving}; it costs {cost}.",
    "edge-worth-enough": "This is enough for the rate: one more reading should save about {saving}, and it costs "
    "{cost}.",
    "edge-worth-plain": "Go to {place} next.",
    "edge-worth-unknown": "To see when to stop, give prices and the cost of a reading in the field file.",
    "edge-last": "All readings are in. Save the file now.",
    "edge-check": "Check this reading",
    "edge-keep-it": "It is right",
    "edge-type-again": "Type it again",
    "edge-odd-high": "{ppm} is very high. Most soils read below 60.",
    "edge-odd-decimal": "{ppm} is about ten times the readings near it. Is a point missing?",
    "edge-odd-neighbors": "{ppm} is unlike the places near it. They read about {near}.",
    "edge-odd-same": "{ppm} is just what {other} read. Was it typed twice?",
    "edge-odd-standard": "{ppm} is what the standard should read. A reading may be missing. Check the names of the "
    "bags.",
    "edge-odd-deep": "{ppm} below is much more than the {top} above. Are the two bags swapped?",
    "edge-bad-standard": "The standard reads {ppm} and should read {nominal}. Clean the meter, calibrate it, and "
    "read the "
    "standard again. In doubt until then: {names}.",
    "edge-bad-standard-first": "The standard reads {ppm} and should read {nominal}. Clean the meter, calibrate it, "
    "and read "
    "the standard again.",
    "edge-good-standard": "The standard is good: {ppm} for {nominal}.",
    "edge-chart-outside": "The standards jump more than they used to. Look after the meter.",
    "edge-shifted": "The rows may be shifted by one. {name} just read {ppm}, and {other} holds the value that "
    "belongs here. "
    "Check the names of the bags since the last good standard.",
    "edge-shifted-tail": "The readings since {name} fit the ground better one row {way}. Check the names of the bags.",
    "edge-way-up": "earlier",
    "edge-way-down": "later",
    "edge-bad-blank": "The blank reads {ppm}. It should read below {limit}. Rinse, and read it again.",
    "edge-bad-repeat": "Read twice, {name} gave {first} and {ppm}. Mix the extract and read it a third time.",
    "edge-good-repeat": "Read twice, {name} gave {first} and {ppm}: close enough.",
    "edge-again-standard": "Read the standard again",
    "edge-again": "Read this one again",
    "edge-skip": "Skip it",
    "edge-kept": "Kept on this phone at {time}.",
    "edge-kept-before": "{count} readings from before are still here.",
    "edge-not-kept": "THIS PHONE DOES NOT KEEP WHAT YOU TYPE. Save or share after each reading. The sure way is the "
    "page of "
    "the desk, which keeps it on the computer.",
    "edge-keep-unsure": "Nobody knows yet if this phone keeps readings when the tab is closed. Save or share now and "
    "then.",
    "edge-download": "Save the file",
    "edge-share": "Share",
    "edge-download-after": "Put it beside the field file as {file}. Set the growth stage there to {stage}.",
    "edge-download-add": "Add its rows to {file}: it holds the new readings alone.",
    "edge-tried": "Tried in Chromium {version}, opened as a file. Some phones show a page in a message without "
    "running it: "
    "open it in the browser.",
    "edge-not-running": "This page must run its script. Open it in a browser, not in a preview.",
    "edge-readings": "All readings",
    "edge-chart": "Standards, % of what they should read",
    "edge-list-next": "next",
    "edge-list-skipped": "skipped",
    "edge-clear": "Start over",
    "edge-clear-sure": "Delete all {count} readings on this phone?",
    "edge-progress": "{done} of {all} read",
}

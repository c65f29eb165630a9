"""The plan of a sampling day, in words."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "placement-unknown": (
        "{rate:0} of {product} went on {on}; its placement is unknown. Cores are planned as for bands.",
        "Write how it was placed: broadcast, incorporated, banded or injected.",
        '{key:applications.placement} = "broadcast"',
    ),
    "few-cores": (
        "{cores:core makes|cores make} a sample, as you asked. Extension bulletins ask for {least}.",
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
    "fill in {form} and save it as {samples} beside {field}.",
    "then-areas": 'Name their areas in {field}: [samples.areas] file = "{areas}"',
    "then-check": "Then: vrn check {field}",
}

"""What is said of the season: the stage by planting date and weather, what was applied, what rain did to it."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "days-missing": (
        "{days:day is|days are} missing between {first} and {last}.",
        "Fill the gaps from a station nearby.",
    ),
    "of-another-season": (
        "The weather runs from {first} to {last}, but the season is {season}.",
        "Use the weather of this season.",
    ),
    "trace-of-rain": ("{days:day has|days have} a trace of rain, read as none.", "Nothing to do."),
    "rain-in-doubt": (
        "The rain in {column} is too small or too large for the unit in its name.",
        "Look up the unit at the station, and put it in the name of the column.",
    ),
    "cold-summer": (
        "{days:day from June to August is|days from June to August are} colder in {column} than corn ground gets. "
        "The first is in row {row}.",
        "Check the number and its unit. Leave the cell empty if it is not known.",
    ),
    "no-rain": (
        "The weather has {days:day|days} and no rain on any of them.",
        "Check the column of rain. Leave days empty if the rain is not known.",
    ),
    "no-night": (
        "On {days:day|days} the low is the same as the high.",
        "Check the two columns. Leave them empty where only one mean of the day is known.",
    ),
    "ends-before-sampling": (
        "The weather ends on {last}, and cores were pulled until {sampled}. What rain did in between is not counted.",
        "Add the days up to the sampling.",
    ),
    "has-gaps": ("Some days have no temperature or no rain.", "Fill them in from a station nearby."),
    "no-sampling-date": (
        "No sampling date is known, so the nitrogen applied cannot be followed.",
        "Add the date each sample was pulled.",
    ),
    "applied-in-this-pass": (
        "{pounds} of {product} is dated {day}, and this pass is planned for {pass_day}.",
        "List only what is already on. If this pass is listed, it is subtracted from its own rate.",
    ),
    "one-stage-for-all": (
        "Cores were pulled from {first} to {last}, and one stage ({stage}) is used for all of them.",
        "Add the planting date and daily weather so each date gets its own stage, or build the dates apart.",
    ),
    "stage-by-date": (
        "Cores were pulled from {first} to {last}, when the crop was at {early} to {late}.",
        "Each part of the field is worked for the date its nearest sample was pulled.",
    ),
    "stage-on-pass": (
        "The crop should be at {stage} on {day} ({collars:1} collars; other published figures give {low:1} to "
        "{high:1}).",
        "This is shown only. The need is worked for the sampling date, with no credit for the days between.",
    ),
    "stage-on-pass-unknown": ("The stage on the day of the pass is not shown. {problem}", "{remedy}"),
    "stage-from-weather": (
        "By planting date and weather the crop was at {stage} on {day} ({collars:1} collars; other published "
        "figures give {low:1} to {high:1}).",
        "Count leaf collars in the field and enter the stage; a count is better. Counting every leaf whose tip "
        "bends over gives one to three leaves more (from memory).",
    ),
    "stage-against-weather": (
        "The growth stage entered is {given}. Planting date and weather say {stage} on {day}.",
        "The stage you entered is used. Check that collars were counted on the sampling date.",
    ),
    "stage-past-tassel": (
        "By planting date and weather all leaves were out by {day}. Heat does not tell the stages after tassel.",
        "Enter the stage you see in the field.",
    ),
    "temperatures-filled": (
        "{filled:day|days} had no temperature. They were filled from long-term means or the days around them.",
        "Check the weather file.",
    ),
    "mineralization-by-stage": (
        "What organic matter still frees is taken from the growth stage. {problem}",
        "Add a forecast or long-term daily means to the weather.",
        'weather.normals = "normals.csv"',
    ),
    "mineralization-by-weather": (
        "By temperature, {share} of a year's mineralization comes between sampling and about R5. The stage "
        "table, from memory, says {table}.",
        "The temperatures are used. The two are {apart} apart for each 1% of organic matter at {yearly} a year.",
    ),
    "rain-not-followed": ("What rain did to the nitrogen applied is not shown. {problem}", "{remedy}"),
}

SENTENCES: Final[dict[str, str]] = {
    "up-to": "{field}, up to {day}",
    "since-last": (
        "Since the last application {rain} of rain fell and {drained} drained below {depth=24}. That carries "
        "nitrate {near:bare} to {far} down. The soil was saturated on {days:day|days}."
    ),
    "application": (
        "{pounds} of {product}, {day}, {placement}. {least:bare} to {most} of it turned to nitrate in {weeks:1} weeks."
    ),
    "volatilized": "lost to the air from the surface",
    "denitrified": "denitrified",
    "below": "carried below {depth=24}",
    "top": "nitrate in the top {depth=12}, before the crop's uptake",
    "second": "nitrate in the next {depth=12}, before the crop's uptake",
    "waiting": "not yet nitrate",
    "week": "week of",
    "week-rain": "rain",
    "week-drained": "drained",
    "week-saturated": "saturated",
    "week-held": "top {depth=12}, {unit}",
    "week-bars": "rain, one mark for {mark}",
    "expected": "Expected in the top {depth=12} on {day}: {low:bare} to {high}, not counting what last year left.",
    "measured": "Measured there: {nitrate} on average.",
    "measured-inside": "Measured there: {nitrate} on average, within that range.",
    "measured-below": "Measured there: {nitrate} on average, below that range.",
    "measured-above": "Measured there: {nitrate} on average, above that range.",
    "measured-wins": "A measured value always beats this model. The range is there to compare with the samples.",
    "rules": "Rules spanned",
    "fates-caption": "Where the nitrogen applied may be, from the mildest rule to the harshest",
    "fates-head": "Where",
    "plain-since-last": "Since the last application {rain} of rain fell and {drained} drained.",
}

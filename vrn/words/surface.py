"""What is said of surfaces: findings, the report's part on them, and harvest filters."""

from typing import Final

_METHODS: Final = 'See "Surfaces" in the report for the methods compared.'
_LOGS: Final = 'See "Surfaces" in the report for the records left out.'
_SAMPLE_THERE: Final = "Sample the hatched ground. Until then its rates are a guess."
_LAYER_THERE: Final = "Give a layer of the whole field. Do not trust a zone border along this layer's edge."

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "filled-hole": (
        "{share} of the values are exactly {value}, in one spot that does not match the ground around it. "
        "A map with a filled gap looks like this.",
        "Check the map there. Mark the gap as no data, so that the goal is used.",
    ),
    "readings-unknown": ("{unknown} of {readings} readings have no value and were left out.", "Check those rows."),
    "places-shared": (
        "The {readings} readings come from {places:place|places}. Each place counts once.",
        "Check the coordinates if you pulled cores at more places.",
    ),
    "no-pattern": (
        "The layers show no more of a pattern than chance would, so the field average is used.",
        "A yield map, a soil map, more samples or zones of your own could show a pattern.",
    ),
    "by-chance": (
        "Samples close together are hardly more alike than chance would make them. Their plain average makes {share} "
        "of the map.",
        _METHODS,
    ),
    "scatter-smoothed": (
        "Sample-to-sample scatter was treated as measurement error and smoothed out of the map.",
        _METHODS,
    ),
    "judged-on-some": ("The methods were compared on {held} of {points} points, held out for that.", _METHODS),
    "one-place": ("One place is too few for a map. Its value is used everywhere.", "Sample more places."),
    "few-places": ("{places:place is|places are} too few for a map. Their average is used.", "Sample more places."),
    "layers-not-followed": (
        "{out} of {layers:layer|layers} could not guide the map. They are the same at every sample, or unknown at one.",
        "Give a layer that covers every sample.",
    ),
    "held-at-zero": ("The map fell below 0 in {cells:cell|cells} and is held at 0 there.", _METHODS),
    "raster-noise": (
        "{share} of the differences in this map are noise from cell to cell. They are smoothed out.",
        _METHODS,
    ),
    "area-means": (
        "Each area has the value of its composite sample. Differences inside an area are not known.",
        "Pull cores at single places to see them.",
    ),
    "below-detection": (
        "{readings:reading is|readings are} below the detection limit and counted as {least} to {most}. That is the "
        "average of what is likely between 0 and the limit, given the samples around.",
        "Ask the lab for a test with a lower limit if that matters.",
    ),
    "area-to-point": (
        "The map follows the {areas} composites from area to area. Its average over each area is that area's sample.",
        "Inside an area it is an estimate. Pull cores at single places to check it.",
    ),
    "few-areas": (
        "{areas:area is|areas are} too few to map differences inside an area. It takes {least}.",
        "Sample more and smaller areas.",
    ),
    "areas-silent": (
        "These areas have no sample and stay unknown: {areas}.",
        "Sample them, or take them out of the areas file.",
    ),
    "area-error": (
        "The standard error is for each area's average, not for a spot inside it.",
        "Pull cores at single places to learn how much a spot differs.",
    ),
    "layer-partial": (
        "The layer covers {covered} of the treated ground. Its average is used on the rest.",
        "Give a layer of the whole field. Do not trust a zone border along this layer's edge.",
    ),
    "far-corner": (
        "All {readings} readings are in the {side} corner. {far} of {acres} are farther than {threshold:0} from "
        "any reading.",
        _SAMPLE_THERE,
    ),
    "far-half": (
        "All {readings} readings are in the {side} half. {far} of {acres} are farther than {threshold:0} from "
        "any reading.",
        _SAMPLE_THERE,
    ),
    "part-not-sampled": (
        "All {readings} readings are in the {side} part of the field. The rest was not sampled.",
        "Sample the rest. Until then its rates are a guess.",
    ),
    "far-most": (
        "{far} of {acres} are farther than {threshold:0} from any reading, {share} of the ground.",
        _SAMPLE_THERE,
    ),
    "far-some": ("{far} of {acres} are farther than {threshold:0} from any reading.", _SAMPLE_THERE),
    "far-one-reading": (
        "There is one reading. {far} of {acres} are farther than {threshold:0} from it.",
        _SAMPLE_THERE,
    ),
    "far-deeper": (
        "The deeper cores are at {readings:place|places}. {far} of {acres} are farther than {threshold:0} from them.",
        "Pull deeper cores there too, or leave the deeper ones out.",
    ),
    "gap-applied": (
        "{area} ({share}) have no value of what was applied. It is not known there.",
        "Write 0 into the map where nothing was applied, or give a map of the whole field.",
    ),
    "gap-yield": (
        "{area} ({share}) have no yield potential. The yield goal of {value} is used there, give or take {spread}.",
        _LAYER_THERE,
    ),
    "gap-organic-matter": (
        "{area} ({share}) have no organic matter value. The layer's average of {value} is used there, give or take "
        "{spread}.",
        _LAYER_THERE,
    ),
    "harvests": ("Yield potential comes from the harvest logs of {seasons}.", _LOGS),
    "one-season": (
        "One season cannot show how much the yield pattern changes from year to year. The error shown leaves that out.",
        "Add harvest logs of other seasons.",
    ),
    "harvest-covers": (
        "The harvest covers {share} of the grid. Its average is for that ground.",
        "Add the missing logs of that season.",
    ),
    "swath-assumed": (
        "The log gives no header width. Passes lie {width} apart, and that was used.",
        "Add the header width to the log if it was different.",
    ),
    "delay-removed": (
        "A grain-flow delay of {seconds} s was taken out. Passes side by side then differ {gain} less.",
        _LOGS,
    ),
    "delay-in-records": (
        "A grain-flow delay of {records:record|records} was taken out. Passes side by side then differ {gain} less.",
        _LOGS,
    ),
    "delay-none": ("Passes side by side show no grain-flow delay, so none was taken out.", _LOGS),
    "delay-log-short": ("The log is too short to find the grain-flow delay, so none was taken out.", _LOGS),
    "delay-few-passes": (
        "Too few passes in opposite directions lie side by side to find the grain-flow delay. None was taken out.",
        _LOGS,
    ),
    "all-same": ("All {readings} readings are {value}. There is nothing to map.", "Check the readings."),
    "yield-pattern-half": (
        "The yield layer's pattern is counted at {weight}. In trials the best rate followed yield at about half its "
        "face value (Iowa State on-farm trials 2023–24; White et al. 2023, Agron. J. 115:2600).",
        "Set the weight to 1 to count it in full.",
        "{key:layers.yield_potential.weight} = 1",
    ),
    "yield-pattern-one-year": (
        "The yield layer's pattern is counted at {weight}, because it rests on one year. One year tells little of "
        "the next one's pattern (Lamb et al. 1997, J. Prod. Agric., from memory).",
        "Add more years of harvest, or set the weight to 1 to count it in full.",
        "{key:layers.yield_potential.weight} = 1",
    ),
    "yield-pattern-years": (
        "The yield layer's pattern is counted at {weight:2}. The years of harvest agree by {alike:2} (1 is alike, 0 is "
        "not at all), and best rates follow yield at about half its face value.",
        "Add more years of harvest, or set the weight to 1 to count it in full.",
        "{key:layers.yield_potential.weight} = 1",
    ),
    "pattern-given": (
        "This pattern is counted at {weight} of what was found, as the field file asks. The field's average stays.",
        "Set the weight to 1 to count it in full.",
    ),
    "no-structure": ("Samples close together are no more alike than samples far apart.", _METHODS),
    "little-structure": (
        "Samples close together are hardly more alike than samples far apart (score {gain:1}; {least} is needed).",
        _METHODS,
    ),
    "by-distance": (
        "As asked, near samples count more than far ones, by their distance alone. The map runs through each sample, "
        "scatter and all.",
        "Leave the setting out for the map that misses less.",
        '{key:samples.surface} = "kriging"',
    ),
    "range-longer": (
        "Values trend across the whole field. The samples do not show where the pattern ends.",
        "Read the map as a trend from one side of the field to the other.",
    ),
}

SENTENCES: Final[dict[str, str]] = {
    "title": "Surfaces",
    "with-unit": "{title}, {unit}",
    "error-map": "Standard error, {unit}",
    "made-by": "{title}. Method: {chosen}.",
    "map-of": "Map: {title}",
    "other-layers": "The other layers, and how each was made: {layers}.",
    "other-layer": "{title}: {chosen}",
    "other-layers-alt": "Maps of the other layers",
    "taken": "{name} (used)",
    "candidates": "Each sample predicted from the others: typical error, bias, squared error over stated variance (1 "
    "is right) and skill against the plain average (0 is none). The simplest method within one standard error of the "
    "best is used, or the average where the field shows no pattern.",
    "candidates-slice": "Depth {number} from the top. Each sample predicted from the others: typical error, bias, "
    "squared error over stated variance (1 is right) and skill against the plain average (0 is none). The simplest "
    "method within one standard error of the best is used, or the average where the field shows no pattern.",
    "head-way": "Method",
    "head-error": "Error, {unit}",
    "head-bias": "Bias, {unit}",
    "head-ratio": "Ratio",
    "head-skill": "Skill",
    "cross-validation": "Cross-validation: each sample against its prediction from the others. Method: {chosen}.",
    "cross-validation-alt": "Measured against predicted nitrate",
    "variogram-flat": "Variogram: {model}, nugget {nugget}, partial sill {sill}. Larger dots hold more pairs.",
    "variogram-range": "Variogram: {model}, nugget {nugget}, partial sill {sill}, range {range}. Larger dots hold more "
    "pairs.",
    "variogram-direction": "Variogram: {model}, nugget {nugget}, partial sill {sill}, range {range} along {azimuth:0}° "
    "(the line), {ratio} of that across. Larger dots hold more pairs.",
    "alt-variogram": "Variogram of the nitrate samples",
    "squared-plain": "{unit}, squared",
    "squared-square-root": "square root of {unit}, squared",
    "squared-logarithm": "logarithm of {unit}, squared",
    "harvest-caption": "Harvest logs: records left out, by the first filter that applied",
    "harvest-records": "records",
    "harvest-kept": "kept",
    "harvest-passes": "passes",
    "harvest-delay": "records of grain-flow delay",
    "filter": "{label}: {does} ({source}).",
    "filter-no-place-or-yield": "No position or yield",
    "filter-header-up": "Header up",
    "filter-ends-of-pass": "Start and end of pass",
    "filter-speed-change": "Speed change",
    "filter-swath-overlap": "Swath overlap",
    "filter-moisture": "Grain moisture",
    "filter-implausible-yield": "Extreme yield",
    "filter-short-pass": "Short pass",
    "filter-local-outlier": "Local outlier",
    "does-no-place-or-yield": "the record has no position or no yield",
    "does-header-up": "the header was up",
    "does-ends-of-pass": "within 4 s ({ramp} without a clock) of the start or end of a pass, or its grain came after "
    "the pass",
    "does-speed-change": "the speed changed by more than 20% since the record before, or the machine stood still",
    "does-swath-overlap": "an earlier pass had cut half of the swath or more",
    "does-moisture": "grain moisture outside 5 to 45%, or more than 4 robust standard deviations from the log's median",
    "does-implausible-yield": "yield below 2% of the log's median, or more than 4 robust standard deviations above it",
    "does-short-pass": "the pass is shorter than {short} or 5 records",
    "does-local-outlier": "more than 3.5 robust standard deviations from the median of the 25 nearest records",
}

"""What reading the inputs of a field found, in words."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    # any file
    "header-of-two-rows": (
        "The header has two rows, {first} and {last}. Each column was named by both.",
        "If one of them is not part of the header, delete it.",
    ),
    "hidden-rows": (
        "{rows:hidden row of the sheet was|hidden rows of the sheet were} read too. The first is row {first}.",
        "Show the rows, and delete those that do not belong here.",
    ),
    "titles-passed-over": (
        "{rows:title row was|title rows were} skipped; row {row} was read as the header.",
        "Delete the title rows if the header is another row.",
    ),
    "read-as-windows-1252": (
        "The file is not UTF-8 text. It was read as Windows-1252 text.",
        "Check names with accents; save the file as UTF-8 to be sure.",
    ),
    "column-taken-as": ("The column {column} was read as {role}.", "If that is wrong, rename the columns in the file."),
    "two-systems": (
        "The file gives its map system as {found}, but the field file says {given}. The file's own system was used.",
        "Take the system out of the field file, or fix the file.",
    ),
    "rows-without-value": (
        "{lost} of {rows:row has|rows have} no value or no position and were skipped.",
        "Fill them in if they were measured.",
    ),
    "records-without-place": (
        "{records:record has|records have} no usable position and were skipped.",
        "Nothing to do unless there are many.",
    ),
    # outlines
    "large-boundary": ("The boundary holds {area:0}.", "Check that it is one field."),
    "small-boundary": ("The boundary holds {area:2}, little for a field.", "Check that it is the whole field."),
    "outlines-joined": (
        "The file holds {outlines:outline|outlines}. They were joined into one field of {parts:part|parts}.",
        "If that is wrong, keep one outline in the file.",
    ),
    "outlines-missing": (
        "The file holds points or open lines beside its outlines. They were skipped.",
        "Draw a polygon wherever an outline is missing.",
    ),
    "paths-taken-as-outlines": (
        "{paths:closed line was|closed lines were} read as outlines.",
        "Draw polygons if that is wrong.",
    ),
    "outline-repaired": (
        "{outlines:outline crosses itself and was|outlines cross themselves and were} repaired. "
        "The first is feature {feature} ({reason}).",
        "Look at it on the map. Draw it again if it looks wrong.",
    ),
    "avoid-outside": (
        "This spot to avoid lies {distance} outside the field.",
        "Check that the file belongs to this field.",
    ),
    "no-apply-outside": (
        "This no-apply ground lies {distance} outside the field.",
        "Check the file. Longitude comes before latitude.",
    ),
    "no-apply-much": (
        "No-apply ground takes {share} of the field. Nothing is put on there.",
        "Check that these files hold only ground to leave out.",
    ),
    # layers
    "several-bands": (
        "The raster has {bands:band|bands}. The first one was used.",
        "Name the band to use.",
        'column = "1"',
    ),
    "layer-leaves-ground-open": (
        "This layer covers {share} of the field.",
        "Use one that covers all of it. The rest of the ground is treated as unknown.",
    ),
    "points-far-away": (
        "{points:point lies|points lie} more than a field's length away and were left out.",
        "Nothing to do if the file holds more than one field.",
    ),
    "organic-matter-of-deep-cores": (
        'The header "{column}" is of cores deeper than {topsoil}. Deeper soil holds less.',
        "Give that of the topsoil.",
    ),
    "unlikely-organic-matter": (
        "{values:value of organic matter is|values of organic matter are} unlikely. They run from {low} to {high}.",
        "Check that they are percent of soil weight. Mineral soils hold 0.5 to 8%.",
    ),
    "unlikely-relative-yield": (
        "{values:relative yield is|relative yields are} unlikely. They run from {low} to {high}.",
        "A relative layer has a mean near 1. If these are yields, say so.",
        'kind = "bu_ac"    # or "t_ha"',
    ),
    "unlikely-yield": (
        "{values:yield is|yields are} unlikely. They run from {low} to {high}.",
        "Check the unit. For a layer with a mean near 1, set its kind.",
        'kind = "relative"',
    ),
    "other-years": (
        'Only the column "{column}" is used. Other columns look like more years of it.',
        "List the years for their mean, or set years = 1.",
        "{key:layers.yield_potential.year_columns} = {columns}",
    ),
    "yield-unlike-goal": (
        "The yields of the layer are about {middle}, and the goal is {goal}. The rates follow the layer.",
        "Check the unit and the crop of the layer.",
    ),
    "none-and-a-map": (
        "The field file says that nothing was applied. The map of applied nitrogen goes up to {most}.",
        "Remove one of the two. The rates count the nitrogen of the map.",
    ),
    "none-and-a-column": (
        'The field file says that nothing was applied. The column "{column}" of the samples goes up to {most}.',
        "If nitrogen was put on, list it in the field file. It is not counted now.",
    ),
    "organic-matter-assumed": (
        "The organic matter of {value} is a guess. No file gives it.",
        "Test the soil or add a map. Then write the value and delete the line assumed.",
    ),
    "unlikely-applied-n": (
        "{values:applied rate is|applied rates are} unlikely. They run from {low} to {high}.",
        "Check that they are rates of nitrogen, not of product.",
    ),
    "organic-matter-missing": (
        "No organic matter is given, so no nitrogen from it is counted.",
        "Add a map of organic matter, or one value for the field.",
        "value_pct = 3.0    # in [layers.organic_matter]",
    ),
    "yield-potential-missing": (
        "No yield map is given. The yield goal is the same across the field.",
        "Add a yield layer if the goal varies.",
    ),
    # samples
    "empty-rows": (
        "{rows:row has|rows have} no position and no reading and were skipped.",
        "Nothing to do if they are blank lines of the form.",
    ),
    "form-rows-empty": (
        "{rows:row of the form was|rows of the form were} left empty and skipped.",
        "Fill them in if those samples were tested.",
    ),
    "rows-half-filled": (
        "{rows:row is|rows are} only half filled in and left out. The reading, the depth or the place is missing.",
        "Fill them in, or delete them.",
    ),
    "no-sample-ids": (
        "The samples have no names. They were numbered by their rows.",
        "Add a column of names so you can find them again.",
    ),
    "areas-not-given": (
        "The samples name areas, but no file of areas is given. Each reading was placed at its own point.",
        "If they are composites, name the file of areas.",
        'file = "areas.geojson"    # in [samples.areas]',
    ),
    "areas-without-reading": ("No reading belongs to area {areas}.", "Check the area names in the samples file."),
    "below-detection": (
        "{readings:reading is|readings are} below the detection limit. All that is known is "
        "that each lies between 0 and the limit.",
        "Nothing to do unless the limit is high beside the other readings.",
    ),
    "above-range": (
        "{readings:reading is|readings are} above the range of the meter; the first is in row {row}. "
        "The top of the range was used.",
        "Dilute those samples and read them again.",
    ),
    "reported-as-missing": (
        "The samples do not say whether they are NO3-N or NO3. They were read as NO3-N. "
        "If they are NO3, they are 4.43 times too high.",
        "Look at the meter or the lab sheet, then say which it is.",
        'reported_as = "NO3-N"    # or "NO3", in [samples]',
    ),
    "no3-converted": ("NO3 readings were changed to NO3-N (× {factor:4}).", "Check that the lab reports NO3."),
    "moisture-basis-missing": (
        "The samples do not say whether they are for dry or moist soil. They were read as dry soil. "
        "If the soil was moist, they are about a fifth too low.",
        "Say which it is. For moist soil, give the water as well.",
        'moisture_basis = "dry"    # or "moist" with water_pct = 20, in [samples]',
    ),
    "moist-converted": (
        "Readings of moist soil were changed to dry soil. The mean water content is {water:1}.",
        "Check the water content.",
    ),
    "depth-unit-assumed": (
        "Depths in the column {column} have no unit. They were read as {depth:unit}.",
        "Write the unit with each depth, as in 0-{depth}.",
    ),
    "depths-left-out": (
        "{readings:reading|readings} from {top:bare}–{bottom} not used. They overlap other cores or leave a gap. "
        "The depths in use reach from 0 to {down_to}.",
        "Check the depths of those rows.",
    ),
    "readings-outside": (
        "{readings:reading lies|readings lie} up to {distance} outside the field and were left out (rows {rows}).",
        "Check their positions and the boundary.",
    ),
    "reading-outside": (
        "Sample {sample} lies {distance} outside the field and was left out.",
        "Check its position and the boundary.",
    ),
    "row-repeated": (
        "This row repeats row {row} in full and was dropped.",
        "If the sample was read twice, mark the second one as a duplicate.",
    ),
    "same-place-and-depth": (
        "{places:place has|places have} more than one reading for the same depth ({rows}). All of them count.",
        "Fix the positions, or mark the repeats as duplicates.",
    ),
    "one-name-two-places": ("Sample {samples} appears at more than one place.", "Give each place its own sample name."),
    "no-sampling-date": ("The samples have no date.", "Add the day each one was pulled, as 2026-06-18."),
    "sampled-in-another-season": (
        "Cores were pulled on {day}, but the season is {season}.",
        "Check the sampling date and the season.",
    ),
    "date-of-another-season": (
        "The date {day} is not in the season of {season}.",
        "Check the date. List only nitrogen that is for this crop.",
    ),
    "sampling-took-long": (
        "Cores were pulled over {days:day|days}, from {first} to {last}. All of them count.",
        "Nitrate moves in that time. Take the older rows out if the newer ones stand in for them.",
    ),
    "applied-before-sampling": (
        "The application date, {planned}, is before the last sampling on {last}.",
        "Check the two dates.",
    ),
    "planted-after-sampling": (
        "The planting date, {planted}, is after the first sampling on {first}.",
        "Check the two dates.",
    ),
    "thick-cores": (
        "{cores:core is|cores are} thicker than {limit}. The first is in row {row}, from {top:bare} to {bottom}.",
        "Check that the depths are in {limit:unit}. If not, write the unit with each depth.",
    ),
    "depths-overlap": ("Cores from {top:bare}–{bottom} and {other_top:bare}–{other_bottom} overlap.", "Check depths."),
    "readings-averaged": (
        "{readings:reading is|readings are} more than a map can use one by one. The means of {squares:square|squares} "
        "of ground stand for them.",
        "Look at the map of readings.",
    ),
    "units-mixed": (
        "From {top:bare}–{bottom}, readings may be in two kinds of unit. Parted by {group}, the medians are "
        "{high} and {low}. That is near {ratio:2} times, the step between {what}. Rows of the higher ones: {rows}.",
        "Check that all readings are in one unit.",
    ),
    "unlikely-nitrate": (
        "{values:reading is|readings are} unlikely. All run from {low} to {high}.",
        "Check the unit and the decimal point.",
    ),
    "unlikely-water": (
        "{values:water content is|water contents are} unlikely. All run from {low} to {high}.",
        "Give water in percent of the dry soil.",
    ),
    "like-ph": (
        'The header "{column}" does not say what it holds. All values look like the pH of a soil.',
        "Check that the column holds nitrate, and say so in its header.",
    ),
    "like-conductivity": (
        'The header "{column}" does not say what it holds. All values are small, as salts or a share would be.',
        "Check that the column holds nitrate, and say so in its header.",
    ),
    # headers
    "accepted": (
        "Accepted by the field file ({reason}), and taken as it is: {seen}.",
        "Take that line out of the field file if it is no longer true.",
    ),
    "unit-converted": (
        'The header "{column}" says {seen}. The values were changed to {wanted} (× {factor}).',
        "Check the header.",
    ),
    "area-converted": (
        'The header "{column}" gives an amount for an area. It was divided by the depth of each core and a soil '
        "weight of {density:2} g/cm³.",
        "Check that each amount is for the depth in its row. Give the bulk density if you know it.",
    ),
    "carbon-converted": (
        'The column "{column}" holds carbon. It was changed to organic matter (× {factor}, by van Bemmelen).',
        "That factor is a custom. Ask the lab for organic matter if you can.",
    ),
    "water-of-moist-soil": (
        'The column "{column}" gives water as a share of the moist soil. It was changed to a share of the dry soil.',
        "Check the header.",
    ),
    "header-says-no3": (
        'The header "{column}" says NO3, but the field file says NO3-N. They were read as NO3-N.',
        "Look at the lab sheet. If they are NO3, they are 4.43 times too high.",
    ),
    "header-says-nitrogen": (
        'The header "{column}" says nitrogen. It was read as nitrate.',
        "Check that it is not total nitrogen or ammonium.",
    ),
    "header-says-rate": (
        'The header "{column}" does not say of what the rate is. It was read as nitrogen.',
        "Check that it is not a rate of product.",
    ),
    "header-cut": (
        'The header "{column}" was cut off by the file. It was read as a share of the soil weight.',
        "Check that it is not per liter.",
    ),
    "yield-of-wet-grain": (
        'The header "{column}" says wet grain. It was read as dry grain.',
        "Use the dry yield if the file has it.",
    ),
    "readings-alike": (
        "All {readings} readings of one depth are the same, {value}.",
        "Check that they were read one by one, and that the right column is named.",
    ),
    "layer-overlaps": (
        "Outlines of this layer lie over each other on {share} of the field. Their average was used there.",
        "Keep one outline for each piece of ground.",
    ),
    "header-unknown": (
        'The header "{column}" holds words that are not known here: {words}.',
        "Check what the column holds and its unit. Then give it a plain header.",
    ),
    "layer-units-mixed": (
        "Some values are about {ratio:0} times the others, the factor between {what} ({rows}).",
        "Check that all of them are in one unit.",
    ),
    "unlikely-number": (
        "The {name} is {value}. It is most often from {least:bare} to {most}.",
        "Check the number and its unit in the field file.",
    ),
    "high-nitrate": (
        "From {top:bare}–{bottom}, the median is {median:0} nitrate-N. A corn field seldom holds {usual:0}.",
        "Check the decimal point and the unit. A rate per area is not the same as {median:unit} in the soil.",
    ),
    # growth stage
    "stage-missing": (
        "The leaf stage on the sampling day is not given.",
        "Count the leaf collars. Or give the planting date and a weather file.",
        'growth_stage = "V8"    # in [crop]',
    ),
    "stage-estimated": ("The leaf stage is estimated from planting and weather.", "Count leaf collars to be sure."),
    "goal-missing": ("There is no yield goal yet.", "Give it, and make the plan again: then the phone says the need."),
    # weather, harvests, trial, what is already applied
    "harvest-year-unknown": ("A harvest file does not say its year.", "Put the year in the file name."),
    "records-far-away": (
        "{records:record lies|records lie} more than {distance} from the field and were left out.",
        "Nothing to do if the file holds more than one field.",
    ),
    "map-units-unused": (
        "{rows:row|rows} of the table have no polygon here and were not used.",
        "Nothing to do if the table is for a larger area.",
    ),
    "map-units-missing": (
        "{polygons:polygon has|polygons have} no row in {table}: {keys}. Their ground counts as unknown.",
        "Add these map units to the table.",
    ),
    "map-units-weighted": (
        "{units:map unit has|map units have} several rows. Their values were averaged by the column {column}.",
        "Check that this column is the percent of each map unit.",
    ),
    "map-units-half-known": (
        "Less than half of {units:map unit|map units} has a value: {keys}. That ground counts as unknown.",
        "Add the values that are missing to the table.",
    ),
    "yield-from-flow": (
        "{records:yield was|yields were} worked out from grain flow at 15.5 % moisture. The median is {median}.",
        "If the log has a dry yield of its own, name that column.",
    ),
    "header-unclear": (
        'The column {column} holds "{word}", which is neither down nor up. It was read as up.',
        "Write 1 for down and 0 for up.",
    ),
    "cells-unreadable": (
        "{records:record has|records have} a cell that is not a number. Those cells count as unknown. "
        "The first is in row {row}: {cell}.",
        "Nothing to do unless there are many.",
    ),
    "plots-left-out": ("{plots:plot has|plots have} no rate or no yield and were left out.", "Fill them in."),
}
SENTENCES: Final[dict[str, str]] = {
    # check
    "check-field": "{field}, season {season}: {area}, {treated} of it to be treated",
    "check-readings": "  {readings:reading|readings} from {top:bare}–{bottom}: {least:bare} to {most} nitrate-N, "
    "median {median:bare}",
    "check-standard": "  {count:check standard|check standards}",
    "check-duplicate": "  {count:duplicate|duplicates}",
    "check-blank": "  {count:blank|blanks}",
    "check-composites": "  {areas:composite of one area|composites of areas}",
    "check-sampled-on": "  sampled on {day}",
    "check-sampled-between": "  sampled from {first} to {last}",
    "check-layer-one-value": "  {layer}: {median} across the field",
    "check-layer-points": "  {layer}: {values:point|points} from {source}, "
    "{least:bare} to {most}, median {median:bare}",
    "check-layer-areas": "  {layer}: {values:area|areas} from {source}, {least:bare} to {most}, median {median:bare}",
    "check-layer-cells": "  {layer}: {values:cell|cells} from {source}, {least:bare} to {most}, median {median:bare}",
    "check-layer-records": "  {layer}: {values:record|records} from {source}, "
    "{least:bare} to {most}, median {median:bare}",
    "layer-organic-matter": "organic matter",
    "layer-yield-potential": "yield potential",
    "layer-applied-n": "applied nitrogen",
    "layer-zones": "zones",
    "check-weather": "  {days:day|days} of weather",
    "check-fine": "Nothing needs a decision.",
}

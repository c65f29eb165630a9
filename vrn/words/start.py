"""A field folder made from the files a person has: what each file is, and what is left to settle, in words."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "no-outline": (
        "No file holds the outline of the field.",
        "Draw it in any map program. Save it as GeoJSON, KML or a shapefile, and name it here.",
        "{line}",
    ),
    "outlines": (
        "More than one file could be the outline of the field: {files}.",
        "Name the one that is. Ground to leave out goes in its own table.",
        "{line}",
    ),
    "several-fields": (
        "{file} holds {fields}. Most readings lie in {field}.",
        "If that is the field, use this line.",
        "{line}",
    ),
    "several-fields-open": (
        "{file} holds {fields}.",
        "Say which one this is.",
        "{line}",
    ),
    "no-samples": (
        "No file holds soil samples.",
        "Put the readings into the form, or name your own file here.",
        "{line}",
    ),
    "several-samples": (
        "More than one table could be the soil samples: {files}.",
        "Name the one to use. If all are of this field, put them in one table.",
        "{line}",
    ),
    "several-files": (
        "More than one file could be used for this: {files}.",
        "Name the one to use.",
        "{line}",
    ),
    "several-columns": (
        "{file} has more than one column it could be: {columns}.",
        "Name the one to use.",
        "{line}",
    ),
    "form-empty": ("The form {file} has no reading in it yet.", "Write the readings into it.", "{line}"),
    "no-depth": (
        "{file} does not say how deep the cores were.",
        "If all cores are of one depth, write its top and bottom here, as 0-{depth=12}.",
        "{line}",
    ),
    "depth-unit": (
        "The columns {top} and {bottom} in {file} have no unit. By their size the depths were read in {unit}.",
        "If that is wrong, name both columns by the other unit.",
        "{line}",
    ),
    "no-places": (
        "{file} does not say where the samples were pulled.",
        "Add a column for longitude and one for latitude to the copy in the folder.",
        "{line}",
    ),
    "yield-goal": ("What yield is the crop fed for?", "Write your goal.", "{line}"),
    "stage": ("How many leaf collars did the corn have on the sampling day?", "Count them in the field.", "{line}"),
    "product": (
        "Which product will be applied?",
        "Without it, rates are in pure nitrogen. See the label for its name and strength.",
        "{line}",
    ),
    "yield-unit": (
        "The yields in {file} do not say their unit, and more than one would fit.",
        "Say what they are.",
        "{line}",
    ),
    "raster": (
        "The name of {file} does not say what the raster holds.",
        "If it is organic matter or a yield map, name it in that table.",
        "{line}",
    ),
    "product-map": (
        "{file} looks like a map of product that was applied. vrn needs a map of its nitrogen.",
        "Work out the nitrogen in each rate, and name the new map here.",
        "{line}",
    ),
    "ground": (
        "{file} has shapes and no values. It is taken as ground that gets nothing, such as a pond or a waterway.",
        "Set the distance your local rules ask for. Delete the table if it is something else.",
        "{line}",
    ),
    "ground-spots": (
        "{file} has lines or points and no values. It is taken as ground that gets nothing, such as wells.",
        "Set the distance your local rules ask for. Delete the table if it is something else.",
        "{line}",
    ),
    "not-used": ("Not used. {why}", "{remedy}"),
    "unclear": (
        "Nothing in {file} says what it is for (columns: {columns}).",
        "If it is needed, put what it holds, and the unit, in its headers. Then start again.",
    ),
    "refused": ("{problem}", "{remedy}", "{line}"),
    "system-found": (
        "{file} gives places in meters and no map system. In {system} they lie in the field, so that was used.",
        "Check it on the map.",
    ),
    "yield-kind": (
        "The yields in {file} do not say their unit. By their size they were read as {kind}.",
        "Check a few of them.",
    ),
    "season-today": (
        "No file says the year. This year, {season}, was taken as the season.",
        "Correct it if it is wrong.",
    ),
}

SENTENCES: Final[dict[str, str]] = {
    "role-boundary": "{file}: outline of the field",
    "role-samples": "{file}: soil samples",
    "role-areas": "{file}: areas that a table speaks of",
    "role-yield_log": "{file}: harvest log",
    "role-yield_potential": "{file}: yield layer",
    "role-organic_matter": "{file}: organic matter",
    "role-applied_n": "{file}: nitrogen already applied",
    "role-weather": "{file}: daily weather",
    "role-trial": "{file}: nitrogen trial",
    "role-product": "{file}: product applied (not used)",
    "role-ground": "{file}: ground that gets nothing",
    "role-map_units": "{file}: table of map units (not used)",
    "role-unknown": "{file}: not used",
    "role-column": "    values in {column}",
    "left": "{questions:question is|questions are} left to settle, in {file}:",
    "none-left": "Nothing is left to settle. Next:\n  vrn check {file}",
    "next": "Fill in the lines marked <-- in {file}. Then:\n  vrn check {file}",
    "wrote": "Wrote {path}",
    "boundary-first": "Put the boundary beside {file}. Then plan the sampling:\n  vrn plan {file}",
    "samples-next": "Once the samples are in, fill in the lines of {file} marked <-- . Then:\n  vrn check {file}",
    "first-plan": "First plan: {facts}.\nPrint field_sheet.pdf and load plan.gpx. "
    "Fill in samples_form.csv and save it as {samples}.\n"
    "To plan again once the field file names layers:\n  vrn plan {file}",
}

"""What is printed of the published methods: side by side, one in full, and the ledger of one reading."""

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    # methods side by side
    "title": "What other methods say",
    "caption": "Need by zone, {unit}. Only this prescription's method builds a rate. The others are shown to compare.",
    "head": "Method",
    "zone": "Zone {zone}",
    "remark": "Remark",
    "this-one": "{title} (this prescription)",
    "not-run": "Not run: {title}. {why}",
    "every": "Every method on this reading, {unit}",
    "applies": "Within its calibration",
    "outside": "Outside its calibration: shown to compare, never built",
    "missing": "Not run",
    "none-is-the-law": "Each method rests on its own trials, soils and years. Your own state's method and a "
    "licensed person decide.",
    # one method in full
    "one-listed": "{title}. {region}.",
    "one-head": "{key}: {title}",
    "one-formula": "Formula",
    "one-answers": "Answers",
    "one-region": "Region",
    "one-stage": "Stage",
    "one-core": "Core",
    "one-factor": "From ppm",
    "one-contains": "Already holds",
    "one-source": "Source",
    "one-inputs": "Inputs",
    "one-example": "Worked example",
    "one-remaining": "nitrogen to finish the crop",
    "one-sidedress": "a sidedress rate",
    "one-season": "a season total: what is already applied is subtracted",
    "one-any-stage": "any stage",
    "one-stages": "{first} to {last}",
    "one-no-core": "no core of its own",
    "one-core-depth": "0 to {most}",
    "one-core-depths": "from the surface to between {least:bare} and {most}",
    "one-input-required": "{meaning} (required)",
    "one-input-optional": "{meaning} (optional)",
    "one-input-default": "{meaning} ({value})",
    "one-input-from-memory": "{meaning} ({value}, from memory)",
    "one-input-range": "valid {low} to {high}",
    "one-example-need": "need {need}",
    # the ledger of one reading
    "need-head": "{title} ({key})",
    "need-sum": "sum of the lines, {unit}",
    "need-needed": "{unit} of nitrogen needed",
    "need-meter": "± {nitrate}, what a field meter is good to: {low:bare} to {high}",
    "need-uptake-band": "Range of published uptake at this stage: {low:bare} to {high}",
    "need-sources": "Sources",
}

"""What a notebook shows beside a field, a ledger or a prescription."""

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    "field": "Field",
    "field-and-season": "{name}, season {season}",
    "area": "Area",
    "treated-of-all": "{treated:bare} of {all} get nitrogen",
    "readings": "Readings",
    "readings-and-depths": "{readings:reading|readings} of nitrate ({depths})",
    "no-depth": "no depth",
    "weather": "Weather",
    "weather-days": "{days:day|days}",
    "organic-matter": "Organic matter",
    "yield-potential": "Yield potential",
    "applied-n": "Applied nitrogen",
    "zones": "Zones",
    "decide": "Needs your decision",
    "ledger": "Nitrogen still needed, by {method}, {unit}",
    "ledger-line": "Line",
    "ledger-basis": "How it was worked out",
    "ledger-source": "Source",
    "ledger-sum": "Sum",
    "ledger-need": "Need (never below 0)",
    "range": "{low} to {high}",
    "prescription": "{name}, season {season} ({state})",
    "signed": "signed by {name}",
    "draft": "DRAFT",
    "totals": "{area}, {mass}, {product} of {name}. Mean rate: {mean}. One flat rate from the same samples: {flat}.",
    "totals-n": "{area}, {mass}. Mean rate: {mean}. One flat rate from the same samples: {flat}.",
}

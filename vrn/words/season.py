"""The season book, on the console and on its page: what is due, what to order, results."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "same-ground": (
        "{field} and {other} cover the same ground, so their product is counted twice.",
        "Keep one: vrn season BOOK --retire FIELD. If it is one field that moved, give both files the same id in "
        "[field].",
    ),
    "later": (
        "{field} is also built for season {season}, later than the one shown.",
        "Check the season in its field file, or look at that season with --season {season}.",
    ),
    "earlier": ("{count:field|fields} of earlier seasons not listed.", "Look at one with --season YEAR."),
    "spooled": (
        "The season book {book} is busy. Some rows wait in a file beside it.",
        "They are taken in by the next run of vrn fields with this book.",
    ),
    "dropped": (
        "{field} is no longer in {list}. Its product left the order.",
        "If that is a mistake, list it again and run the same command.",
    ),
}

SENTENCES: Final[dict[str, str]] = {
    "stale-not": "unchanged",
    "stale-new": "would be built: no whole prescription is in its folder",
    "stale-input": "would be built: {file} changed",
    "stale-output": "would be built: {file} in its folder is not as it was written",
    "stale-version": "would be built: {name} was {was} and is {now}",
    "stale-forced": "would be built: --force",
    "stale-refused": "refused: {problem} {remedy}",
    "title": "Season {seasons}",
    "title-on": "Season {seasons} on {today}",
    "counts": "On {today}: {fields:field|fields}, {failed} failed, {draft} DRAFT, {approved} approved, {applied} "
    "applied.",
    "map-label": "Map of the season's fields. Arrow keys move it. Plus and minus zoom.",
    "state-failed": "failed",
    "state-draft": "DRAFT",
    "state-approved": "approved",
    "state-applied": "applied",
    "drawn": "{field}: {state}, {rate:0} on average",
    "due": "What is due",
    "due-order": "Failed fields come first. The rest are sorted by days left to the application date, or to V12 where "
    "no date is set.",
    "stages": "Stages after the sampling date are estimates: {early} growing degree days a leaf collar up to V10, "
    "{late} after it, {a_day} a day. Look at the crop.",
    "head-field": "Field",
    "head-state": "State",
    "head-sampled": "Sampled at",
    "head-now": "About now",
    "head-apply": "Apply on",
    "head-v12": "V12 about",
    "head-days": "Days left",
    "passed": "passed",
    "still": "Map of the season’s fields",
    "head-area": "Area, {unit}",
    "head-product": "Product",
    "head-nitrogen": "{unit}",
    "sampled": "{stage} on {day}",
    "failed": "{problem} {remedy}",
    "product": "{total} {name}",
    "order": "Product to order",
    "order-none": "Nothing to order: every field is applied or failed.",
    "order-line": "{product}: {total} for {fields:field|fields} ({approved} approved, {draft} still DRAFT)",
    "head-fields": "Fields",
    "head-approved": "Approved",
    "head-draft": "Still DRAFT",
    "head-both": "Both",
    "head-unit": "Unit",
    "results": "Results",
    "results-none": "No results are recorded yet. Record some: vrn season BOOK --record TABLE.csv",
    "head-planned": "Planned, {unit}",
    "head-applied": "Applied, {unit}",
    "head-share": "Applied, % of plan",
    "head-stalks": "Stalk nitrate",
    "head-strips": "Strips",
    "stalk-classes": "Stalk classes (Iowa State University): below {low:0} low, to {marginal:0} marginal, to "
    "{optimal:0} optimal, above that excess.",
    "applied": "{applied} applied",
    "applied-of-plan": "{applied} applied, {share} of the {planned} planned",
    "stalk": "stalk nitrate {ppm:0} ({kind})",
    "stalk-zone": "zone {zone} stalk nitrate {ppm:0} ({kind})",
    "stalk-cut": "stalk nitrate {ppm:0} ({kind}: {cut} less next year, from Connecticut trials)",
    "stalk-zone-cut": "zone {zone} stalk nitrate {ppm:0} ({kind}: {cut} less next year, from Connecticut trials)",
    "strip": "strip at {rate}: {grain:1}",
    "strip-no-rate": "strip: {grain:1}",
    "written": "Written: {path}",
}

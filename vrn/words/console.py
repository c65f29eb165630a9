"""What the commands print on the console."""

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    # build
    "title": "{field}, season {season}",
    "title-draft": "{field}, season {season} (DRAFT: not yet signed)",
    "head-zone": "zone",
    "head-area": "area {unit}",
    "head-nitrate": "nitrate {unit}",
    "head-need": "need {unit}",
    "head-rate": "rate {unit}",
    "head-product": "product {unit}",
    "totals-n": "{area}, {nitrogen}. The mean rate is {mean}. One flat rate from the same samples is {flat}.",
    "totals": "{area}, {nitrogen}, {product} of {name}. The mean rate is {mean}. One flat rate from the same samples "
    "is {flat}.",
    "assumptions": "Assumptions: {themes}",
    "theme-ingest": "input files",
    "theme-samples": "samples",
    "theme-surface": "maps",
    "theme-zones": "zones",
    "theme-nitrogen": "nitrogen budget",
    "theme-rates": "rates",
    "theme-files": "file names",
    "theme-methods": "nitrogen methods",
    "theme-weather": "weather",
    "theme-own": "your own numbers",
    "theme-plan": "sampling plan",
    "theme-other": "other",
    "more-in-report": "… and {count} more in the report",
    "more-with-out": "… and {count} more (build with --out to get the report)",
    "written-folder": "Written to {folder}. Look at map.html, then report.html. Give the operator load_sheet.txt, and "
    "load TASKDATA or the shapefile.",
    "written-stick": "Written to {folder}: TASKDATA, SHAPEFILE and LOAD_SHEET.TXT. Other fields on it stay.",
    # demo, show
    "demo-copied": "Copied the demo field to {folder}.",
    "page-opened": "Opened {page}",
    "page-not-opened": "No browser could be started. Open {page}",
    # verify
    "check-passed": "ok   {about}: {found}",
    "check-failed": "LOOK {about}: {found}",
    "all-passed": "Every check passed.",
    "some-failed": "{failed} of {checks:check needs|checks need} a person.",
    # compare
    "compared": "{field}, season {season}: {file}",
    "applied-total": "{applied} applied, {share:1} of the {planned} planned. {within:1} of the driven ground got a "
    "rate within {band} of its target.",
    "applied-twice": "{skipped:2} got nothing. {overlapped:2} was covered more than once.",
    "difference": "Against plan: {missed} by skips, {twice} by overlaps, {rate} by the rate, {off} off the zones.",
    "meter": "The machine's own counter is {factor} times what the rates add up to.",
    "meter-delivered": "Meter factor {factor}: what went out over what the file adds up to. All rates include it.",
    "head-driven": "driven {unit}",
    "head-planned": "planned",
    "head-applied": "applied {unit}",
    "head-within": "within {band}",
    "zone-no-apply": "no-apply",
    "records-used": "{records:record was|records were} used.",
    "records-left-out": "{records:record was|records were} used. Left out: {reasons}.",
    "written-comparison": "Written to {folder}. Look at compared.html.",
    # fields
    "stopping": "vrn: stopping. Fields in work get a few seconds to finish. Press Ctrl-C once more to stop now.",
    "field-done": "{field}: {state}, {seconds:0} s",
    "stopped": "vrn: stopped. {count:field was|fields were} not started. Run the same command to go on.",
    "field-failed": "! {field} ({file}): {problem} {remedy}",
    "fields-done": "{total:field|fields}: {built} built, {unchanged} unchanged, {failed} failed, in {seconds:0} s.",
    "fields-warned": "{count:field has|fields have} warnings. See the column warnings in fields.csv.",
    "fields-written": "Rows: {table}. For what is due, still DRAFT and to order: vrn season {book}",
    "bar": "{failed} failed, {left} left, about",
}

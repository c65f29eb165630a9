"""Words of the stick for the terminal and its load sheet of the day."""

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    "title": "LOAD SHEET OF THE DAY",
    "fields": "FIELDS ON THIS STICK",
    "head-number": "",
    "head-field": "field",
    "head-task": "task on the terminal",
    "head-shapefile": "shapefile",
    "head-product": "product",
    "needs": "{total} of {product}",
    "drafts": "DRAFT, not approved: {fields}",
    "in-all": "PRODUCT TO LOAD IN ALL",
    "field": "FIELD {number} OF {of}: {field}",
    "paper": "The same to print, with the map: {file}",
    "written": "Written to {folder}: {fields:field|fields} in TASKDATA, SHAPEFILE, SHEETS and LOAD_SHEET.TXT.",
    "emptied": "No field is left on {folder}.",
    "line": "{field}: {state}, prescription {id}, {shapefile}",
    "state-approved": "approved",
    "state-draft": "DRAFT",
    "superseded": "! {field}: superseded. The prescription now is {id}.",
    "changed": "! {file}: not as vrn wrote it.",
    "strange": "! {file}: not written by vrn.",
    "beside": "Also on the stick, not from vrn: {files}",
    "empty": "vrn wrote nothing on {folder}.",
}

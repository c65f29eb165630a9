"""What is said of zones: why so many, how they were drawn, and the table of their numbers."""

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    "title": "How many zones",
    "count-asked": "{zones:zone|zones}, as the field file asks.",
    "count-fewer-than-asked": "{zones:zone|zones}. {asked} were asked for, but the values and the smallest patch allow "
    "no more.",
    "count-most-tried": "{zones:zone|zones}, the most that were tried.",
    "count-rate-step": "{zones:zone|zones}. With one more, two zones would be closer than one rate step ({step}).",
    "count-little-saved": "{zones:zone|zones}. One more zone would improve accuracy by only {gain} (a zone must save "
    "{least:2}).",
    "count-little-saved-money": "{zones:zone|zones}. One more zone is expected to earn only {earned} more (a zone must "
    "earn {least_earned}).",
    "count-own-file": "{zones:zone|zones} from {source}.",
    "count-every-step": "{zones} rates, cell by cell: one for every step of {step} that the machine can follow.",
    "how-cells": "Every cell takes the nearest step of the rate. No piece is under {patch} unless it stands alone. "
    "Outlines are drawn to {tolerance}.",
    "how-need": "The need is smoothed over {smooth} (standard deviation of a Gaussian kernel) and cut where it saves "
    "most. No patch is under {patch} unless it stands alone. No neck is under {width}, to within a cell. Outlines are "
    "drawn to {tolerance}.",
    "how-layers": "The lines of the nitrogen budget are smoothed over {smooth} (standard deviation of a Gaussian "
    "kernel) and sorted by fuzzy c-means. No patch is under {patch} unless it stands alone. No neck is under {width}, "
    "to within a cell. Outlines are drawn to {tolerance}.",
    "curve": "What each number of zones leaves misplaced: the distance between need and rate, averaged over the "
    "ground. The ring marks the number used.",
    "curve-alt": "Misplaced nitrogen by number of zones",
    "table": "Number of zones",
    "head-zones": "Zones",
    "head-left": "Misplaced, {unit}",
    "head-survives": "Improvement after allowing for sampling error, {unit}",
    "head-cost": "Cost, {unit}",
    "head-fuzziness": "Fuzziness index",
    "head-entropy": "Normalized entropy",
}

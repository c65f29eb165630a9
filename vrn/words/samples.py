"""Whether the readings can be trusted, in words."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "form-written-once": (
        "{cells:empty cell|empty cells} of the form took the day, the meter or the standard's value of the row above.",
        "Write it in the first row, and again only where it changes.",
    ),
    "no-corn-then": (
        "Cores were pulled on {day}, and the stage is {stage}. Few fields have corn then.",
        "Check the date and the stage.",
    ),
    "header-of-another-year": (
        'The header "{column}" names a year, but the season is {season}.',
        "Check that it is the column of this season.",
    ),
    "low-nitrate": (
        "From {top:bare}–{bottom}, the median is {median:1} nitrate-N. A corn field seldom holds less than {usual:1}.",
        "Check the decimal point and the unit.",
    ),
    "deeper-holds-more": (
        "The deeper cores hold {ratio:1} times as much as those above them, all over the field.",
        "Check that both depths are in one unit.",
    ),
    "pulled-long-before": (
        "Cores were pulled from {first}, and the pass is planned for {planned}, {days:day|days} later.",
        "Nitrate changes in that time. Pull some cores again, or check the two dates.",
    ),
    "deeper-holds-little": (
        "The deeper cores hold only {share} of those above them, all over the field. "
        "A rate on an area above a share of the soil would look like this.",
        "Check that both depths are in one unit.",
    ),
    "no3-or-no3-n": (
        'The median is {median:0}, and no nitrogen is needed above {enough:0}. The column "{column}" does not say '
        "NO3-N. If it holds NO3, the field has only {real:1}.",
        "Look at the lab sheet. If it says NO3-N, put that in the header of the column.",
    ),
    "none-and-manure": (
        "The field file says that nothing was applied, but it credits {credit} for manure.",
        "If the manure is of this season, list it as applied. If it is older, nothing needs to change.",
    ),
    "a-column-says-yes": (
        'The column "{column}" of the samples says yes, and the field file lists nothing that was applied.',
        "If nitrogen was put on, list it in the field file. It is not counted now.",
    ),
    "silent-and-a-column": (
        'The column "{column}" of the samples goes up to {most}. The field file does not say what was applied.',
        "List what was put on, or say that nothing was.",
        'applications = "none"    # or a table [[applications]]',
    ),
    "left-out-by-hand": (
        "Sample {sample} is left out ({rows:reading|readings}): {reason}",
        "To count it again, take the entry out of the field file.",
    ),
    "taken-again": (
        "The same ground was sampled on {first} and again by {last}. Only the later readings count there: {old} of the "
        "first are left out, {left:reading counts|readings count}.",
        "Check that this is what you want. If all should count, say why.",
        'In the field file: [samples] accept = "why all readings count"',
    ),
    "taken-again-all": (
        "The same ground was sampled on {first} and again by {last}. All readings count, {old} of the first too. "
        "Reason given: {reason}",
        "Check that nitrate did not move in between.",
    ),
    "no-standards": (
        "No check standards were run, so the meter's accuracy can't be verified.",
        "Run a standard of known value first, after every ten samples, and last.",
    ),
    "standards-off": (
        "{bad} of {count} check standards are off by more than {allowed}. The worst is in row {row}: "
        "it read {read} and should read {nominal}.",
        "Read the samples next to them again: {samples}.",
    ),
    "standards-off-alone": (
        "{bad} of {count} check standards are off by more than {allowed}. The worst is in row {row}: "
        "it read {read} and should read {nominal}.",
        "No sample was read next to them. Check the meter before you go on.",
    ),
    "outside-standards": (
        "{count:reading was|readings were} taken before the first or after the last check standard: {samples}.",
        "Run a standard first, after every ten samples, and last.",
    ),
    "standards-drift": (
        "The check standards drifted by {drift} from first to last. That is more than chance would do.",
        "Calibrate the meter and read again, or let vrn correct the readings by the standards.",
        "{key:samples.correct_drift} = true",
    ),
    "standards-failed": (
        "Some check standards read far off or are too weak, so they correct no readings: {samples}.",
        "Run them again, or check the readings next to them by hand.",
    ),
    "corrected": (
        "{count:reading was|readings were} corrected by the check standards. The largest change is in row {row}, "
        "from {before} to {after}.",
        "Turn this off to use the readings as they are.",
        "{key:samples.correct_drift} = false",
    ),
    "repeats": (
        "{count:sample was|samples were} read more than once. One reading is good to about ± {sd:2}.",
        "Two readings of one sample should be within {limit:2} of each other.",
    ),
    "repeats-apart": (
        "{count:sample was|samples were} read more than once. One reading is only good to about ± {sd:2}.",
        "Mix the cores better, let each reading settle, and read again.",
    ),
    "not-settled": (
        "Sample {sample} had not settled. It read {first} at first and {last} at last.",
        "Wait until two readings agree, and keep the last one.",
    ),
    "instruments-differ": (
        "Meter {one} reads {gap} higher than meter {other} on the same {count:sample|samples}.",
        "Run a standard on both to find which is right. Until then, don't mix their readings.",
    ),
    "instrument-differs": (
        "Meter {one} and a meter without a name differ by {gap} on the same {count:sample|samples}.",
        "Run a standard on both to find which is right. Until then, don't mix their readings.",
    ),
    "blank-high": (
        "A blank reads {most}.",
        "Rinse, use fresh water or extractant, and read the samples before it again.",
    ),
    "below-detection": (
        "{hidden} of {count} readings are too low for the test to measure. It shows no pattern there.",
        "Ask the lab for a test with a lower limit, or treat that ground as even.",
    ),
    "read-before-pulled": (
        "By its dates, sample {sample} was read before it was pulled.",
        "Check the day it was pulled and the time it was read.",
    ),
    "kept-too-long": (
        "{count:sample was|samples were} read up to {days:day|days} after they were pulled: {samples}. Moist "
        "soil keeps making nitrate.",
        "Read within 24 hours, or cool, freeze or dry the samples (University of Nebraska-Lincoln, G1740).",
    ),
    "unlike-neighbors": (
        "Sample {sample} reads {read}. The samples around it suggest {expected}.",
        "Look for a band, a manure pile or a typing error. The reading is used unless you take it out.",
    ),
    "few-cores": (
        "Samples of few cores count for less than samples of many. Single cores are taken to differ by {cv}.",
        "To measure it, pull five or more pairs of samples a few steps apart. The sampling plan places them.",
    ),
}

SENTENCES: Final[dict[str, str]] = {
    "title": "Can the readings be trusted?",
    "standards": "Check standards. Allowed: {allowed} of the known value, or {least:1} where that is more.",
    "standards-of": "Check standards of meter {instrument}. Allowed: {allowed} of the known value, or {least:1} where "
    "that is more.",
    "column-row": "Row",
    "column-after": "After readings",
    "column-nominal": "Known value, {ppm:unit}",
    "column-read": "Read, {ppm:unit}",
    "column-recovery": "Read, % of known",
    "column-within": "Within",
    "yes": "yes",
    "no": "no",
    "drift": "From the first standard to the last, the reading changed by {drift:1} of the known value. Without drift, "
    "chance would do that {chance} of the time.",
    "doubtful": "Read next to a standard that is off: {samples}.",
    "chart": "Control chart of the check standards: mean and limits at three standard deviations.",
    "chart-alt": "Control chart of check standards",
    "repeatability": "{count:sample was|samples were} read more than once. One reading has a standard deviation of "
    "{sd:2} ({low:2} to {high:2}).",
    "error-given": "Error of one reading: {sd:2}, as given in the field file.",
    "error-duplicates": "Error of one reading: {sd:2}, from {count:sample|samples} read more than once.",
    "error-standards": "Error of one reading: {sd:2}, from {count:reading|readings} of check standards.",
    "error-unknown": "Error of one reading: not known, because no duplicates or check standards were run.",
    "cores-pairs": "Error of a mixed sample: {cv} between cores, from {count:pair|pairs} of samples within {near:0} of "
    "each other.",
    "cores-assumed": "Error of a mixed sample: {cv} between cores, assumed: too few samples lie close together.",
    "cores-unknown": "Error of a mixed sample: not known, because the file does not say how many cores were mixed.",
    "blanks": "{count:blank reads|blanks read} {mean:2} on average and {most:2} at most.",
    "pair": "Meters {one} and {other} differ by {gap:2} on {count:sample|samples} both read.",
    "pair-differs": "Meters {one} and {other} differ by {gap:2} on {count:sample|samples} both read. That is more than "
    "chance would do.",
    "no-name": "without a name",
    "unsettled": "Sample {sample} had not settled when it was read.",
    "kept": "Sample {sample} was kept {days:day|days} before it was read.",
    "too-low": "{count:reading is|readings are} below what the test can detect. They lie between 0 and that limit.",
    "suspects": "Readings unlike their neighbors. They are shown, not left out.",
    "column-sample": "Sample",
    "column-expected": "Expected, {ppm:unit}",
    "column-score": "Score",
    "corrections": "Readings corrected by their check standards",
    "column-as-read": "As read, {ppm:unit}",
    "column-corrected": "Corrected, {ppm:unit}",
}

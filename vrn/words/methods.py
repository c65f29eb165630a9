"""What is said of the published methods: where one does not hold, what it lacks, side by side, one in full."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    # the method
    "budget-not-a-state-method": (
        "This is a nitrogen budget using the values shown, not a state recommendation.",
        "Compare it with your own state's method. The report lists the methods side by side.",
    ),
    "method-of-a-region": (
        "This method was made for {region}.",
        "Elsewhere it is a guess. Compare it with your own state's method.",
    ),
    "method-of-a-trial": (
        "A measured yield response holds only where it was measured.",
        "Compare it with your own state's method.",
    ),
    "stage-not-checked": (
        "This method is made for {first} to {last}, and no growth stage was given to check.",
        "Count leaf collars on the sampling date and enter the stage.",
    ),
    "outside-stage": (
        "This method is made for {first} to {last}. The crop was at {stage}.",
        "Use it only to compare. It is not used to build a rate here.",
    ),
    "outside-stages": (
        "This method is made for {first} to {last}. The crop was at {early} to {late}.",
        "Use it only to compare. It is not used to build a rate here.",
    ),
    "outside-core-top": (
        "This method needs cores that start at the surface. These start at {found}.",
        "Use it only to compare. It is not used to build a rate here.",
    ),
    "outside-core-depth": (
        "This method needs cores down to {most}. These reach {found}.",
        "Use it only to compare. It is not used to build a rate here.",
    ),
    "outside-core-depths": (
        "This method needs cores down to between {least:bare} and {most}. These reach {found}.",
        "Use it only to compare. It is not used to build a rate here.",
    ),
    "outside-critical-value": (
        "The critical value is outside {low:bare} to {high}.",
        "Use the answer only to compare, or enter a value in that range.",
    ),
    "outside-history-factor": (
        "The field history factor is outside {low} to {high}.",
        "Use the answer only to compare, or enter a value in that range.",
    ),
    "outside-price-factor": (
        "The price factor is outside {low} to {high}.",
        "Use the answer only to compare, or enter a value in that range.",
    ),
    "outside-timing-factor": (
        "The timing factor is outside {low} to {high}.",
        "Use the answer only to compare, or enter a value in that range.",
    ),
    "outside-deep-core": (
        "The deep core does not end between {low:bare} and {high}.",
        "Use the answer only to compare, or enter a depth in that range.",
    ),
    "season-total": (
        "This method gives the total for the season. Nothing already applied was subtracted.",
        "Enter what is already applied, and it is subtracted.",
    ),
    "from-memory": (
        "One number of this method is from memory: {value}, {meaning}.",
        "Check it against the method's bulletin, and enter the bulletin's number if it differs.",
    ),
    "price-factor-not-set": (
        "The price factor is 1. At your prices the equation, from memory, gives {factor:3}.",
        "Look it up in the current bulletin and enter it.",
        "{key:nitrogen.price_factor} = {factor:3}",
    ),
    # tests that say otherwise
    "test-differs": (
        "{test} asks for {theirs} on average. Your method asks for {ours}. They lie far apart (zone {zones}).",
        "Decide which one to follow, and write down why.",
        '{key:nitrogen.method_reason} = "why you follow this method"',
    ),
    "test-differs-answered": (
        "{test} asks for {theirs} on average. Your method asks for {ours}. They lie far apart (zone {zones}). "
        "Yours is followed because: {reason}",
        "Make sure the reason holds before you sign.",
    ),
    "test-differs-here": (
        "{test} asks for {theirs} here. This method asks for {ours}.",
        "Decide which one to follow before you apply.",
    ),
    "high-nitrate": (
        "The top {depth=12} holds {concentration=20} nitrate-N or more (zone {zones}), up to {nitrate}. Tests from "
        "V4 to V6 find little response there (Minnesota {concentration=20}, Oregon {concentration=21}, Iowa "
        "{concentration=25}). The nitrogen budget still asks for {need}.",
        "Decide which one to follow, and write down why.",
        '{key:nitrogen.method_reason} = "why you follow this method"',
    ),
    "high-nitrate-answered": (
        "The top {depth=12} holds {concentration=20} nitrate-N or more (zone {zones}), up to {nitrate}. Tests from "
        "V4 to V6 find little response there (Minnesota {concentration=20}, Oregon {concentration=21}, Iowa "
        "{concentration=25}). The nitrogen budget still asks for {need}. It is followed because: {reason}",
        "Make sure the reason holds before you sign.",
    ),
    "high-nitrate-here": (
        "The top {depth=12} holds {nitrate}. Tests from V4 to V6 find little response there (Minnesota "
        "{concentration=20}, Oregon {concentration=21}, Iowa {concentration=25}). The nitrogen budget still asks for "
        "{need}.",
        "Decide which one to follow before you apply.",
    ),
    # what a method lacks
    "needs-deep-nitrate": ("It needs {top:bare}–{bottom} nitrate. No deep cores were pulled.", "Pull deep cores."),
    "needs-nitrate": ("It needs a nitrate reading.", "Enter one."),
    "needs-depth": ("It needs the depth of the cores.", "Enter it."),
    "needs-yield-goal": ("It needs a yield goal.", "Enter one."),
    "needs-growth-stage": ("It needs the growth stage.", "Count leaf collars on the sampling date."),
    "needs-organic-matter": ("It needs soil organic matter.", "Enter it."),
    "needs-history-factor": ("It needs the field history factor.", "See vrn methods for how it is worked."),
    "needs-base-rate": ("It needs the base rate for the rotation.", "Look it up in the state's bulletin."),
    "needs-response": ("It needs a yield response.", "Use your own nitrogen trial or a published one."),
    "needs-prices": ("It needs the prices of corn and nitrogen.", "Enter both."),
    "cannot-run": ("{problem}", "{remedy}"),
    # cautions of the published methods, their sources beside them
    "late-profile": (
        "This method is made for cores pulled before planting to about V4. Later the crop has drawn the nitrate "
        "down, and the rate would be too high.",
        "Use a sidedress test or the nitrogen budget for later cores.",
    ),
    "not-on-sand": (
        "This test is not expected to work on sandy soils (University of Nebraska).",
        "On sand, use another method.",
    ),
    "not-after-broadcast": (
        "This test is not valid after more than {low:bare} to {high} of nitrogen broadcast (NY, DE, PA bulletins).",
        "Use the nitrogen budget where more was broadcast.",
    ),
    "iowa-not-later": (
        "The test is not to be used past the stage it was made for (Iowa State, ICM, 22 June 2018).",
        "Check the stage on the sampling date.",
    ),
    "nebraska-deep-samples": (
        "Above {nitrate} in the top {depth=24}, or after a failed crop, the bulletin asks for samples to {depth=48}.",
        "Sample deeper in those cases.",
    ),
    "minnesota-credits-part": (
        "A 2007 text credits 60% of the profile nitrate against a return-to-nitrogen rate instead.",
        "Ask which of the two your state uses now.",
    ),
    "dakota-factor-changed": (
        "The factor was 1.2 until 2023. Then 45 trials of 2018–22 brought it to 1.0.",
        "Check that you compare with the newer factor.",
    ),
    "penn-superseded": (
        "For fields manured in two or more of the last five years, penn-state-2023 replaces this test.",
        "Use penn-state-2023 there.",
    ),
    "penn-little-starter": (
        "The test was made on fields with under {nitrogen} of nitrogen at planting. It does not hold after a "
        "grass-legume cover crop.",
        "Use another method there.",
    ),
    "penn-two-factors": (
        "The paper's own numbers convert to factors of 5.09 and 0.722. Extension prints 4.9 and 0.71.",
        "The printed numbers are used here.",
    ),
    "ohio-and-michigan-differ": (
        "Ohio and Michigan differ for readings from {low:bare} to {high}. Ohio credits {ohio}, Michigan {michigan}.",
        "Use the test of your own state.",
    ),
    "one-trial-is-one-draw": (
        "The yield without nitrogen changes from year to year, and so does the response. One trial shows one year.",
        "Weigh it with other trials.",
    ),
    "yield-explains-little": (
        "Within fields, yield explained about 15% of the change in the best rate (Scharf et al. 2006, SSSAJ 70:2154).",
        "Do not expect the best rate to follow the yield map.",
    ),
    "yield-goal-rates-high": (
        "Rates from a yield goal were above the best-paying rate in 96% of 193 site-years (Mulvaney et al. 2006, "
        "SSSAJ 70:172).",
        "Set a yield goal that the field has reached.",
    ),
}

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
    "bookkeeping": "Bookkeeping, not calibrated on trials",
    "outside": "Outside its calibration: shown to compare, never built",
    "missing": "Not run",
    "none-is-the-law": (
        "Each method rests on its own trials, soils and years. Your own state's method and a licensed person decide."
    ),
    # one method in full
    "one-listed": "{title}. {region}.",
    "one-head": "{method}: {title}",
    "one-formula": "Formula",
    "one-answers": "Answers",
    "one-region": "Region",
    "one-stage": "Stage",
    "one-core": "Core",
    "one-factor": "Factor",
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
    "one-example-need": "need {need} {unit}",
    # the ledger of one reading
    "need-head": "{title} ({method})",
    "need-sum": "sum of the lines, {unit}",
    "need-needed": "{unit} of nitrogen needed",
    "need-doubt": "± {doubt} in two seasons of three, the same for a whole field",
    "need-doubt-taught": "± {before} before your own trials",
    "need-doubt-parts": "Made of (squares add up): {parts}",
    "need-doubt-part": "{part} {at:bare}",
    "need-meter": "± {nitrate}, what a field meter is good to: {low:bare} to {high}",
    "need-uptake-band": "Range of published uptake at this stage: {low:bare} to {high}",
    "need-sources": "Sources",
    "many-one": "{place}: {nitrate}, need {need}",
    "many-one-again": "{place}: {nitrate}, need {need}; read {times} times, its mean counts",
    "many-mean": "    mean of {places:place|places}: {mean} ± {half:bare}, {sure} sure",
}

"""What is said of the nitrogen need: findings of the ledger and the published methods, labels of the ledger's lines."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    # the need
    "second-foot-worth-pulling": (
        "The top {depth=12} of soil holds {nitrate} after {rain} of rain since the last application. No deeper "
        "cores were pulled. By the published rules the next {depth=12} may hold {low:bare} to {high} of what was "
        "applied, and none of it is credited.",
        "Pull deep cores before you add more. The best places are {places}.",
    ),
    "depth-not-sampled": (
        "The {top:bare}–{bottom} depth was not sampled, so no nitrogen is credited from it.",
        "Pull cores from that depth at a few places. Rain may have moved nitrate into it.",
    ),
    "depth-not-sampled-likely": (
        "The {top:bare}–{bottom} depth was not sampled, so no nitrogen is credited from it. It likely holds about "
        "{likely}, if it is like most fields (Binford et al. 1992, Agron. J. 84:53).",
        "Pull cores from that depth at a few places. Rain may have moved more nitrate into it.",
    ),
    "depth-assumed": (
        "The {top:bare}–{bottom} depth was not sampled. This method assumes {nitrate} there.",
        "Pull cores from that depth. After rain it may hold more.",
    ),
    "organic-matter-capped": (
        "Organic matter is above {cap} in {above} of {cells:cell|cells}. It is counted as {cap} there, because "
        "wet soils free less nitrogen than their organic matter suggests.",
        "Raise the cap only if you know that your soil frees more.",
        "{key:nitrogen.organic_matter_cap_pct} = {cap:bare}",
    ),
    "organic-matter-capped-here": (
        "Organic matter is above {cap}. It is counted as {cap}, because wet soils free less nitrogen than their "
        "organic matter suggests.",
        "Raise the cap only if you know that your soil frees more.",
        "{key:nitrogen.organic_matter_cap_pct} = {cap:bare}",
    ),
    "crop-may-be-short": (
        "By its stage the crop should hold {stage}. By what was applied, lost, freed and is still there, it may hold "
        "only {supply}. {sure} of the gap is counted. If the crop is short, it needs up to {most} more than by its "
        "stage alone.",
        "Before you add more, compare its green with a strip that had plenty (Hawkins et al. 2007, Agron. J. 99:1034). "
        "If it is as green, nothing is missing. If it is paler, enter the share it may hold.",
        "{key:nitrogen.uptake_share} = {share:2}",
    ),
    "need-unknown": (
        "The need is unknown in {unknown} of {cells:cell|cells}.",
        "Add the data that is missing there. A zone whose need is mostly unknown gets no rate.",
    ),
    "surplus": (
        "On {share} of the ground the soil holds {surplus} more nitrogen than the crop still needs.",
        "Adding more there only feeds the water. The limit for drinking water is 10 mg/L nitrate-N (EPA).",
    ),
    "surplus-here": (
        "The soil holds {surplus} more nitrogen than the crop still needs.",
        "Adding more only feeds the water. The limit for drinking water is 10 mg/L nitrate-N (EPA).",
    ),
    "yield-layer-pattern": (
        "{share} of the zone pattern comes from the yield layer, not from your soil samples. Within fields, "
        "yield explained about 15% of the change in the best rate (Scharf et al. 2006, SSSAJ 70:2154).",
        "Trust the pattern only as far as you trust the yield layer. Leave it out to see what remains.",
    ),
    "odd-reading": (
        "A reading of {nitrate} nitrate-N is more than fields hold.",
        "Check the unit. Nitrate (NO3) itself reads 4.43 times as high as its nitrogen.",
    ),
    # stage and product
    "stage-late": (
        "At {stage}, nitrogen pays only where the corn is short of it. Missouri found full yield with nitrogen "
        "as late as V12 to V16. Minnesota found no gain past V8 except on irrigated sand.",
        "Compare with a strip that was never short of nitrogen.",
    ),
    "stage-near-tassel": (
        "At {stage}, nitrogen may come too late to pay. A rescue rate near tassel is {low:bare} to {high}.",
        "Ask your agronomist before you order product.",
    ),
    "stage-after-tassel": (
        "At {stage}, nitrogen may come too late to pay. Minnesota found no gain after tassel.",
        "Ask your agronomist before you order product.",
    ),
    # what may be counted twice, or not at all
    "applied-without-dates": (
        "Nitrogen already applied was given without dates, so none of it is subtracted. What has turned to "
        "nitrate is in the soil test.",
        "List it with its date. Then what was not yet nitrate is counted.",
    ),
    "applied-without-dates-here": (
        "Nitrogen already applied was given without dates, so none of it is subtracted. What has turned to "
        "nitrate is in the soil test.",
        "List it with its date. Then what went on after sampling is counted.",
    ),
    "broadcast-before-test": (
        "{pounds} went on before sampling. This test is not valid after more than {low:bare} to {high} broadcast.",
        "Use the nitrogen budget (remaining-need). It follows what was applied.",
    ),
    "applied-and-in-the-test": (
        "Nitrogen applied before sampling is subtracted from the base rate. The part that is nitrate is in the "
        "soil test too.",
        "Decide which of the two should count it. A test usually misses starter in a band.",
    ),
    "applied-and-in-the-profile": (
        "Applied nitrogen was given without dates, so all of it is subtracted. The part that was nitrate when "
        "the cores were pulled is in the soil test too.",
        "List it with its date. Then only what the test has not seen is subtracted.",
    ),
    "applied-before-profile": (
        "Nitrogen applied before the cores were pulled is in the soil test, as far as it was nitrate by then.",
        "Only what was not yet nitrate, and what went on later, is subtracted.",
    ),
    "not-in-the-test": (
        "{low:bare} to {high} of the nitrogen applied before sampling was not yet nitrate. This test has not "
        "seen it and does not subtract it.",
        "Lower the rates by hand, or use the nitrogen budget (remaining-need), which counts it.",
    ),
    "map-and-empty-list": (
        "The map says {mapped} was applied on average. The list says none was.",
        "List the amount and the date. Without them the map cannot be followed.",
    ),
    "map-and-list": (
        "A map ({mapped} on average) and a list ({listed}) both say what was applied.",
        "The map's amounts are used, and the list only gives the dates. Check that they are the same nitrogen.",
    ),
    "listed-twice": (
        "{pounds} of {product} on {day} is listed twice.",
        "Remove one of them unless it went on twice that day.",
    ),
    "manure-twice": (
        "Manure is credited, and applied manure or an unknown product is counted too.",
        "Remove one of the two if they are the same manure.",
    ),
    "water-twice": (
        "Nitrogen in the water is credited. Nitrogen put on with the water is counted too.",
        "Credit only the nitrate that the well itself holds.",
    ),
    "other-credit-twice": (
        "Other nitrogen is credited, and what was applied is counted too.",
        "Remove one of the two if they are the same nitrogen.",
    ),
    "credit-not-counted": (
        "The {credit} credit of {pounds} is not counted: {contains}.",
        "Set it to 0 for this method.",
    ),
    "crop-credit-twice": (
        "The {credit} credit of {pounds} may be counted twice. What that crop left is already nitrate in the "
        "soil test, or is part of what organic matter still frees.",
        "Set it to 0 unless it appears after sampling.",
    ),
    "credit-counted": (
        "The {credit} credit of {pounds} is counted as nitrogen that appears after sampling.",
        "Leave out what was nitrate on the sampling date. The soil test holds it.",
    ),
    "manure-credit-twice": (
        "The {credit} credit is {pounds}. What was nitrate when the cores were pulled is counted twice.",
        "Credit only what appears after sampling.",
    ),
    "credit-beside-method": (
        "The {credit} credit of {pounds} is subtracted. This method already holds: {contains}.",
        "Check that the credit is not part of it.",
    ),
    "product-unknown": (
        "The kind of nitrogen in {product} is not known, so the widest range of the rules is used.",
        "Enter a usual name or analysis, such as UAN 28 or 46-0-0.",
    ),
    # the user's own trial
    "trial-unused": ("No yield response could be read from your trial. {problem}", "{remedy}"),
    "trial-and-numbers": (
        "Both a trial and the numbers of a yield response were entered.",
        "The numbers are used. Remove them to use the trial.",
    ),
    "trial-response": (
        "{yields:yield fits|yields fit} a {form}: b = {b:5}, c = {c:6} (standard errors {b_se:5} and {c_se:6}).",
        "One trial in one year can mislead. Weigh it with other trials.",
    ),
    "trial-best-rate": (
        "At your prices the trial's best rate is {best}. Rates from {low:bare} to {high} pay within {within} of it.",
        "One trial in one year can mislead. Weigh it with other trials.",
    ),
    "best-rate-between": (
        "These yields put the best rate between {low:bare} and {high}, {sure} sure.",
        "That is for this place and season only. Weigh it with other trials.",
    ),
    "best-rate-or-more": (
        "These yields put the best rate at {low} or more, {sure} sure. How much more they do not say.",
        "Try higher rates next season.",
    ),
    "best-rate-unbounded": (
        "These yields do not bound the best rate. All rates tried, {low:bare} to {high}, fit them, {sure} sure.",
        "It helps only when combined with other trials.",
    ),
    "trial-still-rising": (
        "Yields still rose at {highest}, the highest rate tried.",
        "The best rate is held there. Try higher rates next season.",
    ),
    "strips-unused": ("No yield response could be read from the strips. {problem}", "{remedy}"),
    "strips-without-prices": (
        "The rate that paid best is not worked without prices.",
        "Enter the prices of corn and nitrogen.",
    ),
    "strips-best-rate": (
        "In this pass the best-paying rate was {best}. Rates from {low:bare} to {high} paid within {within} of it.",
        "One season can mislead. Weigh it with others.",
    ),
}

SENTENCES: Final[dict[str, str]] = {
    # lines of the ledger
    "line-crop": "Nitrogen the crop has still to take up",
    "line-yield": "Nitrogen for the expected yield",
    "line-base": "Base",
    "line-base-rate": "Base rate",
    "line-critical": "Nitrogen a soil at the critical value holds",
    "line-optimum": "Best-paying rate of the season",
    "line-tillage": "For no-till",
    "line-cap": "Above the bulletin's cap",
    "line-short": "Nitrogen the crop cannot have got so far",
    "line-not-known": "For what is not known",
    "line-recovery": "Nitrogen the crop will not recover",
    "line-none-advised": "No nitrogen is advised",
    "line-soil-nitrate": "Nitrate in the soil, {top:bare}–{bottom}",
    "line-profile-nitrate": "Nitrate in the profile",
    "line-top-foot": "Nitrate in the top {depth=12}",
    "line-test": "Credit for the test",
    "line-test-and-history": "Credit for the test and the field's history",
    "line-test-class": "Credit for the test's class",
    "line-learned-level": "Learned on your own ground: level",
    "line-learned-soil-nitrate": "Learned on your own ground: worth of soil nitrate",
    "line-learned-mineralization": "Learned on your own ground: worth of organic matter",
    "line-learned-credits": "Learned on your own ground: worth of a credit",
    "line-learned-shape": "Learned on your own ground: shape of the response",
    "line-learned-hold": "Held at {most} from the budget",
    "line-below-core": "Nitrate below the core",
    "line-mineralization": "Nitrogen still to mineralize",
    "line-organic-matter": "Organic matter",
    "line-credits": "Credits",
    "line-credit-previous-crop": "Credit for the previous crop",
    "line-credit-manure": "Manure nitrogen still to appear",
    "line-credit-irrigation-water": "Nitrate in irrigation water still to come",
    "line-credit-other": "Other nitrogen still to appear",
    "line-applied": "Nitrogen already applied",
    "line-applied-after": "Applied after the cores were pulled",
    "line-applied-not-nitrate": "Applied, not yet nitrate at sampling",
}

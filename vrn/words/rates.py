"""Words of the rates: why a rate was changed, what a person must look at, the machine, check strips."""

from typing import Final

_LABEL: Final = "Follow the product label and local rules; a licensed applicator makes the final decision."
_CAUTIONS: Final = {
    "caution-urea": "Urea left on the surface can lose nitrogen to the air, up to half in a warm, wet week "
    "(Illinois). Losses of 8 to 15% are common and 30% can happen, worst on damp soil that then dries. It takes "
    "{rain=0.5} of rain at once, or tillage, to stop it (Montana State and Nebraska extension). Heat speeds it: in "
    "five days 38 to 46% was lost at {temperature=77}, less than 7% at {temperature=59} (University of Manitoba). Of "
    "UAN, only half is urea.",
    "caution-urea-inhibitor": "A urease inhibitor buys time, about two weeks in acid soil. It does not replace rain: "
    "{rain=0.5} at once still has to come (Montana State extension).",
    "caution-inject": "Inject UAN {depth=4} deep or more, between the rows (University of Illinois).",
    "caution-drops": "Drop hoses must reach the ground below the leaves. UAN on leaves burns them. Lift and check "
    "the hoses at each end (common practice, no source).",
    "caution-placement": "It is not stated how this pass is put on. UAN over the leaves burns corn. Iowa State: no "
    "more than {rate=90} at V3 to V4, {rate=60} at V7, none on taller corn.",
    "caution-burn-late": "{rate} of UAN over the leaves at {stage} burns corn. Iowa State: none on corn past V7. Use "
    "drop hoses, or inject it.",
    "caution-burn-over": "{rate} of UAN over the leaves at {stage} is more than the {limit} that Iowa State allows. "
    "Hot, dry weather makes the burn worse. Use drop hoses, inject it, or split it.",
    "caution-burn-within": "UAN over the leaves at {stage} will mark them within two days. Iowa State: no more than "
    "{rate=90} at V3 to V4, {rate=60} at V7, none later. Hot, dry weather makes it worse.",
    "caution-runoff": "Stay off saturated soil, and off slopes where rain would carry the product away. Do not apply "
    "before heavy rain. On wet soil even a light rain runs off (Wisconsin Discovery Farms). Follow the nutrient plan "
    "(NRCS 590).",
    # 85 % by volume as Montana's rule has it; by weight 56 to 58 % of water. Washington's words of the federal rule
    # make that 90.6 % by volume at 60 °F (WAC 296-307-40029). The federal one, 29 CFR 1910.111(b)(11), was not seen
    "caution-ammonia-soil": "Inject ammonia about {depth=6} deep in fine soil and {depth=8} in sand, deeper when "
    "dry. The slot must close: go back and smell (University of Illinois). Stay upwind. Fill tanks to 85% at most "
    "(Montana rule ARM 4.12.712). Keep tanks {length=50} from wells (29 CFR 1910.111).",
    "caution-ammonia": "Anhydrous ammonia burns, blinds and kills. Wear vented goggles, ammonia-rated gloves and "
    "long sleeves. Keep at least {gal=5} of clean water in reach. If it touches skin or eyes, flush with water for "
    "at least 15 minutes. 29 CFR 1910.111 and state rules apply. Trained people only. Inject it; never leave it on "
    "the surface.",
    "caution-aqua": "Aqua ammonia gives off ammonia gas that burns eyes, skin and lungs. Wear vented goggles, "
    "ammonia-rated gloves and long sleeves. Keep at least {gal=5} of clean water in reach. Inject it; never leave it "
    "on the surface.",
    "caution-nitrate": "Ammonium nitrate feeds fire and can explode. Keep it dry and away from fuel, oil and heat. "
    "Storage and security rules apply.",
    "caution-manure": "Manure can reach streams, tile inlets and wells. Keep the setbacks of the manure plan and the "
    "law. Its analysis changes: sample it the day it is spread.",
    "caution-thiosulfate": "Thiosulfate harms seed and leaves. Keep it out of the furrow and off the crop (Iowa "
    "State extension).",
}
_BY_HAND: Final = "Add the layer that is missing there, or set a rate in the map's review."
_LATER: Final = "Keep the limit unless the rule behind it allows more. Plan a later pass."
_WATER: Final = "What the crop does not take up ends in the water (drinking-water limit 10 mg/L, EPA)."

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "nothing-anywhere": (
        "No zone gets any nitrogen.",
        "Check the readings and their unit before you leave the field as it is.",
    ),
    "need-unknown": ("The need of {area} is not known, so nothing is applied there.", _BY_HAND),
    "need-unknown-rate": ("The need of {area} is not known. {rate} is applied there.", _BY_HAND),
    "need-partly-unknown": (
        "The need of {unknown} out of {area} is not known. That ground gets the rate of the rest.",
        _BY_HAND,
    ),
    "applied-partly-unknown": (
        "What is already on {unknown} out of {area} is not known. The season limit takes it to be like the rest.",
        "Enter what has been applied there, or make that ground a zone of its own.",
    ),
    "over-season-cap": (
        "The zone's average keeps the season limit, but {over} of {area} go over it, by up to {most:0}.",
        "If the limit is a legal one, set a lower rate, or make that ground a zone of its own.",
    ),
    "held-pass-cap": ("{wanted:0} was called for. The limit for this pass is {cap}, which is {short:0} less.", _LATER),
    "held-season-cap": (
        "{wanted:0} was called for. The season limit is {cap} and {applied:0} is already on. The rate is "
        "{short:0} short.",
        _LATER,
    ),
    "held-season-cap-credited": (
        "{wanted:0} was called for. The season limit is {cap}. Of that, {applied:0} is already on and "
        "{credited:0} is credited from manure and irrigation water. The rate is {short:0} short.",
        _LATER,
    ),
    "held-season-cap-unknown": (
        "There is a season limit of {cap}, but what is already on this ground is not known. So nothing is applied.",
        "Enter what has been applied.",
    ),
    "held-machine-most": (
        "{wanted:0} was called for. The applicator's maximum is {cap}, which is {short:0} less.",
        "Plan a later pass, or fit the applicator for more.",
    ),
    "held-no-step": (
        "{wanted:0} was called for. No rate in steps of {step} fits between the applicator's minimum of "
        "{least} and the limits. So nothing is applied.",
        "Plan a later pass, or set the applicator for lower rates.",
    ),
    "person-below-least": (
        "The rate set by hand is {wanted}. The applicator's minimum is {least}, so {rate} is applied.",
        "Set 0, or a rate the applicator can make.",
    ),
    "left-bare": (
        "{area} would get {wanted:0}, which is below the applicator's minimum of {least}. It is set to 0. The ground "
        "lacks {missing} in all.",
        "If that is too much to leave out, let rates below the minimum go to whichever is nearer.",
        'machine.below_minimum = "nearest"',
    ),
    "above-need-person": (
        "The rate set by hand is {over:0} above the need of {need:0}.",
        f"{_WATER} Lower the rate, unless there is a reason to write down.",
    ),
    "above-need-prices": (
        "At these prices the rate is {over:0} above the need of {need:0}.",
        f"{_WATER} Lower the rate if water is close.",
    ),
    "above-need-machine": (
        "The applicator cannot go lower. The rate is {over:0} above the need of {need:0}.",
        f"{_WATER} Choose 0 below the minimum, or set the applicator for lower rates.",
    ),
    "strips-no-place": (
        "No pair of check strips fits within every limit.",
        "Make the strips shorter, or the step between them smaller.",
    ),
    "strips-change-total": (
        "The check strips change the field's total by {change}; {allowed} is allowed. Pieces too short to "
        "keep lie on one side.",
        "Try another strip length, a smaller step, or fewer pairs.",
    ),
    "trial-no-place": (
        "No trial block fits. It takes even ground of {length} by {width}, two passes or more from every edge, with a "
        "known need.",
        "Make the plots shorter, or lay the trial in a larger field.",
    ),
    "trial-uneven-need": (
        "No trial block fits. The need differs too much wherever one could lie: by {least} around its average at "
        "best. Up to {limit} is fine.",
        "Make the plots shorter, or lay the trial in a more even field.",
    ),
    "trial-uneven-pass": (
        "No trial block fits. What is already on is too uneven wherever one could lie: by {least} around its average "
        "at best. Up to {limit} is fine.",
        "Lay the trial where earlier passes were even.",
    ),
    "trial-low-rate": (
        "No trial is laid. The highest rate called for where a block fits is {rate}. Below {least} there is no room "
        "for lower rates.",
        "Lay the trial in a field that needs more nitrogen.",
    ),
    "trial-limits": (
        "No trial is laid. It takes four rates, {least} from the lowest to the highest, and one above the rate called "
        "for. The limits leave no such rates around {rate}.",
        "Keep the limits. Lay the trial where they leave room.",
    ),
    "trial-speeds": (
        "No one speed makes all rates of trial block {block}: {least} takes {fast} or faster, {most} {slow} or slower.",
        "Fit orifices with a wider range, or take a smaller step. The machine's log shows what each plot got.",
    ),
    "trial-too-dear": (
        "No trial is laid. It is expected to cost {cost}, and pays from {least} of corn next season. You plan {corn}.",
        "Lay fewer blocks, or leave the trial out.",
    ),
    "trial-fewer": (
        "{asked:trial block was|trial blocks were} asked for. Only {blocks} fits.",
        "Make the plots shorter, or be content with what fits: a second season tells more than a second block.",
    ),
    "trial-head-assumed": (
        "The width of the combine's head is not given. The trial's plots are laid for {head}.",
        "Enter the width: each plot must hold one whole harvest pass.",
        "{key:trial.harvest_width_ft} = 30",
    ),
    "trial-no-prices": (
        "Without prices it is not known what the trial costs.",
        "Enter the prices of corn and nitrogen.",
    ),
    "trial-alike": (
        "The soil nitrate of the trial blocks differs by only {apart}. So they will hardly show how far soil nitrate "
        "can be counted on.",
        "They still show how much nitrogen this farm's corn takes.",
    ),
    **{name: (text, _LABEL) for name, text in _CAUTIONS.items()},
    "draft": (
        "Draft: not yet signed.",
        "Have an agronomist read it and sign it.",
        'vrn sign DIR --by "NAME"',
    ),
    "override-dropped": (
        (
            "A rate of {rate} was set by hand ({reason}) on {area}. Only {share} of that ground is one zone now. The "
            "rate was dropped."
        ),
        "Look at both outlines on the map, and set the rate again if it is still right.",
    ),
    "override-by-number": (
        "The rate set by hand names zone {zone} by number alone. Zones can change.",
        "Check on the map that it is the right ground. Save the review from the map to keep the ground.",
    ),
    "no-product": (
        "No product is named, so none is assumed. All rates are nitrogen.",
        "Name the product to see how much of it to order.",
        'product.name = "UAN 32"',
    ),
    "machine-faster": ("Zone {zone}: {rate} cannot be made at {speed}.", "Drive at {advised} or faster."),
    "machine-slower": ("Zone {zone}: {rate} cannot be made at {speed}.", "Drive at {advised} or slower."),
    "machine-impossible": (
        "Zone {zone}: {rate} cannot be made at {speed}, nor at any speed in the applicator's range.",
        "Fit other orifices or metering, or set another rate.",
    ),
    "drive-on-no-apply": (
        "About {mass:1} would land on no-apply ground, where sections overhang it. Most is near {place}.",
        ("Set the terminal to shut a section off as soon as it touches such ground, and enter an overlap of 0%. Or "
        "widen the setback by half a section."),
        "machine.edge_overlap_pct = 0",
    ),
    "drive-off-field": (
        "About {mass}, {share} of the total, would land beyond the treated ground, where sections overhang its edge. "
        "Most is near {place}.",
        "Use more sections, or less overlap at the edges.",
        "machine.edge_overlap_pct = 0",
    ),
    "lines-leave": (
        "The lines given for the passes leave {area} without a pass. Most of it is near {place}.",
        "Add the lines that are missing, or check the swath.",
    ),
    "fixed-on": (
        "With no position or off the map, the machine still applies up to {rate:0}. Reason given: {reason}",
        "Make sure the operator knows. A rate of 0 is safer.",
    ),
    "fixed-near-no-apply": (
        "A fixed rate of {rate:0} is asked for, but no-apply ground is within {swath} of the field. It is set to 0.",
        "Leave the fixed rates at 0 in this field.",
    ),
    "fixed-over-limit": (
        "A fixed rate of {rate:0} is asked for. The limits allow {cap:0}, so that is what is written.",
        "Lower the fixed rate.",
    ),
    "cells-nearer": (
        "In the simulated drive rates cell by cell miss the need by {cells} on average. {count:zone|zones} would miss "
        "it by {zones}.",
        "",
    ),
    "zones-nearer": (
        "In the simulated drive {count:zone|zones} miss the need by {zones} on average. Rates cell by cell miss it by "
        "{cells}.",
        "Take zones: this machine cannot follow the cells.",
        '{key:zones.by} = "need"',
    ),
    "drive-share": (
        "At the speed and width entered, about {share} of the ground will get within 10% of the target rate.",
        "Use fewer zones or larger patches, drive slower, or set the look-ahead to the time a rate change takes.",
        "{key:machine.look_ahead_s} = {rate_change}",
    ),
}  # fmt: skip

SENTENCES: Final[dict[str, str]] = {
    **_CAUTIONS,
    "line-prices": "Prices of corn and nitrogen",
    "before-limits": "Rate before limits",
    "change-unknown-need": "need not known: nothing is applied",
    "change-person": "set by hand: {reason}",
    "change-return": "prices of {n} and {corn}: the rate that is expected to return most",
    "change-return-held": "prices of {n} and {corn}: the rate that is expected to return most, moved no further than "
    "published price adjustments go",
    "change-kinked": "prices, kinked response: the rate that meets the need on {share} of the zone",
    "change-pass-cap": "limit for this pass, {cap}",
    "change-season-cap": "season limit of {cap}, less {applied:0} already on",
    "change-season-cap-credited": "season limit of {cap}, less {applied:0} already on and {credited:0} credited from "
    "manure and irrigation water",
    "change-season-cap-unknown": "season limit of {cap}: what is already on is not known",
    "change-machine-most": "limited by the applicator's maximum rate, {cap}",
    "change-no-step": "no step of {step} fits between the applicator's minimum, {least}, and the limits",
    "change-below-least-off": "below the applicator's minimum, {least}: set to 0",
    "change-below-least-raised": "below the applicator's minimum, {least}: raised to the lowest it makes",
    "change-step": "rounded to the nearest {step}",
    "change-step-for-total": "rounded to a step of {step} beside it, so that the field's total or a limit holds",
    "change-top-up": "covered before with less than its rate: what is still missing",
    "change-strip-more": "check strip: {difference} more than its zone",
    "change-strip-less": "check strip: {difference} less than its zone",
    "strip-more": "check strip {pair}, +{difference} in zone {zone}",
    "strip-less": "check strip {pair}, −{difference} in zone {zone}",
    "strip-more-alone": "check strip {pair}, +{difference}",
    "strip-less-alone": "check strip {pair}, −{difference}",
    "trial-zone": "trial block {block}, {rate}",
    "change-trial-called-for": "trial: the rate called for there",
    "change-trial": "trial: a rate {difference} from the one called for",
    "trial": "Trial blocks. Each has {plots} plots of {length} by {width}, driven at {heading}° from north. The "
    "{buffer} at each end of a plot are left out at harvest.",
    "trial-cost": "The trial is expected to cost {cost} this season: {least:bare} to {most:bare} dollars over the ways "
    "yield may respond.",
    "trial-gain": "It is expected to bring at least {gain} of next season's corn, so it pays from {area} of corn. A "
    "second season tells more than a second block. One season can mislead: the gain is an average over many farms.",
    "trial-log": "Keep the applicator's log. Harvest each pass whole, and save the yield log before the plots are "
    "forgotten. Next year, lay blocks on other ground.",
    "head-block": "Block",
    "head-rates": "Rates, {at:unit}",
    "head-called-for": "Called for, {at:unit}",
    "head-trial-need": "Need, {at:unit}",
    "head-nitrate": "Nitrate, {at:unit}",
    "head-cost": "Cost, {at:unit}",
    "head-place": "Middle",
    "zone-before": "zone {zone} of the whole field",
    "zone-topped-up": "more on zone {zone} of the whole field",
    "machine": "The machine",
    "product": "{product}: {n}% N by weight, {density}. Source: {source}.",
    "product-none": "No product is named. All rates are nitrogen.",
    "product-dry": "{product}: {n}% N by weight. Source: {source}.",
    "assumed-highest-rate": "Orifices or metering are taken to be set so that the highest rate is the most flow at the "
    "working speed.",
    "assumed-unlimited": "No flow limit was entered for the machine, so none was checked.",
    "flows": "What each rate asks of the machine at {speed}",
    "head-zone": "Zone",
    "head-rate": "Rate, {at:unit}",
    "head-flow": "Flow, {at:unit}",
    "head-speeds": "Speeds that make it, {at:unit}",
    "head-made": "Made",
    "head-advice": "Advice",
    "made-yes": "yes",
    "made-no": "no",
    "advice-faster": "drive at {speed} or faster",
    "advice-slower": "drive at {speed} or slower",
    "advice-impossible": "fit other orifices or metering, or set another rate",
    "speeds": "{least:bare} to {most:bare}",
    "speeds-from": "{least:bare} and more",
    "speeds-any": "any",
    "drive": "In a simulated drive at {heading}° from north, {passes:pass|passes} at {speed}, {share} of the ground "
    "gets its rate within 10%. The plan calls for {prescribed}; {applied} goes out.",
    "drive-rounds": "In a simulated drive with {rounds:round|rounds} along the edge and straight passes at {heading}° "
    "from north, {passes:pass|passes} in all at {speed}, {share} of the ground gets its rate within 10%. The plan "
    "calls for {prescribed}; {applied} goes out.",
    "drive-given": "In a simulated drive along the {passes:line|lines} given at {speed}, {share} of the ground gets "
    "its rate within 10%. The plan calls for {prescribed}; {applied} goes out.",
    "drive-outside": "Another {mass} lands beyond the treated ground, where sections overhang its edge. More sections "
    "would make that less.",
    "drive-zones": "The drive, zone by zone",
    "head-within": "Within 10%",
    "head-mean": "Mean, {at:unit}",
    "head-under": "Too little, {at:unit}",
    "head-over": "Too much, {at:unit}",
    "order": "To order: {total}.",
    "order-liquid": "To order: {total}, which weighs {weight}.",
    "order-loads": "That is {loads:load|loads} of {tank}; the last is {last}. A load covers {area}.",
    "strips": "Check strips. They change the field's total by {change} ({allowed} is allowed).",
    "head-in-zone": "In zone",
    "head-pair": "Pair",
    "head-area": "Area, {at:unit}",
    "head-difference": "More or less, {at:unit}",
    "left": "This is for the {left} that are left of {whole}. Of the rest, {full} got their rate, {short} got less "
    "than 90% of it, and {narrow} are strips too narrow to drive. The whole field was to get {mass}.",
    "left-topped-up": "Of what is left, {area} only get what the first pass was short of.",
    "sure": "How sure",
    "sure-total": "In nine seasons out of ten the whole field needs {least:bare} to {most}. The samples alone leave "
    "open {low:bare} to {high}.",
    "sure-flat": "Zone rates miss the need of a place by {zones} on average ({zones_low:bare} to {zones_high:bare}). "
    "One flat rate misses it by {flat} ({flat_low:bare} to {flat_high:bare}). Zone rates were "
    "better in {share} of the draws.",
    "sure-one-rate": "This rate misses the need of a place by {zones} on average ({zones_low:bare} to "
    "{zones_high:bare}). It is the flat rate.",
    "sure-zones": "Need of each zone over {draws} draws",
    "head-need": "Need, {at:unit}",
    "head-error": "Standard error",
    "head-band": "Nine draws in ten",
    "head-needs-more": "Chance the need is higher than the rate",
    "band": "{low:bare} to {high:bare}",
    "sure-how": "Each draw is a whole field that the samples allow ({drawn}), taken through the nitrogen budget. "
    "Layers without a stated error are taken as they are. What the method leaves open comes on top of these figures.",
    "doubt": "What the method leaves open, the same for all zones, {at:unit}. In two seasons of three the truth lies "
    "within the total. Each number was moved by itself; squares add up.",
    "doubt-taught": "Your own trials changed the total from {before} to {now}. They show the sum of its parts, so each "
    "part is changed by the same share.",
    "doubt-part": "Part",
    "doubt-source": "Rests on",
    "doubt-method": "The method itself, the rest",
    "doubt-per-bushel": "Nitrogen for each unit of yield",
    "doubt-mineralization": "Nitrogen that organic matter frees",
    "doubt-season-yield": "Season's yield against the goal",
    "doubt-uptake": "Share taken up at the stage",
    "doubt-second-foot": "Second depth, not sampled",
    "doubt-instrument": "Meter",
    "doubt-bulk-density": "Bulk density",
    "doubt-total": "Total",
    "doubt-picture": "Where the method may be off, and by how much: the total (black), its parts (gray), and what the "
    "samples leave open between zones (blue).",
    "doubt-alt": "Bars of the doubt's parts, with the same numbers as the table",
    "doubt-samples": "Zone to zone, by the samples",
    "doubt-zones": "From zone to zone, by the samples: {low:bare} to {high}. This is not part of the total.",
    "drawn-nitrate_ppm": "nitrate",
    "drawn-deep_nitrate_ppm": "nitrate of the second depth",
    "drawn-organic_matter_pct": "organic matter",
    "drawn-yield_goal_bu_ac": "yield goal",
    "drawn-applied_lb_ac": "applied nitrogen",
    "causes": "Standard error of the need of a place by cause, {at:unit}. Squares add up; what is not known lies "
    "within the ground between samples. {how}",
    "cause-instrument": "Meter",
    "cause-cores": "Cores mixed",
    "cause-ground": "Ground between samples",
    "cause-other": "Second depth, layers",
    "cause-total": "All together",
}

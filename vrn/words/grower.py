"""Words of the grower's page, and the cautions that map and report carry."""

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    "title-short": "In short",
    "title-rates": "Rates",
    "title-cost": "Product and cost",
    "title-doubts": "What could be wrong",
    "map": "Zones and their rates, {rate:unit}. Dots: where cores were pulled. Hatched: no nitrogen.",
    "map-alt": "Map of {field} with the rate of each zone",
    "span": "{low:bare} to {high}",
    "found-by-zone": "Soil was sampled at {places:place|places}. Zone averages run from {nitrate} nitrate-N. The corn "
    "still needs {need} to reach its yield goal.",
    "found-one-level": "Soil was sampled at {places:place|places} and averages {nitrate} nitrate-N. The corn still "
    "needs {need} to reach its yield goal.",
    "found-no-nitrate": "The corn still needs {need} to reach its yield goal.",
    "found-no-need": "Soil was sampled at {places:place|places}. What the corn still needs is not known.",
    "zones-get": "{zones:zone gets|zones get} {rates}, {mean:0} on average.",
    "zones-get-same": "{zones:zone gets|zones get} {rates}.",
    "field-gets": "The whole field gets one rate, {rates}.",
    "flat": "One flat rate from the same samples would be {flat}.",
    "flat-whole-field": "One flat rate for the whole field would be {flat}.",
    "strips": "Check strips get {steps} more or less, to learn from at harvest.",
    "trial": "{blocks:trial block|trial blocks} on {area} get other rates on purpose, to learn from at harvest.",
    "trial-cost": "{blocks:trial block|trial blocks} on {area} get other rates on purpose, to learn from at harvest. "
    "That is expected to cost about {cost}.",
    "learned": "{trials:trial|trials} of your own in {seasons:season|seasons} count in these rates. They average "
    "{mean:0}. Without the trials they would average {without:0}. In nine seasons of ten, yield should level off "
    "between {low:0} and {high:0}.",
    "one-zone-file": "The zone file, {file}, holds one zone here.",
    "one-zone-asked": "The field file asks for one zone.",
    "one-zone-enough": "More zones were not worth it.",
    "one-zone-few": "{places:place is|places are} too few to show a pattern, so their average is used for the whole "
    "field.",
    "one-zone-scatter": "Samples from {places:place|places} differ, but near ones are hardly more alike than far ones. "
    "A pattern drawn from them could be chance, so their average is used for the whole field.",
    "one-zone-help": "A yield map, a soil map, more samples or zones of your own could show where the need differs.",
    "sure": "Two seasons in three, the true need is within {method} of these rates; a miss is the same in all zones. "
    "From zone to zone the samples add about {error}.",
    "sure-unknown": "Two seasons in three, the true need is within {method} of these rates. The samples do not show "
    "how much zones differ.",
    "sure-taught": "Before your own trials, the figure for all zones was {before}.",
    "worth": "Over many seasons the zones should earn about {usual} more than one flat rate ({low} to {high}, by how "
    "corn responds), and as much again in one more season of the same. One season in four or five can still lose.",
    "worth-of-flat": "One flat rate should earn about {usual:0} more than no nitrogen ({low:0} to {high:0}).",
    "stays": "Of this nitrogen about {left} is expected to stay in the ground after harvest ({flat} with one flat "
    "rate).",
    "balance-over": "{put} is put on in all. The grain carries off about {grain} at the yield goal, {apart} less than "
    "that.",
    "balance-under": "{put} is put on in all. The grain carries off about {grain} at the yield goal, {apart} more than "
    "that. The soil gives the rest.",
    "worth-less": "Over many seasons the zones should earn no more than one flat rate ({low} to {high}).",
    "off-by-zone": "If the map is right, zone rates are off by {zones} on average; one flat rate would be off by "
    "{flat}.",
    "off-by-zone-drawn": "With sampling error counted, zone rates are off by {zones} on average; one flat rate would "
    "be off by {flat}.",
    "off-one-drawn": "With sampling error counted, this rate is off by {zones} on average.",
    "off-one": "If the map is right, this rate is off by {zones} on average.",
    "all": "all",
    "liquid": "{total} of {product} ({n}% N, {density}) carries {mass} for {area}.",
    "no-product": "The plan puts {mass} of nitrogen on {area}. No product is named.",
    "dry": "{total} of {product} ({n}% N) carries {mass} for {area}.",
    "flat-takes-more": "One flat rate would take {flat}. The zones take {apart} less.",
    "flat-takes-less": "One flat rate would take {flat}. The zones take {apart} more.",
    "flat-takes-same": "One flat rate would take as much.",
    "no-price": "No price was given, so no cost is shown.",
    "costs-less": "At {price} the nitrogen costs {total}. One flat rate would cost {flat}, {apart} more.",
    "costs-more": "At {price} the nitrogen costs {total}. One flat rate would cost {flat}, {apart} less.",
    "costs-same": "At {price} the nitrogen costs {total}, and so would one flat rate.",
    "left": "This is for the ground that is left.",
    "left-costs": "At {price} it costs {total}.",
    "doubt": "{place}: {problem} {remedy}",
    "one-mean": "Nitrate is one average for the whole field. When each sample was predicted from the others, the "
    "typical error was {mean}.",
    "between-samples": "Between samples, nitrate is estimated. When each sample was predicted from the others, the "
    "typical error was {chosen} (by the plain average, {mean}).",
    "weather": "Weather after sampling is not known. Heavy rain can move nitrate out of reach, and warm soil can free "
    "more than was counted.",
    "yield-goal": "The yield goal drives the need. If the season falls short of it, nitrogen is left behind.",
    "season": "Season {season}",
    "treated": "{area} treated",
    "pulled": "cores pulled {first}",
    "pulled-at": "cores pulled {first} at {stage}",
    "pulled-span": "cores pulled {first} to {last}",
    "pulled-span-at": "cores pulled {first} to {last} at {stage}",
    "pulled-stage": "cores pulled at {stage}",
    "apply-on": "to be applied {on}",
    "advice": "This is advice. Follow local rules, the product label and the nutrient plan. A licensed person makes "
    "the final decision.",
    "setbacks": "Keep the setbacks that the law and the label set from wells, streams, ponds and tile inlets.",
    "setbacks-drawn": "Only the setbacks entered in the field file are drawn here.",
    "water": "Nitrogen that the crop does not take up can end up in drinking water. Where a reading is in doubt, "
    "apply less.",
    "first-pass": "Before the first pass, check the unit and the total on the screen against the load sheet.",
}

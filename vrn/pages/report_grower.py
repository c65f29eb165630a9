"""First page of the report: what the grower is told, in plain words, on one sheet."""

import math

from vrn.findings import counted
from vrn.pages.plots import rate_map
from vrn.pages.report_parts import Bullets, Part, Picture, Text
from vrn.pages.report_phrases import facts, ordinary_rates, places_read, why_one_zone
from vrn.pages.zones_table import zones_table
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, finding_texts

_MOST_DOUBTS = 5
_COLUMNS = ("area", "nitrate", "yield-goal", "need", "rate", "product-rate", "product")


def grower_page(prescription: Prescription, shown: UnitFormat) -> tuple[Part, ...]:
    """
    Map, zones, product, cost against one flat rate, three sentences, what could be wrong.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    parts : tuple of Part
    """
    picture = Picture(
        caption=f"Zones with their rates, {shown.unit('rate')}. Dots: places where cores were pulled. "
        "Hatched: no nitrogen.",
        alt=f"Map of {prescription.field.name} and its zones with their rates",
        png=rate_map(prescription, shown),
    )
    return (
        Part(title="In short", pieces=tuple(Text(text=sentence) for sentence in _sentences(prescription, shown))),
        Part(title="Rates", pieces=(picture, zones_table(prescription, shown, _COLUMNS, total=True))),
        Part(title="Product and cost", pieces=(Text(text=_product(prescription, shown)), *_cost(prescription, shown))),
        Part(title="What could be wrong", pieces=(Bullets(items=_doubts(prescription, shown)),)),
    )


def _sentences(prescription: Prescription, shown: UnitFormat) -> tuple[str, str, str]:
    """What was found, what is advised, how sure."""
    rates = ordinary_rates(prescription)
    places = places_read(prescription)
    needs = [rate.need_lb_ac for rate in rates]
    nitrate = _span([rate.nitrate_ppm for rate in rates], "concentration", shown)
    one = len(rates) == 1
    found = (
        f"At {counted(places, 'place')} the soil was sampled; "
        f"{'it' if one else 'zone by zone it'} holds {nitrate} of nitrate on average, "
        f"and the corn still needs {_span(needs, 'whole_amount', shown)} to reach its yield goal."
    )
    flat, mean = prescription.flat_rate_n_lb_ac, prescription.mean_rate_n_lb_ac
    given = _span([rate.rate_n_lb_ac for rate in rates], "rate", shown)
    if not one:
        given += f", {shown.text('rate', mean)} on average"
    advised = (
        f"{_count(len(rates))} {'zone gets' if one else 'zones get'} {given}; "
        f"one flat rate from the same samples would be {shown.text('rate', flat)}{_for_all(prescription)}."
    )
    steps = [abs(rate.strip.difference_n_lb_ac) for rate in prescription.rates if rate.strip]
    if steps:
        advised += f" Check strips get {_span(steps, 'rate', shown)} more or less, to learn from at harvest."
    return found, f"{advised} {why_one_zone(prescription, shown)}".strip(), _how_sure(prescription, shown)


def _for_all(prescription: Prescription) -> str:
    """After a rain-out the flat rate is still that of the whole field, not of what is left."""
    return " on the whole field" if prescription.remaining is not None else ""


def _how_sure(prescription: Prescription, shown: UnitFormat) -> str:
    errors = [rate.need_se_lb_ac for rate in prescription.rates if rate.need_se_lb_ac is not None]
    errors = [error for error in errors if math.isfinite(error)]
    sure = (
        f"The need is known to about {_span(errors, 'whole_amount', shown)} either way "
        "(one standard error of a zone's mean, from samples and layers alone)"
        if errors
        else "How sure the need is cannot be told from these samples"
    )
    flat = prescription.flat
    if prescription.remaining is not None or flat is None:
        return f"{sure}."
    zoned, single = flat.zones_misallocated_lb_ac, flat.misallocated_lb_ac
    if not (math.isfinite(zoned) and math.isfinite(single)):
        return f"{sure}."
    unit = shown.unit("whole_amount")
    return (
        f"{sure}; if the map is right, {'this rate misses' if len(prescription.rates) == 1 else 'the zones miss'} the "
        f"need by {shown.number('rate', zoned)} {unit} on average, one flat rate by {shown.number('rate', single)}."
    )


def _span(values: list[float], quantity: str, shown: UnitFormat) -> str:
    known = [value for value in values if math.isfinite(value)]
    if not known:
        return f"an unknown amount ({shown.unit(quantity)})"
    low, high = shown.number(quantity, min(known)), shown.number(quantity, max(known))
    return f"{low} {shown.unit(quantity)}" if low == high else f"{low} to {high} {shown.unit(quantity)}"


def _count(number: int) -> str:
    words = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")
    return words[number] if number < len(words) else str(number)


def _product(prescription: Prescription, shown: UnitFormat) -> str:
    product = prescription.product
    analysis = f"{product.n_pct:g} % N"
    if product.density_lb_gal is not None:
        analysis += f", {shown.text('density', product.density_lb_gal)}"
    return (
        f"{shown.text(product.unit, prescription.total_product)} of {product.name} ({analysis}), "
        f"which is {shown.text('mass', prescription.total_n_lb)} on {shown.text('area', prescription.acres)}."
    )


def _cost(prescription: Prescription, shown: UnitFormat) -> tuple[Text, ...]:
    """Nitrogen, and money when a price was given, against one flat rate."""
    flat_n_lb, factor = prescription.flat_rate_n_lb_ac * prescription.acres, shown.factor("mass")
    less = round(flat_n_lb * factor) - round(prescription.total_n_lb * factor)  # of the two as they are printed
    way = "less" if less >= 0 else "more"
    words = f"One flat rate would take {shown.text('mass', flat_n_lb)}: " + (
        f"the zones take {abs(less):,} {shown.unit('mass')} {way}." if less else "as much."
    )
    price = prescription.field.settings.prices.n_per_lb
    if prescription.remaining is not None:  # the flat rate is that of the whole field
        paid = "" if price is None else f" At {_price(price, shown)} it costs ${prescription.total_n_lb * price:,.0f}."
        return (Text(text=f"This is for the ground that is left.{paid}"),)
    if price is None:
        return (Text(text=f"{words} No price was given, so nothing is said of money."),)
    total, flat = prescription.total_n_lb * price, flat_n_lb * price
    apart = abs(round(flat) - round(total))
    difference = f"${apart:,} {way}" if apart else "the same"
    return (
        Text(
            text=f"{words} At {_price(price, shown)} the nitrogen costs ${total:,.0f}, against ${flat:,.0f} at one "
            f"flat rate: {difference}. The gain, where there is one, is nitrogen in the right place more than "
            "nitrogen saved."
        ),
    )


def _doubts(prescription: Prescription, shown: UnitFormat) -> tuple[str, ...]:
    """What a person must decide first, then how well the map tells samples it has not seen, then the rest."""
    doubts = [
        f"{finding.about}: {finding.problem} {finding.remedy}"
        for finding in finding_texts(shown, prescription.findings)
        if finding.level == "warning"
    ]
    nitrate = prescription.surfaces.get("nitrate_ppm")
    if nitrate is not None and nitrate.choice is not None:
        chosen, mean = nitrate.choice.loo_rmse, nitrate.choice.mean_rmse
        if chosen is not None and mean is not None:
            doubts.append(
                "Nitrate is one mean for the whole field: a sample guessed from the others is off by "
                f"{shown.text('concentration', mean)}."
                if nitrate.chosen == "mean"
                else f"Between samples nitrate is inferred: each sample guessed from the others is off by "
                f"{shown.text('concentration', chosen)} (by the plain mean, {shown.text('concentration', mean)})."
            )
    doubts.append(
        "Weather after sampling is not known: heavy rain can move nitrate out of reach, warmth can free more than "
        "was counted."
    )
    doubts.append("The yield goal drives the need: a goal that the season does not reach leaves nitrogen behind.")
    return tuple(doubts[:_MOST_DOUBTS])


def facts_line(prescription: Prescription, shown: UnitFormat) -> tuple[str, ...]:
    """Season, treated ground, when the cores were pulled, when it is to be applied."""
    return tuple(facts(prescription, shown))


def _price(per_lb: float, shown: UnitFormat) -> str:
    return shown.text("price_n", per_lb)

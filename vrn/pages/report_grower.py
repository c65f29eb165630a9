"""First page of the report, the answer for the grower on one sheet, and what the map says of it in the same words."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from vrn.files.signature import fingerprint
from vrn.findings import Kind, Quantity
from vrn.model.season import SHORT
from vrn.model.trials import LearnedReport
from vrn.pages.field_maps import hatch_legend
from vrn.pages.page_parts import data_uri
from vrn.pages.plots import rate_map
from vrn.pages.report_parts import Bullets, Part, Picture, Text
from vrn.pages.tables import zones_table
from vrn.prescription.model import CheckStrip, Prescription, ZoneRate
from vrn.prescription.trial import TrialReport
from vrn.words import UnitFormat, finding_texts, say
from vrn.zones.model import ZonesReport

_MOST_DOUBTS: Final = 5
_COLUMNS: Final = ("area", "nitrate", "yield-goal", "need", "rate", "product-rate", "product")


def grower_page(prescription: Prescription, shown: UnitFormat) -> tuple[Part, ...]:
    """Map, zones, product, cost against one flat rate, three sentences, what could be wrong."""
    picture = Picture(
        caption=" ".join((
            say(shown, "grower.map", rate=Quantity("rate", None)),
            *(meaning for _, meaning in hatch_legend(prescription, shown)),
        )),
        alt=say(shown, "grower.map-alt", field=prescription.field.name), png=rate_map(prescription, shown),
    )  # fmt: skip
    short = (_found(prescription, shown), " ".join(_advised(prescription, shown)), _how_sure(prescription, shown))
    return (
        Part(title=say(shown, "grower.title-short"), pieces=tuple(Text(text=sentence) for sentence in short)),
        Part(
            title=say(shown, "grower.title-rates"),
            pieces=(picture, zones_table(prescription, shown, _COLUMNS, total=True)),
        ),
        Part(
            title=say(shown, "grower.title-cost"),
            pieces=tuple(
                Text(text=text)
                for text in (
                    _product(prescription, shown),
                    " ".join(_cost(prescription, shown)),
                    _after_harvest(prescription, shown),
                )
                if text
            ),
        ),
        Part(
            title=say(shown, "grower.title-doubts"),
            pieces=(Bullets(items=tuple(_doubts(prescription, shown))[:_MOST_DOUBTS]),),
        ),
    )


def _found(prescription: Prescription, shown: UnitFormat) -> str:
    """What the soil held, and what the corn still needs."""
    rates, places = _ordinary_rates(prescription), _places_read(prescription)
    need = _span([rate.need_lb_ac for rate in rates], "whole_amount", shown)
    levels = [rate.nitrate_ppm for rate in rates]
    nitrate = _span(levels, "concentration", shown)
    if not need:
        return say(shown, "grower.found-no-need", places=places)
    if not nitrate:
        return say(shown, "grower.found-no-nitrate", need=need)
    one = len({shown.number("concentration", level) for level in levels}) == 1
    code = "grower.found-one-level" if one else "grower.found-by-zone"
    return say(shown, code, places=places, nitrate=nitrate, need=need)


def _advised(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """The rates, one flat rate beside them, check strips, and why there is one zone where there is."""
    rates, flat = _ordinary_rates(prescription), Quantity("rate", prescription.flat_rate_n_lb_ac)
    given = _span([rate.rate_n_lb_ac for rate in rates], "rate", shown)
    if len(rates) == 1:
        yield say(shown, "grower.field-gets", rates=given)
    elif len({rate.rate_n_lb_ac for rate in rates}) == 1:
        yield say(shown, "grower.zones-get-same", zones=len(rates), rates=given)
    else:
        mean = Quantity("rate", prescription.mean_rate_n_lb_ac)
        yield say(shown, "grower.zones-get", zones=len(rates), rates=given, mean=mean)
    # after a rain-out the flat rate is still that of the whole field, not of what is left
    yield say(shown, "grower.flat" if prescription.remaining is None else "grower.flat-whole-field", flat=flat)
    steps = [abs(rate.trial.difference_n_lb_ac) for rate in prescription.rates if isinstance(rate.trial, CheckStrip)]
    if steps:
        yield say(shown, "grower.strips", steps=_span(steps, "rate", shown))
    if prescription.check_strips is None and prescription.trial is not None and prescription.trial.blocks:
        yield trial_sentence(prescription.trial, shown)
    if prescription.learned is not None:
        yield _learned_sentence(prescription, prescription.learned, shown)
    if why := why_one_zone(prescription, shown):
        yield why


def _learned_sentence(prescription: Prescription, learned: LearnedReport, shown: UnitFormat) -> str:
    """What the farm's own trials did to the rates of its ordinary zones, and how sure that is."""
    pairs = [(rate, without) for rate, without in zip(prescription.rates, learned.without_n_lb_ac, strict=False)
             if rate.trial is None]  # fmt: skip
    acres = sum(rate.acres for rate, _ in pairs)
    mean, without = (sum(rate.acres * value for rate, value in ours) / acres
                     for ours in ([(rate, rate.rate_n_lb_ac) for rate, _ in pairs], pairs))  # fmt: skip
    _, low, high = learned.top
    numbers = {"mean": mean, "without": without, "low": low, "high": high}
    return say(shown, "grower.learned", trials=len(learned.trials), seasons=learned.seasons,
               **{name: Quantity("rate", value) for name, value in numbers.items()})  # fmt: skip


def trial_sentence(trial: TrialReport, shown: UnitFormat) -> str:
    """How many blocks on how much ground, and their cost where it is known."""
    about = {"blocks": Quantity("count", len(trial.blocks)), "area": Quantity("area", trial.acres)}
    if trial.cost_usd is None:
        return say(shown, "grower.trial", **about)
    return say(shown, "grower.trial-cost", cost=Quantity("money", trial.cost_usd), **about)


def _how_sure(prescription: Prescription, shown: UnitFormat) -> str:
    error = _span([rate.need_se_lb_ac or math.nan for rate in prescription.rates], "whole_amount", shown)
    method, before = (Quantity("whole_amount", sd) for sd in prescription.doubt.now_and_before)
    sure = say(shown, "grower.sure" if error else "grower.sure-unknown", error=error, method=method)
    if prescription.learned is not None:
        sure = f"{sure} {say(shown, 'grower.sure-taught', before=before)}"
    flat = prescription.flat
    if prescription.remaining is not None or flat is None or not math.isfinite(flat.misallocated_lb_ac):
        return sure
    by_zones, by_flat, drawn = flat.zones_misallocated_lb_ac, flat.misallocated_lb_ac, ""
    if (draws := prescription.uncertainty) is not None:
        by_zones, by_flat, drawn = draws.zones_misallocated_lb_ac[1], draws.flat_misallocated_lb_ac[1], "-drawn"
    code = f"grower.off-{'one' if len(prescription.rates) == 1 else 'by-zone'}{drawn}"
    off = {"zones": Quantity("whole_amount", by_zones), "flat": Quantity("whole_amount", by_flat)}
    return f"{sure} {say(shown, code, **off)}"


def _span(values: Sequence[float], kind: Kind, shown: UnitFormat) -> str:
    """From the least to the most with the unit, one number where they print alike; empty where nothing is known."""
    known = [value for value in values if math.isfinite(value)]
    if not known:
        return ""
    low, high = Quantity(kind, min(known)), Quantity(kind, max(known))
    alike = shown.number(kind, low.value) == shown.number(kind, high.value)
    return shown.text(kind, high.value) if alike else say(shown, "grower.span", low=low, high=high)


def _product(prescription: Prescription, shown: UnitFormat) -> str:
    product, total = prescription.product, prescription.total_product
    mass, area = Quantity("mass", prescription.total_n_lb), Quantity("area", prescription.acres)
    n = Quantity("number", product.n_pct_shown)
    if not product.named:
        return say(shown, "grower.no-product", mass=mass, area=area)
    if product.density_lb_gal is None:
        return say(shown, "grower.dry", total=Quantity("lb", total), product=product.name, n=n, mass=mass, area=area)
    return say(shown, "grower.liquid", total=Quantity("gal", total), product=product.name, n=n,
               density=Quantity("density", product.density_lb_gal), mass=mass, area=area)  # fmt: skip


def _cost(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """Nitrogen, and money when a price was given, against one flat rate; differences are those of the printed."""
    per_lb, total_n_lb = prescription.field.settings.prices.n_per_lb, prescription.total_n_lb
    price = Quantity("price_n", per_lb)
    if prescription.remaining is not None:  # the flat rate is that of the whole field
        yield say(shown, "grower.left")
        if per_lb is not None:
            yield say(shown, "grower.left-costs", price=price, total=Quantity("money", total_n_lb * per_lb))
        return
    flat_n_lb = prescription.flat_rate_n_lb_ac * prescription.acres
    if prescription.flat is not None:
        flat_n_lb = prescription.flat.total_n_lb  # on the same ground as the zones
    factor = shown.factor("mass")
    apart = round(flat_n_lb * factor) - round(total_n_lb * factor)
    yield say(shown, f"grower.flat-takes-{_way(apart)}", flat=Quantity("mass", flat_n_lb),
              apart=Quantity("mass", abs(apart) / factor))  # fmt: skip
    if per_lb is None:
        yield say(shown, "grower.no-price")
        return
    total, flat = total_n_lb * per_lb, flat_n_lb * per_lb
    apart = round(total) - round(flat)
    yield say(shown, f"grower.costs-{_way(apart)}", price=price, total=Quantity("money", total),
              flat=Quantity("money", flat), apart=Quantity("money", abs(apart)))  # fmt: skip
    worth = None if prescription.prices is None else prescription.prices.worth
    if worth is not None:
        if len({rate.rate_n_lb_ac for rate in prescription.rates}) > 1:
            yield _worth("worth" if worth.over_flat[1] > 0 else "worth-less", worth.over_flat, shown)
        yield _worth("worth-of-flat", worth.flat_over_nothing, shown)


def _worth(name: str, span: tuple[float, float, float], shown: UnitFormat) -> str:
    low, usual, high = (Quantity("money_area", value) for value in span)
    return say(shown, f"grower.{name}", low=low, usual=usual, high=high)


def _after_harvest(prescription: Prescription, shown: UnitFormat) -> str:
    """Nitrogen that is expected to stay, and the field's balance; empty for what a rain-out left."""
    found = prescription.after_harvest
    if found is None or prescription.remaining is not None:
        return ""
    text = say(shown, "grower.stays", left=Quantity("whole_amount", found.left_lb_ac),
               flat=Quantity("whole_amount", found.flat_left_lb_ac))  # fmt: skip
    if not math.isfinite(found.put_on_lb_ac):
        return text
    factor = shown.factor("whole_amount")
    balance = round(found.put_on_lb_ac * factor) - round(found.grain_lb_ac * factor)  # of what is printed
    pounds = {"put": found.put_on_lb_ac, "grain": found.grain_lb_ac, "apart": abs(balance) / factor}
    code = "grower.balance-over" if balance > 0 else "grower.balance-under"
    return f"{text} {say(shown, code, **{name: Quantity('whole_amount', value) for name, value in pounds.items()})}"


def _way(difference: float) -> str:
    return "more" if difference > 0 else "less" if difference < 0 else "same"


def _doubts(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """What a person must decide first, then how well the map tells samples it has not seen, then the rest."""
    for finding in finding_texts(shown, prescription.findings):
        if finding.level == "warning":
            yield say(shown, "grower.doubt", place=finding.place, problem=finding.problem, remedy=finding.remedy)
    nitrate = prescription.surfaces.get("nitrate_ppm")
    if nitrate is not None and nitrate.choice is not None:
        chosen, mean = nitrate.choice.loo_rmse, nitrate.choice.mean_rmse
        if chosen is not None and mean is not None:
            code = "grower.one-mean" if nitrate.chosen == "mean" else "grower.between-samples"
            yield say(shown, code, chosen=Quantity("concentration", chosen), mean=Quantity("concentration", mean))
    yield say(shown, "grower.weather")
    yield say(shown, "grower.yield-goal")


_SAME_LB_AC: Final = 0.01  # needs that no page tells apart
_FEW_PLACES: Final = 5


def facts(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """Season, area, when and at which stage the cores were pulled, when it is to be applied."""
    settings = prescription.field.settings
    season = prescription.season
    stage = settings.crop.growth_stage or (None if season is None else season.stage_name)
    pulled = sorted({on for on in prescription.field.samples.sampled_on if on is not None})
    yield from filter(None, (settings.farm.grower, settings.farm.farm))
    yield say(shown, "grower.season", season=str(settings.header.season))
    yield say(shown, "grower.treated", area=Quantity("area", prescription.acres))
    if pulled:
        several = "-span" if len(pulled) > 1 else ""
        at = "-at" if stage else ""
        yield say(shown, f"grower.pulled{several}{at}", first=pulled[0], last=pulled[-1], stage=stage)
    elif stage:
        yield say(shown, "grower.pulled-stage", stage=stage)
    if settings.crop.application_date:
        yield say(shown, "grower.apply-on", on=settings.crop.application_date)
    if prescription.id:
        yield say(shown, "review.id", id=prescription.id[:SHORT])


def preparer(prescription: Prescription, shown: UnitFormat) -> dict[str, str]:
    """Who prepared the prescription, in words, and their mark as a data URI; each empty where it is not given."""
    name, logo = prescription.field.settings.farm.prepared_by, prescription.field.logo_png
    return {
        "prepared": say(shown, "map.prepared-by", name=name) if name else "",
        "logo": data_uri(logo) if logo else "",
    }


def _ordinary_rates(prescription: Prescription) -> tuple[ZoneRate, ...]:
    """Rates of the zones that are no check strips and no plots of a trial."""
    return tuple(rate for rate in prescription.rates if rate.trial is None)


def _places_read(prescription: Prescription) -> int:
    """Number of different places with a reading of the field."""
    return len({tuple(place) for place in prescription.field.samples.field_readings().coordinates_m.tolist()})


def why_one_zone(prescription: Prescription, shown: UnitFormat) -> str:
    """Why the field is one zone, and what would help; empty where it has more, or is left over by a rain-out."""
    if len(_ordinary_rates(prescription)) != 1 or prescription.remaining is not None:
        return ""
    section, nitrate = prescription.field.settings.zones, prescription.surfaces.get("nitrate_ppm")
    if section.file is not None:
        return say(shown, "grower.one-zone-file", file=section.file)
    if section.count == 1:
        return say(shown, "grower.one-zone-asked")
    need = prescription.surfaces.get("need_lb_ac")
    known = np.array([]) if need is None else need.values[np.isfinite(need.values) & (prescription.share > 0)]
    if not known.size or float(np.ptp(known)) > _SAME_LB_AC or nitrate is None or nitrate.chosen != "mean":
        reason = zone_count_reason(prescription.zones.report, shown)
        return f"{say(shown, 'grower.one-zone-enough')} {reason}".strip()
    places = _places_read(prescription)
    why = "few" if places < _FEW_PLACES else "scatter"
    return f"{say(shown, f'grower.one-zone-{why}', places=places)} {say(shown, 'grower.one-zone-help')}"


def zone_count_reason(report: ZonesReport | None, shown: UnitFormat) -> str:
    """Why this number of zones; empty where nothing is known of it."""
    if report is None:
        return ""
    money = "-money" if report.reason == "little-saved" and report.least_saving_per_ac is not None else ""
    return say(
        shown, f"zones.count-{report.reason}{money}", zones=report.drawn, asked=report.asked, source=report.source,
        step=Quantity("rate", report.step_lb_ac), gain=Quantity("amount", report.next_saving_lb_ac),
        least=Quantity("amount", report.least_saving_lb_ac), earned=Quantity("money_area", report.next_saving_per_ac),
        least_earned=Quantity("money_area", report.least_saving_per_ac),
    )  # fmt: skip


def cautions(prescription: Prescription, shown: UnitFormat) -> tuple[str, ...]:
    """What anyone who uses the prescription must know, the product's own cautions first."""
    always = ("grower.advice", "grower.setbacks", "grower.setbacks-drawn", "grower.water", "grower.first-pass")
    own = (say(shown, one.code, **one.quantities) for one in prescription.cautions)
    return (*own, *(say(shown, code) for code in always))


def state_text(prescription: Prescription, shown: UnitFormat) -> str:
    """Signed by whom, or not yet, and the signer's note."""
    review = prescription.field.settings.review
    words = say(shown, "report.not-signed")
    if prescription.approved:
        words = say(shown, "report.signed", name=str(review.approved_by), on=Quantity("date", review.approved_on))
        public = None if prescription.signed is None else prescription.signed.public_key
        words += " " + (say(shown, "review.by-name") if public is None
                        else say(shown, "review.by-key", mark=fingerprint(public)))  # fmt: skip
    return f"{words} {review.note}" if review.note else words

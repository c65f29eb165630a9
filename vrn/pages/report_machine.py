"""Parts of the report on the machine, its drive, the loads and strips, and on how sure the needs are."""

import math
from collections.abc import Iterator
from typing import Final

from vrn.findings import Kind, Quantity
from vrn.nitrogen.doubt import LevelDoubt
from vrn.pages.field_drawing import INK, PALE, STRONG
from vrn.pages.plots import figure, png, sheet
from vrn.pages.report_parts import Part, Picture, Piece, Table, Text
from vrn.pages.report_surfaces import error_sentences
from vrn.prescription.drive import DriveReport
from vrn.prescription.machine import MachineReport, ZoneFlow
from vrn.prescription.model import CheckStrip, Prescription
from vrn.prescription.products import LoadsReport
from vrn.prescription.strips import RemainingReport, StripReport
from vrn.prescription.trial import TrialReport
from vrn.prescription.uncertainty import Uncertainty
from vrn.words import UnitFormat, say

_BAR_IN: Final = 0.2
_LABELS_IN: Final = 2.42  # room for the names of the parts
_LEAST_OUTSIDE_N_LB: Final = 0.5  # what the printed pound can show


def machine_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """What the machine can make, the simulated drive, the loads, the strips; None when none of it was looked at."""
    pieces: list[Piece] = []
    if prescription.machine is not None:
        pieces += _machine(prescription.machine, shown)
    if prescription.drive is not None:
        pieces += _drive(prescription.drive, shown)
    if prescription.loads is not None:
        pieces.append(Text(text=_loads(prescription.loads, shown)))
    if prescription.check_strips is not None:
        pieces += _strips(prescription, prescription.check_strips, shown)
    if prescription.trial is not None:
        pieces += _trial(prescription.trial, shown, table=prescription.check_strips is None)
    if prescription.remaining is not None:
        pieces += [Text(text=line) for line in _left(prescription.remaining, shown)]
    if prescription.loads is not None:
        pieces.append(Text(text=_product(prescription, shown), small=True))
    return Part(title=say(shown, "rates.machine"), pieces=tuple(pieces)) if pieces else None


def _head(shown: UnitFormat, *heads: str | tuple[str, Kind]) -> tuple[str, ...]:
    """Heads of a table by name, those of quantities with their kind."""
    named: list[tuple[str, Kind]] = [(head, "text") if isinstance(head, str) else head for head in heads]
    return tuple(say(shown, f"rates.head-{name}", at=Quantity(kind, None)) for name, kind in named)


def _product(prescription: Prescription, shown: UnitFormat) -> str:
    """Analysis and density of the product, and who says so."""
    product, n = prescription.product, Quantity("number", prescription.product.n_pct_shown)
    if not product.named:
        return say(shown, "rates.product-none")
    if product.density_lb_gal is None:
        return say(shown, "rates.product-dry", product=product.name, n=n, source=product.source)
    density = Quantity("density", product.density_lb_gal)
    return say(shown, "rates.product", product=product.name, n=n, density=density, source=product.source)


def _machine(report: MachineReport, shown: UnitFormat) -> list[Piece]:
    assumed = report.flows.assumed
    pieces: list[Piece] = [Text(text=say(shown, f"rates.assumed-{assumed}"))] if assumed else []
    rows = tuple(
        (
            str(zone.zone), shown.number("rate", zone.rate_n_lb_ac), shown.number(report.flow_unit, zone.flow),
            _speeds(zone, shown), say(shown, "rates.made-no" if zone.advice else "rates.made-yes"),
            say(shown, f"rates.advice-{zone.advice}", speed=Quantity("speed", zone.advised_speed_mph))
            if zone.advice else "",
        )
        for zone in report.zones
    )  # fmt: skip
    if rows:
        pieces.append(Table(
            caption=say(shown, "rates.flows", speed=Quantity("speed", report.speed_mph)), rows=rows,
            header=_head(shown, "zone", ("rate", "rate"), ("flow", report.flow_unit), ("speeds", "speed"), "made",
                         "advice"),
            numbers=(0, 1, 2), widths=(8, 15, 15, 20, 10, 32),
        ))  # fmt: skip
    return pieces


def _speeds(zone: ZoneFlow, shown: UnitFormat) -> str:
    least = Quantity("speed", zone.least_speed_mph)
    if not math.isinf(zone.most_speed_mph):
        return say(shown, "rates.speeds", least=least, most=Quantity("speed", zone.most_speed_mph))
    return say(shown, "rates.speeds-from", least=least) if zone.least_speed_mph else say(shown, "rates.speeds-any")


def _drive(report: DriveReport, shown: UnitFormat) -> list[Piece]:
    sentence = say(
        shown, "rates.drive-given" if report.given else "rates.drive-rounds" if report.rounds else "rates.drive",
        heading=Quantity("number", round(report.heading_deg)), passes=report.passes, rounds=report.rounds,
        speed=Quantity("speed", report.speed_mph), share=Quantity("share", report.within_share),
        applied=Quantity("mass", report.applied_n_lb), prescribed=Quantity("mass", report.prescribed_n_lb),
    )  # fmt: skip
    if report.spilled.outside_n_lb >= _LEAST_OUTSIDE_N_LB:
        sentence += " " + say(shown, "rates.drive-outside", mass=Quantity("mass", report.spilled.outside_n_lb))
    rows = tuple(
        (
            str(zone.zone), shown.text("share", zone.within_share), shown.number("rate", zone.mean_applied_n_lb_ac),
            shown.number("area", zone.under_ac), shown.number("area", zone.over_ac),
        )
        for zone in report.zones
    )  # fmt: skip
    heads = _head(shown, "zone", "within", ("mean", "rate"), ("under", "area"), ("over", "area"))
    table = Table(caption=say(shown, "rates.drive-zones"), rows=rows, numbers=(0, 1, 2, 3, 4), header=heads)
    return [Text(text=sentence), *((table,) if rows else ())]


def _loads(report: LoadsReport, shown: UnitFormat) -> str:
    def product(value: float | None) -> Quantity:
        return Quantity("gal" if report.unit == "gal" else "lb", value)

    if report.unit == "gal":
        weight = Quantity("lb", report.weight_lb)
        sentence = say(shown, "rates.order-liquid", total=product(report.total), weight=weight)
    else:
        sentence = say(shown, "rates.order", total=product(report.total))
    if not report.loads:
        return sentence
    loads = say(shown, "rates.order-loads", loads=report.loads, tank=product(report.tank),
                last=product(report.last_load), area=Quantity("area", report.acres_per_load))  # fmt: skip
    return f"{sentence} {loads}"


def _strips(prescription: Prescription, report: StripReport, shown: UnitFormat) -> list[Piece]:
    strips = [(rate, rate.trial) for rate in prescription.rates if isinstance(rate.trial, CheckStrip)]
    rows = tuple(
        (
            str(rate.zone), "–" if strip.in_zone is None else str(strip.in_zone), str(strip.pair),
            shown.number("rate", strip.difference_n_lb_ac), shown.number("area", rate.acres),
        )
        for rate, strip in strips
    )  # fmt: skip
    caption = say(shown, "rates.strips", change=Quantity("mass", report.total_change_n_lb),
                  allowed=Quantity("mass", report.tolerance_n_lb))  # fmt: skip
    heads = _head(shown, "zone", "in-zone", "pair", ("difference", "rate"), ("area", "area"))
    return [Table(caption=caption, rows=rows, numbers=(0, 1, 2, 3, 4), header=heads)] if rows else []


def _trial(trial: TrialReport, shown: UnitFormat, *, table: bool) -> list[Piece]:
    """Blocks with their rates and price; nothing where none was laid: a finding says why."""
    if not trial.blocks:
        return []
    return [*([trial_table(trial, shown)] if table else []), *(Text(text=line) for line in trial_lines(trial, shown))]


def trial_table(trial: TrialReport, shown: UnitFormat) -> Table:
    """A row for each block."""
    rows = tuple(
        (
            str(block.block), shown.number("area", block.acres),
            ", ".join(shown.number("rate", rate) for rate in sorted(set(block.rates_n_lb_ac))),
            shown.number("rate", block.recommended_n_lb_ac), shown.number("concentration", block.nitrate_ppm),
            "–" if block.cost is None else shown.number("money", block.cost[1]),
            f"{block.latitude:.5f}, {block.longitude:.5f}",
        )
        for block in trial.blocks
    )  # fmt: skip
    width_ft = trial.width_ft
    caption = say(
        shown, "rates.trial", plots=len(trial.blocks[0].rates_n_lb_ac) * trial.blocks[0].passes,
        length=Quantity("length", trial.length_ft), width=Quantity("length", width_ft),
        heading=Quantity("number", round(trial.heading_deg) % 360), buffer=Quantity("length", trial.buffer_ft),
    )  # fmt: skip
    heads = _head(shown, "block", ("area", "area"), ("rates", "rate"), ("called-for", "rate"),
                  ("nitrate", "concentration"), ("cost", "money"), "place")  # fmt: skip
    return Table(caption=caption, rows=rows, numbers=(0, 1, 3, 4, 5), header=heads, widths=(8, 10, 26, 14, 12, 10, 20))


def trial_lines(trial: TrialReport, shown: UnitFormat) -> list[str]:
    """What the trial costs and is expected to bring, and what it asks for."""
    lines = [say(shown, "rates.trial-log")]
    costs = [block.cost for block in trial.blocks if block.cost is not None]
    if trial.cost_usd is not None and trial.gain_per_ac is not None and trial.break_even_ac is not None:
        least, most = (Quantity("money", sum(cost[end] for cost in costs)) for end in (0, 2))
        paid = {"gain": Quantity("money_area", trial.gain_per_ac), "area": Quantity("area", trial.break_even_ac)}
        cost = say(shown, "rates.trial-cost", cost=Quantity("money", trial.cost_usd), least=least, most=most)
        lines.insert(0, f"{cost} {say(shown, 'rates.trial-gain', **paid)}")
    return lines


def _left(rest: RemainingReport, shown: UnitFormat) -> Iterator[str]:
    """What is left, and what became of the rest, class by class."""
    acres = {"left": rest.left_ac, "whole": rest.left_ac + rest.covered_ac, "full": rest.full_ac,
             "short": rest.short_ac, "narrow": rest.narrow_ac}  # fmt: skip
    yield say(shown, "rates.left", **{name: Quantity("area", ac) for name, ac in acres.items()},
              mass=Quantity("mass", rest.whole_total_n_lb))  # fmt: skip
    if rest.topped_up_ac > 0:
        yield say(shown, "rates.left-topped-up", area=Quantity("area", rest.topped_up_ac))


def sure_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """How sure the needs are: the level by its parts, zones from draws that the readings allow; None without either."""
    found, level = prescription.uncertainty, _level(prescription, shown)
    if found is None:
        return Part(title=say(shown, "rates.sure"), pieces=level) if level else None
    rates = {rate.zone: rate for rate in prescription.rates}
    rows = tuple(
        (
            str(zone.zone), shown.number("whole_amount", rates[zone.zone].need_lb_ac),
            shown.number("amount", zone.need_se_lb_ac),
            say(shown, "rates.band", low=Quantity("whole_amount", zone.low_lb_ac),
                high=Quantity("whole_amount", zone.high_lb_ac)),
            shown.number("rate", rates[zone.zone].rate_n_lb_ac), shown.text("share", zone.needs_more_share),
        )
        for zone in found.zones
        if zone.zone in rates
    )  # fmt: skip
    table = Table(
        caption=say(shown, "rates.sure-zones", draws=found.draws), rows=rows, numbers=(0, 1, 2, 3, 4, 5),
        header=_head(shown, "zone", ("need", "whole_amount"), "error", "band", ("rate", "rate"), "needs-more"),
        widths=(8, 17, 17, 22, 16, 20),
    )  # fmt: skip
    doubt = prescription.doubt
    spans = {"low": found.total_need_n_lb[0], "high": found.total_need_n_lb[2]}
    spans["least"], spans["most"] = found.total_with(doubt.sd_lb_ac * prescription.acres)
    total = say(shown, "rates.sure-total", **{name: Quantity("mass", value) for name, value in spans.items()})
    drawn = ", ".join(say(shown, f"rates.drawn-{name}") for name in found.drawn)
    return Part(
        title=say(shown, "rates.sure"),
        pieces=(
            *level, Text(text=f"{total} {_against_flat(prescription, found, shown)}"), table,
            *_causes(prescription, shown),
            Text(text=say(shown, "rates.sure-how", drawn=drawn), small=True),
        ),
    )  # fmt: skip


def _level(prescription: Prescription, shown: UnitFormat) -> tuple[Piece, ...]:
    """What the doubt of the level is made of, and the zones' own beside it; nothing where only the whole is known."""
    doubt = prescription.doubt
    if not doubt.parts:
        return ()
    rows = tuple(
        (say(shown, f"rates.doubt-{one.part}"), shown.number("amount", one.sd_lb_ac), one.source) for one in doubt.parts
    )
    table = Table(
        caption=say(shown, "rates.doubt", at=Quantity("amount", None)),
        header=(say(shown, "rates.doubt-part"), shown.unit("amount"), say(shown, "rates.doubt-source")),
        rows=(*rows, (say(shown, "rates.doubt-total"), shown.number("amount", doubt.sd_lb_ac), "")),
        numbers=(1,), widths=(32, 10, 58), strong_last=True,
    )  # fmt: skip
    errors = [rate.need_se_lb_ac for rate in prescription.rates if rate.need_se_lb_ac is not None]
    picture = Picture(
        caption=say(shown, "rates.doubt-picture"), alt=say(shown, "rates.doubt-alt"),
        png=_doubt_bars(doubt, max(errors, default=0.0), shown),
    )  # fmt: skip
    pieces: list[Piece] = [picture, table]
    if prescription.learned is not None:
        now, before = (Quantity("amount", sd) for sd in doubt.now_and_before)
        pieces.append(Text(text=say(shown, "rates.doubt-taught", now=now, before=before), small=True))
    if errors:
        low, high = Quantity("amount", min(errors)), Quantity("amount", max(errors))
        pieces.append(Text(text=say(shown, "rates.doubt-zones", low=low, high=high), small=True))
    return tuple(pieces)


def _doubt_bars(doubt: LevelDoubt, samples_lb_ac: float, shown: UnitFormat) -> bytes:
    """The total, its parts under it, and apart from them what the samples leave open in the least known zone."""
    from matplotlib.patches import Rectangle

    factor, unit = shown.factor("whole_amount"), shown.unit("whole_amount")
    bars = [(say(shown, "rates.doubt-total"), doubt.sd_lb_ac, INK)]
    bars += [(say(shown, f"rates.doubt-{one.part}"), one.sd_lb_ac, PALE) for one in doubt.parts]
    bars.append((say(shown, "rates.doubt-samples"), samples_lb_ac, STRONG))
    with figure(6.8, _BAR_IN * (len(bars) + 0.8)) as drawn:
        axes = sheet(drawn)
        for row, (label, sd_lb_ac, color) in enumerate(bars):
            gap_in = 0.4 * ((row > 0) + (row == len(bars) - 1)) * _BAR_IN  # the total above, the samples below
            at_in = _BAR_IN * (len(bars) + 0.3 - row) - gap_in
            long_in = 3.2 * sd_lb_ac / max(doubt.sd_lb_ac, samples_lb_ac)
            axes.add_patch(Rectangle((_LABELS_IN, at_in - 0.06), long_in, 0.12, facecolor=color, edgecolor=INK,
                                     linewidth=0.6))  # fmt: skip
            axes.text(_LABELS_IN - 0.1, at_in, label, ha="right", va="center", fontsize=8)
            words = f"± {sd_lb_ac * factor:.0f}" + (f" {unit}" if row == 0 else "")
            axes.text(_LABELS_IN + long_in + 0.06, at_in, words, va="center", fontsize=8)
        return png(drawn)


def _against_flat(prescription: Prescription, found: Uncertainty, shown: UnitFormat) -> str:
    """What these rates miss the need by, and one flat rate where it is another."""
    low, zones, high = (Quantity("amount", value) for value in found.zones_misallocated_lb_ac)
    if {rate.rate_n_lb_ac for rate in prescription.rates} == {prescription.flat_rate_n_lb_ac}:
        return say(shown, "rates.sure-one-rate", zones=zones, zones_low=low, zones_high=high)
    flat_low, flat, flat_high = (Quantity("amount", value) for value in found.flat_misallocated_lb_ac)
    return say(
        shown, "rates.sure-flat", zones=zones, zones_low=low, zones_high=high, flat=flat, flat_low=flat_low,
        flat_high=flat_high, share=Quantity("share", found.zones_better_share),
    )  # fmt: skip


_CAUSES: Final = ("instrument", "cores", "ground", "other", "total")


def _causes(prescription: Prescription, shown: UnitFormat) -> tuple[Table, ...]:
    """Standard error of the need of a place, by cause; the squares add up to the whole."""
    causes = prescription.causes
    if causes is None:
        return ()
    parts = ((say(shown, "grower.all"), causes.field), *((str(zone), part) for zone, part in causes.zones.items()))
    rows = tuple(
        (name, *(shown.number("amount", getattr(part, f"{cause}_lb_ac")) for cause in _CAUSES)) for name, part in parts
    )
    how = " ".join(error_sentences(causes.error, shown))
    caption = say(shown, "rates.causes", at=Quantity("amount", None), how=how)
    heads = (*_head(shown, "zone"), *(say(shown, f"rates.cause-{cause}") for cause in _CAUSES))
    return (Table(caption=caption, header=heads, rows=rows, numbers=(0, 1, 2, 3, 4, 5)),)

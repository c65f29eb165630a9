"""The operator's sheet as text, and its parts for the ticket on paper: what to pick, set, expect, stop for."""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from textwrap import wrap
from typing import Final

from vrn.files.iso import iso_grid, place_names, rate_unit_shown, task_name
from vrn.files.names import one_line, status
from vrn.files.vectors import column_names, stem_of
from vrn.findings import Kind, Quantity
from vrn.model.season import SHORT
from vrn.pages.report_parts import Table
from vrn.pages.tables import zone_label
from vrn.prescription.limits import fixed_rates
from vrn.prescription.machine import ZoneFlow
from vrn.prescription.model import BlockRate, Prescription
from vrn.prescription.products import under_pressure
from vrn.prescription.work import WorkPlan, work_plan
from vrn.words import UnitFormat, say

_PLACE: Final = {"customer": "CTR", "farm": "FRM", "iso-field": "PFD"}
_SPEED: Final = Quantity("speed", None)
_STOPS: Final = ("sheet.stop-rate", "sheet.stop-map", "sheet.stop-position", "sheet.stop-leak", "sheet.stop-water",
                 "sheet.stop-load")  # fmt: skip
_CAUTIONS: Final = ("sheet.label", "sheet.keep-out", "sheet.first-pass")


def write_load_sheet(prescription: Prescription, folder: Path) -> None:
    """Write ``load_sheet.txt`` into an existing folder."""
    (folder / "load_sheet.txt").write_text(load_sheet(prescription), encoding="utf-8", newline="\n")


def load_sheet(prescription: Prescription) -> str:
    """The sheet as text, in lines of at most about 90 characters."""
    shown = UnitFormat.of(prescription.field.settings.units)
    parts = ticket_lines(prescription, work_plan(prescription), shown)
    long = {name: [line for one in parts[name] for line in wrap(one, 88)] for name in ("flows", "emergency")}
    long["flows"] = [*_set_in_columns(flow_table(prescription, shown)), *long["flows"]]
    long["stop"] = [f"- {line}" for line in parts["stop"]]
    text = [*_head(prescription, shown)]
    for name in ("product", "iso", "shapefile", "setup", "rates", "flows", "work", "stop", "emergency"):
        if name == "rates":
            text += _rates(prescription, shown)
        elif parts[name]:
            text += _section(shown, f"sheet.{name}", *long.get(name, parts[name]))
    text += _section(shown, "sheet.start")
    for line in parts["start"]:
        text += wrap(line, 90, initial_indent="  [ ] ", subsequent_indent="      ")
    return "\n".join(line.rstrip() for line in text) + "\n"


def _head(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    field, on = prescription.field, prescription.field.settings.crop.application_date
    yield say(shown, "sheet.title")
    yield status(prescription)
    if prescription.id:
        yield say(shown, "review.id", id=prescription.id[:SHORT])
    name, season = one_line(field.name, most=80), str(field.settings.header.season)
    yield say(shown, "sheet.field", field=name, season=season)
    if on is not None:
        yield say(shown, "sheet.apply-on", on=on)
    operator = field.settings.this_pass.operator
    if operator is not None:
        yield say(shown, "sheet.operator", name=one_line(operator, most=80))


def _section(shown: UnitFormat, code: str, *lines: str) -> Iterator[str]:
    """An empty line, a heading, and lines set in below it."""
    yield ""
    yield say(shown, code)
    yield from (f"  {line}" for line in lines)


def _kinds(prescription: Prescription) -> tuple[Kind, Kind]:
    """How the product is measured, and per area."""
    return ("gal", "gal/ac") if prescription.product.unit == "gal" else ("lb", "lb/ac")


def _product_lines(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """What goes into the tank and how much of it."""
    product, (unit, _) = prescription.product, _kinds(prescription)
    name, n = one_line(product.name, most=60), Quantity("number", product.n_pct_shown)
    lines = [
        say(shown, "sheet.no-product")
        if not product.named
        else say(shown, "sheet.dry", product=name, n=n)
        if product.density_lb_gal is None
        else say(shown, "sheet.manure", product=name, n=Quantity("manure_n", 1000.0 * product.n_lb_per_unit))
        if "rates.caution-manure" in product.cautions
        else say(shown, "sheet.liquid", product=name, n=n, density=Quantity("density", product.density_lb_gal)),
        say(shown, "sheet.in-all", total=Quantity(unit if product.named else "mass", prescription.total_product),
            area=Quantity("area", prescription.acres)),
    ]  # fmt: skip
    rest = prescription.remaining
    if rest is not None:
        lines.append(say(shown, "sheet.left", area=Quantity("area", rest.covered_ac + rest.left_ac)))
    mean = Quantity("rate", prescription.mean_rate_n_lb_ac)
    if product.named:
        lines.append(say(shown, "sheet.nitrogen", mass=Quantity("mass", prescription.total_n_lb), rate=mean))
    return lines


def _pick_lines(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """What to pick on a terminal that reads ISO 11783-10, and what it must show."""
    settings, product, names = prescription.field.settings, prescription.product, place_names(prescription)
    lines = [
        say(shown, "sheet.iso-folder"),
        *(say(shown, f"sheet.{what}", name=names[tag]) for what, tag in _PLACE.items() if tag in names),
        say(shown, "sheet.task", name=task_name(prescription)),
        say(shown, "sheet.iso-product", name=names["PDT"]),
        say(shown, "sheet.unit" if product.named else "sheet.unit-n", name=rate_unit_shown(prescription)),
    ]
    export = settings.export
    if export.iso_grid == "polygons":
        lines.append(say(shown, "sheet.map-polygons", version=export.iso_version))
    else:
        grid = iso_grid(prescription)
        rows, cols = grid.zone.shape
        lines.append(
            say(shown, "sheet.map-grid", version=export.iso_version, grid=str(export.iso_grid), rows=rows, cols=cols,
                cell=Quantity("number", grid.cell_m))
        )  # fmt: skip
        if settings.header.edge_buffer_ft > 0:
            lines.append(say(shown, "sheet.edge", edge=Quantity("length", settings.header.edge_buffer_ft)))
    _, per_area = _kinds(prescription)
    rates = fixed_rates(prescription)
    fixed = (("before-first", rates.default_n_lb_ac), ("position-lost", rates.position_lost_n_lb_ac),
             ("outside", rates.out_of_field_n_lb_ac))  # fmt: skip
    lines += [
        say(shown, f"sheet.{when}", rate=Quantity(per_area, n_lb_ac / product.n_lb_per_unit)) for when, n_lb_ac in fixed
    ]
    return lines


def _shapefile_lines(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """What to load on a terminal that reads a shapefile."""
    columns = column_names(prescription.field.settings.export.shapefile_columns)
    unit = shown.unit(prescription.rate_unit)
    code = "sheet.rate-column-n" if prescription.rate_unit == "lb N/ac" else "sheet.rate-column"
    return [
        say(shown, "sheet.shapefile-files", name=stem_of(prescription)),
        say(shown, code, column=columns["RATE"], unit=unit),
        say(shown, "sheet.zone-column", column=columns["ZONE"], unit=columns["UNIT"]),
    ]  # fmt: skip


def _rates(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """A row for each zone, the last adds up."""
    unit, per_area = _kinds(prescription)
    heads = (say(shown, "sheet.head-zone"), *(shown.unit(kind) for kind in ("area", per_area, "rate", unit)))

    def row(name: str, acres: float, product_per_ac: float, n_lb_ac: float, product: float) -> str:
        return (
            f"{name:>4} {shown.number('area', acres, decimals=2):>9}"
            f" {shown.number(per_area, product_per_ac, decimals=2):>10} {n_lb_ac * shown.factor('rate'):>10.1f}"
            f" {shown.number(unit, product, decimals=1):>11}"
        )

    lines = [f"{heads[0]:>4} {heads[1]:>9} {heads[2]:>10} {heads[3]:>10} {heads[4]:>11}"]
    lines += [
        row(str(rate.zone), rate.acres, rate.product_per_ac, rate.rate_n_lb_ac, rate.product_per_ac * rate.acres)
        for rate in prescription.rates
    ]
    mean = prescription.total_product / prescription.acres
    lines.append(row(say(shown, "sheet.all"), prescription.acres, mean, prescription.mean_rate_n_lb_ac,
                     prescription.total_product))  # fmt: skip
    zeros = ", ".join(str(rate.zone) for rate in prescription.rates if rate.rate_n_lb_ac == 0)
    if zeros:
        lines.append(say(shown, "sheet.rate-zero", zones=zeros))
    for rate in prescription.rates:
        if label := zone_label(rate, shown):
            lines.append(say(shown, "sheet.zone", zone=rate.zone, label=label))
    return _section(shown, "sheet.rates", *lines, say(shown, "sheet.no-apply"))


def _setup_lines(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """What to enter in the machine's own menus."""
    machine, product = prescription.field.settings.machine, prescription.product
    swath, section = (Quantity("length", feet) for feet in (machine.swath_ft, machine.swath_ft / machine.sections))
    per_area = _kinds(prescription)[1]
    driven = [rate.product_per_ac for rate in prescription.rates if rate.rate_n_lb_ac > 0]
    lines = [say(shown, "sheet.setup-swath", swath=swath, sections=machine.sections, section=section)]
    if product.density_lb_gal is not None:
        lines.append(say(shown, "sheet.setup-density", density=Quantity("density", product.density_lb_gal)))
    if driven:
        least, most = (Quantity(per_area, value) for value in (min(driven), max(driven)))
        lines.append(say(shown, "sheet.setup-rates", least=least, most=most))
    ahead = machine.rate_change_s if machine.look_ahead_s is None else machine.look_ahead_s
    lines.append(say(shown, "sheet.setup-speed", speed=Quantity("speed", machine.speed_mph),
                     seconds=Quantity("number", ahead)))  # fmt: skip
    lines.append(say(shown, "sheet.setup-overlap", share=Quantity("percent", machine.edge_overlap_pct)))
    if prescription.drive is not None:
        drive = prescription.drive
        code = "sheet.setup-lines" if drive.given else "sheet.setup-rounds" if drive.rounds else "sheet.setup-heading"
        lines.append(say(shown, code, heading=Quantity("number", round(drive.heading_deg) % 360), passes=drive.passes,
                         rounds=drive.rounds))  # fmt: skip
    return lines


def flow_table(prescription: Prescription, shown: UnitFormat) -> Table | None:
    """Zone by zone the rate, the speeds that make it, flow, pressure and what one outlet gives in the catch test."""
    report, per_area = prescription.machine, _kinds(prescription)[1]
    if report is None:
        return None
    known = any(zone.psi is not None for zone in report.zones)
    acres = {rate.zone: rate.acres for rate in prescription.rates}
    heads = [say(shown, "sheet.head-zone"), shown.unit("area"), shown.unit(per_area),
             say(shown, "sheet.head-speed", at=_SPEED),
             say(shown, "sheet.head-flow", at=Quantity(report.flow_unit, None))]  # fmt: skip
    heads += [say(shown, "sheet.head-pressure", at=Quantity("pressure", None)),
              say(shown, "sheet.head-catch", at=Quantity("catch", None))] if known else []  # fmt: skip
    rows = []
    for zone in report.zones:
        row = [str(zone.zone), shown.number("area", acres[zone.zone]),
               shown.number(per_area, zone.product_per_ac), _speeds(zone, shown),
               shown.number(report.flow_unit, zone.flow)]  # fmt: skip
        if known:
            none = zone.rate_n_lb_ac == 0 or zone.psi is None or zone.catch_gal_min is None
            row += ["–", "–"] if none else [
                shown.number("pressure", zone.psi), shown.number("catch", (zone.catch_gal_min or 0.0) * 128 / 2)
            ]  # fmt: skip
        rows.append(tuple(row))
    return Table(caption=say(shown, "sheet.flows"), header=tuple(heads), rows=tuple(rows),
                 numbers=(1, 2, 4, 5, 6) if known else (1, 2, 4))  # fmt: skip


def _speeds(zone: ZoneFlow, shown: UnitFormat) -> str:
    """Speeds that make a rate: from one on, up to one, between two, or not known where no limit is stated."""
    if zone.rate_n_lb_ac == 0:
        return say(shown, "rates.speeds-any")
    if zone.least_speed_mph == 0 and math.isinf(zone.most_speed_mph):
        return say(shown, "sheet.speeds-unknown")
    if zone.advice == "impossible":
        return say(shown, "sheet.speeds-none")
    least, most = Quantity("speed", zone.least_speed_mph), Quantity("speed", zone.most_speed_mph)
    if math.isinf(zone.most_speed_mph):
        return say(shown, "rates.speeds-from", least=least)
    return say(shown, "rates.speeds", least=least, most=most)


def _flow_notes(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """What cannot be made at this speed, and how to catch."""
    report = prescription.machine
    if report is None:
        return []
    lines = []
    for zone in report.zones:
        if zone.advice:
            advised = Quantity("speed", 0.0 if zone.advice == "impossible" else zone.advised_speed_mph)
            lines.append(say(shown, f"sheet.cannot-{zone.advice}", zone=zone.zone, advised=advised,
                             speed=Quantity("speed", report.speed_mph)))  # fmt: skip
    job = prescription.field.settings.this_pass
    if under_pressure(prescription.product):
        lines.append(say(shown, "sheet.catch-ammonia"))
    elif any(zone.psi is not None for zone in report.zones):
        lines.append(say(shown, "sheet.catch", outlets=job.outlets or 0))
    elif prescription.product.unit == "gal":
        lines.append(say(shown, "sheet.no-outlets"))
    elif prescription.product.named:
        lines.append(say(shown, "sheet.catch-dry"))
    return lines


def _work_lines(prescription: Prescription, work: WorkPlan | None, shown: UnitFormat) -> list[str]:
    """Each load with its ground and where it runs out, and the hours."""
    if work is None:
        return []
    unit = _kinds(prescription)[0]
    begin = f"{work.start[0]:.5f}, {work.start[1]:.5f}"
    lines = [say(shown, "sheet.begin", rounds=work.rounds, place=begin)] if work.rounds else [
        say(shown, "sheet.begin-straight", place=begin)]  # fmt: skip
    total = Quantity(unit, prescription.total_product)
    lines += [
        say(shown, "sheet.load", number=str(load.number), product=Quantity(unit, load.product),
            area=Quantity("area", load.acres), on_pass=str(load.on_pass),
            place=f"{load.latitude:.5f}, {load.longitude:.5f}")
        for load in work.loads
    ] if loads_known(prescription) else [say(shown, "sheet.no-tank", total=total)]  # fmt: skip
    hours = {"hours": work.hours, "driving": work.driving_h, "turning": work.turning_h, "refills": work.refilling_h}
    lines.append(say(shown, "sheet.hours", **{name: Quantity("hours", value) for name, value in hours.items()}))
    return lines


def loads_known(prescription: Prescription) -> bool:
    """Whether the tank or the bin is stated, so that loads can be planned."""
    return prescription.loads is not None and prescription.loads.tank is not None


def _emergency_lines(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """Whom to call, what to do first; telephone numbers of the United States, from memory."""
    said = prescription.field.settings.this_pass.emergency
    codes = ["sheet.emergency-place"] if said is None else []
    gas = any(one.code in ("rates.caution-ammonia", "rates.caution-aqua") for one in prescription.cautions)
    codes += ["sheet.emergency-gas"] if gas else []
    codes += ["sheet.emergency-spill"] if shown.metric else ["sheet.emergency-spill", "sheet.emergency-numbers"]
    return [*([one_line(said)] if said is not None else []), *(say(shown, code) for code in codes)]


def _start_lines(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """What to have read and done before the first pass."""
    own = [say(shown, one.code, **one.quantities) for one in prescription.cautions]
    plots = ", ".join(str(rate.zone) for rate in prescription.rates if isinstance(rate.trial, BlockRate))
    own += [say(shown, "sheet.trial", zones=plots)] if plots else []
    draft = [] if prescription.approved else [say(shown, "sheet.draft")]
    return [*(say(shown, code) for code in _CAUTIONS), *own, *draft]


def ticket_lines(prescription: Prescription, work: WorkPlan | None, shown: UnitFormat) -> dict[str, list[str]]:
    """Lines of each part of the ticket but its head and its tables, by the part's name."""
    return {
        "product": _product_lines(prescription, shown), "iso": _pick_lines(prescription, shown),
        "shapefile": _shapefile_lines(prescription, shown), "setup": _setup_lines(prescription, shown),
        "flows": _flow_notes(prescription, shown), "work": _work_lines(prescription, work, shown),
        "stop": [say(shown, code) for code in _STOPS], "emergency": _emergency_lines(prescription, shown),
        "start": _start_lines(prescription, shown),
    }  # fmt: skip


def _set_in_columns(table: Table | None) -> list[str]:
    """Rows of a table as lines, its header the first."""
    if table is None:
        return []
    widths = [max(map(len, column)) for column in zip(table.header, *table.rows, strict=True)]
    return ["  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
            for row in (table.header, *table.rows)]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedField:
    """A field on a stick: its names there, what it takes, and its own sheet.

    ``total`` is in ``unit``: ``gal``, ``lb``, or ``mass`` for nitrogen without a product. ``shapefile`` is the name of
    its four files without their endings, ``setpoints`` the hash of its task's rates as the audit reads them. ``key`` is
    the field's own id where it has one.
    """

    grower: str
    farm: str
    field: str
    season: int
    id: str
    approved: bool
    task: str
    shapefile: str
    product: str
    unit: str
    total: float
    metric: bool
    sheet: str
    setpoints: str
    key: str = ""

    def renamed(self, shapefile: str) -> "CarriedField":
        """The same with its shapefile under another name, on its sheet too."""
        shown = UnitFormat(metric=self.metric)
        old, new = (say(shown, "sheet.shapefile-files", name=name) for name in (self.shapefile, shapefile))
        return replace(self, shapefile=shapefile, sheet=self.sheet.replace(old, new))

    @property
    def place(self) -> tuple[str, str, str]:
        """Customer, farm, field."""
        return self.grower, self.farm, self.field


def day_sheet(fields: Sequence[CarriedField]) -> str:
    """The sheet as text."""
    shown = UnitFormat(metric=all(field.metric for field in fields))
    lines = [say(shown, "sheet.day-title"), "", say(shown, "sheet.day-fields")]
    names = ("number", "field", "task", "shapefile", "product")
    rows = [[say(shown, f"sheet.day-head-{name}") for name in names]]
    totals: dict[tuple[str, str], float] = defaultdict(float)
    for number, field in enumerate(fields, start=1):
        totals[field.product, field.unit] += field.total
        needs = say(UnitFormat(metric=field.metric), "sheet.day-needs", product=field.product,
                    total=Quantity(field.unit, field.total))  # type: ignore[arg-type]  # one of three kinds  # fmt: skip
        rows.append([str(number), field.field, field.task, f"{field.shapefile}.SHP", needs])
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines += ["  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    drafts = [field.field for field in fields if not field.approved]
    if drafts:
        lines += ["", say(shown, "sheet.day-drafts", fields=", ".join(drafts))]
    lines += ["", say(shown, "sheet.day-in-all")]
    for (product, unit), total in totals.items():
        lines.append("  " + say(shown, "sheet.day-needs", product=product, total=Quantity(unit, total)))  # type: ignore[arg-type]
    for number, field in enumerate(fields, start=1):
        head = say(shown, "sheet.day-field", number=str(number), of=str(len(fields)), field=field.field)
        paper = say(shown, "sheet.day-paper", file=f"SHEETS/{field.shapefile}.PDF")
        lines += ["", "=" * 90, head, paper, "", field.sheet.rstrip("\n")]
    return "\n".join(line.rstrip() for line in lines) + "\n"

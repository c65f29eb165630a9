"""The operator's sheet: what to pick, which unit the terminal must show, which total to expect, how many loads."""

from collections.abc import Iterator
from pathlib import Path
from textwrap import wrap
from typing import Final

from vrn.files.iso import place_names, rate_unit_shown, task_name
from vrn.files.iso_grid import iso_grid
from vrn.files.names import one_line, status
from vrn.files.shapefile import column_names, stem_of
from vrn.files.statement import SHORT
from vrn.findings import Kind, Quantity
from vrn.pages.tables import zone_label
from vrn.prescription.limits import fixed_rates
from vrn.prescription.model import Prescription
from vrn.prescription.products import loads_report
from vrn.words import UnitFormat, say

_PLACE: Final = {"customer": "CTR", "farm": "FRM", "iso-field": "PFD"}
_CAUTIONS: Final = ("sheet.label", "sheet.keep-out", "sheet.first-pass")


def write_load_sheet(prescription: Prescription, folder: Path) -> None:
    """Write ``load_sheet.txt`` into an existing folder."""
    (folder / "load_sheet.txt").write_text(load_sheet(prescription), encoding="utf-8", newline="\n")


def load_sheet(prescription: Prescription) -> str:
    """The sheet as text, in lines of at most about 90 characters."""
    shown = UnitFormat.of(prescription.field.settings.units)
    parts = (_head, _product, _iso, _shapefile, _rates, _cautions)
    return "\n".join(line.rstrip() for part in parts for line in part(prescription, shown)) + "\n"


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


def _section(shown: UnitFormat, code: str, *lines: str) -> Iterator[str]:
    """An empty line, a heading, and lines set in below it."""
    yield ""
    yield say(shown, code)
    yield from (f"  {line}" for line in lines)


def _kinds(prescription: Prescription) -> tuple[Kind, Kind]:
    """How the product is measured, and per area."""
    return ("gal", "gal/ac") if prescription.product.unit == "gal" else ("lb", "lb/ac")


def _product(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """What goes into the tank and how much of it."""
    product, (unit, _) = prescription.product, _kinds(prescription)
    name, n = one_line(product.name, most=60), Quantity("number", round(product.n_pct, 2))
    lines = [
        say(shown, "sheet.no-product")
        if not product.named
        else say(shown, "sheet.dry", product=name, n=n)
        if product.density_lb_gal is None
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
    report = loads_report(prescription.rates, product, prescription.field.settings.machine)
    last = Quantity(unit, report.last_load)
    if report.loads == 1:
        lines.append(say(shown, "sheet.one-load", last=last))
    elif report.loads:
        tank = Quantity(unit, report.tank)
        lines.append(say(shown, "sheet.loads", loads=report.loads, full=report.loads - 1, tank=tank, last=last))
    return _section(shown, "sheet.product", *lines)


def _iso(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """What to pick on a terminal that reads ISO 11783-10."""
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
    return _section(shown, "sheet.iso", *lines)


def _shapefile(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    columns = column_names(prescription.field.settings.export.shapefile_columns)
    unit = shown.unit(prescription.rate_unit)
    code = "sheet.rate-column-n" if prescription.rate_unit == "lb N/ac" else "sheet.rate-column"
    return _section(
        shown, "sheet.shapefile", say(shown, "sheet.shapefile-files", name=stem_of(prescription)),
        say(shown, code, column=columns["RATE"], unit=unit),
        say(shown, "sheet.zone-column", column=columns["ZONE"], unit=columns["UNIT"]),
    )  # fmt: skip


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


def _cautions(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    draft = () if prescription.approved else ("sheet.draft",)
    yield from _section(shown, "sheet.start")
    own = [say(shown, one.code, **one.quantities) for one in prescription.cautions]
    for line in (*(say(shown, code) for code in _CAUTIONS), *own, *(say(shown, code) for code in draft)):
        yield from wrap(line, 90, initial_indent="  [ ] ", subsequent_indent="      ")

"""The operator's sheet: what to pick, which unit the terminal must show, which total to expect, how many loads."""

from collections.abc import Iterator
from pathlib import Path
from textwrap import wrap
from typing import Final

from vrn.files.iso import CUSTOMER, FARM, rate_unit_shown, task_name
from vrn.files.iso_grid import iso_grid
from vrn.files.names import one_line, status, terminal_name
from vrn.files.shapefile import column_names
from vrn.pages.report_phrases import zone_label
from vrn.prescription.model import Prescription
from vrn.prescription.products import loads_report
from vrn.units import FT_M
from vrn.words import UnitFormat, say

_CAUTIONS: Final = (
    "Follow the product's label and the law where you are: they come before this sheet.",
    "Keep out of waterways, wells and setbacks, whatever the map says.",
    "Watch the first pass: the rate on the screen must be a rate of this sheet, in this unit.",
)


def write_load_sheet(prescription: Prescription, folder: Path) -> None:
    """
    Write ``load_sheet.txt``.

    Parameters
    ----------
    prescription : Prescription
    folder : Path
        Existing folder to write into.
    """
    (folder / "load_sheet.txt").write_text(load_sheet(prescription), encoding="utf-8", newline="\n")


def load_sheet(prescription: Prescription) -> str:
    """
    The sheet as text.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    sheet : str
        Lines of at most about 90 characters.
    """
    return "\n".join((*_head(prescription), *_product(prescription), *_terminal(prescription), *_rates(prescription),
                      *_cautions(prescription))) + "\n"  # fmt: skip


def _shown(prescription: Prescription) -> UnitFormat:
    return UnitFormat(metric=prescription.field.settings.units == "metric")


def _head(prescription: Prescription) -> Iterator[str]:
    field = prescription.field
    yield "LOAD SHEET"
    yield status(prescription)
    yield f"{one_line(field.name, most=80)}, season {field.settings.header.season}"
    if field.settings.crop.application_date is not None:
        yield f"to be applied {field.settings.crop.application_date:%Y-%m-%d}"


def _product(prescription: Prescription) -> Iterator[str]:
    """What goes into the tank and how much of it."""
    shown, product = _shown(prescription), prescription.product
    unit = product.unit
    analysis = f"{product.n_pct:g} % N"
    if product.density_lb_gal is not None:
        analysis += f", {shown.text('density', product.density_lb_gal)}"
    yield ""
    yield "PRODUCT"
    yield f"  {one_line(product.name, most=60)} ({analysis})"
    yield f"  {shown.text(unit, prescription.total_product)} in all, on {shown.text('area', prescription.acres)}"
    rest = prescription.remaining
    if rest is not None:
        yield f"  this is what is left of {shown.text('area', rest.covered_ac + rest.left_ac)}"
    mean = shown.text("rate", prescription.mean_rate_n_lb_ac)
    yield f"  {shown.text('mass', prescription.total_n_lb)}, {mean} on average"
    report = loads_report(prescription.rates, product, prescription.field.settings.machine)
    if report.loads:
        tank, last, full = shown.text(unit, report.tank), shown.text(unit, report.last_load), report.loads - 1
        yield f"  {full + 1} loads: {full} of {tank}, then {last}" if full else f"  one load of {last}"


def _terminal(prescription: Prescription) -> Iterator[str]:
    """What to pick on the terminal, for each kind of file."""
    export, shown, unit = prescription.field.settings.export, _shown(prescription), prescription.product.unit
    columns = column_names(export.shapefile_columns)
    yield ""
    yield "TERMINAL THAT READS ISO 11783-10"
    yield "  the folder TASKDATA belongs at the top of the stick; then pick"
    yield f"  customer  {CUSTOMER}"
    yield f"  farm      {FARM}"
    yield f"  field     {terminal_name(prescription.field.name)}"
    yield f"  task      {task_name(prescription)}"
    yield f"  product   {terminal_name(prescription.product.name, instead='Product')}"
    yield f"  unit      {rate_unit_shown(prescription)} of product"
    if export.iso_grid == "polygons":
        yield f"  map       version {export.iso_version}, polygons"
    else:
        grid = iso_grid(prescription)
        rows, cols = grid.zone.shape
        cells = f"{rows} x {cols} cells of {grid.cell_m:g} m"
        yield f"  map       version {export.iso_version}, grid {export.iso_grid}, {cells}"
        if prescription.field.settings.header.edge_buffer_ft > 0:
            wide_ft = prescription.field.settings.header.edge_buffer_ft
            edge = f"{wide_ft * FT_M:.4g} m" if shown.metric else f"{wide_ft:g} ft"
            yield f"  the edge rate reaches {edge} past the boundary, so that a drifting boom does not drop out"
    fixed = (("before the first position", export.default_rate_n_lb_ac),
             ("with the position lost", export.position_lost_rate_n_lb_ac),
             ("outside the field", export.out_of_field_rate_n_lb_ac))  # fmt: skip
    for when, n_lb_ac in fixed:
        rate = _rate_text(shown, f"{unit}/ac", n_lb_ac / prescription.product.n_lb_per_unit)
        yield f"  {when}: {rate}"
    yield ""
    yield "TERMINAL THAT READS A SHAPEFILE"
    yield "  RX.SHP with RX.SHX, RX.DBF, RX.PRJ, in the folder shapefile (SHAPEFILE on a stick)"
    yield f"  rate column {columns['RATE']}, set the terminal to {_plain_unit(prescription)}"
    yield f"  zone column {columns['ZONE']}, unit column {columns['UNIT']}"


def _plain_unit(prescription: Prescription) -> str:
    if prescription.rate_unit == "lb N/ac":
        return "lb N/ac (nitrogen, not product)"
    return f"{prescription.rate_unit} (product, not nitrogen)"


def _rate_text(shown: UnitFormat, quantity: str, rate: float) -> str:
    return f"{rate * shown.factor(quantity):.1f} {shown.unit(quantity)}"


def _rates(prescription: Prescription) -> Iterator[str]:
    """A row for each zone, the last adds up; a column more where a shapefile holds a unit that the table has not."""
    shown, unit = _shown(prescription), prescription.product.unit
    beside = prescription.rate_unit not in (shown.unit("rate"), shown.unit(f"{unit}/ac"))
    per_n = 1.0 if prescription.rate_unit == "lb N/ac" else 1.0 / prescription.product.n_lb_per_unit
    per_area = f"{unit}/ac"
    heads = ("zone", shown.unit("area"), shown.unit(per_area), shown.unit("rate"), shown.unit(unit))
    yield ""
    yield "RATES"
    more = f" {prescription.rate_unit:>10}" if beside else ""
    yield f"  {heads[0]:>4} {heads[1]:>9} {heads[2]:>10} {heads[3]:>10} {heads[4]:>11}{more}"

    def row(name: str, acres: float, product_per_ac: float, n_lb_ac: float, product: float) -> str:
        return (
            f"  {name:>4} {acres * shown.factor('area'):>9.2f} {product_per_ac * shown.factor(per_area):>10.2f}"
            f" {n_lb_ac * shown.factor('rate'):>10.1f} {product * shown.factor(unit):>11,.1f}"
            + (f" {n_lb_ac * per_n:>10.2f}" if beside else "")
        )

    for rate in prescription.rates:
        yield row(str(rate.zone), rate.acres, rate.product_per_ac, rate.rate_n_lb_ac, rate.product_per_ac * rate.acres)
    mean = prescription.total_product / prescription.acres
    yield row("all", prescription.acres, mean, prescription.mean_rate_n_lb_ac, prescription.total_product)
    if beside:
        yield f"  The last column, {prescription.rate_unit}, is what the shapefile holds."
    zeros = [str(rate.zone) for rate in prescription.rates if rate.rate_n_lb_ac == 0]
    if zeros:
        yield f"  Zone {', '.join(zeros)}: rate 0, drive over with the product off."
    for rate in prescription.rates:
        if label := zone_label(rate, shown):
            yield f"  Zone {rate.zone}: {label}"
    yield "  No-apply ground has no zone: nothing is applied there."


def _cautions(prescription: Prescription) -> Iterator[str]:
    shown = _shown(prescription)
    yield ""
    yield "BEFORE YOU START"
    for caution in (*_CAUTIONS, *(say(shown, code) for code in prescription.product.cautions)):
        yield from wrap(caution, 90, initial_indent="  [ ] ", subsequent_indent="      ")
    if not prescription.field.settings.approved:
        yield "  [ ] This is a DRAFT: have it approved before it is driven."

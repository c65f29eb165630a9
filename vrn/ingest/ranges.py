"""What each quantity can be and likely is, with sources, and the slips that put a whole column outside it."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Kind, Quantity
from vrn.ingest.gate import Gate
from vrn.ingest.input_files import InputFiles
from vrn.model.settings import Settings
from vrn.units import BU_AC_T_HA

_MANY_VALUES, _OFTEN, _FEWEST_HELD, _LEAST_HELD, _JUMP = 20, 5, 6, 0.003, 2.5  # choices of this project
_LEAST_PASS_LB_AC = 1.5  # the least starter: common practice, no source
_MOST_ROWS = 8  # that a finding names


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """
    Where the whole of a column lies when it is something else.

    Parameters
    ----------
    low, high : float
        Every value above 0 lies between them.
    what : str
        What such values usually are.
    remedy : str
    """

    low: float
    high: float
    what: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """
    Possible and likely values of one quantity.

    Parameters
    ----------
    name : str
        For messages.
    kind : str
        Of its values.
    least, most : float
        Values beyond these are no such quantity: each is refused with its row.
    likely : (float, float)
        Values beyond these are a finding with their rows.
    code : str
        Of that finding.
    doubt : str
        What refused values usually mean.
    source : str
        Of the limits.
    slips : tuple of Slip
        Refused when the whole column lies in one.
    """

    name: str
    kind: Kind
    least: float
    most: float
    likely: tuple[float, float]
    code: str = ""
    doubt: str = ""
    source: str = ""
    nothing: str = ""  # remedy where every value is 0 and that is refused
    middle: tuple[float, float] = (
        -math.inf,
        math.inf,
    )  # of a whole field, beyond which all of its values are asked about
    slips: tuple[Slip, ...] = ()


_HUGE = 1e12
_NO_YIELD: Final = "Check the column, or leave the layer out."
ORGANIC_MATTER: Final = Range(
    name="organic matter", kind="organic_matter", least=0.0, most=100.0, likely=(0.3, 15.0), middle=(0.3, 8.0),
    code="ingest.unlikely-organic-matter", doubt="Give percent of soil weight; mineral soils hold 0.5 to 8.",
    source="above 20 to 30 % a soil is organic: USDA NRCS, Keys to Soil Taxonomy, organic soil materials (from memory)",
    slips=(
        Slip(low=0.0, high=0.2, what="parts of 1, not percent", remedy="Multiply them by 100."),
        Slip(low=12.0, high=100.0, what="g/kg, or ground of peat",
             remedy="Divide g/kg by 10, or write g/kg in the header."),
    ),
)  # fmt: skip
RELATIVE: Final = Range(
    name="relative yield", kind="number", least=0.0, most=1e4, likely=(0.2, 2.5), code="ingest.unlikely-relative-yield",
    nothing=_NO_YIELD,
    doubt='A relative layer has a mean near 1; for bushels set kind = "bu_ac".', source="common practice, no source",
    slips=(
        Slip(low=2.5, high=1e4, what="bushels, tonnes or percent, not parts of a mean of 1",
             remedy='For yields set kind = "bu_ac" or "t_ha"; divide percent by 100 or write % in the header.'),
    ),
)  # fmt: skip
YIELD: Final = Range(
    name="yield", kind="yield", least=0.0, most=650.0, likely=(20.0, 400.0), code="ingest.unlikely-yield",
    nothing=_NO_YIELD,
    doubt='Give yields of corn; for a layer with a mean of 1 set kind = "relative".',
    source="the highest contest yield of corn is 624 bu/ac (National Corn Yield Contest 2023, from memory); "
    "the likely range is common practice, no source",
    slips=(
        Slip(low=0.0, high=3.0, what="parts of a mean of 1", remedy='Set kind = "relative".'),
        Slip(low=3.0, high=20.0, what="t/ha", remedy='Set kind = "t_ha", or write t/ha in the header.'),
        Slip(low=450.0, high=_HUGE, what="another unit", remedy="Check the unit, and write it in the header."),
    ),
)  # fmt: skip
APPLIED: Final = Range(
    name="applied nitrogen", kind="rate", least=0.0, most=1000.0, likely=(0.0, 300.0),
    middle=(0.0, 220.0), code="ingest.unlikely-applied-n",
    doubt="Give rates of nitrogen, not of product.", source="common practice, no source",
    slips=(
        Slip(low=300.0, high=1000.0, what="a rate of product",
             remedy="Give rates of nitrogen: product times its share of N."),
        Slip(low=0.0, high=1.5, what="parts of a rate or kg/m²", remedy="Give rates of nitrogen on an area."),
    ),
)  # fmt: skip
NITRATE: Final = Range(
    name="nitrate-N", kind="concentration", least=0.0, most=5000.0, likely=(0.01, 200.0),
    code="ingest.unlikely-nitrate", doubt="No soil holds that; check the unit and the decimal point.",
    source="a foot of 200 ppm holds over 730 lb N/ac, more than any corn takes up; 0 is below what a test detects, and "
    "often a cell that nobody filled in; common practice, no source",
    slips=(
        Slip(low=0.0, high=0.1, what="g/kg or percent",
             remedy="Write the unit in the header, or give ppm of dry soil."),
        Slip(low=200.0, high=5000.0, what="pounds on an area, ppb, or a slipped decimal point",
             remedy="Write the unit in the header, or give ppm of dry soil."),
    ),
)  # fmt: skip
WATER: Final = Range(
    name="water content", kind="percent", least=0.0, most=500.0, likely=(2.0, 60.0), code="ingest.unlikely-water",
    doubt="Give water in percent of the dry soil's weight.", source="common practice, no source",
    slips=(Slip(low=0.0, high=1.0, what="parts of 1, not percent", remedy="Multiply them by 100."),),
)  # fmt: skip
YIELD_T_HA: Final = replace(
    YIELD, doubt='Give tonnes per hectare; for a layer with a mean of 1 set kind = "relative".',
    slips=(
        Slip(low=0.0, high=2.6 / BU_AC_T_HA, what="parts of a mean of 1", remedy='Set kind = "relative".'),
        Slip(low=450.0, high=_HUGE, what="bu/ac or kg/ha", remedy="Check the unit, and write it in the header."),
    ),
)  # fmt: skip
# numbers that a person states: key of the field file → what it is, kind, least and most that is likely. All common
# practice, no source, but corn that takes up 0.6 to 1.5 lb N/bu, which holds every published figure of `vrn methods`
STATED: Final[dict[str, tuple[str, Kind, float, float]]] = {
    "crop.yield_goal_bu_ac": ("yield goal", "yield", 50.0, 350.0),
    "nitrogen.n_per_bushel_lb": ("nitrogen per bushel in pounds", "number", 0.6, 1.5),
    "nitrogen.recovery_share": ("recovered share", "share", 0.3, 1.0),
    "nitrogen.mineralization_lb_per_om_pct": ("nitrogen from 1% of organic matter", "rate", 5.0, 40.0),
    "nitrogen.bulk_density_g_cm3": ("bulk density in g/cm³", "number", 0.7, 1.8),
    "nitrogen.deep_bulk_density_g_cm3": ("deeper bulk density in g/cm³", "number", 0.7, 1.9),
    "prices.corn_per_bu": ("price of corn", "price_corn", 1.0, 15.0),
    "prices.n_per_lb": ("price of nitrogen", "price_n", 0.05, 3.0),
    "machine.swath_ft": ("swath", "length", 10.0, 150.0),
    "machine.rate_step_n_lb_ac": ("step of the rates", "rate", 0.0, 25.0),
    "credits.manure": ("credit for manure", "rate", 0.0, 200.0),
    "credits.irrigation_water": ("credit for irrigation water", "rate", 0.0, 100.0),
    "credits.previous_crop": ("credit for the crop before", "rate", 0.0, 180.0),
    "credits.other": ("other credit", "rate", 0.0, 100.0),
}
ANYTHING: Final = Range(name="value", kind="number", least=-_HUGE, most=_HUGE, likely=(-_HUGE, _HUGE))
ZONE: Final = Range(name="zone", kind="number", least=1.0, most=254.0, likely=(1.0, 254.0))


def judge(
    gate: Gate, limits: Range, values: NDArray[np.float64], *, rows: Iterable[int] | None = None, factor: float = 1.0
) -> None:
    """
    Refuse a column of which every value is something else; ask about single values that are unlikely.

    Parameters
    ----------
    gate : Gate
    limits : Range
    values : ndarray, shape (n,)
        In the trade's unit; NaN is passed over.
    rows : iterable of int, length n, optional
        Of the file.
    factor : float
        That brought them there from the file's unit, in which a refusal shows them.

    Raises
    ------
    InputFileError
        If all lie where a known slip puts them and nobody has accepted it, or any is beyond the possible.
    """
    known = values[np.isfinite(values)]
    if known.size == 0:
        return
    low, high = float(known.min()), float(known.max())
    if low < limits.least or high > limits.most:
        remedy = limits.doubt or "Check the file; it may hold a nodata value that is not marked."
        gate.source.refuse(f"values run from {low / factor:.6g} to {high / factor:.6g}.", remedy)
    positive = known[known > 0]
    if not positive.size and limits.nothing:
        gate.source.refuse(f"all values of {limits.name} are 0.", limits.nothing)
    for slip in limits.slips if positive.size else ():
        if slip.low <= (low if slip.low > 0 else float(positive.min())) and high <= slip.high:
            shown = f"all values of {limits.name} are from {low / factor:.6g} to {high / factor:.6g}"
            gate.refuse(f"{shown}: they look like {slip.what}", slip.remedy)
            return
    beyond = (values < limits.likely[0]) | (values > limits.likely[1])
    if not limits.middle[0] <= np.quantile(known, 0.5, method="lower") <= limits.middle[1]:
        beyond = np.isfinite(values)
    if beyond.any() and limits.code:
        named = [str(row) for row, off in zip(rows or (), beyond, strict=False) if off]
        gate.files.warn(
            limits.code, f"{gate.source} {listed(named)}".strip(), values=int(beyond.sum()),
            low=Quantity(limits.kind, low), high=Quantity(limits.kind, high),
        )  # fmt: skip


def ask_about_holes(
    gate: Gate, limits: Range, one: NDArray[np.float64], other: NDArray[np.float64], values: NDArray[np.float64]
) -> None:
    """
    Ask about a value that a layer holds again and again in one spot, as a gap filled with a constant does.

    It is held five times as often as all other values but one, and not by ground that is cut off at the highest or the
    lowest: close to a cut lie as many values as it took away.

    Parameters
    ----------
    gate : Gate
    limits : Range
    one, other : ndarray, shape (m,)
        Values of places side by side; NaN is passed over.
    values : ndarray
        All of the field.
    """
    held, times = np.unique(np.round(values[np.isfinite(values)], 5), return_counts=True)
    if len(held) < _MANY_VALUES:
        return
    order = np.argsort(times)[::-1]
    for at in order[:2]:
        inside = np.isclose(one, held[at], atol=1e-5), np.isclose(other, held[at], atol=1e-5)
        share, rest = float(times[at] / times.sum()), np.repeat(np.delete(held, at), np.delete(times, at))
        usual_step = float(np.nanmedian(np.abs(one - other)[~inside[0] & ~inside[1]]))
        end = held[at] > np.median(rest)  # a cut leaves as many values near it as it took away
        off = abs(held[at] - np.quantile(rest, max(1 - share, 0.5) if end else min(share, 0.5)))
        often = times[at] >= max(_OFTEN * times[order[2]], _FEWEST_HELD, _LEAST_HELD * times.sum())
        jumps = 0 < at < len(held) - 1 or off > _JUMP * usual_step
        if often and jumps and (inside[0] & inside[1]).sum() >= _FEWEST_HELD / 2:
            gate.files.warn(
                "surface.filled-hole", gate.source, share=Quantity("share", share),
                value=Quantity(limits.kind, float(held[at])),
            )  # fmt: skip


def judge_stated(files: InputFiles, settings: Settings) -> None:
    """Ask about numbers of the field file that are possible and unlikely."""
    for key, (name, kind, least, most) in STATED.items():
        section, _, attribute = key.partition(".")
        value = getattr(getattr(settings, section), attribute)
        if value is not None and not least <= value <= most:
            files.warn(
                "ingest.unlikely-number", key, name=name, value=Quantity(kind, value), least=Quantity(kind, least),
                most=Quantity(kind, most),
            )  # fmt: skip
    for one in settings.applications or ():
        if one.n_lb_ac > APPLIED.likely[1] or 0 < one.n_lb_ac < _LEAST_PASS_LB_AC:
            rate = Quantity("rate", one.n_lb_ac)
            files.warn("ingest.unlikely-applied-n", f"applications {one.date}", values=1, low=rate, high=rate)


def listed(rows: list[str]) -> str:
    """Rows of a file in words, the first eight of many; empty for none."""
    more, word = len(rows) - _MOST_ROWS, "row" if len(rows) == 1 else "rows"
    if not rows:
        return ""
    return f"{word} " + ", ".join(rows[:_MOST_ROWS]) + (f" and {more} more" if more > 0 else "")

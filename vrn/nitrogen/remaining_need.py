"""Pounds of nitrate in a core, and the mass balance that finishes the crop from what soil and season still give."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, Quantity, note, warning
from vrn.nitrogen.ledger import Line, Number, as_number, negative, total_of
from vrn.nitrogen.lines import Values, credit_lines, line_of
from vrn.nitrogen.method import Example, Input, Method, Working
from vrn.nitrogen.stage import (
    MINERALIZATION_SOURCE,
    UPTAKE_SOURCE,
    mineralization_share_left,
    uptake_band,
    uptake_share,
)
from vrn.units import LB_AC_PER_PPM_IN

BULK_DENSITY_G_CM3: Final = 1.35  # of a loam or silt loam, when nothing else is known

# usual bulk density by texture class, from memory: no table was seen [g/cm³]
TEXTURE_BULK_DENSITY_G_CM3: Final = {
    "sand": 1.55, "loamy sand": 1.55, "sandy loam": 1.45, "loam": 1.35, "silt loam": 1.35, "silt": 1.30,
    "sandy clay loam": 1.40, "clay loam": 1.30, "silty clay loam": 1.30, "sandy clay": 1.30, "silty clay": 1.25,
    "clay": 1.22,
}  # fmt: skip


def nitrate_lb_ac(
    nitrate_ppm: ArrayLike, *, top_in: float, bottom_in: float, bulk_density_g_cm3: ArrayLike = BULK_DENSITY_G_CM3
) -> Number:
    """
    Nitrate-N held by one layer of soil.

    Parameters
    ----------
    nitrate_ppm : array_like, shape (n,) or scalar
        NO3-N in dry soil; NO3 itself must first be multiplied by 0.2259. [ppm]
    top_in, bottom_in : float
        Depths between which the core was cut. [in]
    bulk_density_g_cm3 : array_like, shape (n,) or scalar
        Dry weight of a volume of soil. [g/cm³]

    Returns
    -------
    nitrate_lb_ac : float or ndarray, shape (n,)
        NaN where the reading is NaN. [lb/ac]

    Raises
    ------
    OutOfRangeError
        If a reading is negative, the depths are upside down or the bulk density is not one of soil.

    References
    ----------
    1 acre = 4046.8564 m², 1 in = 0.0254 m, 1 lb = 0.45359237 kg (exact), so lb/ac = ppm × in × g/cm³ × 0.226613.

    Examples
    --------
    10 × 12 × 1.30 × 0.226613 = 35.35:

    >>> round(nitrate_lb_ac(10.0, top_in=0, bottom_in=12, bulk_density_g_cm3=1.30), 2)
    35.35
    """
    ppm = as_number(nitrate_ppm)
    density = as_number(bulk_density_g_cm3)
    if not 0 <= top_in < bottom_in:
        problem = f"A soil layer cannot reach from {top_in:g} to {bottom_in:g} in."
        raise OutOfRangeError(problem, "Give depths below the surface in inches, the top first, as 0 and 12.")
    if np.any(np.less(ppm, 0)):
        problem = f"Nitrate-N is {np.nanmin(ppm):g} ppm."
        raise OutOfRangeError(problem, "Leave a reading empty (NaN) where none was taken.")
    if np.any(np.less(density, 0.4)) or np.any(np.greater(density, 2.0)):
        problem = f"Bulk density of {np.nanmin(density):g} to {np.nanmax(density):g} g/cm³ is not one of soil."
        raise OutOfRangeError(problem, "Give dry weight by volume, usually 1.1 to 1.6 g/cm³.")
    return ppm * ((bottom_in - top_in) * LB_AC_PER_PPM_IN * density)


def bulk_density_of(texture: str) -> float:
    """Usual bulk density of a texture class, from memory; a measured one is better.

    Raises OutOfRangeError if the class is not known.

    >>> bulk_density_of("Sandy Loam")
    1.45
    """
    name = texture.strip().lower().replace("_", " ").replace("-", " ")
    if name not in TEXTURE_BULK_DENSITY_G_CM3:
        problem = f"Texture class {texture!r} is not known."
        raise OutOfRangeError(problem, "Use one of: " + ", ".join(TEXTURE_BULK_DENSITY_G_CM3) + ".")
    return TEXTURE_BULK_DENSITY_G_CM3[name]


_PPM_SOURCE: Final = "exact conversion of units"
_OM_SOURCE: Final = "Kansas State: 1 % organic matter holds about 1,000 lb N/ac, 2 % of it freed a year"
SHARE_GIVEN: Final = "share left given by the user"
_N_SOURCE: Final = "uptake about 1.13 lb/bu: Bender et al. 2013, Agron. J. 105:161-170"


def _rule(values: Values) -> Working:
    """Lines of the mass balance."""
    stage = values["growth_stage"]
    uptake = values.get("uptake_share")
    left = values.get("mineralization_share_left")
    taken = uptake_share(stage) if uptake is None else uptake
    values["uptake_share"] = taken
    values["mineralization_share_left"] = mineralization_share_left(stage) if left is None else left
    in_all = values["yield_goal_bu_ac"] * values["n_per_bushel_lb"]
    plain = not np.any(np.asarray(values["recovery_share"]) != 1.0)
    basis = "{yield_goal_bu_ac} bu/ac × {n_per_bushel_lb} lb/bu × (1 − {uptake_share} taken up)"
    if np.ndim(taken):  # a mean of products is not the product of means
        del values["uptake_share"]
        values["taken_up_lb_ac"] = in_all * taken
        basis = (
            "{yield_goal_bu_ac} bu/ac × {n_per_bushel_lb} lb/bu − {taken_up_lb_ac} lb/ac taken up by each cell's stage"
        )
    lines = [
        line_of(values, key="crop", label="Nitrogen the crop has still to take up", lb_ac=in_all * (1.0 - taken),
                basis=basis,
                source=f"{_N_SOURCE}; share taken up: {UPTAKE_SOURCE if uptake is None else 'given by the user'}"),
        _top_line(values),
        _deep_line(values),
    ]  # fmt: skip
    mineral, findings = _mineral_line(values, left is None)
    lines += [mineral, *credit_lines(values)]
    low = high = None
    if uptake is None:
        least, most = uptake_band(stage)
        low, high = in_all * (taken - most), in_all * (taken - least)
        if "applied_left_lb_ac" in values and len(lines) == _BASE_LINES:  # what credits gave so far is not known
            still = negative(lines[1].lb_ac + lines[2].lb_ac)
            short = _short(values, in_all * taken, freed_lb_ac=_yearly(values) + mineral.lb_ac, still_lb_ac=still)
            lines, findings, high = [*lines, *short.lines], (*findings, *short.findings), short.high_lb_ac(high)
    total = total_of(line.lb_ac for line in lines)
    recovery = values["recovery_share"]
    if not plain:
        lines.append(
            line_of(values, key="recovery", label="Nitrogen the crop will not recover",
                    lb_ac=total * (1 / recovery - 1), basis="sum of the lines above × (1 ÷ {recovery_share} − 1)",
                    source="need over recovery, after Stanford 1973, J. Environ. Qual. 2:159-166 (from memory)")
        )  # fmt: skip
    if low is None or high is None:
        return Working(lines=tuple(lines), findings=findings)
    low, high = total_of([low, total]), total_of([high, total])
    if not plain:
        low, high = low / recovery, high / recovery
    return Working(lines=tuple(lines), findings=findings, low_lb_ac=low, high_lb_ac=high)


_SPRING_MOST: Final = 3.0  # times the spring nitrate that is counted on: a choice of this project
_EMPTY_PPM: Final = (5.0, 10.0)  # top core at and below which a crop may be short, and from which it is not: likewise
_TELL_SHORT_LB_AC: Final = 20.0
_BASE_LINES: Final = 4  # crop, two depths, mineralization: what is there without credits
_SHORT_SOURCE: Final = "a crop holds no more than the soil could give; spring nitrate assumed, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Short:
    """What the crop cannot have got, as a line where there is any, and the most it may be short of. [lb/ac]"""

    lines: tuple[Line, ...]
    findings: tuple[Finding, ...]
    sure_lb_ac: Number
    most_lb_ac: Number

    def high_lb_ac(self, by_stage_lb_ac: Number) -> Number:
        """How far the need may lie above its lines: by the published uptake, or by what the crop may be short of."""
        return as_number(np.maximum(by_stage_lb_ac, self.most_lb_ac) - self.sure_lb_ac)


def _short(values: Values, by_stage_lb_ac: Number, *, freed_lb_ac: Number, still_lb_ac: Number) -> _Short:
    """
    What the crop holds by its stage, less all that can have reached it: at its most it is counted, at its least told.

    All that can have reached it is what is left of what was applied, what was freed so far, and nitrate there in
    spring, less the nitrate that is still in the soil. Where the top core holds 10 ppm no crop is short, below 5 ppm
    the whole difference counts.
    """
    empty = np.clip((_EMPTY_PPM[1] - values["nitrate_ppm"]) / (_EMPTY_PPM[1] - _EMPTY_PPM[0]), 0.0, 1.0)
    spring, most_left = values["spring_nitrate_lb_ac"], values["applied_left_lb_ac"]
    least_left: Number = {"applied_left_low_lb_ac": most_left, **values}["applied_left_low_lb_ac"]
    other = by_stage_lb_ac - freed_lb_ac + still_lb_ac
    sure = as_number(empty * np.maximum(other - most_left - _SPRING_MOST * spring, 0.0))
    most = as_number(empty * np.maximum(other - least_left - spring, 0.0))
    values["short_lb_ac"] = sure
    lines: tuple[Line, ...] = ()
    findings: tuple[Finding, ...] = ()
    if np.any(np.greater(sure, 0)):
        lines = (
            line_of(values, key="short", label="Nitrogen the crop cannot have got so far", lb_ac=sure,
                    basis="{short_lb_ac} lb/ac by stage above all that can have reached it", source=_SHORT_SOURCE),
        )  # fmt: skip
    in_all = as_number(values["yield_goal_bu_ac"] * values["n_per_bushel_lb"])
    mean = [
        float(np.mean(part[np.isfinite(part)])) if np.isfinite(part).any() else 0.0
        for part in (np.asarray(one, dtype=float) for one in (by_stage_lb_ac, sure, most, in_all))
    ]
    if mean[2] >= _TELL_SHORT_LB_AC:
        stage, counted, short, whole = mean
        told = {"stage": stage, "supply": stage - short, "sure": counted, "most": short}
        share = Quantity("number", round((stage - short) / whole, 2))
        pounds = {name: Quantity("whole_amount", value) for name, value in told.items()}
        findings = (warning("nitrogen.crop-may-be-short", "crop", share=share, **pounds),)
    return _Short(lines=lines, findings=findings, sure_lb_ac=sure, most_lb_ac=most)


def _yearly(values: Values) -> Number:
    """What a season frees of the organic matter that is counted. [lb/ac]"""
    counted = np.minimum(values["organic_matter_pct"], float(values["organic_matter_cap_pct"]))
    return as_number(counted * values["mineralization_lb_per_om_pct"])


_FOOT_IN: Final = 12.0


def _counted(top: float, bottom: float, values: Values) -> tuple[Number, str, str]:
    """Share of a layer's nitrate that counts, its depth as arithmetic, and a source: below the first foot by its share.

    So a core of 0–24 in and two cores of a foot with the same nitrate come to the same.
    """
    above, below = max(min(bottom, _FOOT_IN) - top, 0.0), bottom - max(top, _FOOT_IN)
    if below <= 0:
        return 1.0, f"{bottom - top:g} in", _PPM_SOURCE
    share: Number = values["second_foot_share"]
    depth = (
        "{second_foot_share} × " + f"{below:g} in"
        if not above
        else f"({above:g} in + {{second_foot_share}} × {below:g} in)"
    )
    return (above + share * below) / (bottom - top), depth, f"{_PPM_SOURCE}; the share counted is a setting, no source"


def _top_line(values: Values) -> Line:
    top, bottom = float(values["top_in"]), float(values["bottom_in"])
    pounds = nitrate_lb_ac(
        values["nitrate_ppm"], top_in=top, bottom_in=bottom, bulk_density_g_cm3=values["bulk_density_g_cm3"]
    )
    share, depth, source = _counted(top, bottom, values)
    label = f"Nitrate in the soil, {top:g}–{bottom:g} in"
    return line_of(values, key="soil_nitrate", label=label, lb_ac=negative(pounds * share),
                   quantities=_depths(top, bottom), source=source,
                   basis=f"{{nitrate_ppm}} ppm × {depth} × {{bulk_density_g_cm3}} g/cm³ × 0.2266")  # fmt: skip


def _deep_line(values: Values) -> Line:
    """The layer below the top core: counted by its share, or a printed 0 where it was not pulled."""
    bottom = float(values["bottom_in"])
    top = float(values.get("deep_top_in", bottom))
    end = float(values.get("deep_bottom_in", 24.0 if top < 24.0 else top + 12.0))
    label = f"Nitrate in the soil, {top:g}–{end:g} in"
    if "deep_nitrate_ppm" not in values:
        if bottom >= 24:
            return line_of(values, key="deep_nitrate", code="below-core", label="Nitrate below the core", lb_ac=0.0,
                           source="", basis=f"the core reaches {bottom:g} in, counted above")  # fmt: skip
        return line_of(values, key="deep_nitrate", code="soil-nitrate", label=label, quantities=_depths(top, end),
                       lb_ac=0.0, source="", basis="not measured, 0 counted")  # fmt: skip
    if top < bottom:
        problem = f"The deep core begins at {top:g} in, inside the top core that ends at {bottom:g} in."
        raise OutOfRangeError(problem, "Give layers that follow each other, as 0–12 and 12–24 in.")
    values.setdefault("deep_bulk_density_g_cm3", values["bulk_density_g_cm3"])
    density: Number = values["deep_bulk_density_g_cm3"]
    pounds = nitrate_lb_ac(values["deep_nitrate_ppm"], top_in=top, bottom_in=end, bulk_density_g_cm3=density)
    share, depth, source = _counted(top, end, values)
    return line_of(values, key="deep_nitrate", code="soil-nitrate", label=label, quantities=_depths(top, end),
                   lb_ac=negative(pounds * share), source=source,
                   basis=f"{{deep_nitrate_ppm}} ppm × {depth} × {{deep_bulk_density_g_cm3}} g/cm³ × 0.2266",
                   )  # fmt: skip


def _depths(top_in: float, bottom_in: float) -> dict[str, Quantity]:
    return {"top": Quantity("depth", top_in), "bottom": Quantity("depth", bottom_in)}


def _mineral_line(values: Values, by_stage: bool) -> tuple[Line, tuple[Finding, ...]]:
    cap = float(values["organic_matter_cap_pct"])
    found = values["organic_matter_pct"]
    above = int(np.count_nonzero(np.greater(found, cap)))
    counted = values["organic_matter_counted_pct"] = as_number(np.minimum(found, cap)) if above else found
    pounds = counted * (values["mineralization_lb_per_om_pct"] * values["mineralization_share_left"])
    basis = (
        "{organic_matter_counted_pct} % × {mineralization_lb_per_om_pct} lb/ac a year × "
        "{mineralization_share_left} still to come"
    )
    if np.ndim(values["mineralization_share_left"]):
        del values["mineralization_share_left"]
        values["mineralized_lb_ac"] = counted * values["mineralization_lb_per_om_pct"] - pounds
        basis = (
            "{organic_matter_counted_pct} % × {mineralization_lb_per_om_pct} lb/ac a year − {mineralized_lb_ac} lb/ac "
            "before each cell's sampling or after R5"
        )
    line = line_of(
        values, key="mineralization", label="Nitrogen still to mineralize", lb_ac=negative(pounds), basis=basis,
        source=f"{_OM_SOURCE}; {MINERALIZATION_SOURCE if by_stage else SHARE_GIVEN}",
    )  # fmt: skip
    if not above:
        return line, ()
    about, limit = "layers.organic_matter", Quantity("organic_matter", cap)
    if not np.ndim(found):
        return line, (note("nitrogen.organic-matter-capped-here", about, cap=limit),)
    return line, (note("nitrogen.organic-matter-capped", about, cap=limit, above=above, cells=int(np.size(found))),)


REMAINING_NEED: Final = Method(
    key="remaining-need",
    title="Mass balance to finish the crop",
    formula=(
        "yield goal × N per bushel × (1 − share taken up) − nitrate in the top core − share × nitrate in the deep core "
        "− organic matter × lb per % × share still to mineralize − credits that appear after sampling"
    ),
    region="no state: a nitrogen budget using the values shown",
    source=f"{_N_SOURCE}; uptake by stage: {UPTAKE_SOURCE}; mineralization: {_OM_SOURCE}; {MINERALIZATION_SOURCE}",
    factor="ppm × in × bulk density × 0.226613 (3.67 lb/ac per ppm in a foot at 1.35 g/cm³)",
    contains="what the crop has taken up, what is nitrate now and what will mineralize: credit only what appears later",
    kind="remaining",
    stages=("preplant", "R1"),
    bottom_in=(6.0, 24.0),
    inputs=(
        Input(name="yield_goal_bu_ac", meaning="yield the crop is fed for", low=0, high=500, required=True),
        Input(name="growth_stage", meaning="leaf-collar stage on the sampling date", low=-1, high=24, required=True),
        Input(name="nitrate_ppm", meaning="NO3-N in the top core", low=0, high=1000, required=True),
        Input(name="top_in", meaning="where the top core begins", low=0, high=48, required=True),
        Input(name="bottom_in", meaning="where the top core ends", low=1, high=60, required=True),
        Input(name="organic_matter_pct", meaning="soil organic matter", low=0, high=100, required=True),
        Input(name="deep_nitrate_ppm", meaning="NO3-N in the core below", low=0, high=1000),
        Input(name="deep_top_in", meaning="where the deep core begins; the top core's end", low=0, high=60),
        Input(name="deep_bottom_in", meaning="where the deep core ends; 24 in", low=1, high=96, calibrated=(12, 48),
              outside="methods.outside-deep-core"),
        Input(name="second_foot_share", meaning="share of the deep core's nitrate that is counted: a choice of this "
              "project, no source", low=0, high=1, default=0.5),
        Input(name="n_per_bushel_lb", meaning="nitrogen the whole crop takes up for a bushel", low=0.3, high=2,
              default=1.1),
        Input(name="recovery_share", meaning="share of applied nitrogen the crop gets", low=0.1, high=1, default=1.0),
        Input(name="mineralization_lb_per_om_pct", meaning="nitrogen freed in a season for each per cent of organic "
              "matter", low=0, high=60, default=20.0),
        Input(name="mineralization_share_left", meaning="share of it still to come; by stage when not given", low=0,
              high=1),
        Input(name="organic_matter_cap_pct", meaning="organic matter counted at most", low=0.1, high=100, default=5.0),
        Input(name="uptake_share", meaning="share of the crop's nitrogen taken up; by stage when not given", low=0,
              high=1),
        Input(name="bulk_density_g_cm3", meaning="dry weight of a volume of soil", low=0.4, high=2,
              default=BULK_DENSITY_G_CM3),
        Input(name="deep_bulk_density_g_cm3", meaning="the same in the deep core; the top's", low=0.4, high=2),
        Input(name="applied_left_lb_ac", meaning="most that can be left of what was applied: it limits what the crop "
              "took up so far", low=0, high=500),
        Input(name="applied_left_low_lb_ac", meaning="the least of it; the same", low=0, high=500),
        Input(name="spring_nitrate_lb_ac", meaning="nitrate there in spring, at least, for the same: assumed; 3 ppm in "
              "two feet after Nebraska's figure for a depth not sampled", low=0, high=200, default=20.0),
        Input(name="credits_lb_ac", meaning="nitrogen that appears after sampling", low=0, high=400, default=0.0),
    ),
    example=Example(
        inputs={"yield_goal_bu_ac": 200, "growth_stage": "V10", "n_per_bushel_lb": 1.1278, "uptake_share": 0.35,
                "nitrate_ppm": 0, "top_in": 0, "bottom_in": 12, "organic_matter_pct": 0},
        need_lb_ac=146.614,
        source="200 bu/ac × 1.1278 lb/bu = 225.56 lb/ac; 65 % of it is still to come (uptake after Bender et al. 2013)",
    ),
    cautions=(
        note("methods.yield-explains-little", "nitrogen.method"),  # Scharf et al. 2006, SSSAJ 70:2154
        note("methods.yield-goal-rates-high", "nitrogen.method"),  # Mulvaney et al. 2006, SSSAJ 70:172
    ),
    rule=_rule,
)  # fmt: skip

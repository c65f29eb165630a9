"""State methods calibrated on nitrate in a preplant profile of two feet."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.findings import Finding, Quantity, note
from vrn.nitrogen.ledger import Line, Number, as_number, total_of, worded
from vrn.nitrogen.lines import Values, applied_lines, credit_lines, line_of
from vrn.nitrogen.method import Example, Input, Method, Working, from_memory

_STAGES: Final = ("preplant", "V4")
_YIELD: Final = Input(name="yield_goal_bu_ac", meaning="expected yield", low=0, high=500, required=True)
_PROFILE: Final = Input(name="profile_nitrate_lb_ac", meaning="nitrate-N in 0–24 in", low=0, high=2000, required=True)
_OM: Final = Input(name="organic_matter_pct", meaning="soil organic matter", low=0, high=100, required=True)
_PPM: Final = Input(name="profile_nitrate_ppm", meaning="the mean ppm those pounds were reached from", low=0, high=1000)
_PER_PPM: Final = Input(
    name="profile_lb_ac_per_ppm_in", meaning="pounds for a ppm in an inch of soil; the method's own", low=0.15, high=0.5
)
_CREDITS: Final = Input(name="credits_lb_ac", meaning="previous crop, manure, water", low=0, high=400, default=0.0)
_APPLIED: Final = Input(name="applied_lb_ac", meaning="applied after the profile was sampled", low=0, high=500)
_LATE: Final = note("methods.late-profile", "nitrogen.method")

_KANSAS_LB_AC_PER_PPM_IN: Final = 0.3  # from memory
_FOUR_A_FOOT: Final = 1 / 3  # 4 lb/ac per ppm and foot
_NEBRASKA_SOURCE: Final = "University of Nebraska-Lincoln EC117 (2019)"
_KANSAS_SOURCE: Final = "Kansas State University MF-2586, equation from memory"
_MINNESOTA_SOURCE: Final = "University of Minnesota DC6514, western Minnesota (2002)"
_DAKOTA_SOURCE: Final = "South Dakota State University Extension, factor of 2023, as quoted by the press"


def nebraska_price_factor(corn_per_bu: ArrayLike, n_per_lb: ArrayLike) -> Number:
    """Nebraska's adjustment for prices, from memory: check it against the current bulletin.

    >>> round(nebraska_price_factor(4.0, 0.50), 3), round(nebraska_price_factor(3.0, 0.60), 3)
    (0.998, 0.786)
    """
    ratio = np.clip(np.divide(corn_per_bu, n_per_lb), 5.0, 10.0)
    return as_number(0.263 + 0.1256 * ratio - 0.00421 * ratio * ratio)


def _nebraska_rule(values: Values) -> Working:
    factor: Number = values["price_factor"] * values["timing_factor"]
    plain = bool(np.all(np.asarray(factor) == 1.0))
    times = "" if plain else " × {price_factor} for prices × {timing_factor} for timing"
    organic = values["organic_matter_counted_pct"] = as_number(np.clip(values["organic_matter_pct"], 0.5, 3.0))
    wanted = values["yield_goal_bu_ac"]

    def line(key: str, code: str, label: str, lb_ac: Number, basis: str) -> Line:
        return line_of(values, key=key, code=code, label=label, lb_ac=lb_ac * factor, basis=basis + times,
                       source=_NEBRASKA_SOURCE)  # fmt: skip

    taken = "0.14 × {yield_goal_bu_ac} bu/ac × {organic_matter_counted_pct} %"
    if np.ndim(wanted) and np.ndim(organic):  # a mean of products is not the product of means
        values["yield_times_organic_matter"] = wanted * organic
        taken = "0.14 × {yield_times_organic_matter} bu/ac × %, the mean of the cells' products"
    lines = (
        line("base", "base", "Base", 35.0, "35 lb/ac"),
        line("crop", "yield", "Nitrogen for the expected yield", 1.2 * wanted, "1.2 lb/bu × {yield_goal_bu_ac} bu/ac"),
        line("soil_nitrate", "profile-nitrate", "Nitrate in the profile", -8.0 * values["profile_nitrate_ppm"],
             "8 lb/ac per ppm × {profile_nitrate_ppm} ppm"),
        line("mineralization", "organic-matter", "Organic matter", -0.14 * wanted * organic, taken),
    )  # fmt: skip
    credit = credit_lines(values, factor=factor, times=worded(times, values))
    return Working(lines=(*lines, *credit, *applied_lines(values)))


NEBRASKA: Final = Method(
    key="nebraska",
    title="Nebraska equation",
    formula="[35 + 1.2 × yield − 8 × ppm − 0.14 × yield × organic matter − credits] × price factor × timing factor",
    region="Nebraska",
    source=_NEBRASKA_SOURCE,
    factor="8 lb/ac per ppm, the depth-weighted mean of 0–24 in (4 lb/ac per ppm and foot)",
    contains="organic matter between 0.5 and 3 %; a soybean credit is not in it (35 lb/ac on sand; 45 from memory)",
    kind="season",
    stages=_STAGES,
    bottom_in=(24.0, 48.0),
    inputs=(
        Input(name="yield_goal_bu_ac", meaning="about 105 % of the five-year mean", low=0, high=500, required=True),
        Input(name="profile_nitrate_ppm", meaning="depth-weighted mean of 0–24 in; without a deep sample 3.0 on medium "
              "and fine soils, 1.5 on sand", low=0, high=1000, required=True),
        _OM,
        _CREDITS,
        Input(name="price_factor", meaning="for prices; 1 at a ratio of 8", low=0.1, high=2, calibrated=(0.78, 1.1),
              default=1.0, outside="methods.outside-price-factor"),
        Input(name="timing_factor", meaning="fall 1.05, spring 1.00, split or in season 0.95", low=0.1,
              high=2, calibrated=(0.9, 1.1), default=1.0, outside="methods.outside-timing-factor"),
        _APPLIED,
    ),
    example=Example(
        inputs={"yield_goal_bu_ac": 180, "profile_nitrate_ppm": 1.5, "organic_matter_pct": 1, "credits_lb_ac": 35},
        need_lb_ac=178.8,
        source="worked from the equation: 35 + 216 − 12 − 25.2 − 35 = 178.8 lb/ac",
    ),
    cautions=(
        _LATE, note("methods.nebraska-deep-samples", "nitrogen.method", nitrate=Quantity("concentration", 15.0)),
    ),
    rule=_nebraska_rule,
)  # fmt: skip


def _profile_line(values: Values, lb_ac_per_ppm_in: float, source: str) -> Line:
    """Nitrate of 0–24 in, with the step from ppm where the ppm is known."""
    basis = "{profile_nitrate_lb_ac} lb/ac in 0–24 in"
    if "profile_nitrate_ppm" in values:
        values.setdefault("profile_lb_ac_per_ppm_in", lb_ac_per_ppm_in)
        basis = "{profile_nitrate_ppm} ppm × 24 in × {profile_lb_ac_per_ppm_in} lb/ac per ppm and in"
    return line_of(values, key="soil_nitrate", code="profile-nitrate", label="Nitrate in the profile",
                   lb_ac=-values["profile_nitrate_lb_ac"], basis=basis, source=source)  # fmt: skip


def _kansas_rule(values: Values) -> Working:
    lines = (
        line_of(values, key="crop", code="yield", label="Nitrogen for the expected yield", source=_KANSAS_SOURCE,
                lb_ac=values["yield_goal_bu_ac"] * values["rate_factor_lb_bu"],
                basis="{yield_goal_bu_ac} bu/ac × {rate_factor_lb_bu} lb/bu"),
        line_of(values, key="mineralization", code="organic-matter", label="Organic matter", source=_KANSAS_SOURCE,
                lb_ac=-values["organic_matter_pct"] * values["organic_matter_lb_per_om_pct"],
                basis="{organic_matter_pct} % × {organic_matter_lb_per_om_pct} lb/ac"),
        _profile_line(values, _KANSAS_LB_AC_PER_PPM_IN, _KANSAS_SOURCE),
        *credit_lines(values),
    )  # fmt: skip
    findings: tuple[Finding, ...] = ()
    if values.get("profile_lb_ac_per_ppm_in") == _KANSAS_LB_AC_PER_PPM_IN:
        findings = (from_memory(_PER_PPM.meaning, _KANSAS_LB_AC_PER_PPM_IN),)
    total = total_of(line.lb_ac for line in lines)
    above = np.greater(total, values["cap_lb_ac"])
    if np.any(above):
        basis = "{cap_lb_ac} lb/ac at most" + (", in the cells above it" if np.ndim(above) else "")
        cut = line_of(values, key="cap", label="Above the bulletin's cap", source=_KANSAS_SOURCE, basis=basis,
                      lb_ac=as_number(np.where(above, values["cap_lb_ac"] - total, 0.0)))  # fmt: skip
        lines += (cut,)
    return Working(lines=lines + applied_lines(values), findings=findings)


KANSAS: Final = Method(
    key="kansas",
    title="Kansas equation",
    formula="1.6 × yield − 20 × organic matter − profile nitrate − credits, at most the cap",
    region="Kansas",
    source=_KANSAS_SOURCE,
    factor="0.3 lb/ac per ppm and inch (7.2 lb/ac per ppm in 0–24 in), from memory",
    contains="a season of mineralization, by organic matter; a soybean credit is not in it (40 lb/ac, from memory)",
    kind="season",
    stages=_STAGES,
    bottom_in=(24.0, 24.0),
    profile_lb_ac_per_ppm_in=_KANSAS_LB_AC_PER_PPM_IN,
    inputs=(
        _YIELD,
        _OM,
        Input(name="profile_nitrate_lb_ac", meaning="nitrate-N in 0–24 in; 30 without a test, from memory", low=0,
              high=2000, required=True),
        _CREDITS,
        _APPLIED,
        Input(name="rate_factor_lb_bu", meaning="nitrogen for a bushel", low=0.5, high=2.5, default=1.6,
              from_memory=True),
        Input(name="organic_matter_lb_per_om_pct", meaning="credit for each per cent of organic matter", low=0, high=60,
              default=20.0, from_memory=True),
        _PPM,
        _PER_PPM,
        Input(name="cap_lb_ac", meaning="most the bulletin advises: 230 dryland, 300 irrigated", low=0, high=500,
              default=230.0, from_memory=True),
    ),
    example=Example(
        inputs={"yield_goal_bu_ac": 200, "organic_matter_pct": 2.5, "profile_nitrate_lb_ac": 64.8},
        need_lb_ac=205.2,
        source="worked from the equation: 320 − 50 − 64.8 = 205.2 lb/ac (10 and 8 ppm in the two feet)",
    ),
    cautions=(_LATE,),
    rule=_kansas_rule,
)  # fmt: skip


def _profile_lines(values: Values, factor_lb_bu: float, source: str) -> Working:
    lines: list[Line] = [
        line_of(values, key="crop", code="yield", label="Nitrogen for the expected yield", source=source,
                lb_ac=values["yield_goal_bu_ac"] * factor_lb_bu,
                basis=f"{{yield_goal_bu_ac}} bu/ac × {factor_lb_bu:.1f} lb/bu"),
        _profile_line(values, _FOUR_A_FOOT, source),
    ]  # fmt: skip
    if np.any(np.asarray(values.get("tillage_lb_ac", 0.0)) != 0):
        lines.append(line_of(values, key="tillage", label="For no-till", lb_ac=values["tillage_lb_ac"],
                             basis="{tillage_lb_ac} lb/ac, your own value", source=source))  # fmt: skip
    return Working(lines=(*lines, *credit_lines(values), *applied_lines(values)))


MINNESOTA_WEST: Final = Method(
    key="minnesota-west",
    title="Western Minnesota equation",
    formula="1.2 × yield − profile nitrate − credits",
    region="western Minnesota",
    source=_MINNESOTA_SOURCE,
    factor="4 lb/ac per ppm and foot: common practice, no source",
    contains="mineralization, in the factor for yield; a previous-crop credit is not in it",
    kind="season",
    stages=_STAGES,
    bottom_in=(24.0, 24.0),
    profile_lb_ac_per_ppm_in=_FOUR_A_FOOT,
    inputs=(_YIELD, _PROFILE, _CREDITS, _APPLIED, _PPM, _PER_PPM),
    example=Example(
        inputs={"yield_goal_bu_ac": 150, "profile_nitrate_lb_ac": 60},
        need_lb_ac=120.0,
        source="worked from the equation: 1.2 × 150 − 60 = 120 lb/ac",
    ),
    cautions=(_LATE, note("methods.minnesota-credits-part", "nitrogen.method")),
    rule=lambda values: _profile_lines(values, 1.2, _MINNESOTA_SOURCE),
)

SOUTH_DAKOTA: Final = Method(
    key="south-dakota",
    title="South Dakota equation",
    formula="1.0 × yield − profile nitrate − credits + tillage",
    region="South Dakota",
    source=_DAKOTA_SOURCE,
    factor="4 lb/ac per ppm and foot: common practice, no source",
    contains="mineralization, in the factor for yield; a soybean credit is not in it (40 lb/ac, from memory)",
    kind="season",
    stages=_STAGES,
    bottom_in=(24.0, 24.0),
    profile_lb_ac_per_ppm_in=_FOUR_A_FOOT,
    inputs=(
        _YIELD,
        _PROFILE,
        _CREDITS,
        _APPLIED,
        _PPM,
        _PER_PPM,
        Input(name="tillage_lb_ac", meaning="30 for no-till, from memory", low=0, high=60, default=0.0),
    ),
    example=Example(
        inputs={"yield_goal_bu_ac": 180, "profile_nitrate_lb_ac": 50, "credits_lb_ac": 40},
        need_lb_ac=90.0,
        source="worked from the equation: 1.0 × 180 − 50 − 40 = 90 lb/ac",
    ),
    cautions=(_LATE, note("methods.dakota-factor-changed", "nitrogen.method")),
    rule=lambda values: _profile_lines(values, 1.0, _DAKOTA_SOURCE),
)

"""Late-spring (pre-sidedress) nitrate tests of the top foot, and tests of the plant: stalk nitrate and greenness."""

from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Quantity, note
from vrn.nitrogen.ledger import Line, Number, as_number, total_of
from vrn.nitrogen.lines import Values, applied_lines, line_of
from vrn.nitrogen.method import NOT_ON_SAND, Example, Input, Method, Working
from vrn.units import LB_AC_KG_HA

_INDEXES: Final = "the test already indexes what the soil will mineralize and what the previous crop and manure left"
_STAGES: Final = ("V4", "V6")
_FOOT: Final = (12.0, 12.0)
_PPM: Final = Input(name="nitrate_ppm", meaning="NO3-N, 0–12 in", low=0, high=1000, required=True)
_YIELD: Final = Input(name="yield_goal_bu_ac", meaning="expected yield", low=0, high=500, required=True)
_APPLIED: Final = Input(name="applied_lb_ac", meaning="already applied this season, subtracted", low=0, high=500)
_NOT_ON_SAND: Final = note(NOT_ON_SAND, "nitrogen.method")  # University of Nebraska
_NOT_AFTER_BROADCAST: Final = note(
    "methods.not-after-broadcast", "nitrogen.method", low=Quantity("rate", 40.0), high=Quantity("rate", 60.0)
)  # NY, DE, PA bulletins

_IOWA_SOURCE: Final = "Iowa State University Extension CROP 3140 (2017), before it PM 1714, as quoted by the farm press"
_PENN_SOURCE: Final = "Penn State Agronomy Guide Table 1.4-4 and Agronomy Facts 17"
_PENN_2023_SOURCE: Final = (
    "Penn State Extension 2023, as quoted by the farm press; White et al., Agron. J. 115:2600-2613"
)
_OHIO_SOURCE: Final = "Ohio State University Extension 2022, as quoted by the farm press"
_MICHIGAN_SOURCE: Final = "Michigan State University Extension 2011"


def _iowa_rule(values: Values) -> Working:
    wanted = line_of(
        values, key="critical", label="Nitrogen a soil at the critical value holds", lb_ac=values["critical_ppm"] * 8.0,
        basis="{critical_ppm} ppm × 8 lb/ac per ppm", source=_IOWA_SOURCE,
    )  # fmt: skip
    held = line_of(
        values, key="soil_nitrate", code="top-foot", label="Nitrate in the top 12 in",
        lb_ac=-8.0 * values["nitrate_ppm"], basis="{nitrate_ppm} ppm × 8 lb/ac per ppm", source=_IOWA_SOURCE,
    )  # fmt: skip
    return Working(lines=(wanted, held))


IOWA_LSNT: Final = Method(
    key="iowa-lsnt",
    title="Iowa late-spring soil nitrate test",
    formula="(critical ppm − ppm) × 8",
    region="Iowa",
    source=_IOWA_SOURCE,
    factor="8 lb/ac of fertilizer per ppm in the top foot",
    contains=_INDEXES,
    kind="sidedress",
    stages=_STAGES,
    bottom_in=_FOOT,
    inputs=(
        _PPM,
        Input(name="critical_ppm", meaning="25; 20–22 after a spring with over 20 % more rain than usual; 11–15 after "
              "alfalfa or manure", low=0, high=60, calibrated=(10, 30), default=25.0,
              outside="methods.outside-critical-value"),
    ),
    example=Example(
        inputs={"nitrate_ppm": 10, "critical_ppm": 21},
        need_lb_ac=88.0,
        source="Iowa State numbers in Farm Progress, 21 June 2004: (21 − 10) × 8 = 88 lb/ac",
    ),
    cautions=(
        _NOT_ON_SAND,
        note("methods.iowa-not-later", "nitrogen.method"),  # Iowa State, ICM, 22 June 2018
        _NOT_AFTER_BROADCAST,
    ),
    rule=_iowa_rule,
)  # fmt: skip


def penn_state_history_factor(
    *, manure_since_harvest: bool = False, manure_in_three_years_before: bool = False, previous_crop: str = "corn"
) -> float:
    """Field-history factor of the older Penn State test.

    Sources: Penn State Agronomy Guide Table 1.4-4; Agronomy Facts 17.

    No manure (0.75) after soybean (1):

    >>> penn_state_history_factor(previous_crop="soybean")
    1.75
    """
    crop = {"soybean": 1.0, "forage legume": 3.5}.get(previous_crop, 0.0)
    return (3.5 if manure_since_harvest else 0.75) + (1.75 if manure_in_three_years_before else 0.0) + crop


def _penn_rule(values: Values) -> Working:
    crop = line_of(
        values, key="crop", code="yield", label="Nitrogen for the expected yield",
        lb_ac=1.1 * values["yield_goal_bu_ac"], basis="{yield_goal_bu_ac} bu/ac × 1.1 lb/bu", source=_PENN_SOURCE,
    )  # fmt: skip
    soil = line_of(
        values, key="soil_nitrate", code="test-and-history", label="Credit for the test and the field's history",
        lb_ac=-values["history_factor"] * values["nitrate_ppm"],
        basis="{nitrate_ppm} ppm × history factor {history_factor}", source=_PENN_SOURCE,
    )  # fmt: skip
    enough = np.greater_equal(values["nitrate_ppm"], 21.0)
    none = _none_advised(enough, crop.lb_ac + soil.lb_ac, basis="21 ppm or more", source=_PENN_SOURCE)
    return Working(lines=(crop, soil, *none))


PENN_STATE_PSNT: Final = Method(
    key="penn-state-psnt",
    title="Penn State pre-sidedress nitrate test (superseded for manured fields)",
    formula="1.1 × expected yield − history factor × ppm; none at 21 ppm or more",
    region="Pennsylvania",
    source=_PENN_SOURCE,
    factor="0.75 to 8.75 lb/ac per ppm, by the field's history",
    contains=_INDEXES,
    kind="sidedress",
    stages=_STAGES,
    bottom_in=_FOOT,
    inputs=(
        _YIELD,
        _PPM,
        Input(name="history_factor", meaning="manure since harvest (none 0.75, any 3.5) + in the three years before "
              "(any 1.75) + previous crop (soybean 1, forage legume 3.5)", low=0, high=10, calibrated=(0.75, 8.75),
              required=True, outside="methods.outside-history-factor"),
    ),
    example=Example(
        inputs={"yield_goal_bu_ac": 150, "nitrate_ppm": 15, "history_factor": 5.25},
        need_lb_ac=86.25,
        source="worked from the equation: 1.1 × 150 − (3.5 + 1.75) × 15 = 86.25 lb/ac",
    ),
    cautions=(note("methods.penn-superseded", "nitrogen.method"), _NOT_ON_SAND, _NOT_AFTER_BROADCAST),
    rule=_penn_rule,
)  # fmt: skip


def _penn_2023_rule(values: Values) -> Working:
    crop = line_of(
        values, key="crop", code="yield", label="Nitrogen for the expected yield",
        lb_ac=0.71 * values["yield_goal_bu_ac"], basis="{yield_goal_bu_ac} bu/ac × 0.71 lb/bu",
        source=_PENN_2023_SOURCE,
    )  # fmt: skip
    soil = line_of(
        values, key="soil_nitrate", code="test", label="Credit for the test", lb_ac=-4.9 * values["nitrate_ppm"],
        basis="{nitrate_ppm} ppm × 4.9 lb/ac per ppm", source=_PENN_2023_SOURCE,
    )  # fmt: skip
    return Working(lines=(crop, soil))


PENN_STATE_2023: Final = Method(
    key="penn-state-2023",
    title="Penn State pre-sidedress nitrate test, manured fields",
    formula="0.71 × expected yield − 4.9 × ppm",
    region="Pennsylvania, fields manured in two or more of the last five years",
    source=_PENN_2023_SOURCE,
    factor="4.9 lb/ac per ppm",
    contains=_INDEXES,
    kind="sidedress",
    stages=_STAGES,
    bottom_in=_FOOT,
    inputs=(_YIELD, _PPM),
    example=Example(
        inputs={"yield_goal_bu_ac": 200, "nitrate_ppm": 12},
        need_lb_ac=83.2,
        source="worked from the equation: 0.71 × 200 − 4.9 × 12 = 83.2 lb/ac",
    ),
    cautions=(
        note("methods.penn-little-starter", "nitrogen.method", nitrogen=Quantity("rate", 50.0)),
        note("methods.penn-two-factors", "nitrogen.method"),
        _NOT_ON_SAND,
    ),
    rule=_penn_2023_rule,
)


def _none_advised(where: Any, so_far: Number, *, basis: str, source: str) -> tuple[Line, ...]:
    """A line that takes the sum down to 0 wherever the method says that no nitrogen is to be given.

    `so_far` is the sum of the lines above. [lb/ac]

    >>> _none_advised(True, 35.0, basis="21 ppm or more", source="")[0].lb_ac
    -35.0
    """
    if not np.any(where):
        return ()
    taken = as_number(np.where(where, -np.maximum(so_far, 0.0), 0.0))
    if np.ndim(taken):
        basis = f"in the cells at {basis}"
    return (line_of({}, key="none_advised", label="No nitrogen is advised", lb_ac=taken, basis=basis, source=source),)


def _class_credit_lb_ac(nitrate_ppm: Number, credits_lb_ac: tuple[float, ...]) -> Number:
    """Credit of the classes up to 10, (10, 15], (15, 20], (20, 25] and above 25 ppm; NaN stays NaN."""
    ppm = np.asarray(nitrate_ppm, dtype=float)
    credit = np.where(np.isnan(ppm), np.nan, credits_lb_ac[0])
    for edge_ppm, before, after in zip((10.0, 15.0, 20.0), credits_lb_ac[:-1], credits_lb_ac[1:], strict=True):
        np.add(credit, after - before, out=credit, where=ppm > edge_ppm)
    return as_number(credit)


def _base_rate_rule(credits_lb_ac: tuple[float, ...], source: str) -> Any:
    classes = "to 10: 0, to 15: {:g}, to 20: {:g}, to 25: {:g} lb/ac".format(*credits_lb_ac[1:])
    by_cell = "{nitrate_ppm} ppm; mean of the cells' classes, " + classes

    def rule(values: Values) -> Working:
        base = line_of(values, key="base_rate", label="Base rate", lb_ac=values["base_rate_lb_ac"],
                       basis="{base_rate_lb_ac} lb/ac, your own value", source="given by the user")  # fmt: skip
        credit = line_of(
            values, key="soil_nitrate", code="test-class", label="Credit for the test's class",
            lb_ac=-_class_credit_lb_ac(values["nitrate_ppm"], credits_lb_ac),
            basis=by_cell if np.ndim(values["nitrate_ppm"]) else "{nitrate_ppm} ppm; " + classes, source=source,
        )  # fmt: skip
        lines = (base, credit, *applied_lines(values))
        above = np.greater(values["nitrate_ppm"], 25.0)
        return Working(
            lines=lines
            + _none_advised(above, total_of(line.lb_ac for line in lines), basis="more than 25 ppm", source=source)
        )

    return rule


def _base_rate_method(key: str, title: str, region: str, credits_lb_ac: tuple[float, ...], source: str,
                      example: Example) -> Method:  # fmt: skip
    return Method(
        key=key, title=title, region=region, source=source, example=example,
        formula="base rate − credit by class of ppm − already applied; none above 25 ppm",
        factor="by class: {} lb/ac at 10–15, 15–20, 20–25 ppm".format(", ".join(f"{x:g}" for x in credits_lb_ac[1:])),
        contains="a base rate for a rotation already holds the previous crop's credit; " + _INDEXES,
        kind="season", stages=_STAGES, bottom_in=_FOOT,
        inputs=(
            Input(name="base_rate_lb_ac", meaning="the season's economic rate for the rotation", low=0, high=400,
                  required=True),
            _PPM,
            _APPLIED,
        ),
        cautions=(
            note("methods.ohio-and-michigan-differ", "nitrogen.method", low=Quantity("concentration", 15.0),
                 high=Quantity("concentration", 20.0), ohio=Quantity("rate", 45.0), michigan=Quantity("rate", 60.0)),
            _NOT_ON_SAND, _NOT_AFTER_BROADCAST,
        ),
        rule=_base_rate_rule(credits_lb_ac, source),
    )  # fmt: skip


OHIO_PSNT: Final = _base_rate_method(
    "ohio-psnt", "Ohio pre-sidedress nitrate test", "Ohio", (0.0, 30.0, 45.0, 90.0), _OHIO_SOURCE,
    Example(inputs={"base_rate_lb_ac": 156, "nitrate_ppm": 19}, need_lb_ac=111.0,
            source="published example: base 156 lb/ac at $6 corn and $0.95/lb N, 19 ppm: 156 − 45 = 111 lb/ac"),
)  # fmt: skip
MICHIGAN_PSNT: Final = _base_rate_method(
    "michigan-psnt", "Michigan pre-sidedress nitrate test", "Michigan", (0.0, 30.0, 60.0, 90.0), _MICHIGAN_SOURCE,
    Example(inputs={"base_rate_lb_ac": 150, "nitrate_ppm": 16}, need_lb_ac=90.0,
            source="published credit: 60 lb/ac at 16 ppm; 150 − 60 = 90 lb/ac"),
)  # fmt: skip


Scheme = Literal["iowa", "iowa-newer", "penn-state", "purdue"]
# upper edges: below the first "low", the next "marginal" where there is one, up to 2,000 ppm "optimal", above "excess"
_EDGES_PPM: Final = {
    "iowa": ((250.0, "low"), (700.0, "marginal")),
    "iowa-newer": ((250.0, "low"),),
    "penn-state": ((700.0, "low"),),
    "purdue": ((450.0, "low"),),
}
_EXCESS_PPM: Final = 2000.0
ACT_BELOW_PCT: Final = 95.0  # Penn State Agronomy Facts 53; University of Nebraska G1632


def stalk_class(stalk_nitrate_ppm: ArrayLike, *, scheme: Scheme = "iowa") -> list[str]:
    """Class of stalk nitrate, an edge always in the better class.

    NO3-N in dry stalk, 6–14 in above the soil, one to three weeks after black layer [ppm]. `low`, `marginal`,
    `optimal`, `excess`, or `unknown` for NaN. Raises OutOfRangeError if a value is negative or the scheme is not known.
    Sources: Iowa State University (AgSource table); Penn State; Purdue.

    >>> stalk_class([249, 250, 700, 2000, 2001])
    ['low', 'marginal', 'optimal', 'optimal', 'excess']
    """
    if scheme not in _EDGES_PPM:
        problem = f"There is no scheme {scheme!r} for stalk nitrate."
        raise OutOfRangeError(problem, "Use one of: " + ", ".join(_EDGES_PPM) + ".")
    values = _checked(stalk_nitrate_ppm)

    def one(ppm: float) -> str:
        if np.isnan(ppm):
            return "unknown"
        if ppm > _EXCESS_PPM:
            return "excess"
        return next((name for edge, name in _EDGES_PPM[scheme] if ppm < edge), "optimal")

    return [one(float(ppm)) for ppm in values]


def next_year_cut_share(stalk_nitrate_ppm: ArrayLike) -> list[float]:
    """Share to take off next year's rate after too much nitrogen.

    0 up to 2,000 ppm, 0.25 to 6,000, 0.5 above (published to 12,000); NaN stays NaN. Raises OutOfRangeError if a value
    is negative. Source: Connecticut trials, abstract of 2007.

    >>> next_year_cut_share([1800, 4000, 9000])
    [0.0, 0.25, 0.5]
    """
    values = _checked(stalk_nitrate_ppm)
    shares = np.select([values <= 2000, values <= 6000, values > 6000], [0.0, 0.25, 0.5], default=np.nan)
    return [float(share) for share in shares]


def sufficiency_index_pct(reading: ArrayLike, reference: ArrayLike) -> Number:
    """Greenness of the crop against a strip with ample nitrogen; below 95 % it is short.

    Raises OutOfRangeError if the reference is not above 0. Sources: Penn State Agronomy Facts 53; University of
    Nebraska-Lincoln G1632.

    >>> round(sufficiency_index_pct(48.0, 52.0), 1)
    92.3
    """
    if np.any(np.less_equal(reference, 0)):
        problem = "The reference strip reads 0 or less."
        raise OutOfRangeError(problem, "Give the mean reading of a strip that was never short of nitrogen.")
    return as_number(np.divide(reading, reference) * 100.0)


def sensed_need_lb_ac(index_pct: ArrayLike) -> Number:
    """Nitrogen a short crop wants by its greenness, from memory: check it against the paper.

    Source: Varvel et al. (2007), from memory.

    >>> round(sensed_need_lb_ac(95.0), 1)
    40.0
    """
    short = np.maximum(0.97 - np.asarray(index_pct, dtype=float) / 100.0, 0.0)
    return as_number(317.0 * np.sqrt(short) / LB_AC_KG_HA)


def _checked(stalk_nitrate_ppm: ArrayLike) -> NDArray[np.float64]:
    values = np.atleast_1d(np.asarray(stalk_nitrate_ppm, dtype=float))
    if np.any(np.less(values, 0)):
        problem = f"Stalk nitrate is {np.nanmin(values):g} ppm."
        raise OutOfRangeError(problem, "Leave a value empty (NaN) where no stalks were cut.")
    return values

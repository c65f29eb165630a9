"""Lines of the ledger that methods share: credits for manure and water still to come, what is already applied."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.findings import Quantity
from vrn.nitrogen.ledger import Line, Number, as_number, worded

Values = dict[str, Any]  # what a rule works on: numbers by input name, credits by their own names
CORNELL_SOURCE: Final = "Cornell University css412: organic N of manure freed by year"
NEBRASKA_SOURCE: Final = "University of Nebraska-Lincoln, CropWatch 4 April 2022"
# share of manure's organic nitrogen freed in the first, second and third year after it was spread
ORGANIC_RELEASE_SHARE: Final = {
    "liquid": (0.35, 0.12, 0.05),  # under 18 % dry matter: cow, swine, sheep (Cornell)
    "solid": (0.25, 0.12, 0.05),  # 18 % dry matter and more (Cornell)
    "poultry": (0.55, 0.12, 0.05),  # Cornell
    "nebraska": (0.40, 0.20, 0.10),  # most manures (Nebraska)
}
# share of manure's ammonium kept by days to incorporation; one day is published (half), the others from memory
AMMONIUM_KEPT_SHARE: Final = ((0.0, 0.95), (1.0, 0.50), (2.0, 0.25), (4.0, 0.15), (7.0, 0.0))
WATER_LB_AC_PER_PPM_IN: Final = 0.2266  # 1 acre-inch of water weighs 226,600 lb: NRDs, UC, UNL print 0.227


@dataclass(frozen=True, slots=True, kw_only=True)
class Credit:
    """Nitrogen that appears after sampling, with its arithmetic and source; ``lb_ac`` is float or ndarray. [lb/ac]"""

    lb_ac: Number
    basis: str
    source: str


def manure_organic_n_lb_ac(organic_n_lb_ac: Sequence[float], *, manure: str = "solid") -> float:
    """Organic nitrogen of manure that this season frees in all.

    Given for this season, a year earlier and two years earlier. Raises OutOfRangeError if the schedule is not known or
    an amount is negative. Sources: Cornell University css412; University of Nebraska-Lincoln, CropWatch 4 April 2022.

    10 tons of 5 lb organic N three years running: 50 × (0.35 + 0.12 + 0.05) = 26:

    >>> manure_organic_n_lb_ac([50.0, 50.0, 50.0], manure="liquid")
    26.0
    """
    if manure not in ORGANIC_RELEASE_SHARE:
        problem = f"There is no release schedule {manure!r}."
        raise OutOfRangeError(problem, "Use one of: " + ", ".join(ORGANIC_RELEASE_SHARE) + ".")
    if any(amount < 0 for amount in organic_n_lb_ac):
        problem = "An amount of manure nitrogen is below 0."
        raise OutOfRangeError(problem, "Give organic N of each year as 0 or more.")
    shares = ORGANIC_RELEASE_SHARE[manure]
    return float(sum(amount * share for amount, share in zip(organic_n_lb_ac, shares, strict=False)))


def _ammonium_kept_share(days_to_incorporation: ArrayLike) -> Number:
    """Share of manure's ammonium that is not lost to the air; from memory but for one day.

    0 days when injected; a week or more is never. Sources: Half for solid beef manure within a day: University of
    Nebraska, as quoted by Feedstuffs; other days from memory.

    >>> _ammonium_kept_share(1.0)
    0.5
    """
    table = np.array(AMMONIUM_KEPT_SHARE)
    return as_number(np.interp(np.asarray(days_to_incorporation, dtype=float), table[:, 0], table[:, 1]))


def manure_credit(
    organic_n_lb_ac: Sequence[float], *, share_left: Number, manure: str = "solid", ammonium_after_lb_ac: float = 0.0,
    days_to_incorporation: float = 0.0,
) -> Credit:  # fmt: skip
    """Manure nitrogen that appears after sampling, with its arithmetic: the credit ``manure`` of a mass balance.

    `share_left` of the season's mineralization is still to come; ammonium N counts where the manure was spread after
    sampling, since what was spread before is in the reading. [lb/ac]

    50 lb of organic N at Nebraska's 40 %, 69 % of the season to come: 13.8:

    >>> credit = manure_credit([50.0], share_left=0.69, manure="nebraska")
    >>> round(credit.lb_ac, 1), credit.basis
    (13.8, '(50 × 0.4) lb/ac of organic N × 0.69 still to come')
    """
    organic = manure_organic_n_lb_ac(organic_n_lb_ac, manure=manure) * share_left
    pounds = as_number(organic + ammonium_after_lb_ac * float(_ammonium_kept_share(days_to_incorporation)))
    shares = ORGANIC_RELEASE_SHARE[manure]
    freed = " + ".join(f"{n:g} × {share:g}" for n, share in zip(organic_n_lb_ac, shares, strict=False) if n)
    still = "each cell's share" if np.ndim(share_left) else f"{share_left:.6g}"
    words = [f"({freed}) lb/ac of organic N × {still} still to come"] if freed else []
    if ammonium_after_lb_ac:
        kept = float(_ammonium_kept_share(days_to_incorporation))
        words.append(f"{ammonium_after_lb_ac:g} lb/ac of ammonium N spread after sampling × {kept:g} kept")
    source = NEBRASKA_SOURCE if manure == "nebraska" else CORNELL_SOURCE
    if ammonium_after_lb_ac:
        source += "; ammonium kept: half within a day (University of Nebraska), other days from memory"
    return Credit(lb_ac=pounds, basis=" + ".join(words), source=source)


def water_credit(nitrate_ppm: float, *, water_in: float) -> Credit:
    """Nitrate in irrigation water still to come, with its arithmetic.

    NO3-N of water [ppm] that is still to be applied [in] and that the crop will use.

    >>> water_credit(10.0, water_in=6.0).basis
    '10 ppm × 6 in × 0.2266 lb/ac per ppm and in'
    """
    return Credit(
        lb_ac=irrigation_n_lb_ac(nitrate_ppm, water_in=water_in),
        basis=f"{nitrate_ppm:g} ppm × {water_in:g} in × {WATER_LB_AC_PER_PPM_IN:g} lb/ac per ppm and in",
        source="Lower Loup and North Platte NRD, University of California (printed 0.227)",
    )


def irrigation_n_lb_ac(nitrate_ppm: ArrayLike, *, water_in: ArrayLike) -> Number:
    """Nitrate-N in irrigation water still to come.

    NO3-N of the water, mg/L [ppm]; water still to be applied that the crop will use [in]. Raises OutOfRangeError if one
    is negative. Source: ppm × in × 0.2266: Lower Loup and North Platte NRD, University of California (printed 0.227).

    10 ppm in 12 in:

    >>> round(irrigation_n_lb_ac(10.0, water_in=12.0), 1)
    27.2
    """
    ppm, water = np.asarray(nitrate_ppm, dtype=float), np.asarray(water_in, dtype=float)
    if np.any(np.less(ppm, 0)) or np.any(np.less(water, 0)):
        problem = "The nitrate or the depth of irrigation water is below 0."
        raise OutOfRangeError(problem, "Give both as 0 or more.")
    return as_number(ppm * water * WATER_LB_AC_PER_PPM_IN)


_CREDIT_LABELS: Final[dict[str, str]] = {
    "credits": "Credits",
    "credit_previous_crop": "Credit for the previous crop",
    "credit_manure": "Manure nitrogen still to appear",
    "credit_irrigation_water": "Nitrate in irrigation water still to come",
    "credit_other": "Other nitrogen still to appear",
}
_GIVEN: Final = "given by the user"


def line_of(
    values: Values, *, key: str, label: str, lb_ac: Number, basis: str, source: str, code: str = "",
    quantities: dict[str, Quantity] | None = None,
) -> Line:  # fmt: skip
    """
    A line whose basis is written from the values by their names; ``code`` names its label in words, else the key does.

    >>> line_of({"yield_goal_bu_ac": 180.0}, key="crop", label="Crop", lb_ac=180.0,
    ...         basis="{yield_goal_bu_ac} bu/ac × 1.0 lb/bu", source="").basis
    '180 bu/ac × 1.0 lb/bu'
    """
    return Line(key=key, label=label, lb_ac=lb_ac, basis=worded(basis, values, lb_ac), source=source, template=basis,
                code=_label_code(code or key), quantities=quantities or {})  # fmt: skip


def _label_code(key: str) -> str:
    return f"nitrogen.line-{key.replace('_', '-')}"


def credit_lines(values: Values, *, factor: Number = 1.0, times: str = "") -> tuple[Line, ...]:
    """A line for every credit that is not 0; one line for a plain number.

    `times` is the method's own factor on its whole rate, in words for the basis.

    >>> [line.lb_ac for line in credit_lines({"credits_lb_ac": {"manure": 20.0, "other": 0.0}})]
    [-20.0]
    """
    credits_lb_ac = values.get("credits_lb_ac", 0.0)
    named: dict[str, Number | Credit] = {"credits": credits_lb_ac}
    if isinstance(credits_lb_ac, dict):
        named = {f"credit_{name}": part for name, part in credits_lb_ac.items()}
    lines = []
    for key, part in named.items():
        if isinstance(part, Credit):
            credit = part
        else:
            shown = "each cell’s" if np.ndim(part) else f"{part:g}"
            credit = Credit(lb_ac=part, basis=f"{shown} lb/ac, your own value", source=_GIVEN)
        if np.any(np.asarray(credit.lb_ac) != 0):
            lines.append(
                Line(
                    key=key, label=_CREDIT_LABELS.get(key, key.removeprefix("credit_")), lb_ac=-credit.lb_ac * factor,
                    basis=credit.basis + times, source=credit.source,
                    code=_label_code(key) if key in _CREDIT_LABELS else "",
                )
            )  # fmt: skip
    return tuple(lines)


def applied_lines(values: Values) -> tuple[Line, ...]:
    """What is already applied, as the line a season's total needs to become a rate for now; none when not given.

    >>> applied_lines({"applied_lb_ac": 40.0})[0].basis
    '40 lb/ac, your own value'
    """
    if "applied_lb_ac" not in values:
        return ()
    line = line_of(values, key="applied", label="Nitrogen already applied", lb_ac=0.0 - values["applied_lb_ac"],
                   basis="{applied_lb_ac} lb/ac, your own value", source=_GIVEN)  # fmt: skip
    return (line,)

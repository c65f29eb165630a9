"""What a method's need may be off by, all zones alike: its own numbers moved one at a time, and the method's rest."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from vrn.nitrogen.catalogue import method
from vrn.nitrogen.ledger import OWN_NEED, Ledger, Number
from vrn.nitrogen.method import Method
from vrn.nitrogen.stage import uptake_band

IN_SEASON_SD: Final = 35.0
"""Error of the level of an in-season nitrate test, the same for all zones. [lb/ac]"""
IN_SEASON_SOURCE: Final = (
    "total of this project; best of four models 38 (Qin et al. 2018), Ontario: easily off by 30 lb/ac"
)
BALANCE_SD: Final = 40.0
"""The same of a yield goal or mass balance without a test. [lb/ac]"""
BALANCE_SOURCE: Final = "total of this project; at least 40 for eleven tools on 49 site-years (Ransom et al. 2020)"
_LEAST_REST: Final = 15.0  # of the method itself, whatever is known of its numbers: a choice of this project [lb/ac]
SECOND_FOOT_SHARE: Final = 0.43
"""Nitrate of the second foot over the first's, where it was not sampled: critical values of one foot and two in Binford
et al. 1992, Agron. J. 84:53."""
FOOT_IN: Final = 12.5  # depth up to which a top core is one foot
_NODES, _WEIGHTS = (part.tolist() for part in np.polynomial.hermite_e.hermegauss(5))


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """How far one number of a balance may be from the truth of a field: a standard deviation, or a share of it."""

    part: str
    inputs: tuple[str, ...]  # moved together
    source: str
    sd: float = 0.0  # in the unit of the input
    cv: float = 0.0


_ASSUMED: Final = "assumed by this project, no source"
PRIORS: Final = (
    Prior(part="per-bushel", inputs=("n_per_bushel_lb",), sd=0.10,
          source="Heckman 2003: grain holds 19 to 31 lb N a ton (as quoted by a California state page)"),
    Prior(part="mineralization", inputs=("mineralization_lb_per_om_pct",), cv=0.30,
          source="15 to 50 kg/ha in a season, Saskatchewan; timing: assumed by this project, no source"),
    Prior(part="mineralization", inputs=("mineralization_share_left",), sd=0.10, source=_ASSUMED),
    # a season 12 % off its goal; best rates follow a season's yield at 0.41 of face value (Iowa State, 2023-24)
    Prior(part="season-yield", inputs=("yield_goal_bu_ac",), cv=0.12 * 0.41,
          source="12% off the goal: assumed by this project; 0.41 of it passed on: Iowa State on-farm trials 2023-24"),
    Prior(part="uptake", inputs=("uptake_share",), source="one leaf collar, by this tool's own uptake table"),
    Prior(part="second-foot", inputs=("deep_nitrate_ppm",), sd=0.20,
          source="39 to 46% of the first foot, from Binford et al. 1992, Agron. J. 84:53; spread: assumed"),
    Prior(part="instrument", inputs=("nitrate_ppm", "deep_nitrate_ppm"), cv=0.07, source=_ASSUMED),
    Prior(part="bulk-density", inputs=("bulk_density_g_cm3",), sd=0.08, source=_ASSUMED),
)  # fmt: skip
REST: Final = "method"


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtPart:
    """One part of the doubt of a level: one standard deviation. [lb/ac]"""

    part: str
    sd_lb_ac: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelDoubt:
    """Doubt of a need's level, the same for all zones: one standard deviation; the squares of its parts add up."""

    sd_lb_ac: float
    parts: tuple[DoubtPart, ...] = ()  # the largest first; empty where only the whole is known
    untaught_sd_lb_ac: float | None = None  # before the farm's own trials; None where none count

    @property
    def now_and_before(self) -> tuple[float, float]:
        """The total, and what it was before the farm's own trials: the same where none count."""
        return self.sd_lb_ac, self.sd_lb_ac if self.untaught_sd_lb_ac is None else self.untaught_sd_lb_ac

    def taught(self, share: float) -> "LevelDoubt":
        """
        The doubt that trials leave, a share of what it was: they see the sum of its parts, so all change alike.

        >>> LevelDoubt(sd_lb_ac=35.0).taught(0.8)
        LevelDoubt(sd_lb_ac=28.0, parts=(), untaught_sd_lb_ac=35.0)
        """
        parts = tuple(replace(part, sd_lb_ac=share * part.sd_lb_ac) for part in self.parts)
        return LevelDoubt(sd_lb_ac=share * self.sd_lb_ac, parts=parts, untaught_sd_lb_ac=self.sd_lb_ac)


def usual_doubt(ledger: Ledger, *, growth_stage: str | None, given_sd_lb_ac: float | None = None) -> LevelDoubt:
    """The doubt of a level: as a person gives it, else by its parts, and less where nitrate was read in season."""
    if given_sd_lb_ac is not None:
        return LevelDoubt(sd_lb_ac=given_sd_lb_ac)
    total = usual_sd(ledger.key, growth_stage=growth_stage)
    source = IN_SEASON_SOURCE if total == IN_SEASON_SD else BALANCE_SOURCE
    return level_doubt(ledger, total_sd_lb_ac=total, source=source)


def usual_sd(key: str, *, growth_stage: str | None = None) -> float:
    """The doubt of a level by the key of its method: less where nitrate was read in season. [lb/ac]"""
    tested = key == OWN_NEED or method(key).takes("nitrate_ppm")
    return IN_SEASON_SD if tested and growth_stage != "preplant" else BALANCE_SD


def level_doubt(ledger: Ledger, *, total_sd_lb_ac: float, source: str) -> LevelDoubt:
    """
    Doubt of a balance's level by its parts, each found by moving one of its numbers (five-point Gauss–Hermite).

    Parameters
    ----------
    ledger : Ledger
        Of a reading or of cells; its inputs' means are moved.
    total_sd_lb_ac : float
        What the method is off by against measured best rates. [lb/ac]
    source : str
        Where that comes from.

    Returns
    -------
    doubt : LevelDoubt
        The method's rest is what the total leaves above the known parts, and at least 15 lb/ac; the total grows where
        the parts ask for more. Calibrated methods have no parts: trials have seen only the whole.

    Examples
    --------
    >>> known = {"nitrate_ppm": 15.7, "top_in": 0, "bottom_in": 12, "growth_stage": "V8", "yield_goal_bu_ac": 220}
    >>> ledger = method("remaining-need").need(**known, organic_matter_pct=2.7)
    >>> doubt = level_doubt(ledger, total_sd_lb_ac=35.0, source="trials")
    >>> [(part.part, round(part.sd_lb_ac)) for part in doubt.parts[:3]]
    [('method', 23), ('per-bushel', 19), ('mineralization', 12)]
    """
    chosen = method(ledger.method) if ledger.published else None
    if chosen is None or chosen.calibrated:
        return LevelDoubt(sd_lb_ac=total_sd_lb_ac)
    inputs = {name: _mean(value) for name, value in ledger.inputs.items() if chosen.takes(name)}
    inputs = {name: value for name, value in inputs.items() if math.isfinite(value)}
    if chosen.missing(**inputs):
        return LevelDoubt(sd_lb_ac=total_sd_lb_ac)
    squares, sources = dict(_squares_of(chosen.key, tuple(sorted(inputs.items())))), {REST: source}
    for prior in PRIORS:
        sources.setdefault(prior.part, prior.source)
    known = sum(squares.values())
    rest = squares[REST] = max(total_sd_lb_ac**2 - known, _LEAST_REST**2)
    parts = (
        DoubtPart(part=part, sd_lb_ac=math.sqrt(square), source=sources[part])
        for part, square in squares.items()
        if square > 0
    )
    whole = total_sd_lb_ac if known + rest <= total_sd_lb_ac**2 * (1 + 1e-12) else math.sqrt(known + rest)
    return LevelDoubt(sd_lb_ac=whole, parts=tuple(sorted(parts, key=lambda one: -one.sd_lb_ac)))


@lru_cache(maxsize=64)  # pages and rates ask for the same level many times
def _squares_of(key: str, inputs: tuple[tuple[str, float], ...]) -> tuple[tuple[str, float], ...]:
    squares = dict[str, float]()
    for prior in PRIORS:
        squares[prior.part] = squares.get(prior.part, 0.0) + _variance(method(key), dict(inputs), prior)
    return tuple(squares.items())


def _variance(chosen: Method, inputs: Mapping[str, float], prior: Prior) -> float:
    """Variance of the need over what one number may be. [(lb/ac)²]"""
    low_high = {item.name: (item.low, item.high) for item in chosen.inputs}
    moved: dict[str, float] = {name: inputs[name] for name in prior.inputs if name in inputs}
    sd = {name: prior.sd + prior.cv * value for name, value in moved.items()}
    if prior.part == "uptake":
        low, high = (float(end) for end in uptake_band(inputs["growth_stage"]))
        middle = moved.get("uptake_share", math.nan)
        if not low <= middle <= high:  # given by the user, from another source than the table
            return 0.0
        spread = low**2 + middle**2 + high**2 - low * middle - low * high - middle * high
        sd = {"uptake_share": math.sqrt(spread / 18)}  # of a triangle
    if prior.part == "second-foot":
        if moved or inputs["bottom_in"] > FOOT_IN:
            return 0.0  # it was sampled
        top_ppm = inputs["nitrate_ppm"]
        moved, sd = {"deep_nitrate_ppm": SECOND_FOOT_SHARE * top_ppm}, {"deep_nitrate_ppm": prior.sd * top_ppm}
    needs = []
    for node in _NODES:
        at = {name: float(np.clip(value + node * sd[name], *low_high[name])) for name, value in moved.items()}
        needs.append(float(chosen.need(allow_outside=True, **{**inputs, **at}).unclipped_lb_ac))
    return float(np.cov(needs, aweights=_WEIGHTS, ddof=0))


def _mean(value: Number) -> float:
    found = np.asarray(value, dtype=float)
    return float(np.mean(found[np.isfinite(found)])) if np.isfinite(found).any() else math.nan

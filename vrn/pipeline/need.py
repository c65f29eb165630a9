"""From surfaces to the need of every treated cell: season, ledger, standard error, cautions, methods side by side."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.field.field import Field
from vrn.field.findings import Finding
from vrn.field.profile import Profile
from vrn.field.surface import Surface
from vrn.nitrogen import Ledger, Notice, method
from vrn.nitrogen.cautions import pattern_notice, region_notice, second_foot_notice, stage_notice, surplus_notice
from vrn.nitrogen.comparison import side_by_side
from vrn.nitrogen.field_need import need_of_cells
from vrn.nitrogen.season import Season
from vrn.nitrogen.trial import take_trial
from vrn.pipeline.season import expected_top_foot_ppm, season_of_field


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Need:
    """
    What the treated cells need.

    Parameters
    ----------
    ledger : Ledger
        Of all cells of the grid, NaN where nothing is treated.
    se_lb_ac : ndarray, shape (rows, cols), or None
        Standard error of the unclipped need. [lb/ac]
    findings : tuple of Finding
    details : dict
        ``methods``, ``clock`` and, where there is a record, ``rain``: plain values.
    """

    ledger: Ledger
    se_lb_ac: NDArray[np.float64] | None
    findings: tuple[Finding, ...]
    details: dict[str, Any]


def _options(field: Field) -> tuple[dict[str, Any], dict[str, Any] | None, tuple[Notice, ...]]:
    """Settings of ``[nitrogen]`` with the response of the user's own trial, where there is one."""
    options = asdict(field.settings.nitrogen)
    if field.trial is None:
        return options, None, ()
    prices = field.settings.prices
    return take_trial(
        options, field.trial.n_lb_ac, field.trial.yield_bu_ac, block=field.trial.block,
        corn_per_bu=prices.corn_per_bu, n_per_lb=prices.n_per_lb,
    )  # fmt: skip


def need_of_field(field: Field, profile: Profile, surfaces: dict[str, Surface], share: NDArray[np.float64]) -> Need:
    """
    Ledger of every treated cell, how sure it is, and what a person must weigh.

    Parameters
    ----------
    field : Field
    profile : Profile
    surfaces : dict of str to Surface
        As ``soil_surfaces`` makes them.
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated.

    Returns
    -------
    need : Need

    Raises
    ------
    VrnError
        If the method lacks an input or is outside its calibration.
    """
    here = np.flatnonzero(share > 0)
    season = season_of_field(field)
    options, response, trial_notices = _options(field)
    known = _known(field, profile, surfaces, here)
    ledger, notices = need_of_cells(options, season=season, to_build=True, **known)
    weights = share.ravel()[here]

    def mean(values: NDArray[np.float64]) -> float:
        usable = np.isfinite(values)
        return float(np.average(values[usable], weights=weights[usable])) if usable.any() else float("nan")

    nitrate = np.broadcast_to(known["nitrate_ppm"], here.shape)
    cautions = (
        second_foot_notice(top_nitrate_ppm=mean(nitrate), deep_sampled=bool(profile.deep), story=season.rain),
        None if season.growth_stage is None else stage_notice(season.growth_stage),
        pattern_notice(ledger),
        region_notice(method(ledger.method)),
        surplus_notice(ledger),
    )
    applied = known.pop("applied_lb_ac", None)
    answers = side_by_side(options, known, season=season, applied_lb_ac=applied, mean=mean)
    details: dict[str, Any] = {"methods": [answer.to_plain() for answer in answers], "clock": season.to_plain()}
    if response is not None:
        details["response"] = response
    if season.rain is not None:
        expected = expected_top_foot_ppm(field, season, season.rain)
        details["rain"] = {
            **season.rain.to_plain(),
            "expected_top_foot_ppm": None if expected is None else [round(part, 1) for part in expected],
            "measured_top_foot_ppm": round(mean(nitrate), 1),
        }
    known["applied_lb_ac"] = applied
    return Need(
        ledger=ledger.spread(here, share.size),
        se_lb_ac=_standard_error(options, season, known, surfaces, ledger, here),
        findings=_findings((*notices, *trial_notices, *(caution for caution in cautions if caution is not None))),
        details=details,
    )


def _known(field: Field, profile: Profile, surfaces: dict[str, Surface], here: NDArray[np.intp]) -> dict[str, Any]:
    """What the ledger of the treated cells is struck from, by the names of the methods' inputs."""
    settings = field.settings
    known: dict[str, Any] = {name: surface.values.ravel()[here] for name, surface in surfaces.items()}
    known |= {
        "top_in": float(profile.top[0].top_in[0]),
        "bottom_in": float(profile.top[-1].bottom_in[0]),
        "credits_lb_ac": {name: lb_ac for name, lb_ac in asdict(settings.credits).items() if lb_ac},
    }
    if profile.deep:
        known["deep_top_in"] = float(profile.deep[0].top_in[0])
        known["deep_bottom_in"] = float(profile.deep[-1].bottom_in[0])
    prices = settings.prices
    if prices.corn_per_bu is not None and prices.n_per_lb is not None:
        known["price_ratio"] = prices.n_per_lb / prices.corn_per_bu
    return known


def _standard_error(
    options: dict[str, Any], season: Season, known: dict[str, Any], surfaces: dict[str, Surface], ledger: Ledger,
    here: NDArray[np.intp],
) -> NDArray[np.float64] | None:  # fmt: skip
    """Standard error of the need: each surface's error times what one unit of it does to the need."""
    grid = surfaces["nitrate_ppm"].grid
    if surfaces["nitrate_ppm"].se is None:
        return None
    variance = np.zeros(here.size)
    for name, surface in surfaces.items():
        if surface.se is None:
            continue
        moved, _ = need_of_cells(options, season=season, **{**known, name: known[name] + 0.01})
        slope = (np.asarray(moved.unclipped_lb_ac) - np.asarray(ledger.unclipped_lb_ac)) / 0.01
        variance += (slope * surface.se.ravel()[here]) ** 2
    need_se = np.full(grid.rows * grid.cols, np.nan)
    need_se[here] = np.sqrt(variance)
    return need_se.reshape(grid.shape)


def _findings(notices: tuple[Notice, ...]) -> tuple[Finding, ...]:
    """What nitrogen noticed, as findings of the field."""
    return tuple(
        Finding(level=notice.level, about=notice.about, problem=notice.problem, remedy=notice.remedy)
        for notice in notices
    )

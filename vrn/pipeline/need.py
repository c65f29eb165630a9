"""From surfaces to the need of every treated cell: season, ledger, standard error, cautions, methods side by side."""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from itertools import product
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.field import Field
from vrn.model.grid import transformer
from vrn.model.layers import Weather
from vrn.model.samples import Profile, SoilSamples
from vrn.model.settings import Settings
from vrn.model.surface import Surface
from vrn.nitrogen import Ledger, method
from vrn.nitrogen.cautions import (
    pattern_caution,
    region_caution,
    second_foot_caution,
    stage_caution,
    surplus_caution,
)
from vrn.nitrogen.field_need import MethodResult, need_of_cells, side_by_side
from vrn.nitrogen.ledger import Line, Number
from vrn.nitrogen.lines import Credit, Values, line_of, manure_credit, water_credit
from vrn.nitrogen.method import Method
from vrn.nitrogen.rain import RainEffect, expected_nitrate_ppm
from vrn.nitrogen.remaining_need import REMAINING_NEED
from vrn.nitrogen.season import Season, season_of
from vrn.nitrogen.stage import mineralization_share_left, uptake_band
from vrn.nitrogen.water import Days
from vrn.pipeline.soil import NEED, OwnNeed
from vrn.response import TrialFit, fit_response


def season_of_field(field: Field, *, otherwise_on: date | None = None) -> Season:
    """Stage, warmth still to come, what was applied and what rain did, from the field's dates and weather.

    `otherwise_on` is the season's last day when no reading says when it was pulled.
    """
    readings = field.samples.field_readings()
    known = any(day is not None for day in readings.sampled_on)
    return _season(
        field, readings.sampled_on if known else (otherwise_on,), growth_stage=field.settings.crop.growth_stage
    )


def season_by_cell(field: Field, season: Season, top: SoilSamples, places_m: NDArray[np.float64]) -> Season:
    """The season of each place by the day its nearest reading was pulled, where sampling dates lie apart.

    Middles of the cells, shape (n, 2). A composite stands in for its whole area. The same season when the dates lie
    together or no clock runs.
    """
    stages = season.collars_by_date
    dated = [i for i, day in enumerate(top.sampled_on) if day in stages]
    if not stages or not dated:
        return season
    days = list(stages)
    of_reading = np.array([days.index(day) for i in dated if (day := top.sampled_on[i]) is not None], dtype=np.intp)
    nearest = cKDTree(top.coordinates_m[dated]).query(places_m)[1]
    which = of_reading[nearest]
    for place, i in enumerate(dated):
        area = top.areas.get(top.area_id[i])
        if area is not None:
            which[shapely.intersects_xy(area, places_m[:, 0], places_m[:, 1])] = of_reading[place]
    return season.by_cell([_season(field, (day,), growth_stage=stage) for day, stage in stages.items()], which)


def _season(field: Field, sampled_on: Sequence[date | None], *, growth_stage: str | float | None) -> Season:
    """Season up to the given sampling dates."""
    settings = field.settings
    return season_of(
        growth_stage=growth_stage, sampled_on=sampled_on, planting_date=settings.crop.planting_date,
        application_date=settings.crop.application_date,
        applications=None if settings.applications is None else [asdict(one) for one in settings.applications],
        weather=_days(field.weather), normals=_days(field.normals), texture=settings.nitrogen.texture,
        drainage=settings.nitrogen.drainage, tile=settings.nitrogen.tile,
        latitude_deg=_latitude_deg(field),
    )  # fmt: skip


def _days(record: Weather | None) -> Days | None:
    if record is None:
        return None
    return Days(days=record.days, tmin_f=record.tmin_f, tmax_f=record.tmax_f, rain_in=record.rain_in)


def _latitude_deg(field: Field) -> float:
    """Latitude of the field's middle. [°]"""
    middle = field.boundary.centroid
    return float(transformer(field.crs, "EPSG:4326").transform(middle.x, middle.y)[1])


def expected_top_foot_ppm(field: Field, season: Season, effect: RainEffect) -> tuple[float, float] | None:
    """Range of nitrate to expect in the top foot, to compare the readings with.

    What is left of the applications and what the soil has freed, less what the crop holds; None where organic matter or
    stage is unknown. A measured value always beats it. [ppm]
    """
    layer, stage = field.organic_matter, season.growth_stage
    if layer is None or stage is None:
        return None
    nitrogen = field.settings.nitrogen
    organic_pct = float(np.nanmean(layer.value if hasattr(layer, "value") else getattr(layer, "values", np.nan)))
    per_pct = nitrogen.mineralization_lb_per_om_pct
    per_pct = _default(REMAINING_NEED, "mineralization_lb_per_om_pct") if per_pct is None else per_pct
    freed_lb_ac = organic_pct * per_pct * (1.0 - float(mineralization_share_left(stage)))
    per_bushel_lb = nitrogen.n_per_bushel_lb or _default(REMAINING_NEED, "n_per_bushel_lb")
    crop_lb_ac = field.settings.crop.yield_goal_bu_ac * per_bushel_lb
    low, high = uptake_band(stage)
    return expected_nitrate_ppm(
        effect, mineralized_lb_ac=freed_lb_ac, uptake_lb_ac=(crop_lb_ac * float(low), crop_lb_ac * float(high))
    )


def _default(method: Method, name: str) -> float:
    return float(next(item.default or 0.0 for item in method.inputs if item.name == name))


_TWO_FEET_IN: Final = 24.0
_PLACES: Final = 5
_MOST: Final = {item.name: item.high for item in REMAINING_NEED.inputs}  # that a draw is held at: no field has more
INPUT_OF_SURFACE: Final = {
    "applied_n_lb_ac": "applied_lb_ac"
}  # name of a surface → of a method's input, where they differ


_NODES: Final = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])  # of a normal quantity, exact up to its fifth power
_NODE_WEIGHTS: Final = np.array([1.0, 4.0, 1.0]) / 6.0
_LEAST_BEND_LB_AC: Final = 0.05  # of a cell, that a line is worth: half of what is printed


NeedFunction = Callable[[dict[str, NDArray[np.float64]]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Need:
    """What the treated cells need."""

    ledger: Ledger  # of all cells of the grid, NaN where nothing is treated
    se_lb_ac: NDArray[np.float64] | None  # standard error of the unclipped need, shape (rows, cols) [lb/ac]
    findings: tuple[Finding, ...]
    season: Season  # of the field; with what rain did, where there is a record
    response: TrialFit | None  # of the user's own trial
    results: tuple[MethodResult, ...]  # what every method says of the treated cells
    cells: NDArray[np.intp]  # the treated cells among all, shape (n,)
    # takes other values of some inputs of the treated cells by name, returns their unclipped need [lb/ac]
    need_of: NeedFunction
    drawn: dict[str, str]  # name of each surface that it follows → of its input

    def methods_by_zone(self, labels: NDArray[np.int32], share: NDArray[np.float64]) -> tuple[MethodResult, ...]:
        """What every method says of each zone: the one that builds first, then those that answer."""
        zone, weights = labels.ravel()[self.cells], share.ravel()[self.cells]
        found = (result.of_zones(zone, weights) for result in self.results)
        return tuple(sorted(found, key=lambda one: (one.method.key != self.ledger.key, not one.by_zone)))


def options_of(field: Field) -> tuple[dict[str, object], TrialFit | None, tuple[Finding, ...]]:
    """Settings of ``[nitrogen]`` with the response of the user's own trial, where there is one.

    A slope and bend in the field file go before the trial's. None for the response where the trial holds none; raises
    InputFileError then if the method is ``economic-optimum`` and needs it.
    """
    nitrogen, trial, about = field.settings.nitrogen, field.trial, "nitrogen.response_trial"
    options: dict[str, object] = asdict(nitrogen)
    if trial is None:
        return options, None, ()
    try:
        fit = fit_response(trial.n_lb_ac, trial.yield_bu_ac, block=trial.block)
    except InputFileError as error:
        if nitrogen.method == "economic-optimum" and nitrogen.response_b is None:
            raise
        return options, None, (warning("nitrogen.trial-unused", about, problem=error.problem, remedy=error.remedy),)
    findings = [note("nitrogen.trial-response", about, **fit.quantities())]
    prices = field.settings.prices
    if prices.corn_per_bu is not None and prices.n_per_lb is not None:
        findings += fit.paying("nitrogen.trial-best-rate", about, prices.corn_per_bu, prices.n_per_lb)
    if fit.top > fit.highest:
        findings.append(warning("nitrogen.trial-still-rising", about, highest=Quantity("rate", fit.highest)))
    if nitrogen.response_b is not None or nitrogen.response_c is not None:
        findings.append(warning("nitrogen.trial-and-numbers", about))
    else:
        _, options["response_b"], options["response_c"] = fit.coefficients.tolist()
        options["highest_rate_lb_ac"] = fit.highest
    return options, fit, tuple(findings)


def need_of_field(
    field: Field, profile: Profile, surfaces: dict[str, Surface], share: NDArray[np.float64], *,
    own: OwnNeed | None = None,
) -> Need:  # fmt: skip
    """Ledger of every treated cell, how sure it is, and what a person must weigh.

    `surfaces`: as ``soil_surfaces`` makes them. `share` (rows, cols): share of each cell that is treated. `own`: the
    user's own need of every cell, which then stands in place of a method's. Raises VrnError if the method lacks an
    input or is outside its calibration.
    """
    here = np.flatnonzero(share > 0)
    season = season_of_field(field)
    centers_m = surfaces["nitrate_ppm"].grid.centers_m()
    of_cells = season_by_cell(field, season, profile.top[0], centers_m[here])
    by_cell = of_cells is not season
    options, response, of_trial = options_of(field)
    known = _known(field, profile, surfaces, here, of_cells)
    if own is None:
        ledger, findings = need_of_cells(options, season=of_cells, to_build=True, **known)
        for name, surface in surfaces.items():
            if surface.found is not None:
                found = surface.found.ravel()[here]
                ledger = ledger.counted_at(
                    surface.weight, name, np.where(np.isfinite(found), found, surface.values.ravel()[here])
                )
    else:
        ledger, findings = own.ledger.take(here), ()
    weights = share.ravel()[here]

    def need_of(moved: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
        if own is not None:
            return moved.get(NEED, np.broadcast_to(np.asarray(ledger.unclipped_lb_ac, dtype=float), here.shape))
        possible = {name: np.minimum(values, _MOST.get(name, np.inf)) for name, values in moved.items()}
        ledger_of_draw, _ = need_of_cells(options, season=of_cells, **{**known, **possible})
        need = np.asarray(ledger_of_draw.unclipped_lb_ac, dtype=float)
        return np.broadcast_to(need, np.broadcast_shapes(need.shape, here.shape))

    bend = None if own is not None else _not_known(need_of, known, surfaces, here)
    if bend is not None:
        ledger = ledger.plus(bend)

    def mean(values: NDArray[np.float64]) -> float:
        usable = np.isfinite(values)
        return float(np.average(values[usable], weights=weights[usable])) if usable.any() else float("nan")

    nitrate_ppm = mean(np.broadcast_to(known["nitrate_ppm"], here.shape))
    if season.rain is not None:
        rain = replace(season.rain, expected_top_foot_ppm=expected_top_foot_ppm(field, season, season.rain),
                       measured_top_foot_ppm=nitrate_ppm)  # fmt: skip
        season = replace(season, rain=rain)
    cautions: tuple[Finding | None, ...] = (
        second_foot_caution(
            top_nitrate_ppm=nitrate_ppm,
            deep_sampled=bool(profile.deep) or float(profile.top[-1].bottom_in[0]) >= _TWO_FEET_IN,
            rain=season.rain,
            places=second_foot_places(profile.top[0]),
        ),
        None if season.growth_stage is None else stage_caution(season.growth_stage),
        None if by_cell else pattern_caution(ledger),  # with stages by cell the crop line is not yield's
        region_caution(method(ledger.method)) if ledger.published else None,
        surplus_caution(ledger),
    )
    if own is not None:  # of a need that no method worked out, nothing of the season is known
        cautions = ()
    applied = known.pop("applied_lb_ac", None)
    results = side_by_side(options, known, season=of_cells, applied_lb_ac=applied, mean=mean)
    if bend is not None:
        results = tuple(replace(one, ledger=ledger, need_lb_ac=mean(np.asarray(ledger.need_lb_ac)))
                        if one.method.key == ledger.key else one for one in results)  # fmt: skip
    known["applied_lb_ac"] = applied
    return Need(
        ledger=ledger.spread(here, share.size),
        se_lb_ac=_standard_error(need_of, known, surfaces, here) if own is None else own.surface.se,
        findings=(*findings, *of_trial, *(caution for caution in cautions if caution is not None)), season=season,
        response=response, results=results, cells=here, need_of=need_of,
        drawn={NEED: NEED} if own is not None else {name: INPUT_OF_SURFACE.get(name, name) for name in surfaces},
    )  # fmt: skip


def second_foot_places(top: SoilSamples) -> tuple[str, ...]:
    """
    Readings beside which a 12–24 in core would show most: the lowest of the top foot, each away from those before it.

    At most five sample or area names, the lowest reading first; none closer to another than a quarter of the readings'
    extent. What the top foot has lost is either below it or gone: only a core shows which.
    """
    names = [area or sample for sample, area in zip(top.sample_id, top.area_id, strict=True)]
    apart_m = 0.25 * float(np.hypot(*np.ptp(top.coordinates_m, axis=0))) if len(top) else 0.0
    chosen: list[int] = []
    for i in np.argsort(top.nitrate_ppm, kind="stable"):
        away = np.hypot(*(top.coordinates_m[chosen] - top.coordinates_m[i]).T)
        if len(chosen) < _PLACES and np.all(away > apart_m):
            chosen.append(int(i))
    return tuple(dict.fromkeys(names[i] for i in chosen))


def _credits(settings: Settings, season: Season) -> dict[str, float | Credit]:
    """What is credited, in pounds as given or with the arithmetic from manure and water."""
    section = settings.credits
    plain = {name: getattr(section, name) for name in ("previous_crop", "manure", "irrigation_water", "other")}
    found: dict[str, float | Credit] = {name: lb_ac for name, lb_ac in plain.items() if lb_ac}
    spread, water = section.manure_spread, section.water
    if spread is not None:
        left: Number = 1.0
        if settings.nitrogen.mineralization_share_left is not None:
            left = settings.nitrogen.mineralization_share_left
        elif season.mineralization_share_left is not None:
            left = season.mineralization_share_left
        elif season.growth_stage is not None:
            left = mineralization_share_left(season.growth_stage)
        found["manure"] = manure_credit(
            [spread.organic_n_lb_ac, spread.organic_n_last_year_lb_ac, spread.organic_n_two_years_ago_lb_ac],
            share_left=left, manure=spread.kind, ammonium_after_lb_ac=spread.ammonium_after_sampling_lb_ac,
            days_to_incorporation=spread.days_to_incorporation,
        )  # fmt: skip
    if water is not None:
        found["irrigation_water"] = water_credit(water.nitrate_ppm, water_in=water.water_in)
    return found


def _known(
    field: Field, profile: Profile, surfaces: dict[str, Surface], here: NDArray[np.intp], season: Season
) -> Values:
    """What the ledger of the treated cells is worked from, by the names of the methods' inputs."""
    settings = field.settings
    known: Values = {INPUT_OF_SURFACE.get(name, name): part.values.ravel()[here] for name, part in surfaces.items()}
    known |= {
        "top_in": float(profile.top[0].top_in[0]),
        "bottom_in": float(profile.top[-1].bottom_in[0]),
        **settled(settings, season),
    }
    if profile.deep:
        known["deep_top_in"] = float(profile.deep[0].top_in[0])
        known["deep_bottom_in"] = float(profile.deep[-1].bottom_in[0])
    return known


def settled(settings: Settings, season: Season) -> Values:
    """What the field file alone gives a method: credits and the ratio of prices."""
    known: Values = {"credits_lb_ac": _credits(settings, season)}
    prices = settings.prices
    if prices.corn_per_bu is not None and prices.n_per_lb is not None:
        known["price_ratio"] = prices.n_per_lb / prices.corn_per_bu
    return known


def _not_known(
    need_of: NeedFunction, known: Values, surfaces: dict[str, Surface], here: NDArray[np.intp]
) -> Line | None:
    """What the ledger's bends make of the surfaces' errors: mean of the need less the need of the means.

    None where no input bends it. An input may lie at three places with the surface's mean and error, none below 0
    (Gauss and Hermite's, on a logarithmic scale); those that bend the need by themselves, at all of theirs together.
    """
    plain, nodes = need_of({}), dict[str, list[NDArray[np.float64]]]()

    def bend(names: Sequence[str]) -> NDArray[np.float64]:
        total = -plain
        for at in product(range(len(_NODES)), repeat=len(names)):
            moved = {name: nodes[name][k] for name, k in zip(names, at, strict=True)}
            total = total + np.prod(_NODE_WEIGHTS[list(at)]) * need_of(moved)
        return total

    for name, surface in surfaces.items():
        given = INPUT_OF_SURFACE.get(name, name)
        value, error = known[given], 0.0 if surface.se is None else np.nan_to_num(surface.se.ravel()[here])
        if np.any(error):
            spread = np.sqrt(np.log1p((error / np.maximum(value, 1e-9)) ** 2))
            factors = [np.exp(node * spread) for node in _NODES]
            middle = sum(weight * one for weight, one in zip(_NODE_WEIGHTS, factors, strict=True))
            nodes[given] = [value * one / middle for one in factors]
    bent = bend([name for name in nodes if np.nanmax(np.abs(bend([name])), initial=0.0) > 1e-6])
    if not np.nanmax(np.abs(bent), initial=0.0) >= _LEAST_BEND_LB_AC:
        return None
    return line_of(
        {}, key="not_known", label="For what is not known", lb_ac=bent,
        source="the surfaces' own errors",
        basis="mean of the needs that samples and layers allow, less the need at their means",
    )  # fmt: skip


def _standard_error(
    need_of: NeedFunction, known: Values, surfaces: dict[str, Surface], here: NDArray[np.intp]
) -> NDArray[np.float64] | None:
    """Standard error of the need: each surface's error times what one unit of it does to the need."""
    grid = surfaces["nitrate_ppm"].grid
    if surfaces["nitrate_ppm"].se is None:
        return None
    need, variance = need_of({}), np.zeros(here.size)
    for name, surface in surfaces.items():
        if surface.se is None:
            continue
        given = INPUT_OF_SURFACE.get(name, name)
        slope = (need_of({given: known[given] + 0.01}) - need) / 0.01
        error = surface.se.ravel()[here]  # where a layer's error is not stated, it is taken as it is
        variance += (slope * np.where(np.isnan(error) & (name != "nitrate_ppm"), 0.0, error)) ** 2
    need_se = np.full(grid.rows * grid.cols, np.nan)
    need_se[here] = np.sqrt(variance)
    return need_se.reshape(grid.shape)

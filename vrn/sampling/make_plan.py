"""From a field, or a prescription, to the plan of a sampling day."""

import math
import zlib
from dataclasses import replace
from datetime import timedelta
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres, transformer
from vrn.model.layers import ConstantLayer
from vrn.model.samples import profile_of
from vrn.prescription.model import Prescription
from vrn.sampling.composites import composite_areas, core_pattern, cores_inside, field_parts
from vrn.sampling.designs import (
    balanced_places,
    close_partners,
    grid_places,
    local_pivotal,
    spatial_balance,
    strata_of,
    stratified_places,
)
from vrn.sampling.error import USUAL_CV_PCT, SampleSize, error_of_mean_pct, samples_needed, size_curve
from vrn.sampling.ground import OpenGround, layer_at, sampling_ground, varying_layers
from vrn.sampling.next_reading import next_readings
from vrn.sampling.plan import Place, Plan, PlanOptions, SecondFoot, walking_order
from vrn.units import FT_M

_PAIRS, _LEAST_FOR_PAIRS = 5, 15
_PAIR_M = 10.0  # two circles of GATHER_FT do not touch; a pair still counts as one within error.CLOSE_M
_AC_PER_SAMPLE, _MOST_FOR_MAP = 2.5, 60  # for a map: common practice, no source
_LEAST_EDGE_FT = 60.0
_LEAST_FOR_CV = 8
_NOWHERE = shapely.MultiPolygon()


def plan_samples(field: Field, options: PlanOptions | None = None, *, avoid: shapely.Geometry = _NOWHERE) -> Plan:
    """Plan a sampling day.

    The field's readings may be empty; its layers steer the design where there are any. `avoid` holds odd spots and
    known bands, in the field's system. Raises InputFileError if strata are asked for and no layer varies. Raises
    OutOfRangeError if no ground is left, or a number makes no sense.
    """
    options = options or PlanOptions()
    if options.samples is not None and options.samples < 1:
        problem = f"{options.samples} samples cannot be planned."
        raise OutOfRangeError(problem, "Ask for one or more.")
    random = _generator(field, options)
    ground = _ground(field, options, avoid, random)
    if options.design == "composites":
        return _plan_composites(field, options, ground, random)
    size = _size(field, ground, options)
    base, layers = _base_places(field, options, ground, size.samples, random)
    pairs = options.pairs if options.pairs is not None else (_PAIRS if len(base) >= _LEAST_FOR_PAIRS else 0)
    of, partners = close_partners(base, pairs, distance_m=_PAIR_M, outline=ground.outline, random=random)
    foot = second_foot_wanted(field, options.second_foot)
    deep = np.append(deep_places(field, foot.share, base, random), np.zeros(len(partners), dtype=bool))
    places_m = np.vstack([base, partners])
    order, names, walk_m = _walk(field, options, places_m)
    partner_of = {len(base) + i: names[int(row)] for i, row in enumerate(of)}
    places = tuple(
        Place(
            name=names[row], easting_m=float(places_m[row, 0]), northing_m=float(places_m[row, 1]),
            second_foot=bool(deep[row]), pair_of=partner_of.get(row, ""),
        )
        for row in order
    )  # fmt: skip
    pattern = core_pattern(field, options.cores, areas=False)
    return Plan(
        field=field, design=options.design, ground=ground.outline, places=places, walk_m=walk_m, size=size,
        curve=size_curve(size.cv_pct, confidence=options.confidence), second_foot=foot, balance=_balance(ground, base),
        pattern=pattern, layers=tuple(layers),
        findings=(*ground.findings, *foot.findings, *pattern.findings, *after_rain(field)),
    )  # fmt: skip


def plan_next(
    prescription: Prescription, count: int, options: PlanOptions | None = None, *, avoid: shapely.Geometry = _NOWHERE
) -> Plan:
    """Plan the readings that would bring most beside those in hand.

    Of the options, number and design are not used. Without places when there are enough; `next` says why. Raises
    InputFileError if the readings are composites of areas.
    """
    options = options or PlanOptions()
    field = prescription.field
    ground = _ground(field, options, avoid, _generator(field, options))
    foot = second_foot_wanted(field, options.second_foot)
    found = next_readings(prescription, ground.spots_m, count=count, second_foot=foot.share >= 0.5)
    asked = {"all": True, "none": False}.get(options.second_foot)
    places_m = np.array([(one.easting_m, one.northing_m) for one in found.readings]).reshape(-1, 2)
    order, names, walk_m = _walk(field, options, places_m, prefix="N")
    places = tuple(
        Place(
            name=names[row], easting_m=one.easting_m, northing_m=one.northing_m, reading=one,
            second_foot=one.second_foot if asked is None else asked,
        )
        for row, one in ((row, found.readings[row]) for row in order)
    )  # fmt: skip
    pattern = core_pattern(field, options.cores, areas=False)
    size = _size(field, ground, options)
    return Plan(
        field=field, design="next", ground=ground.outline, places=places, walk_m=walk_m, size=size,
        curve=size_curve(size.cv_pct, confidence=options.confidence), second_foot=_of_further_readings(foot),
        pattern=pattern, findings=(*ground.findings, *(pattern.findings if places else ())), next=found,
    )  # fmt: skip


def _plan_composites(field: Field, options: PlanOptions, ground: OpenGround, random: np.random.Generator) -> Plan:
    """Composites of areas: the user's zones, else areas alike in the layers, else compact parts of the field."""
    most_ac = options.most_ac
    if options.samples is not None:  # about as many areas as samples are wanted
        most_ac = min(geodesic_acres(field.treated, field.crs) / options.samples * 1.05, most_ac)
    areas = composite_areas(field_parts(field, ground), ground=ground.outline, crs=field.crs, most_ac=most_ac)
    pattern = core_pattern(field, options.cores, areas=True)
    stops = pattern.cores // 3 if pattern.sets_of == 3 else pattern.cores  # a set of three is pulled at one place
    foot = second_foot_wanted(field, options.second_foot)
    here = _start(field, options)
    middles = np.array([shapely.get_coordinates(shapely.point_on_surface(area))[0] for area in areas.values()])
    names = [list(areas)[i] for i in walking_order(middles, start_m=here, ground=field.boundary)]
    deep = dict(zip(areas, deep_places(field, foot.share, middles, random), strict=True))
    places: list[Place] = []
    walk_m = 0.0
    for name in names:
        spots = cores_inside(areas[name], ground.outline, stops, random=random)
        spots = spots[walking_order(spots, start_m=here, ground=field.boundary)]
        walk_m += _walked_m(spots if here is None else np.vstack([here[None], spots]))
        here = spots[-1]
        places += [
            Place(
                name=f"{name}-{i:02d}", easting_m=float(x), northing_m=float(y), second_foot=bool(deep[name]),
                area_id=name,
            )
            for i, (x, y) in enumerate(spots, start=1)
        ]  # fmt: skip
    size = replace(_size(field, ground, options), samples=len(areas))
    return Plan(
        field=field, design="composites", ground=ground.outline, places=tuple(places),
        areas={name: areas[name] for name in names}, walk_m=walk_m, size=size,
        curve=size_curve(size.cv_pct, confidence=options.confidence), second_foot=foot,
        pattern=pattern, most_ac=options.most_ac,
        findings=(*ground.findings, *foot.findings, *pattern.findings, *after_rain(field)),
    )  # fmt: skip


def _generator(field: Field, options: PlanOptions) -> np.random.Generator:
    """Chance that is the same whenever a field of this name and season is planned, unless a seed is given."""
    own = zlib.crc32(f"{field.name} {field.settings.header.season}".encode())
    return np.random.default_rng(own if options.seed is None else options.seed)


def _start(field: Field, options: PlanOptions) -> NDArray[np.float64] | None:
    """Where one comes in, in the field's system; None where it was not said. [m]"""
    if options.start_lonlat is None:
        return None
    return np.array(transformer("EPSG:4326", field.crs).transform(*options.start_lonlat))


def _ground(field: Field, options: PlanOptions, avoid: shapely.Geometry, random: np.random.Generator) -> OpenGround:
    """Ground open to sampling, a swath and at least 60 ft off the boundary unless another distance is given."""
    edge_ft = options.edge_ft
    if edge_ft is None:
        edge_ft = max(field.settings.machine.swath_ft, _LEAST_EDGE_FT)
    return sampling_ground(
        field.boundary, crs=field.crs, edge_m=edge_ft * FT_M, no_apply=field.no_apply,
        keep_off_m=options.keep_off_ft * FT_M, avoid=avoid, random=random,
    )  # fmt: skip


def _size(field: Field, ground: OpenGround, options: PlanOptions) -> SampleSize:
    """How many samples: as asked, else enough for the field's mean and for a map."""
    cv_pct: float = USUAL_CV_PCT
    cv_from: Literal["given", "readings", "usual"] = "usual"
    readings = _top_readings(field)
    if options.cv_pct is not None:
        cv_pct, cv_from = options.cv_pct, "given"
    elif len(readings) >= _LEAST_FOR_CV and readings.mean() > 0 and readings.std() > 0:
        cv_pct, cv_from = float(100 * readings.std(ddof=1) / readings.mean()), "readings"
    needed = samples_needed(cv_pct, options.error_pct, confidence=options.confidence)
    # edges and odd spots are kept out of, but the samples stand for them too
    for_map = min(math.ceil(geodesic_acres(field.treated, field.crs) / _AC_PER_SAMPLE), _MOST_FOR_MAP)
    wanted = max(needed, for_map) if options.samples is None else options.samples
    count = min(wanted, len(ground.spots_m))
    return SampleSize(
        samples=count, needed=needed, for_map=for_map, given=options.samples is not None, cv_pct=cv_pct,
        cv_from=cv_from, cv_readings=len(readings) if cv_from == "readings" else 0,
        error_pct=options.error_pct, confidence=options.confidence,
        error_of_mean_pct=error_of_mean_pct(cv_pct, max(count, 1), confidence=options.confidence),
    )  # fmt: skip


def _top_readings(field: Field) -> NDArray[np.float64]:
    """Readings in hand of the top foot; none where they do not begin at the surface. [ppm]"""
    readings = field.samples.field_readings()
    if len(readings) < _LEAST_FOR_CV or readings.top_in.min() != 0:
        return np.empty(0)
    return profile_of(readings).top[0].nitrate_ppm


def _of_further_readings(foot: SecondFoot) -> SecondFoot:
    """Why the second foot is pulled where it is at further readings."""
    if foot.reason in ("all", "none"):
        return foot
    if foot.pulled:
        return replace(foot, reason="gain")
    if foot.share >= 0.5:
        return foot if foot.reason == "sand" else replace(foot, share=1.0, reason="rain-all")
    return replace(foot, share=0.0, reason="unlikely")


def _base_places(
    field: Field, options: PlanOptions, ground: OpenGround, count: int, random: np.random.Generator
) -> tuple[NDArray[np.float64], list[str]]:
    """Places of the design, and the layers that steered it."""
    if options.design == "grid":
        return grid_places(ground.outline, count, random=random), []
    auxiliary, layers = varying_layers(field, ground.spots_m)
    if options.design == "balanced":
        return ground.spots_m[balanced_places(ground.spots_m, count, random=random, auxiliary=auxiliary)], layers
    if field.zones is not None:
        zone = np.nan_to_num(layer_at(field.zones, ground.spots_m), nan=-1.0)
        strata, layers = np.unique(zone, return_inverse=True)[1], ["zones"]
    elif layers:
        strata = strata_of(auxiliary, options.strata)
    else:
        problem = f"{field.name}: no layer varies over the field, so there is nothing to make strata of."
        raise InputFileError(problem, "Give a layer under [layers], or take --design balanced.")
    return ground.spots_m[stratified_places(ground.spots_m, strata, count, random=random)], layers


def _walk(
    field: Field, options: PlanOptions, places_m: NDArray[np.float64], *, prefix: str = ""
) -> tuple[list[int], dict[int, str], float]:
    """Rows of the places in walking order, the name of each row, and the length of the walk. [m]"""
    order = walking_order(places_m, start_m=_start(field, options), ground=field.boundary)
    digits = max(2, math.ceil(math.log10(len(places_m) + 1)))
    names = {int(row): f"{prefix}{number:0{digits}d}" for number, row in enumerate(order, start=1)}
    return list(names), names, _walked_m(places_m[order])


def _walked_m(walk: NDArray[np.float64]) -> float:
    return float(np.hypot(*np.diff(walk, axis=0).T).sum()) if len(walk) > 1 else 0.0


def _balance(ground: OpenGround, places_m: NDArray[np.float64]) -> float:
    """Spatial balance of the places over the ground."""
    units = np.vstack([places_m, ground.spots_m])
    chance = np.append(np.zeros(len(places_m)), np.full(len(ground.spots_m), len(places_m) / len(ground.spots_m)))
    return spatial_balance(chance, units, np.arange(len(places_m)))


_HEAVY_RAIN_IN = 4.0  # Iowa State: 60 to 70 lb/ac lost after 4 to 6 in of excess
_SAND = "sand"


def second_foot_wanted(field: Field, choice: Literal["auto", "all", "none"] = "auto") -> SecondFoot:
    """Share of the samples at which the second foot should be pulled.

    On sand everywhere (Purdue); after 4 in of rain or more since the last application at half of the places (Iowa
    State); else at one in four, so that what lies below is not guessed (common practice, no source).
    """
    pulled = bool(len(field.samples) and np.nanmax(field.samples.bottom_in, initial=0.0) > 12.0)
    if choice == "all":
        return SecondFoot(share=1.0, reason="all", pulled=pulled)
    if choice == "none":
        findings = (note("plan.second-foot-left-out", "plan"),)
        return SecondFoot(share=0.0, reason="none", pulled=pulled, findings=findings)
    texture = (field.settings.nitrogen.texture or "").lower()
    if _SAND in texture and "clay" not in texture:
        return SecondFoot(share=1.0, reason="sand", pulled=pulled, texture=texture)
    rain_in = rain_since_in(field)
    if rain_in is None:
        return SecondFoot(share=0.25, reason="no-weather", pulled=pulled, texture=texture)
    heavy = rain_in >= _HEAVY_RAIN_IN
    return SecondFoot(
        share=0.5 if heavy else 0.25, reason="rain" if heavy else "usual", pulled=pulled, texture=texture,
        rain_in=rain_in,
    )  # fmt: skip


def rain_since_in(field: Field) -> float | None:
    """Rain since the last nitrogen was put on, or over the whole record; None without weather. [in]"""
    weather = field.weather
    if weather is None or not len(weather.days):
        return None
    dates = [one.date for one in field.settings.applications or () if one.n_lb_ac > 0]
    last = max(dates, default=weather.days[0])
    after = np.array([day > last for day in weather.days])
    return float(np.nansum(weather.rain_in[after])) if after.any() else 0.0


_SOAKING_IN, _DAYS_AFTER = 1.0, 3  # a day's rain that is heavy: a choice of this project; two or three days: Penn State


def after_rain(field: Field) -> tuple[Finding, ...]:
    """The first day to sample, where heavy rain fell in the last days of the field's weather."""
    weather = field.weather
    if weather is None or not len(weather.days):
        return ()
    heavy = [i for i, rain_in in enumerate(weather.rain_in) if rain_in >= _SOAKING_IN]
    if not heavy or (weather.days[-1] - weather.days[heavy[-1]]).days >= _DAYS_AFTER:
        return ()
    day = weather.days[heavy[-1]]
    rain = Quantity("rain", float(weather.rain_in[heavy[-1]]))
    return (note("plan.after-rain", "weather", rain=rain, day=day, first=day + timedelta(days=_DAYS_AFTER)),)


def deep_places(
    field: Field, share: float, places_m: NDArray[np.float64], random: np.random.Generator
) -> NDArray[np.bool_]:
    """Places at which the second foot is pulled: spread evenly, with twice the chance on lighter ground.

    ``share`` of the places [m], 0 … 1; the field's organic matter shows lighter ground. Shape (n,).
    """
    count = math.ceil(share * len(places_m))
    if count >= len(places_m):
        return np.ones(len(places_m), dtype=bool)
    deep = np.zeros(len(places_m), dtype=bool)
    if not count:
        return deep
    weight = np.ones(len(places_m))
    if field.organic_matter is not None and not isinstance(field.organic_matter, ConstantLayer):
        om = layer_at(field.organic_matter, places_m)
        weight = np.where(om < np.nanmedian(om), 2.0, 1.0)
    deep[local_pivotal(np.minimum(weight * count / weight.sum(), 1.0), places_m, random=random)] = True
    return deep

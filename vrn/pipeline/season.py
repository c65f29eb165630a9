"""The season of one field: stage, warmth, what was applied, what rain did, and the nitrate to expect."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from vrn.model.area import transformer
from vrn.model.field import Field
from vrn.model.layers import Weather
from vrn.model.samples import SoilSamples
from vrn.nitrogen.method import Method
from vrn.nitrogen.mineralization import Days
from vrn.nitrogen.rain import RainEffect, expected_nitrate_ppm
from vrn.nitrogen.remaining_need import REMAINING_NEED
from vrn.nitrogen.season import Season, season_of
from vrn.nitrogen.stage import mineralization_share_left, uptake_band


def season_of_field(field: Field, *, otherwise_on: date | None = None) -> Season:
    """
    Stage, warmth still to come, what was applied and what rain did, from the field's dates and weather.

    `otherwise_on` is the season's last day when no reading says when it was pulled.
    """
    readings = field.samples.field_readings()
    known = any(day is not None for day in readings.sampled_on)
    return _season(
        field, readings.sampled_on if known else (otherwise_on,), growth_stage=field.settings.crop.growth_stage
    )


def season_by_cell(field: Field, season: Season, top: SoilSamples, places_m: NDArray[np.float64]) -> Season:
    """
    The season of each place by the day its nearest reading was pulled, where sampling dates lie apart.

    Middles of the cells, shape (n, 2). A composite speaks for its whole area. The same season when the dates lie
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
        growth_stage=growth_stage,
        sampled_on=sampled_on,
        planting_date=settings.crop.planting_date,
        application_date=settings.crop.application_date,
        applications=None if settings.applications is None else [asdict(one) for one in settings.applications],
        weather=_days(field.weather),
        normals=_days(field.normals),
        texture=settings.nitrogen.texture,
        latitude_deg=_latitude_deg(field),
    )


def _days(record: Weather | None) -> Days | None:
    if record is None:
        return None
    return Days(days=record.days, tmin_f=record.tmin_f, tmax_f=record.tmax_f, rain_in=record.rain_in)


def _latitude_deg(field: Field) -> float:
    """Latitude of the field's middle. [°]"""
    middle = field.boundary.centroid
    return float(transformer(field.crs, "EPSG:4326").transform(middle.x, middle.y)[1])


def expected_top_foot_ppm(field: Field, season: Season, effect: RainEffect) -> tuple[float, float] | None:
    """
    Range of nitrate to expect in the top foot, to compare the readings with.

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

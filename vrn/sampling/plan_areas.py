"""The plan of a day of composites: areas, and the cores inside each."""

from typing import Any

import numpy as np
import shapely

from vrn.model.area import geodesic_acres
from vrn.model.cover import grid_over, share_inside
from vrn.model.field import Field
from vrn.sampling.areas import composite_areas, cores_inside
from vrn.sampling.basis import auxiliary_of, deep_places, generator_of, ground_of, size_of, start_of
from vrn.sampling.cautions import sampling_cautions
from vrn.sampling.designs import standardised
from vrn.sampling.ground import Ground
from vrn.sampling.plan import Place, Plan, PlanOptions
from vrn.sampling.route import walking_order
from vrn.sampling.second_foot import second_foot_wanted
from vrn.sampling.size import size_curve
from vrn.units import AC_M2, FT_M
from vrn.zones import draw

USUAL_CORES = 20  # 15 to 24 for an area of 10 to 20 ac (Iowa, Illinois, Delaware, Michigan)
_LEAST_PATCH_AC = 2.0


def plan_composites(field: Field, options: PlanOptions, *, avoid: shapely.Geometry) -> Plan:
    """
    Plan composites of areas: the user's zones, else areas alike in the layers, else compact parts of the field.

    Parameters
    ----------
    field : Field
    options : PlanOptions
    avoid : shapely.Geometry
        In the field's system.

    Returns
    -------
    plan : Plan
    """
    random = generator_of(field, options)
    ground = ground_of(field, options, avoid, random)
    areas = composite_areas(
        _zones(field, ground), ground=ground.outline, crs=field.crs, most_ac=_most_ac(field, options)
    )
    cores = options.cores or USUAL_CORES
    foot = second_foot_wanted(field, options.second_foot)
    here = start_of(field, options)
    middles = np.array([shapely.get_coordinates(shapely.point_on_surface(area))[0] for area in areas.values()])
    names = [list(areas)[i] for i in walking_order(middles, start_m=here, ground=field.boundary)]
    deep = dict(zip(areas, deep_places(field, foot.share, middles, random), strict=True))
    places: list[Place] = []
    walk_m = 0.0
    for name in names:
        spots = cores_inside(areas[name], ground.outline, cores, random=random)
        spots = spots[walking_order(spots, start_m=here, ground=field.boundary)]
        steps = spots if here is None else np.vstack([here[None], spots])
        walk_m += float(np.hypot(*np.diff(steps, axis=0).T).sum())
        here = spots[-1]
        places += [
            Place(
                name=f"{name}-{i:02d}",
                easting_m=float(x),
                northing_m=float(y),
                second_foot=bool(deep[name]),
                area_id=name,
            )
            for i, (x, y) in enumerate(spots, start=1)
        ]
    size = {**size_of(field, ground, options), "samples": len(areas)}
    return Plan(
        field=field, design="composites", ground=ground.outline, places=tuple(places),
        areas={name: areas[name] for name in names}, cores=cores, walk_m=walk_m, size=size,
        curve=size_curve(size["cv_pct"], confidence=options.confidence), second_foot=foot.why, balance=None,
        cautions=sampling_cautions(field.settings, cores=cores, composites=True),
        findings=(*ground.findings, *foot.findings), details={"most_ac": options.most_ac},
    )  # fmt: skip


def _most_ac(field: Field, options: PlanOptions) -> float:
    """Largest area of one composite: as asked, or so that about as many areas come out as samples are wanted."""
    if options.samples is None:
        return options.most_ac
    return min(geodesic_acres(field.treated, field.crs) / options.samples * 1.05, options.most_ac)


def _zones(field: Field, ground: Ground) -> tuple[shapely.Geometry, ...]:
    """The user's zones, else areas of alike layers, else the whole treated ground."""
    treated = field.treated
    if field.zones is None:
        _, layers = auxiliary_of(field, ground.spots_m)
        return _alike_areas(field, treated) if layers else (treated,)
    merged: dict[float, list[Any]] = {}
    for polygon, value in zip(field.zones.polygons, field.zones.values, strict=True):
        merged.setdefault(float(value), []).append(polygon)
    cut = [shapely.intersection(shapely.union_all(parts), treated) for _, parts in sorted(merged.items())]
    rest = shapely.difference(treated, shapely.union_all(cut))
    return tuple(zone for zone in (*cut, rest) if zone.area > 0.1 * AC_M2)


def _alike_areas(field: Field, treated: shapely.Geometry) -> tuple[shapely.Geometry, ...]:
    """Zones drawn along the layers' main direction, as wide as the machine and of two acres or more."""
    grid = grid_over(treated, crs=field.crs, cell_m=10.0)
    values = standardised(auxiliary_of(field, grid.centers_m())[0])
    main = np.linalg.svd(values - values.mean(axis=0), full_matrices=False)[2][0]
    along = (values @ (main * np.sign(main[np.argmax(np.abs(main))]))).reshape(grid.shape)
    zones = draw(
        along, grid=grid, share=share_inside(grid, treated), treated=treated, least_patch_m2=_LEAST_PATCH_AC * AC_M2,
        least_width_m=field.settings.machine.swath_ft * FT_M, step=0.5, max_count=4,
    )  # fmt: skip
    return tuple(zones.outlines)

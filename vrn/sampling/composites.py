"""Areas that one composite is pulled from, and the cores that make a sample."""

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Finding, Quantity, note, warning
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres, grid_over, share_inside
from vrn.model.samples import profile_of
from vrn.model.settings import Application
from vrn.nitrogen.applied import product_kind
from vrn.sampling.designs import balanced_places
from vrn.sampling.error import CORE_CV_PCT, error_of_readings
from vrn.sampling.ground import OpenGround, spots_on, standardised, varying_layers
from vrn.sampling.plan import CorePattern
from vrn.units import AC_M2, FT_M
from vrn.zones import draw

MOST_AC = 20.0  # one composite stands for at most 15 to 20 ac (Delaware, Michigan; Connecticut splits above 15)
_LEAST_PATCH_AC = 2.0
# cores of a sample: two sets of eight (Iowa State: 16 to 24; Nebraska 15 or more, Penn State 10 to 20); of an area 20
# (15 to 24: Iowa, Illinois, Delaware, Michigan); beside bands sets of three (Illinois), above 50 lb/ac 24 (Iowa State)
_CORES, _CORES_OF_AREA, _CORES_BESIDE_FEW, _CORES_BESIDE_BANDS, _BAND_LB_AC = 16, 20, 18, 24, 50.0


def core_pattern(field: Field, asked: int | None, *, areas: bool) -> CorePattern:
    """Cores of a sample, by where the field file says that nitrogen was placed; whole sets beside bands.

    Where a placement is unknown the cores are those for bands, which serve both, and a finding asks. Sources: Iowa
    State (late-spring test: sets of eight, 24 cores above 50 lb/ac of ammonia); Illinois (sets of three between rows).
    """
    put_on = [one for one in field.settings.applications or () if one.n_lb_ac > 0]
    unknown = [one for one in put_on if one.placement == "unknown" and not _is_ammonia(one)]
    banded = [one for one in put_on if one in unknown or one.placement in ("banded", "injected") or _is_ammonia(one)]
    pounds = sum(one.n_lb_ac for one in banded)
    least = _CORES_OF_AREA if areas else _CORES
    if banded:
        least = _CORES_BESIDE_BANDS if pounds > _BAND_LB_AC else max(least // 3 * 3, _CORES_BESIDE_FEW)
    cores = asked or least
    if banded:
        cores = math.ceil(cores / 3) * 3
    findings: list[Finding] = []
    for one in unknown:
        rate = Quantity("rate", one.n_lb_ac)
        findings.append(warning("plan.placement-unknown", "applications", rate=rate, product=one.product, on=one.date))
    if asked and cores < least:
        findings.append(note("plan.few-cores", "--cores", asked=asked, cores=cores, least=least))
    return CorePattern(
        cores=cores, sets_of=3 if banded else 8, banded_lb_ac=pounds, findings=tuple(findings),
        last=max((one.date for one in banded), default=None), error_pct=_core_cv_pct(field) / math.sqrt(cores),
    )  # fmt: skip


def _is_ammonia(one: Application) -> bool:
    return product_kind(one.product) == "anhydrous" or "ammonia" in one.product.lower().split()


def _core_cv_pct(field: Field) -> float:
    """What one core is off by: from close pairs of readings in hand, else the usual. [%]"""
    readings = field.samples.field_readings()
    if len(readings) and readings.top_in.min() == 0:
        error = error_of_readings(profile_of(readings).top[0])
        if error.cores_from == "pairs" and error.core_cv_pct:
            return error.core_cv_pct
    return CORE_CV_PCT


def composite_areas(
    zones: tuple[shapely.Geometry, ...], *, ground: shapely.Geometry, crs: str, most_ac: float = MOST_AC
) -> dict[str, shapely.Geometry]:
    """Areas for composites: the zones, cut into compact parts where they are large.

    Cores may be pulled on `ground` only: a part of a zone without it is no area. Area ids are `A`, `B`, … for zones,
    `A1`, `A2`, … for parts of one; together they are the zones. Source: Walvoort, Brus & de Gruijter (2010), An R
    package for spatial coverage sampling and random sampling from compact geographical strata by k-means, Comput.
    Geosci. 36:1261-1267.

    A field of 400 m by 200 m is 19.8 ac; composites of at most 10 ac make two halves of it (hectares):

    >>> field = shapely.box(500000, 4600000, 500400, 4600200)
    >>> areas = composite_areas((field,), ground=field, crs="EPSG:32615", most_ac=10)
    >>> {name: round(area.area / 1e4) for name, area in areas.items()}
    {'A1': 4, 'A2': 4}
    """
    areas: dict[str, shapely.Geometry] = {}
    for number, zone in enumerate(zones):
        letter = _letter(number)
        parts = math.ceil(geodesic_acres(zone, crs) / most_ac - 1e-2)
        pieces = _compact_parts(zone, parts) if parts > 1 else [zone]
        pieces = _with_ground(pieces, ground)
        for part, piece in enumerate(pieces, start=1):
            areas[letter if len(pieces) == 1 else f"{letter}{part}"] = piece
    return areas


def cores_inside(
    area: shapely.Geometry, ground: shapely.Geometry, cores: int, *, random: np.random.Generator
) -> NDArray[np.float64]:
    """Places of a composite's cores, spread over the open part of its area, shape (cores, 2). [m]"""
    spots = spots_on(shapely.intersection(area, ground), random=random, count=max(400, 20 * cores))
    return spots[balanced_places(spots, min(cores, len(spots)), random=random)]


def _letter(number: int) -> str:
    """A … Z, AA, AB, …"""
    name = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def _compact_parts(zone: shapely.Geometry, parts: int) -> list[shapely.Geometry]:
    """A zone in compact parts of like size, west to east and south to north."""
    from scipy.cluster.vq import kmeans2

    spots = spots_on(zone, random=np.random.default_rng(parts), count=150 * parts)
    centred = spots - spots.mean(axis=0)
    main = np.linalg.svd(centred, full_matrices=False)[2][0]
    along = centred @ (main * np.sign(main.sum() or 1.0))
    order = np.argsort(along, kind="stable")
    first = np.array([spots[rows].mean(axis=0) for rows in np.array_split(order, parts)])
    centres, labels = kmeans2(spots, first, minit="matrix", iter=100)
    centres = centres[np.unique(labels)]
    centres = centres[np.lexsort((centres[:, 1], centres[:, 0]))]
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(centres), extend_to=zone))
    pieces = []
    for centre in shapely.points(centres):
        cell = cells[int(np.argmax(shapely.covers(cells, centre)))]
        piece = shapely.intersection(zone, cell)
        if not piece.is_empty and piece.area > 0:
            pieces.append(piece)
    return pieces


def _with_ground(pieces: list[shapely.Geometry], ground: shapely.Geometry) -> list[shapely.Geometry]:
    """Pieces on which cores can be pulled; a piece without goes with its nearest neighbour."""
    open_m2 = [shapely.intersection(piece, ground).area for piece in pieces]
    kept = [piece for piece, m2 in zip(pieces, open_m2, strict=True) if m2 > 100.0]
    for piece, m2 in zip(pieces, open_m2, strict=True):
        if m2 <= 100.0 and kept:
            nearest = int(np.argmin(shapely.distance(piece, np.array(kept, dtype=object))))
            kept[nearest] = shapely.union(kept[nearest], piece)
    return kept


def field_parts(field: Field, ground: OpenGround) -> tuple[shapely.Geometry, ...]:
    """The user's zones, else areas of alike layers, else the whole treated ground."""
    treated = field.treated
    if field.zones is None:
        _, layers = varying_layers(field, ground.spots_m)
        return _alike_areas(field, treated) if layers else (treated,)
    merged: dict[float, list[shapely.Geometry]] = {}
    for polygon, value in zip(field.zones.polygons, field.zones.values, strict=True):
        merged.setdefault(float(value), []).append(polygon)
    cut = [shapely.intersection(shapely.union_all(parts), treated) for _, parts in sorted(merged.items())]
    rest = shapely.difference(treated, shapely.union_all(cut))
    return tuple(zone for zone in (*cut, rest) if zone.area > 0.1 * AC_M2)


def _alike_areas(field: Field, treated: shapely.Geometry) -> tuple[shapely.Geometry, ...]:
    """Zones drawn along the layers' main direction, as wide as the machine and of two acres or more."""
    grid = grid_over(treated, crs=field.crs, cell_m=10.0)
    values = standardised(varying_layers(field, grid.centers_m())[0])
    main = np.linalg.svd(values - values.mean(axis=0), full_matrices=False)[2][0]
    along = (values @ (main * np.sign(main[np.argmax(np.abs(main))]))).reshape(grid.shape)
    zones = draw(
        along, grid=grid, share=share_inside(grid, treated), treated=treated, least_patch_m2=_LEAST_PATCH_AC * AC_M2,
        least_width_m=field.settings.machine.swath_ft * FT_M, step=0.5, max_count=4,
    )  # fmt: skip
    return tuple(zones.outlines)

"""What the maps draw of a field: its ground, its zones with their rates, and ground they are unsure of, hatched."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Kind, Quantity
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.surface import Surface
from vrn.pages.field_drawing import EDGES, INK, PAPER, QUIET, FieldDrawing, Look
from vrn.pages.ramps import rate_colors
from vrn.pages.sample_places import MOST_PLACES
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, say

_GAP_KINDS: Final[dict[str, Kind]] = {
    "yield_goal_bu_ac": "yield", "organic_matter_pct": "organic_matter", "applied_n_lb_ac": "rate",
}  # fmt: skip
HATCHES: Final = {"far": "\\", "gap": "x"}  # kind of ground → hatch
_PER_AREA: Final = {"gal": "gal/ac", "lb": "lb/ac"}
_RESTS_ON: Final = {
    "need_lb_ac": ("nitrate_ppm", "deep_nitrate_ppm", "yield_goal_bu_ac", "organic_matter_pct", "applied_n_lb_ac")
}


def ground_drawing(ground: Field, shown: UnitFormat) -> FieldDrawing:
    """Outline, ground without nitrogen, and the places where cores were pulled."""
    none = shapely.intersection(ground.no_apply, ground.boundary)
    places = np.unique(ground.samples.field_readings().coordinates_m, axis=0)
    cores = shapely.multipoints(places[:: 1 + max(len(places) - 1, 0) // MOST_PLACES])
    west, south, east, north = ground.boundary.bounds
    return FieldDrawing(
        bounds_m=(west, south, east, north), metric=shown.metric,
        shapes=(
            (ground.boundary, Look(line=PAPER, width_pt=2.6)),
            (ground.boundary, Look(line=INK, width_pt=1.2)),
            (none, Look(fill=PAPER, line=QUIET, width_pt=0.6, hatch="/")),
            (cores, Look(fill=INK, line=PAPER, width_pt=0.5)),
        ),
    )  # fmt: skip


def rate_drawing(prescription: Prescription, shown: UnitFormat) -> FieldDrawing:
    """Zones in the colours of their rates, their numbers and rates on them, over the field's own drawing."""
    colors = rate_colors(prescription.rates)
    zones = tuple((rate.outline, Look(fill=colors[rate.zone])) for rate in prescription.rates)
    zones += tuple((rate.outline, edge) for edge in EDGES for rate in prescription.rates)
    ground = ground_drawing(prescription.field, shown)
    west, south, east, north = shapely.union(prescription.outline(), prescription.field.boundary).bounds
    return replace(
        ground, bounds_m=(west, south, east, north), shapes=zones + ground.shapes,
        labels=tuple((point, text) for _, point, text in zone_labels(prescription, shown)),
    )  # fmt: skip


def zone_labels(
    prescription: Prescription, shown: UnitFormat, *, of_product: bool = False
) -> list[tuple[int, shapely.Point, str]]:
    """Each zone, and its number and rate at the widest place of its largest part and of other large parts.

    The largest part of each zone first, the larger zone before the smaller: where two do not fit, the first stays. The
    rate is of nitrogen, or of product.
    """
    large_m2, unit = float(prescription.outline().area) / 30, prescription.product.unit
    by_hand = {one.zone for one in prescription.overrides}
    found = []
    for rate in prescription.rates:
        kind, value = (_PER_AREA[unit], rate.product_per_ac) if of_product else ("rate", rate.rate_n_lb_ac)
        text = f"{rate.zone}: {shown.number(kind, value)}{'*' if rate.zone in by_hand else ''}"
        parts = sorted((part for part in shapely.get_parts(rate.outline) if part.area > 0), key=lambda part: -part.area)
        found += [(i > 0, part, rate.zone, text) for i, part in enumerate(parts) if i == 0 or part.area >= large_m2]
    found.sort(key=lambda label: (label[0], -label[1].area))
    return [
        (zone, shapely.Point(shapely.maximum_inscribed_circle(part, tolerance=2.0).coords[0]), text)
        for _, part, zone, text in found
    ]


def paths_of(shapes: Sequence[shapely.Geometry]) -> tuple[str, tuple[str, ...]]:
    """Shapes in degrees as paths of one picture, north up: its box, and the path of each; a point is a dot."""
    west, south, east, north = shapely.union_all(shapely.envelope(list(shapes))).bounds
    across = max(math.cos(math.radians((south + north) / 2)), 0.01)
    scale = 640 / max((east - west) * across, north - south, 1e-6)

    def way(shape: shapely.Geometry) -> str:
        if shape.geom_type == "Point":
            return f"M{(shape.x - west) * across * scale:.1f} {(north - shape.y) * scale:.1f}h0"
        parts = shapely.get_parts(shape)
        rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
        return "".join(
            "M" + "L".join(f"{(x - west) * across * scale:.1f} {(north - y) * scale:.1f}" for x, y in ring.coords) + "Z"
            for ring in rings
        )

    box = f"-16 -16 {(east - west) * across * scale + 32:.0f} {(north - south) * scale + 32:.0f}"
    return box, tuple(way(shape) for shape in shapes)


def unknown_ground(prescription: Prescription, names: Sequence[str] = ("need_lb_ac",)) -> dict[str, shapely.Geometry]:
    """Ground to hatch, by kind: ``far`` from every reading, ``gap`` of a layer; only kinds that there are.

    The need rests on all of its surfaces.
    """
    masks: dict[str, list[NDArray[np.bool_]]] = {}
    for surface in _surfaces(prescription, names):
        for kind in HATCHES:
            found = getattr(surface.choice, kind)
            if found is not None and found.mask.any():
                masks.setdefault(kind, []).append(found.mask)
    if not masks:
        return {}
    treated = prescription.outline()
    return {
        kind: shapely.intersection(_outline(np.logical_or.reduce(some), prescription.grid), treated)
        for kind, some in masks.items()
    }


def hatched(
    drawing: FieldDrawing, prescription: Prescription, names: Sequence[str] = ("need_lb_ac",)
) -> tuple[tuple[shapely.Geometry, Look], ...]:
    """The drawing's shapes with the ground that is not known hatched over all but the last four."""
    over = tuple(
        (ground, replace(edge, width_pt=edge.width_pt * 0.7, hatch=HATCHES[kind]))
        for kind, ground in unknown_ground(prescription, names).items()
        for edge in EDGES
    )
    return (*drawing.shapes[:-4], *over, *drawing.shapes[-4:])


def hatch_legend(
    prescription: Prescription, shown: UnitFormat, names: Sequence[str] = ("need_lb_ac",)
) -> list[tuple[str, str]]:
    """Kind and meaning of each hatch that the maps of these surfaces have."""
    entries = []
    for surface in _surfaces(prescription, names):
        far, gap = getattr(surface.choice, "far", None), getattr(surface.choice, "gap", None)
        if far is not None and far.mask.any():
            entries.append(("far", say(shown, "map.hatch-far", threshold=Quantity("length", far.threshold_ft))))
        if gap is not None:
            kind = _GAP_KINDS[surface.name]
            code = f"map.hatch-gap-{kind.replace('_', '-')}"
            entries.append(("gap", say(shown, code, value=Quantity(kind, gap.value))))
    return list(dict.fromkeys(entries))


def _surfaces(prescription: Prescription, names: Sequence[str]) -> list[Surface]:
    known = dict.fromkeys(part for name in names for part in _RESTS_ON.get(name, (name,)))
    found = (prescription.surfaces.get(name) for name in known)
    return [surface for surface in found if surface is not None and surface.choice is not None]


def _outline(mask: NDArray[np.bool_], grid: Grid) -> shapely.Geometry:
    """Union of the cells of a mask."""
    from affine import Affine
    from rasterio.features import shapes

    found = shapes(mask.astype(np.uint8), mask=mask, transform=Affine(*grid.transform))
    return shapely.union_all([shapely.geometry.shape(outline) for outline, _ in found])

"""Ground the maps are unsure of, to be hatched: far from every reading, or without a value of a layer."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Kind, Quantity
from vrn.model.grid import Grid
from vrn.model.surface import Surface
from vrn.pages.field_drawing import QUIET, FieldDrawing, Look
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, say

HATCHES: Final = {"far": "\\", "gap": "x"}  # kind of ground → hatch
_RESTS_ON: Final = {"need_lb_ac": ("nitrate_ppm", "yield_goal_bu_ac", "organic_matter_pct")}


def unknown_ground(prescription: Prescription, names: Sequence[str] = ("need_lb_ac",)) -> dict[str, shapely.Geometry]:
    """
    Ground to hatch, by kind: ``far`` from every reading, ``gap`` of a layer; only kinds that there are.

    Parameters
    ----------
    names : sequence of str
        Surfaces that are shown; the need rests on all of them.
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
    """The drawing's shapes with the ground that is not known hatched over all but the last three."""
    over = tuple(
        (ground, Look(line=QUIET, width_pt=0.5, hatch=HATCHES[kind]))
        for kind, ground in unknown_ground(prescription, names).items()
    )
    return (*drawing.shapes[:-3], *over, *drawing.shapes[-3:])


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
            kind: Kind = "yield" if surface.name == "yield_goal_bu_ac" else "organic_matter"
            code = f"map.hatch-gap-{kind.replace('_', '-')}"
            entries.append(("gap", say(shown, code, value=Quantity(kind, gap.value))))
    return entries


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

"""The part of the report that shows the surfaces: maps, what they were chosen over, variogram, cross-validation."""

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from vrn.export.map_page_layers import KNOWN_SURFACES
from vrn.export.plots import Drawing, surface_maps
from vrn.export.plots_reasons import cross_validation_plot, variogram_plot
from vrn.export.ramps import DOUBT
from vrn.export.report_parts import Part, Picture, Table
from vrn.export.report_units import Shown
from vrn.field.samples import SoilSamples
from vrn.field.surface import Surface
from vrn.prescription.model import Prescription

if TYPE_CHECKING:
    from vrn.surface.transform import Scale

_FEWEST_PAIRED = 5


def surfaces_part(prescription: Prescription, shown: Shown) -> Part | None:
    """
    Maps of what was measured and how sure it is, and what the choice of each rests on.

    Parameters
    ----------
    prescription : Prescription
    shown : Shown

    Returns
    -------
    part : Part or None
        None when there is no surface.
    """
    pieces: list[Any] = []
    for name in ("nitrate_ppm", "deep_nitrate_ppm"):
        surface = prescription.surfaces.get(name)
        if surface is None or not np.isfinite(surface.values).any():
            continue
        title, quantity, ramp = KNOWN_SURFACES[name]
        unit, factor = shown.unit(quantity), shown.factor(quantity)
        drawings = [Drawing(title=f"{title}, {unit}", surface=surface, values=surface.values, ramp=ramp, factor=factor)]
        if surface.se is not None:
            words = f"Its standard error, {unit}"
            drawings.append(Drawing(title=words, surface=surface, values=surface.se, ramp=DOUBT, factor=factor))
        pieces.append(
            Picture(caption=f"{title}: made by {surface.chosen}.", alt=f"Map of {title.lower()}",
                    png=surface_maps(prescription, drawings, shown))
        )  # fmt: skip
        pieces += _reasons(prescription, name, surface, shown)
    others = [
        name for name in ("organic_matter_pct", "yield_goal_bu_ac", "need_lb_ac") if name in prescription.surfaces
    ]
    drawings = []
    for name in others:
        title, quantity, ramp = KNOWN_SURFACES[name]
        surface = prescription.surfaces[name]
        if np.isfinite(surface.values).any():
            words, factor = f"{title}, {shown.unit(quantity)}", shown.factor(quantity)
            drawings.append(Drawing(title=words, surface=surface, values=surface.values, ramp=ramp, factor=factor))
    if drawings:
        words = "; ".join(f"{KNOWN_SURFACES[name][0].lower()}: {prescription.surfaces[name].chosen}" for name in others)
        pieces.append(
            Picture(caption=f"The other layers ({words}).", alt="Maps of the other layers",
                    png=surface_maps(prescription, drawings, shown))
        )  # fmt: skip
    return Part(title="Surfaces", pieces=tuple(pieces)) if pieces else None


def _reasons(prescription: Prescription, name: str, surface: Surface, shown: Shown) -> list[Any]:
    """Candidates, variogram and cross-validation of one nitrate surface."""
    pieces: list[Any] = []
    candidates = [one for one in surface.details.get("candidates", ()) if isinstance(one, dict)]
    if candidates:
        rows = tuple(
            (str(one["name"]) + (" (taken)" if one["name"] == surface.chosen else ""), _figure(one.get("rmse"), 2),
             _figure(one.get("mean_error"), 2), _figure(one.get("msdr"), 2), _figure(one.get("skill"), 2))
            for one in candidates
        )  # fmt: skip
        unit = shown.unit("nitrate")
        pieces.append(
            Table(
                caption="Each sample guessed from the others: typical error, bias, squared error over stated variance "
                "(1 is right), and skill against the plain mean (0 is none)",
                header=("Way", f"Error, {unit}", f"Bias, {unit}", "Ratio", "Skill"), rows=rows, numbers=(1, 2, 3, 4),
                widths=(40, 15, 15, 15, 15),
            )
        )  # fmt: skip
    samples = _readings(prescription, name)
    return pieces if samples is None else [*pieces, *_plots(samples, surface, shown)]


def _plots(samples: SoilSamples, surface: Surface, shown: Shown) -> list[Any]:
    """Variogram of the kriging that was tried, and each sample against what the others say of its place."""
    pieces: list[Any] = []
    plain = surface.details.get("variogram")
    scale = _scale_of(surface)
    if plain is not None and scale is not None and len(samples) >= _FEWEST_PAIRED:
        pieces.append(_variogram_picture(samples, plain, scale))
    left_out = surface.details.get("left_out") or ()
    if len(left_out) == len(samples):
        pieces.append(
            Picture(
                caption=f"Cross-validation: each sample against what the others say of its place, by {surface.chosen}.",
                alt="Measured against guessed nitrate", width=0.5,
                png=cross_validation_plot(samples.nitrate_ppm, left_out, shown.unit("nitrate")),
            )
        )  # fmt: skip
    return pieces


def _scale_of(surface: Surface) -> "Scale | None":
    """Scale the variogram is on: that of the kriging taken, else of the last one tried; None where a drift is in it."""
    names = [str(one.get("name")) for one in surface.details.get("candidates", ()) if isinstance(one, dict)]
    kriged = [name for name in (*names, surface.chosen) if "kriging" in name]
    if not kriged or "drift" in kriged[-1]:
        return None
    endings: dict[str, Scale] = {"logarithms": "logarithm", "square roots": "square root"}
    return next((scale for ending, scale in endings.items() if kriged[-1].endswith(ending)), "plain")


def _variogram_picture(samples: SoilSamples, plain: dict[str, Any], scale: "Scale") -> Picture:
    from vrn.surface import Variogram, empirical_variogram
    from vrn.surface.transform import Transform

    names = ("model", "nugget", "partial_sill", "range_m", "nu", "anisotropy_ratio", "azimuth_deg")
    variogram = Variogram(**{key: plain[key] for key in names if plain.get(key) is not None})
    pairs = empirical_variogram(samples.coordinates_m, Transform(scale=scale).forward(samples.nitrate_ppm))
    about = f"{variogram.model}, nugget {variogram.nugget:.3g}, partial sill {variogram.partial_sill:.3g}"
    if plain.get("range_m") is not None:
        about += f", range {variogram.range_m:.0f} m"
    if plain.get("anisotropy_ratio") is not None:
        about += f" along {variogram.azimuth_deg:.0f}° (the line), {variogram.anisotropy_ratio:.2g} of that across"
    unit = "ppm²" if scale == "plain" else f"{scale} of ppm, squared"
    return Picture(
        caption=f"Variogram: {about}. Larger dots hold more pairs.", alt="Variogram of the nitrate readings", width=0.5,
        png=variogram_plot(pairs.distance_m, pairs.semivariance, pairs.pairs, variogram.semivariance, unit=unit),
    )  # fmt: skip


def _readings(prescription: Prescription, name: str) -> SoilSamples | None:
    """Point readings a nitrate surface was made from; None for composites or where layers were averaged."""
    from vrn.field.profile import profile_of

    profile = profile_of(prescription.field.samples.field_readings())
    layers = profile.top if name == "nitrate_ppm" else profile.deep
    if len(layers) != 1 or layers[0].areas or len(layers[0]) < 3:
        return None
    return layers[0]


def _figure(value: Any, decimals: int) -> str:
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        return "–"
    return f"{value + 0.0:.{decimals}f}".replace("-", "−")

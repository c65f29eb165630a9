"""The part of the report that shows the surfaces: maps, what they were chosen over, variogram, cross-validation."""

import math
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.model.samples import SoilSamples
from vrn.model.surface import Surface
from vrn.pages.map_page_layers import KNOWN_SURFACES
from vrn.pages.plots import Drawing, surface_maps
from vrn.pages.plots_reasons import cross_validation_plot, variogram_plot
from vrn.pages.ramps import DOUBT
from vrn.pages.report_parts import Bullets, Part, Picture, Table
from vrn.prescription.model import Prescription
from vrn.units import FT_M
from vrn.words import UnitFormat

if TYPE_CHECKING:
    from vrn.surface.transform import Scale

_FEWEST_PAIRED = 5


def surfaces_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """
    Maps of what was measured and how sure it is, and what the choice of each rests on.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

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
    wanted = ("organic_matter_pct", "yield_goal_bu_ac", "need_lb_ac", "harvest_left_out_pct")
    others = [name for name in wanted if name in prescription.surfaces]
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
    goal = prescription.surfaces.get("yield_goal_bu_ac")
    pieces += [] if goal is None else _harvests(goal)
    return Part(title="Surfaces", pieces=tuple(pieces)) if pieces else None


def _harvests(goal: Surface) -> list[Any]:
    """What cleaning left out of each season's harvest logs, filter by filter, with each filter's source."""
    seasons = goal.details.get("harvests", ())
    if not seasons:
        return []
    filters = goal.details["filters"]
    counts = [{rule["name"]: sum(log["removed"][rule["name"]] for log in season["logs"]) for rule in filters}
              for season in seasons]  # fmt: skip

    def row(label: str, key: str) -> tuple[str, ...]:
        return (label, *(f"{sum(log[key] for log in season['logs']):,}" for season in seasons))

    delays = (sorted({log["delay_records"] for log in season["logs"]}) for season in seasons)
    rows = [
        row("records", "records"),
        *((rule["name"], *(f"{count[rule['name']]:,}" for count in counts)) for rule in filters),
        row("kept", "kept"),
        row("passes", "passes"),
        ("records by which yields lag", *(", ".join(map(str, delay)) for delay in delays)),
    ]
    used = [rule for rule in filters if any(count[rule["name"]] for count in counts)]
    told = (f"{rule['name'].capitalize()}: {rule['does']} ({rule['source']})." for rule in used)
    table = Table(
        caption="Harvest logs: records left out, by the first filter that applied",
        header=("", *(PurePath(season["season"]).name for season in seasons)), rows=tuple(rows),
        numbers=tuple(range(1, len(seasons) + 1)),
    )  # fmt: skip
    return [table, Bullets(items=tuple(told))]


def _reasons(prescription: Prescription, name: str, surface: Surface, shown: UnitFormat) -> list[Any]:
    """Candidates, variogram and cross-validation of one nitrate surface; candidates of each slice where it has some."""
    slices = surface.details.get("layers") or [surface.details]
    pieces: list[Any] = []
    for number, details in enumerate(slices, start=1):
        which = f"Slice {number} from the top: each" if len(slices) > 1 else "Each"
        pieces += _candidates(details, which, shown)
    samples = _readings(prescription, name)
    return pieces if samples is None else [*pieces, *_plots(samples, surface, shown)]


def _candidates(details: dict[str, Any], which: str, shown: UnitFormat) -> list[Table]:
    """The ways that were tried, judged on samples left out."""
    candidates = [one for one in details.get("candidates", ()) if isinstance(one, dict)]
    if not candidates:
        return []
    rows = tuple(
        (str(one["name"]) + (" (taken)" if one["name"] == details.get("chosen") else ""), _figure(one.get("rmse"), 2),
         _figure(one.get("mean_error"), 2), _figure(one.get("msdr"), 2), _figure(one.get("skill"), 2))
        for one in candidates
    )  # fmt: skip
    unit = shown.unit("concentration")
    table = Table(
        caption=f"{which} sample guessed from the others: typical error, bias, squared error over stated variance "
        "(1 is right), and skill against the plain mean (0 is none). The first that no other beats beyond one standard "
        "error is taken, the mean where the field shows no pattern",
        header=("Way", f"Error, {unit}", f"Bias, {unit}", "Ratio", "Skill"), rows=rows, numbers=(1, 2, 3, 4),
        widths=(40, 15, 15, 15, 15),
    )  # fmt: skip
    return [table]


def _plots(samples: SoilSamples, surface: Surface, shown: UnitFormat) -> list[Any]:
    """Variogram of the kriging that was tried, and each sample against what the others say of its place."""
    pieces: list[Any] = []
    plain = surface.details.get("variogram")
    scale = _scale_of(surface)
    if plain is not None and scale is not None and len(samples) >= _FEWEST_PAIRED:
        pieces.append(_variogram_picture(samples, plain, scale, shown))
    left_out = surface.details.get("left_out") or ()
    if len(left_out) == len(samples):
        pieces.append(
            Picture(
                caption=f"Cross-validation: each sample against what the others say of its place, by {surface.chosen}.",
                alt="Measured against guessed nitrate", width=0.5,
                png=cross_validation_plot(samples.nitrate_ppm, left_out, shown.unit("concentration")),
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


def _variogram_picture(samples: SoilSamples, plain: dict[str, Any], scale: "Scale", shown: UnitFormat) -> Picture:
    from vrn.surface import Variogram, empirical_variogram
    from vrn.surface.transform import Transform

    names = ("model", "nugget", "partial_sill", "range_m", "nu", "anisotropy_ratio", "azimuth_deg")
    variogram = Variogram(**{key: plain[key] for key in names if plain.get(key) is not None})
    pairs = empirical_variogram(samples.coordinates_m, Transform(scale=scale).forward(samples.nitrate_ppm))
    about = f"{variogram.model}, nugget {variogram.nugget:.3g}, partial sill {variogram.partial_sill:.3g}"
    if variogram.range_m is not None:
        about += f", range {shown.text('length', variogram.range_m / FT_M)}"
    if plain.get("anisotropy_ratio") is not None:
        about += f" along {variogram.azimuth_deg:.0f}° (the line), {variogram.anisotropy_ratio:.2g} of that across"
    length_m = FT_M / shown.factor("length")  # metres in the unit of length that is shown

    def model(at: ArrayLike) -> NDArray[np.float64]:
        return variogram.semivariance(np.asarray(at) * length_m)

    unit = "ppm²" if scale == "plain" else f"{scale} of ppm, squared"
    return Picture(
        caption=f"Variogram: {about}. Larger dots hold more pairs.", alt="Variogram of the nitrate readings", width=0.5,
        png=variogram_plot(
            pairs.distance_m / length_m, pairs.semivariance, pairs.pairs, model, length=shown.unit("length"), unit=unit
        ),
    )  # fmt: skip


def _readings(prescription: Prescription, name: str) -> SoilSamples | None:
    """Point readings a nitrate surface was made from; None for composites or where layers were averaged."""
    from vrn.model.samples import profile_of

    profile = profile_of(prescription.field.samples.field_readings())
    layers = profile.top if name == "nitrate_ppm" else profile.deep
    if len(layers) != 1 or layers[0].areas or len(layers[0]) < 3:
        return None
    return layers[0]


def _figure(value: Any, decimals: int) -> str:
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        return "–"
    return f"{value + 0.0:.{decimals}f}".replace("-", "−")

"""The part of the report that shows the surfaces: maps, what they were chosen over, variogram, cross-validation."""

import math
from pathlib import PurePath
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.findings import Quantity
from vrn.model.samples import SoilSamples, profile_of
from vrn.model.surface import Surface
from vrn.model.surface_choice import Candidate, Harvest, SurfaceChoice, SurfaceSlice
from vrn.model.variogram import Variogram
from vrn.pages.map_page_layers import KNOWN_SURFACES, surface_title
from vrn.pages.plots import Drawing, cross_validation_plot, surface_maps, variogram_plot
from vrn.pages.ramps import DOUBT
from vrn.pages.report_parts import Bullets, Part, Picture, Piece, Table
from vrn.pages.unknown_ground import hatch_legend
from vrn.prescription.model import Prescription
from vrn.units import FT_M
from vrn.words import UnitFormat, say

if TYPE_CHECKING:
    from vrn.surface.transform import Scale

_FEWEST_PAIRED: Final = 5
_OTHERS: Final = ("organic_matter_pct", "yield_goal_bu_ac", "need_lb_ac", "harvest_left_out_pct")


def surfaces_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """Maps of what was measured and how sure it is, and what the choice of each rests on; None without a surface."""
    surfaces = {name: one for name, one in prescription.surfaces.items() if np.isfinite(one.values).any()}
    pieces: list[Piece] = []
    for name in ("nitrate_ppm", "deep_nitrate_ppm"):
        if name not in surfaces:
            continue
        surface, title = surfaces[name], surface_title(name, shown)
        drawings = [_drawing(surface, shown)]
        if surface.se is not None:
            words = say(shown, "surface.error-map", unit=shown.unit("concentration"))
            factor = shown.factor("concentration")
            drawings.append(Drawing(title=words, surface=surface, values=surface.se, ramp=DOUBT, factor=factor))
        pieces.append(
            Picture(
                caption=_caption(say(shown, "surface.made-by", title=title, chosen=surface.chosen), [name],
                                 prescription, shown),
                alt=say(shown, "surface.map-of", title=title), png=surface_maps(prescription, drawings, shown),
            )
        )  # fmt: skip
        pieces += _reasons(prescription, name, surface, shown)
    others = [surfaces[name] for name in _OTHERS if name in surfaces]
    if others:
        layers = "; ".join(
            say(shown, "surface.other-layer", title=surface_title(one.name, shown), chosen=one.chosen) for one in others
        )
        drawings = [_drawing(one, shown) for one in others]
        pieces.append(
            Picture(
                caption=_caption(say(shown, "surface.other-layers", layers=layers), [one.name for one in others],
                                 prescription, shown),
                alt=say(shown, "surface.other-layers-alt"), png=surface_maps(prescription, drawings, shown),
            )
        )  # fmt: skip
    goal = prescription.surfaces.get("yield_goal_bu_ac")
    if goal is not None and goal.choice is not None and goal.choice.harvests:
        pieces += _harvests(goal.choice.harvests, shown)
    return Part(title=say(shown, "surface.title"), pieces=tuple(pieces)) if pieces else None


def _caption(made: str, names: list[str], prescription: Prescription, shown: UnitFormat) -> str:
    return " ".join((made, *(meaning for _, meaning in hatch_legend(prescription, shown, names))))


def _drawing(surface: Surface, shown: UnitFormat) -> Drawing:
    quantity, ramp = KNOWN_SURFACES[surface.name]
    words = say(shown, "surface.with-unit", title=surface_title(surface.name, shown), unit=shown.unit(quantity))
    return Drawing(title=words, surface=surface, values=surface.values, ramp=ramp, factor=shown.factor(quantity))


def _harvests(seasons: tuple[Harvest, ...], shown: UnitFormat) -> list[Piece]:
    """What cleaning left out of each season's harvest logs, filter by filter, with each filter's source."""
    from vrn.surface.yield_cleaning import FILTERS, RAMP_M, SHORT_M

    counts = [{key: sum(log.removed[key] for log in season.logs) for key in FILTERS} for season in seasons]
    delays = (sorted({log.delay_records for log in season.logs}) for season in seasons)
    label = {key: say(shown, f"surface.filter-{key}") for key in FILTERS}
    rows = [
        ("records", *(f"{sum(log.records for log in season.logs):,}" for season in seasons)),
        *((label[key], *(f"{count[key]:,}" for count in counts)) for key in FILTERS),
        ("kept", *(f"{sum(log.kept for log in season.logs):,}" for season in seasons)),
        ("passes", *(f"{sum(log.passes for log in season.logs):,}" for season in seasons)),
        ("delay", *(", ".join(map(str, delay)) for delay in delays)),
    ]
    own = ("records", "kept", "passes", "delay")
    rows = [(say(shown, f"surface.harvest-{row[0]}"), *row[1:]) if row[0] in own else row for row in rows]
    lengths = {"ramp": Quantity("length", RAMP_M / FT_M), "short": Quantity("length", SHORT_M / FT_M)}
    used = [key for key in FILTERS if any(count[key] for count in counts)]
    table = Table(
        caption=say(shown, "surface.harvest-caption"),
        header=("", *(PurePath(season.season).name for season in seasons)), rows=tuple(rows),
        numbers=tuple(range(1, len(seasons) + 1)),
    )  # fmt: skip
    does = {key: say(shown, f"surface.does-{key}", **lengths) for key in used}
    items = (say(shown, "surface.filter", label=label[key], does=does[key], source=FILTERS[key]) for key in used)
    return [table, Bullets(items=tuple(items))]


def _reasons(prescription: Prescription, name: str, surface: Surface, shown: UnitFormat) -> list[Piece]:
    """Candidates, variogram and cross-validation of one nitrate surface; candidates of each depth where it has some."""
    choice = surface.choice or SurfaceChoice()
    slices = choice.slices or (SurfaceSlice(weight=1.0, chosen=surface.chosen, choice=choice),)
    pieces: list[Piece] = []
    for number, one in enumerate(slices, start=1):
        if one.choice.candidates:
            code = "surface.candidates" if len(slices) == 1 else "surface.candidates-slice"
            pieces.append(_candidates(one, say(shown, code, number=number), shown))
    samples = _readings(prescription, name)
    return pieces if samples is None else [*pieces, *_plots(samples, surface.chosen, choice, shown)]


def _candidates(one: SurfaceSlice, caption: str, shown: UnitFormat) -> Table:
    """The ways that were tried, judged on samples left out."""

    def row(tried: Candidate) -> tuple[str, ...]:
        name = say(shown, "surface.taken", name=tried.name) if tried.name == one.chosen else tried.name
        return (name, *(_figure(value) for value in (tried.rmse, tried.mean_error, tried.msdr, tried.skill)))

    unit = shown.unit("concentration")
    header = tuple(say(shown, f"surface.head-{key}", unit=unit) for key in ("way", "error", "bias", "ratio", "skill"))
    return Table(
        caption=caption, header=header, rows=tuple(row(tried) for tried in one.choice.candidates),
        numbers=(1, 2, 3, 4), widths=(40, 15, 15, 15, 15),
    )  # fmt: skip


def _plots(samples: SoilSamples, chosen: str, choice: SurfaceChoice, shown: UnitFormat) -> list[Piece]:
    """Variogram of the kriging that was tried, and each sample against its prediction from the others."""
    pieces: list[Piece] = []
    scale = _scale_of(chosen, choice)
    if choice.variogram is not None and scale is not None and len(samples) >= _FEWEST_PAIRED:
        pieces.append(_variogram_picture(samples, choice.variogram, scale, shown))
    if len(choice.left_out) == len(samples):
        pieces.append(
            Picture(
                caption=say(shown, "surface.cross-validation", chosen=chosen),
                alt=say(shown, "surface.cross-validation-alt"), width=0.5,
                png=cross_validation_plot(samples.nitrate_ppm, choice.left_out, shown),
            )
        )  # fmt: skip
    return pieces


def _scale_of(chosen: str, choice: SurfaceChoice) -> "Scale | None":
    """Scale the variogram is on: that of the kriging taken, else of the last one tried; None where a drift is in it."""
    kriged = [name for name in (*(one.name for one in choice.candidates), chosen) if "kriging" in name]
    if not kriged or "drift" in kriged[-1]:
        return None
    endings: dict[str, Scale] = {"logarithms": "logarithm", "square roots": "square root"}
    return next((scale for ending, scale in endings.items() if kriged[-1].endswith(ending)), "plain")


def _variogram_picture(samples: SoilSamples, variogram: Variogram, scale: "Scale", shown: UnitFormat) -> Picture:
    from vrn.surface import empirical_variogram
    from vrn.surface.transform import Transform

    pairs = empirical_variogram(samples.coordinates_m, Transform(scale=scale).forward(samples.nitrate_ppm))
    length_m = FT_M / shown.factor("length")  # metres in the unit of length that is shown

    def model(at: ArrayLike) -> NDArray[np.float64]:
        return variogram.semivariance(np.asarray(at) * length_m)

    shape = "flat" if variogram.range_m is None else "range" if variogram.anisotropy_ratio == 1.0 else "direction"
    caption = say(
        shown, f"surface.variogram-{shape}", model=variogram.model, nugget=f"{variogram.nugget:.3g}",
        sill=f"{variogram.partial_sill:.3g}",
        range=Quantity("length", (variogram.range_m or 0.0) / FT_M), ratio=f"{variogram.anisotropy_ratio:.2g}",
        azimuth=Quantity("number", variogram.azimuth_deg),
    )  # fmt: skip
    return Picture(
        caption=caption, alt=say(shown, "surface.alt-variogram"), width=0.5,
        png=variogram_plot(
            pairs.distance_m / length_m, pairs.semivariance, pairs.pairs, model, shown=shown,
            unit=say(shown, f"surface.squared-{scale.replace(' ', '-')}", unit=shown.unit("concentration")),
        ),
    )  # fmt: skip


def _readings(prescription: Prescription, name: str) -> SoilSamples | None:
    """Point readings a nitrate surface was made from; None for composites or where layers were averaged."""
    profile = profile_of(prescription.field.samples.field_readings())
    layers = profile.top if name == "nitrate_ppm" else profile.deep
    if len(layers) != 1 or layers[0].areas or len(layers[0]) < 3:
        return None
    return layers[0]


def _figure(value: float | None) -> str:
    return "–" if value is None or not math.isfinite(value) else f"{value + 0.0:.2f}".replace("-", "−")

"""What the field file says before the pass: of a reading, for its ledger at once; of a plan; of a trial."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import VrnError
from vrn.files.plan import write_plan
from vrn.findings import Finding
from vrn.model.field import Field
from vrn.model.job import CheckStripSection, TrialSection
from vrn.model.layers import Layer
from vrn.model.trials import LearnedReport
from vrn.nitrogen import Ledger, method
from vrn.nitrogen.doubt import IN_SEASON_SD
from vrn.nitrogen.field_need import need_of_cells
from vrn.nitrogen.lines import Values
from vrn.nitrogen.need_table import NeedTable, need_table
from vrn.nitrogen.season import Season
from vrn.pages.field_page import STAGES, EdgeNeed, field_page
from vrn.pages.plan_sheet import field_sheet
from vrn.pipeline.learning import Lesson, lesson_of
from vrn.pipeline.need import options_of, season_of_field, settled
from vrn.pipeline.order import build
from vrn.pipeline.soil import weights_of
from vrn.prescription.model import Prescription
from vrn.prescription.wanted import doubt_of
from vrn.sampling.ground import layer_at, spots_on
from vrn.sampling.plan import Plan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reader:
    """A field before its readings are in: what a reading at each of some places is worked with."""

    options: dict[str, object]  # of ``[nitrogen]``
    known: Values  # by the names of the methods' inputs; shape (places,) or a number
    season: Season
    findings: tuple[Finding, ...]  # of the user's own trials
    places: int  # how many
    lesson: Lesson | None = None  # of the farm's trials in earlier seasons

    def need(
        self, nitrate_ppm: float | NDArray[np.float64], deep_ppm: float | NDArray[np.float64] | None = None,
        *, growth_stage: str | None = None,
    ) -> tuple[Ledger, tuple[Finding, ...]]:  # fmt: skip
        """Ledger of readings at the places, as a build would work it; raises VrnError where the method cannot."""
        ledger, findings, _ = self.taught(nitrate_ppm, deep_ppm, growth_stage=growth_stage)
        return ledger, findings

    def taught(
        self, nitrate_ppm: float | NDArray[np.float64], deep_ppm: float | NDArray[np.float64] | None = None,
        *, growth_stage: str | None = None,
    ) -> tuple[Ledger, tuple[Finding, ...], LearnedReport | None]:  # fmt: skip
        """The same, and what the farm's trials of earlier seasons did to it."""
        known = {name: value for name, value in self.known.items() if deep_ppm is not None or "deep" not in name}
        stage = self.season.growth_stage if growth_stage is None else growth_stage
        ledger, findings = need_of_cells(
            self.options, season=self.season, nitrate_ppm=nitrate_ppm, deep_nitrate_ppm=deep_ppm, growth_stage=stage,
            to_build=True, **known,
        )  # fmt: skip
        report = None
        if self.lesson is not None:
            ledger, report, _ = self.lesson.taught(ledger)
        return ledger, (*self.findings, *findings), report

    def tables(self) -> tuple[dict[str, NeedTable], VrnError | None]:
        """The need by readings at every place, by stage; and why not, where the method holds at no stage."""
        deep, found, why = method(str(self.options["method"])).takes("deep_nitrate_ppm"), {}, None
        for stage in STAGES:

            def need_of(
                ppm: NDArray[np.float64], below: NDArray[np.float64] | None, stage: str = stage
            ) -> NDArray[np.float64]:
                spread = {name: np.repeat(value, len(ppm)) for name, value in self.known.items() if np.ndim(value)}
                reader = replace(self, known=self.known | spread)
                deep_ppm = None if below is None else np.tile(below, self.places)
                ledger = reader.need(np.tile(ppm, self.places), deep_ppm, growth_stage=stage)[0]
                return np.broadcast_to(ledger.unclipped_lb_ac, self.places * len(ppm)).reshape(self.places, len(ppm))

            try:
                found[stage] = need_table(need_of, deep=deep)
            except VrnError as error:
                why = error
        return found, None if found else why


def reader_of(field: Field, places_m: NDArray[np.float64] | None = None) -> Reader:
    """Everything but nitrate at places of the field [m], or at its average when none is given.

    Layers are read at the place itself; a yield layer is scaled to the goal, and of each layer's pattern counts the
    share that a build counts.
    """
    settings, cm = field.settings, field.settings.units == "metric"
    weather = field.weather
    season = season_of_field(field, otherwise_on=weather.days[-1] if weather is not None and weather.days else None)
    options, _, findings = options_of(field)
    spots = spots_on(field.treated, random=np.random.default_rng(1))
    first, second = (30 / 2.54, 60 / 2.54) if cm else (12.0, 24.0)
    known: Values = {
        "top_in": 0.0, "bottom_in": first, "deep_top_in": first, "deep_bottom_in": second,
        **settled(settings, season),
    }  # fmt: skip
    logs = getattr(field.yield_potential, "logs", ())
    weights = weights_of(settings, harvests=len({one.season or one.source for one in logs}),
                         alike=getattr(field.yield_potential, "years_alike", None))  # fmt: skip
    named = not any(one.code == "ingest.goal-missing" for one in field.findings)
    goal = settings.crop.yield_goal_bu_ac if named else None
    section = settings.layers.yield_potential
    scaled = section is not None and section.kind != "bu_ac"
    layers = {
        "yield_goal_bu_ac": (field.yield_potential, goal, scaled), "applied_lb_ac": (field.applied_n, None, False),
        "organic_matter_pct": (field.organic_matter, None, False),
    }  # fmt: skip
    for name, (layer, mean, of_goal) in layers.items():
        if mean is not None or (layer is not None and not of_goal):
            known[name] = _at(layer, mean, of_goal, places_m, spots, weights.get(name, 1.0))
    lesson, of_trials = lesson_of(field, settings.nitrogen.method)
    return Reader(options=options, known=known, season=season, findings=(*findings, *of_trials), lesson=lesson,
                  places=1 if places_m is None else len(places_m))  # fmt: skip


def write_planned(plan: Plan, folder: Path) -> tuple[Path, ...]:
    """Write a plan with all that goes along with it: files, form, sheet and the page for the phone."""
    return write_plan(plan, folder, sheet=field_sheet(plan), page=field_page(plan, edge_need(plan)))


def edge_need(plan: Plan) -> EdgeNeed:
    """What the plan's page answers with, at its places or, for composites, at their areas' middles."""
    field = plan.field
    places_m = plan.coordinates_m()
    if plan.areas:
        places_m = np.array([shapely.get_coordinates(shapely.point_on_surface(one))[0] for one in plan.areas.values()])
    reader = reader_of(field, places_m)
    tables, why = reader.tables()
    stage = field.settings.crop.growth_stage or ""
    if why is not None:
        return EdgeNeed(tables={}, stage=stage, doubt_lb_ac=IN_SEASON_SD, why_not=(why.problem, why.remedy))
    shown = stage if stage in tables else next(iter(tables))
    usual, _, learned = reader.taught(np.full(len(places_m), 15.0), growth_stage=shown)
    return EdgeNeed(tables=tables, stage=stage, doubt_lb_ac=doubt_of(field.settings, usual, learned).sd_lb_ac)


def _at(
    layer: Layer | None, mean: float | None, of_goal: bool, places_m: NDArray[np.float64] | None,
    spots: NDArray[np.float64], weight: float,
) -> NDArray[np.float64]:  # fmt: skip
    """A layer at the places: its mean with the counted share of what it says there; the mean where it says nothing."""
    count = 1 if places_m is None else len(places_m)
    if layer is None:
        return np.full(count, np.nan if mean is None else mean)
    everywhere = layer_at(layer, spots)
    own = float(np.nanmean(everywhere)) if np.isfinite(everywhere).any() else float("nan")
    middle = mean if of_goal and mean is not None else own
    if places_m is None:
        return np.full(1, middle)
    here = layer_at(layer, places_m) * (middle / own if of_goal else 1.0)
    return np.asarray(np.where(np.isfinite(here), middle + weight * (here - middle), middle))


def trial_of_field(
    field: Field, *, progress: Callable[[str], None] | None = None
) -> tuple[Prescription, Prescription | None, tuple[Finding, ...]]:
    """The field with the trial it asks for, else the usual one; where none fits, with check strips; what is told."""
    settings = replace(field.settings, trial=field.settings.trial or TrialSection(), check_strips=None)
    built, strips = build(replace(field, settings=settings), progress=progress), None
    assert built.trial is not None  # it was asked for
    if not built.trial.blocks:
        smallest = replace(settings, trial=None, check_strips=field.settings.check_strips or CheckStripSection())
        strips = build(replace(field, settings=smallest), progress=progress)
    zones = {plot.zone for plot in built.trial.plots}
    machine = [one for one in built.findings if one.code.startswith("rates.machine-")]
    told = (*built.trial.findings, *(one for one in machine if one.quantities["zone"].value in zones))
    return built, strips, told

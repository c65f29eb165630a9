"""Parts of the field file beside the pass and of it: manure, water, placement and outlets, trials laid into it."""

from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Gt, Le, Lt, MinLen

Positive = Annotated[float, Gt(0), Lt(1e6)]
Share = Annotated[float, Ge(0), Le(1)]
Percent = Annotated[float, Ge(0), Le(100)]
Rate = Annotated[float, Ge(0), Le(400)]  # of a pass [lb N/ac]
NotNegative = Annotated[float, Ge(0), Lt(1e6)]
Text = Annotated[str, MinLen(1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ManureSpread:
    """``[credits.manure_spread]``: manure nitrogen, of which what appears after sampling is credited. [lb N/ac]"""

    kind: Literal["liquid", "solid", "poultry", "nebraska"] = "solid"
    organic_n_lb_ac: NotNegative = 0.0  # spread for this season
    organic_n_last_year_lb_ac: NotNegative = 0.0
    organic_n_two_years_ago_lb_ac: NotNegative = 0.0
    ammonium_after_sampling_lb_ac: NotNegative = 0.0  # spread after the cores were pulled
    days_to_incorporation: Annotated[float, Ge(0), Le(60)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class IrrigationWater:
    """``[credits.water]``: nitrate-N of irrigation water, and how much of it is still to come and to be used."""

    nitrate_ppm: Annotated[float, Ge(0), Le(200)]
    water_in: Annotated[float, Ge(0), Le(60)]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveOut:
    """``[[samples.leave_out]]``: a place whose readings a person does not count, and why."""

    sample_id: Text
    reason: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSection:
    """``[job]``: how this pass is put on, by whom, and what the cab needs to know of the machine."""

    placement: Literal["drops", "injected", "broadcast", "incorporated"] | None = None
    inhibitor: Literal["none", "urease", "nitrification", "both"] = "none"
    growth_stage: Text | None = None  # on the day it is applied; that of the samples when not given
    operator: Text | None = None
    emergency: Text | None = None  # whom to call, and how to find the field
    outlets: Annotated[int, Ge(1), Le(400)] | None = None  # nozzles, drops or knives over the swath
    nozzle_flow_gal_min: Positive | None = None  # of one outlet, with water
    nozzle_psi: Positive | None = None  # at which it has that flow
    min_psi: Positive | None = None  # between which the outlets work as they should
    max_psi: Positive | None = None
    turn_s: Annotated[float, Ge(0), Le(600)] = 20.0  # at the end of a pass
    refill_min: Annotated[float, Ge(0), Le(600)] = 20.0  # between two loads


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningSection:
    """``[learning]``: what earlier trials of the farm say, as lines of the need; absent unless asked for."""

    book: Text  # season book with the harvested trials
    use: tuple[Literal["level", "supplies", "shape"], ...] = ("level", "supplies", "shape")  # empty for ``false``
    leave_out: tuple[Text, ...] = ()  # trials, each with a reason: "North 40 2025 block 2: hail"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStripSection:
    """``[check_strips]``: strips of more and less nitrogen to learn from; absent unless asked for."""

    step_n_lb_ac: Annotated[float, Gt(0), Le(100)] = 30.0
    pairs: Annotated[int, Ge(1), Le(6)] = 1
    width_ft: Annotated[float, Gt(0), Le(400)] | None = None  # a swath when not given
    length_ft: Annotated[float, Gt(0), Le(5000)] = 400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialSection:
    """``[trial]``: blocks of plots at five rates, laid into the pass to learn from; absent unless asked for."""

    blocks: Annotated[int, Ge(1), Le(4)] = 2
    step_n_lb_ac: Annotated[float, Ge(25), Le(60)] = 30.0
    harvest_width_ft: Annotated[float, Gt(5), Le(80)] | None = None  # of the combine's header
    harvest_lines: Literal["shared", "own"] = "own"  # whether the combine follows the applicator's lines
    length_ft: Annotated[float, Ge(200), Le(2000)] | None = None  # of a plot; as long as it must be when not given
    corn_ac: Annotated[float, Gt(0), Le(1e6)] | None = None  # the farm's corn next season, which the trial is to serve

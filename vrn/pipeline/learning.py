"""What the farm's own trials say, as lines of the need beside the method's, and what it would be without them."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.field import Field
from vrn.model.trials import LearnedReport, PastTrial, TrialTop
from vrn.nitrogen.doubt import usual_sd
from vrn.nitrogen.ledger import Ledger, Line, Number, total_of
from vrn.nitrogen.lines import line_of
from vrn.pipeline.need import Need
from vrn.prescription.uncertainty import NINE_IN_TEN
from vrn.prescription.wanted import doubt_of, payoff_of
from vrn.response import Plot, Trial, ZoneNeed, learn
from vrn.response.learn import MOST, Learned, share_of_one_season, supply_sd, usual_anchor_lb_ac
from vrn.response.loss import ANCHOR
from vrn.response.places import Spread, supplies_of

Array = NDArray[np.float64]
_OWN: Final = "your own trials"
_TELLS: Final = {"soil_nitrate": 0.98}  # of its prior spread: above it a supply's worth is not shown as learned
_ELSE_TELLS: Final = 0.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lesson:
    """What the trials that count say to any ledger of a field."""

    field: Field
    used: tuple[PastTrial, ...]
    skipped: tuple[tuple[str, str], ...]
    learned: Learned
    typical: dict[str, float]
    moved: tuple[float, ...]  # level by each trial alone [lb N/ac]

    def taught(
        self, ledger: Ledger, weights: Array | None = None
    ) -> tuple[Ledger, LearnedReport | None, tuple[Finding, ...]]:  # fmt: skip
        """A ledger of cells with the learned lines, the sum of which is held; as it was where no need is known.

        `weights` (n,): of the cells in the mean ground that steepness and the report are about. None for readings that
        are no field together: then it is ground with the farm's usual supplies.
        """
        of_readings = weights is None
        weights = np.ones(np.size(ledger.unclipped_lb_ac)) if weights is None else weights
        learned, section = self.learned, self.field.settings.learning
        assert section is not None  # a lesson is made for it
        alone = np.ndim(ledger.unclipped_lb_ac) == 0  # one reading: numbers stay numbers
        supplies = {name: values.item() if alone else values
                    for name, values in _supplies(ledger, len(weights)).items()}  # fmt: skip
        told = [name for name in supplies if _tells(learned, name)]

        def mean(values: Number) -> float:
            whole = np.broadcast_to(np.asarray(values, dtype=float), weights.shape)
            known = np.isfinite(whole)
            return float(np.average(whole[known], weights=weights[known])) if known.any() else float("nan")

        means = {name: mean(supplies[name]) for name in told}
        if of_readings:
            means |= {name: self.typical[name] for name in told if name in self.typical}
        need = mean(ledger.unclipped_lb_ac)
        if not np.isfinite(need):
            return ledger, None, (note("season.learned-nothing", "learning"),)
        place = ZoneNeed(field=self.field.name, zone="", season=self.field.settings.header.season, need_lb_ac=need,
                         supplies=means,
                         typical={name: self.typical.get(name, means[name]) for name in told})  # fmt: skip
        lines: list[Line] = []
        inputs: dict[str, Number] = {}
        if "level" in section.use:
            level = learned.level(self.field.name).mean
            lines.append(_line("level", level, f"mean of what {len(self.used)} trials say", {}))
        if "supplies" in section.use:
            for name in told:
                worth, usual = learned.worth(name).mean, place.typical[name]
                here = f"learned_{name}_lb_ac"
                inputs[here] = supplies[name]
                lines.append(_line(name, (1 - worth) * (supplies[name] - usual),
                                   f"(1 − {worth:.4g}) × ({{{here}}} lb here − {usual:.4g} lb usual)",
                                   inputs))  # fmt: skip
        payoff = payoff_of(self.field.settings, ledger)
        ratio = ANCHOR if payoff is None or payoff.rule == "need" else payoff.ratio
        shape = _shape(learned, place, ratio)
        if "shape" in section.use:
            lines.append(_line("shape", shape, "rate that pays best by the same trials, less level and supplies", {}))
        moved = np.broadcast_to(np.asarray(sum((line.lb_ac for line in lines), start=0.0), dtype=float), weights.shape)
        held = np.clip(moved, -MOST, MOST) - moved
        if np.nan_to_num(held).any():
            most = {"most": Quantity("rate", MOST)}
            by = held.item() if alone else held
            lines.append(replace(_line("hold", by, f"no further than {MOST:g} lb/ac", {}), quantities=most))
        level_sd = doubt_of(self.field.settings, ledger).sd_lb_ac
        report = _learned_report(learned, self.used, self.skipped, place, moved=self.moved,
                                 level_sd_lb_ac=level_sd, whole="level" in section.use)  # fmt: skip
        report = replace(report, shape_lb_ac=shape, held_share=mean(np.nan_to_num(held) != 0),
                         total_lb_ac=mean(moved + held))  # fmt: skip
        return ledger.plus(*lines, inputs=inputs), report, tuple(_findings(report))


def lesson_of(field: Field, method: str | None) -> tuple[Lesson | None, tuple[Finding, ...]]:
    """
    What the trials of the field file's book say where a method builds; None without ``[learning]`` or where none count.

    Raises
    ------
    InputFileError
        If ``leave_out`` names no trial of the book, or gives no reason.
    """
    section = field.settings.learning
    if section is None:
        return None, ()
    used, skipped = _usable(field.past_trials, section.leave_out, method)
    said = tuple(_skipped(skipped))
    if not used or not section.use:
        return None, (*said, note(f"season.learned-{'off' if used else 'nothing'}", "learning"))
    learned = learned_of(used)
    return Lesson(field=field, used=used, skipped=skipped, learned=learned, typical=typical_of(used),
                  moved=_alone(learned)), said  # fmt: skip


def with_learning(field: Field, needed: Need, share: Array) -> tuple[Need, LearnedReport | None, tuple[Finding, ...]]:
    """The need with what earlier trials say as further lines; as it was without ``[learning]``, or where none count."""
    lesson, said = lesson_of(field, needed.ledger.key)
    if lesson is None:
        return needed, None, said
    ledger = needed.ledger.take(needed.cells)
    taught, report, more = lesson.taught(ledger, share.ravel()[needed.cells])
    if report is None:
        return needed, None, (*said, *more)
    total = np.asarray(total_of(line.lb_ac for line in taught.lines[len(ledger.lines) :]), dtype=float)
    plain = needed.need_of
    return (
        replace(needed, ledger=taught.spread(needed.cells, share.size), need_of=lambda given: plain(given) + total),
        report, (*said, *more),
    )  # fmt: skip


def _usable(
    trials: Sequence[PastTrial], leave_out: Sequence[str], method: str | None
) -> tuple[tuple[PastTrial, ...], tuple[tuple[str, str], ...]]:
    """Trials that count, and the name of each that does not with why: a person's reason, or ``draft``, ``method``."""
    refused: dict[str, str] = {}
    known = [trial.name for trial in trials]
    for entry in leave_out:
        name = next((one for one in known if entry.startswith(f"{one}:")), "")
        reason = entry.removeprefix(f"{name}:").strip()
        if not name or not reason:
            problem = f'learning.leave_out: "{entry}" names no trial of the book with a reason.'
            raise InputFileError(problem, f'Write "NAME: reason", where NAME is one of {", ".join(known) or "none"}.')
        refused[name] = reason
    used, skipped = [], []
    for trial in trials:
        why = f"person: {refused[trial.name]}" if trial.name in refused else ""
        why = why or ("" if trial.approved else "draft") or ("" if method in (None, trial.method) else "method")
        if why:
            skipped.append((trial.name, why))
        else:
            used.append(trial)
    return tuple(used), tuple(skipped)


def learned_of(trials: Sequence[PastTrial]) -> Learned:
    """What trials of a book say together, with the anchor that a build hands over; InputFileError for two of one."""
    try:
        return learn(_learned_trials(trials), anchor_lb_ac=usual_anchor_lb_ac())
    except OutOfRangeError as error:
        problem = f"learning.book: {error.problem}"
        raise InputFileError(problem, "Leave one of them out with leave_out in [learning].") from error


def _learned_trials(trials: Sequence[PastTrial]) -> list[Trial]:
    """Trials of a book as the learner takes them, in their order."""
    typical = typical_of(trials)
    return [_trial(trial, typical) for trial in trials]


def typical_of(trials: Sequence[PastTrial]) -> dict[str, float]:
    """The farm's usual supplies: the mean over the fields and seasons that had a trial, by their acres. [lb N/ac]"""
    whole = {trial.rx: trial for trial in trials}.values()
    names = sorted({name for trial in whole for name in trial.typical})
    return {
        name: float(np.average([trial.typical[name] for trial in whole if name in trial.typical],
                               weights=[trial.acres for trial in whole if name in trial.typical]))
        for name in names
    }  # fmt: skip


def _tells(learned: Learned, supply: str) -> bool:
    """Whether the trials say something of what a supply is worth."""
    return learned.worth(supply).sd < _TELLS.get(supply, _ELSE_TELLS) * supply_sd(supply)


def _learned_report(
    learned: Learned, used: Sequence[PastTrial], skipped: tuple[tuple[str, str], ...], place: ZoneNeed, *,
    moved: Sequence[float], level_sd_lb_ac: float, whole: bool = True,
) -> LearnedReport:  # fmt: skip
    """What trials say of the farm, and of a place in a season to come, whose level was in doubt by so much before.

    `whole`: whether the level follows them; where it does not, they leave no less doubt of it.
    """
    names = sorted({name for trial in learned.trials for name in trial.supplies})
    told = [name for name in names if _tells(learned, name)]
    top, shift = learned.top(place), learned.shift(place)
    left = top.sd / learn([], anchor_lb_ac=learned.anchor_lb_ac).top(place).sd
    left = left if whole else max(left, 1.0)
    apart = NINE_IN_TEN * left * level_sd_lb_ac
    return LearnedReport(
        trials=tuple(trial.name for trial in used), seasons=len({trial.season for trial in used}), skipped=skipped,
        level=_span(learned.level()), worth={name: _span(learned.worth(name)) for name in told},
        silent=tuple(name for name in names if name not in told), shape_lb_ac=_shape(learned, place, ANCHOR),
        kink_weight=learned.kink_weight, together=_span(shift),
        top=(top.mean, top.mean - apart, top.mean + apart), doubt_share=left, total_lb_ac=0.0,
        more=sum(one > _AS_BUDGET for one in moved), less=sum(one < -_AS_BUDGET for one in moved),
        one_season_share=share_of_one_season(), held_share=0.0,
    )  # fmt: skip


_AS_BUDGET: Final = 3.0  # what a trial may move the level by and still say what the budget says [lb N/ac]


def _alone(learned: Learned) -> tuple[float, ...]:
    """How far each trial alone says that T lies above need and anchor. [lb N/ac]"""
    alone = [learn([trial], anchor_lb_ac=learned.anchor_lb_ac) for trial in learned.trials]
    return tuple(one.shift(_place_of(trial)).mean for one, trial in zip(alone, learned.trials, strict=True))


def _place_of(trial: Trial) -> ZoneNeed:
    """The ground of a trial, as if nothing had been seen on it."""
    return ZoneNeed(field=trial.field, zone=trial.zone, season=trial.season, need_lb_ac=trial.need_lb_ac,
                    supplies=trial.supplies, typical=trial.typical)  # fmt: skip


def _trial(trial: PastTrial, typical: Mapping[str, float]) -> Trial:
    plots = tuple(
        Plot(n_lb_ac=plot.n_lb_ac, yield_bu_ac=plot.yield_bu_ac, x_ft=plot.x_ft, y_ft=plot.y_ft)
        for plot in trial.plots if not plot.why
    )  # fmt: skip
    return Trial(
        field=trial.field, zone=trial.block, season=trial.season, need_lb_ac=trial.need_lb_ac, plots=plots,
        supplies=trial.supplies, typical={name: typical[name] for name in trial.supplies if name in typical},
    )  # fmt: skip


def _shape(learned: Learned, place: ZoneNeed, ratio: float) -> float:
    """What is learned of steepness and spread does to the best rate, level and supplies apart. [lb N/ac]"""
    before = learn([], anchor_lb_ac=learned.anchor_lb_ac)
    moved = learned.rate(place, price_ratio=ratio) - before.rate(place, price_ratio=ratio)
    return moved - learned.shift(place).mean


def _supplies(ledger: Ledger, count: int) -> dict[str, Array]:
    """Pounds of each supply in each cell; those known nowhere are left out."""
    lines: dict[str, float | Array] = {}
    for line in ledger.lines:
        lines[line.key] = lines.get(line.key, 0.0) + line.lb_ac
    found = {
        name: np.broadcast_to(np.asarray(value, dtype=float), (count,)) for name, value in supplies_of(lines).items()
    }
    return {name: values for name, values in found.items() if np.isfinite(values).all()}


def _line(name: str, lb_ac: Number, basis: str, inputs: Mapping[str, Number]) -> Line:
    code = "learned_credits" if name.startswith("credit") else f"learned_{name}"
    label = f"Learned on your own ground: {name.replace('_', ' ')}"
    return line_of(dict(inputs), key=f"learned_{name}", code=code, label=label, lb_ac=lb_ac, basis=basis, source=_OWN)


def _span(spread: Spread) -> tuple[float, float, float]:
    return spread.mean, spread.low, spread.high


def _skipped(skipped: tuple[tuple[str, str], ...]) -> Iterator[Finding]:
    for name, why in skipped:
        if why.startswith("person: "):
            yield note("season.learned-left-out", "learning", trial=name, why=why.removeprefix("person: "))
        else:
            yield note(f"season.learned-{why}", "learning", trial=name)


def _findings(report: LearnedReport) -> Iterator[Finding]:
    def rate(value: float) -> Quantity:
        return Quantity("rate", value)

    mean, low, high = report.together
    yield note("season.learned", "learning", trials=len(report.trials), seasons=report.seasons,
               total=rate(report.total_lb_ac), together=rate(mean), low=rate(low), high=rate(high),
               shape=rate(report.shape_lb_ac), more=report.more, less=report.less)  # fmt: skip
    mean, low, high = report.top
    yield note("season.learned-range", "learning", mean=rate(mean), low=rate(low), high=rate(high))
    if report.seasons == 1:
        share = Quantity("share", report.one_season_share)
        yield note("season.learned-one-season", "learning", share=share)
    for name in report.silent:
        which = "credits" if name.startswith("credit") else name.replace("_", "-")
        yield note(f"season.learned-no-{which}", "learning")
    if report.held_share > 0:
        yield warning("season.learned-held", "learning", share=Quantity("share", report.held_share), most=rate(MOST))


def against_need(trial: PastTrial) -> tuple[float, float, float, float]:
    """Rate at which yield levels off by the budget, and by the trial alone: mean and 90 % ends. [lb N/ac]"""
    learned = learned_of([trial])
    there = learned.seen(learned.trials[0])
    return trial.need_lb_ac + learned.anchor_lb_ac, there.mean, there.low, there.high


def learned_in(
    trials: Sequence[PastTrial], *, without: Sequence[str] = ()
) -> tuple[LearnedReport | None, tuple[TrialTop, ...]]:
    """What the trials of a book say together, None where none counts, and each one against what was expected.

    InputFileError if ``without`` names no trial.
    """
    used, skipped = _usable(trials, [f"{name}: left out" for name in without], None)
    if not used:
        return None, ()
    learned = learned_of(used)
    rows = []
    for past, trial in zip(used, _learned_trials(used), strict=True):
        earlier = [one for one in used if one.season < past.season]
        before = learned_of(earlier) if earlier else None
        budget, said, low, high = against_need(past)
        expected = budget if before is None else before.top(_place_of(trial)).mean
        rows.append(TrialTop(trial=past.name, season=past.season, budget_lb_ac=budget, expected_lb_ac=expected,
                             said_lb_ac=said, low_lb_ac=low, high_lb_ac=high, first_season=before is None))  # fmt: skip
    usual = typical_of(used)
    need = float(np.mean([trial.need_lb_ac for trial in used]))
    place = ZoneNeed(field="", zone="", season=0, need_lb_ac=need, supplies=usual, typical=usual)
    level_sd = max(usual_sd(trial.method) for trial in used)
    return _learned_report(learned, used, skipped, place, moved=_alone(learned), level_sd_lb_ac=level_sd), tuple(rows)

"""``vrn need``: one reading to the nitrogen still needed, as a ledger."""

import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import numpy as np
import typer

from vrn.cli.app import app, say, say_findings, say_json
from vrn.errors import OutOfRangeError
from vrn.findings import Finding, Quantity, warning
from vrn.nitrogen import Ledger, Method, method
from vrn.nitrogen.catalogue import inputs_of
from vrn.nitrogen.cautions import region_caution, stage_caution, surplus_caution
from vrn.nitrogen.doubt import LevelDoubt, usual_doubt
from vrn.nitrogen.field_need import MethodResult, disagreements, need_of_cells, side_by_side
from vrn.nitrogen.ledger import largest_remainder
from vrn.nitrogen.season import Season
from vrn.words import UnitFormat, finding_texts, findings_json, label_of
from vrn.words import say as sentence

if TYPE_CHECKING:
    from vrn.model.field import Field
    from vrn.model.trials import LearnedReport
    from vrn.pipeline.learning import Lesson

METER_PPM: Final = 1.5  # what a field meter is good to, either way
LEAST_GOAL_BU_AC, MOST_GOAL_BU_AC = 20.0, 450.0  # as in the field file
ODD_PPM: Final = 100.0  # a choice of this project
TRADE: Final = UnitFormat(metric=False)  # what the options are given in

_OPTION: Final = {
    "yield_goal_bu_ac": "--yield-goal", "growth_stage": "--stage", "organic_matter_pct": "--om", "b": "--response-b",
    "base_rate_lb_ac": "--base-rate", "history_factor": "--history-factor", "c": "--response-c",
    "price_ratio": "--price-ratio", "profile_nitrate_ppm": "--profile-ppm",
    "profile_nitrate_lb_ac": "--ppm-deep with --deep-bottom-in 24, or --profile-ppm",
}  # fmt: skip

_HELP = """Nitrogen still needed from one soil nitrate reading, as a ledger that adds up.

With --field, the field file gives what does not change from reading to reading, and answers are in its units. With
--many, readings come on standard input, one a line: place, ppm, and ppm of the core below where it was pulled.

Example:  vrn need --ppm 13 --depth-in 12 --ppm-deep 7 --deep-bottom-in 24 --yield-goal 210 --stage V7 --om 2.6

Example:  vrn need --field demo_fields/cedar_bend/field.toml --ppm 13
"""


@app.command(help=_HELP)
def need(
    ppm: Annotated[float | None, typer.Option("--ppm", help="NO3-N in the top core, ppm in dry soil")] = None,
    field_file: Annotated[Path | None, typer.Option("--field", metavar="FIELD.toml", help="the field file")] = None,
    many: Annotated[bool, typer.Option("--many", help="readings on standard input: place ppm [ppm below]")] = False,
    depth_in: Annotated[float | None, typer.Option("--depth-in", help="where that core ends, in; 12")] = None,
    yield_goal: Annotated[float | None, typer.Option("--yield-goal", help="bu/ac")] = None,
    stage: Annotated[str | None, typer.Option("--stage", help="leaf collars on the sampling date, as V7")] = None,
    om: Annotated[float | None, typer.Option("--om", help="organic matter, %")] = None,
    ppm_deep: Annotated[float | None, typer.Option("--ppm-deep", help="NO3-N in the core below, ppm")] = None,
    deep_bottom_in: Annotated[float | None, typer.Option("--deep-bottom-in", help="where that ends, in; 24")] = None,
    second_foot_share: Annotated[float | None, typer.Option(help="share of the deep nitrate counted, 0 to 1")] = None,
    n_per_bushel: Annotated[float | None, typer.Option(help="nitrogen the crop takes up, lb/bu")] = None,
    bulk_density: Annotated[float | None, typer.Option(help="dry soil, g/cm³")] = None,
    texture: Annotated[str | None, typer.Option(help="texture class, for a bulk density")] = None,
    critical_ppm: Annotated[float | None, typer.Option(help="critical value of the Iowa test, ppm")] = None,
    history_factor: Annotated[float | None, typer.Option(help="of the older Penn State test")] = None,
    base_rate: Annotated[float | None, typer.Option(help="base rate of the Ohio and Michigan tests, lb/ac")] = None,
    profile_ppm: Annotated[float | None, typer.Option(help="mean NO3-N of 0-24 in, ppm")] = None,
    response_b: Annotated[float | None, typer.Option(help="slope of your own yield response, bu/lb")] = None,
    response_c: Annotated[float | None, typer.Option(help="bend of it, below 0")] = None,
    price_ratio: Annotated[float | None, typer.Option(help="$/lb N over $/bu corn")] = None,
    applied: Annotated[float | None, typer.Option("--applied", help="nitrogen already put on, lb/ac")] = None,
    credits_: Annotated[float | None, typer.Option("--credits", help="appears after sampling, lb/ac")] = None,
    others: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="NAME=NUMBER", help="any other input, as `vrn methods KEY` names it; repeatable"),
    ] = None,
    key: Annotated[str | None, typer.Option("--method", help="a key of `vrn methods`; remaining-need")] = None,
    all_methods: Annotated[bool, typer.Option("--all-methods", help="what every published method says")] = False,
    allow_outside: Annotated[bool, typer.Option("--allow-outside", help="answer outside the calibration too")] = False,
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Work the ledger of one reading and print it."""
    base = _Base() if field_file is None else _base(field_file)
    chosen = method(key or str(base.options.get("method", "remaining-need")))
    options = {**base.options, **_given({
        "method": chosen.key, "second_foot_share": second_foot_share, "n_per_bushel_lb": n_per_bushel,
        "bulk_density_g_cm3": bulk_density, "texture": texture, "critical_ppm": critical_ppm,
        "history_factor": history_factor, "base_rate_lb_ac": base_rate, "profile_nitrate_ppm": profile_ppm,
        "response_b": response_b, "response_c": response_c, **_set(chosen, others or []),
    })}  # fmt: skip
    known = {"top_in": 0.0, "bottom_in": 12.0, "deep_bottom_in": 24.0, **base.known, **_given({
        "bottom_in": depth_in, "growth_stage": stage, "yield_goal_bu_ac": yield_goal, "organic_matter_pct": om,
        "price_ratio": price_ratio, "deep_bottom_in": deep_bottom_in, "applied_lb_ac": applied,
        "credits_lb_ac": None if credits_ is None else {"other": credits_},
    })}  # fmt: skip
    _refuse_nan(options | known | {"ppm": ppm, "ppm_deep": ppm_deep, "credits": credits_})
    _refuse_metric(yield_goal)
    asked = _Asked(chosen=chosen, options=options, known=known, season=base.season, shown=base.shown,
                   allow_outside=allow_outside)  # fmt: skip
    if base.ground is not None and base.ground.settings.learning is not None:
        from vrn.pipeline.learning import lesson_of

        lesson, of_trials = lesson_of(base.ground, chosen.key)
        asked = replace(asked, lesson=lesson, of_trials=of_trials)
    if many:
        from vrn.cli.need_many import answer_lines

        _refuse_missing(chosen, {**options, **known, "nitrate_ppm": 0.0, "deep_nitrate_ppm": 0.0})
        answer_lines(sys.stdin, lambda at, below: float(asked.ledger(at, below).need_lb_ac), asked.shown, json_)
        return
    if ppm is None:
        problem = "No reading was given."
        raise OutOfRangeError(problem, "Give it as --ppm 13, or many on standard input with --many.")
    if all_methods:
        results = asked.results(ppm, ppm_deep)
        if json_:
            say_json([_plain_result(result) for result in results])
        else:
            _say_results(results, asked.shown)
        return
    _refuse_missing(chosen, {**options, **known, "nitrate_ppm": ppm, "deep_nitrate_ppm": ppm_deep})
    _answer(asked, ppm, ppm_deep, json_)


@dataclass(frozen=True, kw_only=True)
class _Base:
    """What a field file says of every reading; of none, nothing."""

    options: Mapping[str, Any] = field(default_factory=dict)
    known: Mapping[str, Any] = field(default_factory=dict)
    season: Season | None = None
    shown: UnitFormat = TRADE
    ground: "Field | None" = None


def _base(field_file: Path) -> _Base:
    from vrn.ingest.read import read_ground
    from vrn.pipeline.reading import reader_of

    ground = read_ground(field_file)
    reader = reader_of(ground)
    known = {name: value.item() if isinstance(value, np.ndarray) else value for name, value in reader.known.items()}
    known |= _given({"growth_stage": reader.season.growth_stage})
    return _Base(
        options=_given(reader.options), known=known, season=reader.season, shown=UnitFormat.of(ground.settings.units),
        ground=ground,
    )  # fmt: skip


def _given(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """Everything of a reading but its nitrate."""

    chosen: Method
    options: Mapping[str, Any]
    known: Mapping[str, Any]
    season: Season | None
    shown: UnitFormat
    allow_outside: bool
    lesson: "Lesson | None" = None  # of the farm's trials in earlier seasons
    of_trials: tuple[Finding, ...] = ()

    def ledger(self, ppm: float, deep_ppm: float | None) -> Ledger:
        """The ledger of a reading, to look at."""
        return self.worked(ppm, deep_ppm)[0]

    def worked(
        self, ppm: float, deep_ppm: float | None
    ) -> tuple[Ledger, tuple[Finding, ...], "LearnedReport | None"]:  # fmt: skip
        """The ledger, what to say of it, and what the farm's trials did to it."""
        ledger, findings = need_of_cells(self.options, season=self.season, to_build=False,
                                         allow_outside=self.allow_outside, **self._with(ppm, deep_ppm))  # fmt: skip
        if self.lesson is None:
            return ledger, (*self.of_trials, *findings), None
        ledger, report, more = self.lesson.taught(ledger)
        return ledger, (*self.of_trials, *findings, *more), report

    def results(self, ppm: float, deep_ppm: float | None) -> tuple[MethodResult, ...]:
        """What every method says of it."""
        known = self._with(ppm, deep_ppm)
        applied = known.pop("applied_lb_ac", None)
        return side_by_side(self.options, known, season=self.season, applied_lb_ac=applied)

    def _with(self, ppm: float, deep_ppm: float | None) -> dict[str, Any]:
        known = {name: value for name, value in self.known.items() if deep_ppm is not None or "deep" not in name}
        return known | {"nitrate_ppm": ppm} | _given({"deep_nitrate_ppm": deep_ppm})


def _answer(asked: _Asked, ppm: float, ppm_deep: float | None, json_: bool) -> None:
    """One reading, with what a person must weigh."""
    chosen, stage = asked.chosen, asked.known.get("growth_stage")
    ledger, findings, learned = asked.worked(ppm, ppm_deep)
    cautions = (
        None if stage is None else stage_caution(stage), surplus_caution(ledger),
        None if chosen.kind == "remaining" else region_caution(chosen),
        warning("nitrogen.odd-reading", "ppm", nitrate=Quantity("concentration", ppm)) if ppm > ODD_PPM else None,
    )  # fmt: skip
    findings += tuple(caution for caution in cautions if caution is not None)
    deep_sampled = ppm_deep is not None or "profile_nitrate_ppm" in asked.options
    reason = asked.options.get("method_reason")
    findings += disagreements(asked.results(ppm, ppm_deep), chosen.key, nitrate_ppm={0: ppm}, growth_stage=stage,
                              bottom_in=asked.known["bottom_in"], deep_sampled=deep_sampled, reason=reason)  # fmt: skip
    doubt = usual_doubt(ledger, growth_stage=stage, given_sd_lb_ac=asked.options.get("method_sd_lb_ac"))
    if learned is not None:
        doubt = doubt.taught(learned.doubt_share)
    low, high = (float(asked.ledger(max(ppm + step, 0.0), ppm_deep).need_lb_ac) for step in (METER_PPM, -METER_PPM))
    if json_:
        say_json(_plain(ledger, chosen, findings, (low, high), doubt, asked.shown))
    else:
        _say_ledger(ledger, chosen, findings, (low, high), doubt, asked.shown)


def _set(chosen: Method, others: list[str]) -> dict[str, float]:
    """Inputs given by name, as ``cap_lb_ac=300``."""
    found = {}
    for text in others:
        name, _, number = text.partition("=")
        if not chosen.takes(name.strip()):
            problem = f"--set {text}: {chosen.key} has no input {name.strip()!r}."
            raise OutOfRangeError(problem, f"`vrn methods {chosen.key}` lists its inputs.")
        try:
            found[name.strip()] = float(number)
        except ValueError:
            problem = f"--set {text}: {number!r} is not a number."
            raise OutOfRangeError(problem, "Write it as --set cap_lb_ac=300.") from None
    return found


def _refuse_nan(values: dict[str, object]) -> None:
    for name, value in values.items():
        if isinstance(value, float) and not np.isfinite(value):
            problem = f"{name} is {value}."
            raise OutOfRangeError(problem, "Give a number, or leave the option out.")


def _refuse_metric(yield_goal_bu_ac: float | None) -> None:
    """A goal of 12 is one of tonnes: the field file refuses it too."""
    if yield_goal_bu_ac is not None and not LEAST_GOAL_BU_AC <= yield_goal_bu_ac <= MOST_GOAL_BU_AC:
        problem = f"--yield-goal is {yield_goal_bu_ac:g}."
        span = f"{LEAST_GOAL_BU_AC:g} to {MOST_GOAL_BU_AC:g}"
        raise OutOfRangeError(problem, f"Give bushels an acre, {span}; 1 t/ha is 15.9 bu/ac.")


def _refuse_missing(chosen: Method, known: Mapping[str, object]) -> None:
    """Name the options of what the method still wants."""
    absent = chosen.missing(**inputs_of(chosen, known))
    if absent:
        problem = f"{chosen.key} needs {', '.join(absent)}."
        options = ", ".join(_OPTION.get(name, name) for name in absent)
        raise OutOfRangeError(problem, f"Give {options}; `vrn methods {chosen.key}` explains them.")


def _say_ledger(
    ledger: Ledger,
    chosen: Method,
    findings: tuple[Finding, ...],
    meter_lb_ac: tuple[float, float],
    doubt: LevelDoubt,
    shown: UnitFormat,
) -> None:
    say(sentence(shown, "methods.need-head", title=chosen.title, method=chosen.key))
    say()
    factor = shown.factor("amount")
    printed = largest_remainder([float(line.lb_ac) * factor for line in ledger.lines], decimals=1)
    for line, lb_ac in zip(ledger.lines, printed, strict=True):
        say(f"{lb_ac:>9.1f}  {label_of(shown, line)}")
        say(f"{'':>9}  {line.basis}")
    total, unit = round(sum(printed), 1), shown.unit("amount")
    say(f"{'':>3}------")
    say(f"{total:>9.1f}  {sentence(shown, 'methods.need-sum', unit=unit)}")
    say(f"{max(total, 0.0):>9.1f}  {sentence(shown, 'methods.need-needed', unit=unit)}")
    if shown.metric:
        say(shown.arithmetic)
    say()
    say(sentence(shown, "methods.need-doubt", doubt=Quantity("whole_amount", doubt.sd_lb_ac)))
    if doubt.untaught_sd_lb_ac is not None:
        before = Quantity("whole_amount", doubt.untaught_sd_lb_ac)
        say(sentence(shown, "methods.need-doubt-taught", before=before))
    if doubt.parts:
        made_of = (
            sentence(shown, "methods.need-doubt-part", part=sentence(shown, f"rates.doubt-{one.part}").lower(),
                     at=Quantity("whole_amount", one.sd_lb_ac))
            for one in doubt.parts
        )  # fmt: skip
        say(sentence(shown, "methods.need-doubt-parts", parts="; ".join(made_of)))
    if chosen.takes("nitrate_ppm"):
        low, high = (Quantity("amount", end) for end in meter_lb_ac)
        say(sentence(shown, "methods.need-meter", nitrate=Quantity("concentration", METER_PPM), low=low, high=high))
    band = ledger.band_lb_ac
    if band is not None and band[0] != band[1]:
        low, high = (Quantity("amount", float(end)) for end in band)
        say(sentence(shown, "methods.need-uptake-band", low=low, high=high))
    say()
    say_findings(finding_texts(shown, findings))
    say(sentence(shown, "methods.need-sources"))
    for source in dict.fromkeys(line.source for line in ledger.lines if line.source):
        say(f"  {source}")


def _say_results(results: tuple[MethodResult, ...], shown: UnitFormat) -> None:
    factor = shown.factor("amount")
    width = max(len(result.method.key) for result in results)
    say(sentence(shown, "methods.every", unit=shown.unit("amount")))
    status = ""
    for result in results:
        group = result.status if result.status != "applies" or result.method.calibrated else "bookkeeping"
        if group != status:
            status = group
            say(f"\n{sentence(shown, f'methods.{status}')}")
        need = "" if result.need_lb_ac is None else f"{result.need_lb_ac * factor:.1f}"
        say(f"{need:>9}  {result.method.key:<{width}}  {result.method.region}")
        for text in finding_texts(shown, result.reasons):
            say(f"{'':>9}  {'':<{width}}  {text.problem}")
    say()
    say(sentence(shown, "methods.none-is-the-law"))


def _plain_result(result: MethodResult) -> dict[str, object]:
    chosen = result.method
    return {
        "key": chosen.key, "title": chosen.title, "region": chosen.region, "source": chosen.source,
        "kind": chosen.kind, "status": result.status, "calibrated": chosen.calibrated,
        "need_lb_ac": _tenth(result.need_lb_ac),
        "low_lb_ac": _tenth(result.low_lb_ac), "high_lb_ac": _tenth(result.high_lb_ac),
        "why": [text.problem for text in finding_texts(TRADE, result.reasons)],
    }  # fmt: skip


def _tenth(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else round(value, 1)


def _plain(
    ledger: Ledger,
    chosen: Method,
    findings: tuple[Finding, ...],
    meter_lb_ac: tuple[float, float],
    doubt: LevelDoubt,
    shown: UnitFormat,
) -> dict[str, object]:
    band = ledger.band_lb_ac
    return {
        "method": {"key": chosen.key, "title": chosen.title, "source": chosen.source},
        "need_lb_ac": ledger.need_lb_ac,
        "unclipped_lb_ac": ledger.unclipped_lb_ac,
        "uptake_band_lb_ac": None if band is None else list(band),
        "doubt_sd_lb_ac": doubt.sd_lb_ac,
        "doubt_untaught_sd_lb_ac": doubt.untaught_sd_lb_ac,
        "doubt_parts_lb_ac": {part.part: round(part.sd_lb_ac, 1) for part in doubt.parts},
        "meter_ppm": METER_PPM,
        "meter_band_lb_ac": list(meter_lb_ac),
        "lines": [
            {
                "key": line.key, "label": line.label, "lb_ac": line.lb_ac, "printed_lb_ac": printed,
                "basis": line.basis, "source": line.source,
            }
            for line, printed in zip(ledger.lines, ledger.printed_lb_ac(), strict=True)
        ],
        "inputs": dict(ledger.inputs),
        "notes": findings_json(shown, findings),
    }  # fmt: skip

"""A published method as a frozen, cited object: its inputs, its window, its arithmetic, its own worked example."""

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np

from vrn import door
from vrn.errors import OutOfRangeError, OutsideCalibrationError
from vrn.findings import Finding, Kind, Quantity, note, warning
from vrn.nitrogen.ledger import Ledger, Line, Number, as_number
from vrn.nitrogen.lines import Credit, Values
from vrn.nitrogen.stage import stage_name, stage_position

_DEPTH_TOLERANCE_IN: Final = 0.5
_CHECKED_ONLY: Final = ("top_in", "bottom_in", "growth_stage")
NOT_ON_SAND: Final = "methods.not-on-sand"
SEASON_TOTAL: Final = note("methods.season-total", "nitrogen.method")


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input of a method."""

    name: str  # keyword of `Method.need`, with its unit at the end
    meaning: str
    # what no field can go beyond; refused
    low: float
    high: float
    calibrated: tuple[float, float] | None = None  # range the method was made for; outside it the method does not build
    # taken when the input is not given. An input with neither default nor `required` may stay out.
    default: float | None = None
    required: bool = False
    from_memory: bool = False  # the default was not seen in its source
    outside: str = ""  # code of the finding where the input is outside `calibrated`


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Working:
    """What a rule returns: lines, findings, and the band of the unclipped sum where the method has one."""

    lines: tuple[Line, ...]
    findings: tuple[Finding, ...] = ()
    low_lb_ac: Number | None = None
    high_lb_ac: Number | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A worked example: inputs, the need they give, and who worked it."""

    inputs: Mapping[str, Any]
    need_lb_ac: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Method:
    """
    One published way from soil readings to nitrogen still needed.

    Parameters
    ----------
    key : str
        Name in the field file.
    factor : str
        Its own step from ppm to lb/ac.
    contains : str
        What its numbers already hold, so that it is not credited again.
    kind : {"remaining", "sidedress", "season"}
        What the answer is: nitrogen to finish the crop, a rate for now, or a season's total.
    stages : tuple of str, optional
        First and last leaf stage of the calibration.
    bottom_in : tuple of float, optional
        Least and greatest depth the core from the surface may reach. [in]
    profile_lb_ac_per_ppm_in : float, optional
        The factor that turns ppm and inches of a profile into the pounds it takes. [lb/ac per ppm and in]
    cautions : tuple of Finding
        Where it does not hold.
    rule : callable
        Takes checked inputs by name, returns a ``Working``.
    """

    key: str
    title: str
    formula: str
    region: str
    source: str
    factor: str
    contains: str
    kind: Literal["remaining", "sidedress", "season"]
    inputs: tuple[Input, ...]
    example: Example
    rule: Callable[[Values], Working]
    stages: tuple[str, str] | None = None
    bottom_in: tuple[float, float] | None = None
    profile_lb_ac_per_ppm_in: float | None = None
    cautions: tuple[Finding, ...] = ()

    @property
    def of_a_profile(self) -> bool:
        """Whether it is calibrated on cores of two feet."""
        return self.bottom_in is not None and self.bottom_in[0] >= 24.0

    @property
    def calibrated(self) -> bool:
        """Whether trials tie it to yields; a balance of what is still to come is bookkeeping."""
        return self.kind != "remaining"

    def __repr__(self) -> str:
        return door.card(
            f"Method {self.key}: {self.title}", self.formula, f"{self.region}; {self.source}",
            f"needs {', '.join(one.name for one in self.inputs if one.required)}",
        )  # fmt: skip

    def need(self, *, allow_outside: bool = False, **inputs: Any) -> Ledger:
        """
        Nitrogen still needed by this method.

        Parameters
        ----------
        allow_outside : bool
            Work outside the calibration too, with a finding that says so.
        **inputs : float, ndarray of shape (n,), or str
            As ``Method.inputs`` names them; scalars and arrays are broadcast. ``top_in``, ``bottom_in`` and
            ``growth_stage`` may always be given and are checked then. ``credits_lb_ac``: a number, or several by name.

        Raises
        ------
        OutOfRangeError
            If an input is unknown, missing, or a number no field can have.
        OutsideCalibrationError
            If depth, stage or an input lies outside what the method was made for.
        """
        values = self._checked(inputs)
        outside = self._outside(values)
        if outside and not allow_outside:
            problem = f"{self.key} does not hold here: {'; '.join(reason for reason, _ in outside)}."
            raise OutsideCalibrationError(
                problem,
                "Choose a method that fits (vrn methods), or look at its answer with allow_outside (--allow-outside).",
            )
        working = self.rule(values)
        findings = tuple(found for _, found in outside)
        if self.kind == "season" and inputs.get("applied_lb_ac") is None:
            findings += (SEASON_TOTAL,)
        return Ledger(
            lines=working.lines, method=self.key, findings=findings + self._from_memory(inputs) + working.findings,
            low_lb_ac=working.low_lb_ac, high_lb_ac=working.high_lb_ac,
            inputs={name: value for name, value in values.items() if isinstance(value, (float, np.ndarray))},
            source=self.source, published=True,
        )  # fmt: skip

    def outside(self, **inputs: Any) -> tuple[Finding, ...]:
        """Why the method does not hold for these inputs; empty when it does."""
        return tuple(found for _, found in self._outside(self._checked(inputs)))

    def missing(self, **inputs: Any) -> tuple[str, ...]:
        """Required inputs that are not given."""
        return tuple(item.name for item in self.inputs if item.required and inputs.get(item.name) is None)

    def takes(self, name: str) -> bool:
        """Whether the method has an input of this name."""
        return any(item.name == name for item in self.inputs)

    def _checked(self, inputs: Mapping[str, Any]) -> Values:
        """Inputs as floats and arrays, defaults filled in, impossible ones refused."""
        given = {name: value for name, value in inputs.items() if value is not None}
        known = [item.name for item in self.inputs] + [name for name in _CHECKED_ONLY if not self.takes(name)]
        for name in given:
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                problem = f"{self.key} has no input {name!r}."
                remedy = f"Did you mean {near[0]!r}?" if near else "It takes: " + ", ".join(known) + "."
                raise OutOfRangeError(problem, remedy)
        absent = self.missing(**given)
        if absent:
            problem = f"{self.key} needs {', '.join(absent)}."
            raise OutOfRangeError(problem, f"Give {absent[0]}; `vrn methods {self.key}` lists every input.")
        values: Values = {}
        for item in self.inputs:
            if item.name == "growth_stage":
                continue
            value = given.get(item.name, item.default)
            if value is not None:
                values[item.name] = _number(item, value)
        for name in ("top_in", "bottom_in"):
            if name in given and name not in values:
                values[name] = _number(Input(name=name, meaning="", low=0, high=96), given[name])
        if "growth_stage" in given:
            values["growth_stage"] = stage_position(given["growth_stage"])
        return values

    def _outside(self, values: Values) -> list[tuple[str, Finding]]:
        """Why the method does not hold here: for the error, and as findings."""
        reasons = []
        if self.stages is not None and "growth_stage" in values:
            (first, last), stage = self.stages, np.floor(values["growth_stage"])
            early, late = (stage_name(float(end(stage))) for end in (np.nanmin, np.nanmax))
            if np.any(np.less(stage, stage_position(first))) or np.any(np.greater(stage, stage_position(last))):
                at = early if early == late else f"{early} to {late}"
                found = (
                    warning("methods.outside-stage", "nitrogen.method", first=first, last=last, stage=early)
                    if early == late
                    else warning("methods.outside-stages", "nitrogen.method", first=first, last=last, early=early,
                                 late=late)
                )  # fmt: skip
                reasons.append((f"it is for {first} to {last}, the crop is at {at}", found))
        if "top_in" in values and values["top_in"] != 0:
            top = float(values["top_in"])
            found = warning("methods.outside-core-top", "nitrogen.method", found=Quantity("depth", top))
            reasons.append((f"its core begins at the surface, this one at {top:g} in", found))
        if self.bottom_in is not None and "bottom_in" in values:
            (least, most), bottom = self.bottom_in, float(values["bottom_in"])
            if not least - _DEPTH_TOLERANCE_IN <= bottom <= most + _DEPTH_TOLERANCE_IN:
                wanted = f"from 0 to {least:g} in" if least == most else f"that end at {least:g} to {most:g} in"
                depths = {"most": Quantity("depth", most), "found": Quantity("depth", bottom)}
                found = (
                    warning("methods.outside-core-depth", "nitrogen.method", **depths)
                    if least == most
                    else warning("methods.outside-core-depths", "nitrogen.method", least=Quantity("depth", least),
                                 **depths)
                )  # fmt: skip
                reasons.append((f"it is for cores {wanted}, these reach {bottom:g} in", found))
        for item in self.inputs:
            if item.calibrated is None or item.name not in values:
                continue
            low, high = item.calibrated
            if np.any(np.less(values[item.name], low)) or np.any(np.greater(values[item.name], high)):
                kind = _kind_of(item.name)
                found = warning(item.outside, "nitrogen.method", low=Quantity(kind, low), high=Quantity(kind, high))
                reasons.append((f"{item.name} is outside {low:g} to {high:g}", found))
        return reasons

    def _from_memory(self, inputs: Mapping[str, Any]) -> tuple[Finding, ...]:
        return tuple(
            from_memory(item.meaning, item.default)
            for item in self.inputs
            if item.from_memory and item.default is not None and inputs.get(item.name) is None
        )


def from_memory(meaning: str, value: float) -> Finding:
    """A number of a method that was not seen in its bulletin."""
    return note("methods.from-memory", "nitrogen.method", value=Quantity("number", value), meaning=meaning)


def _kind_of(name: str) -> Kind:
    """Kind of an input's number, by the unit that ends its name."""
    return "depth" if name.endswith("_in") else "concentration" if name.endswith("_ppm") else "number"


def _number(item: Input, value: Any) -> Any:
    """One input as a float, an array, or (credits) a dict of them; impossible numbers refused."""
    if isinstance(value, Credit):
        return replace(value, lb_ac=_number(item, value.lb_ac))
    if isinstance(value, Mapping):
        return {name: _number(item, part) for name, part in value.items() if part is not None}
    try:
        number = as_number(value)
    except (TypeError, ValueError):
        problem = f"{item.name} is {value!r}, not a number."
        raise OutOfRangeError(problem, f"Give {item.name} as a number, or NaN where it is not known.") from None
    if np.any(np.less(number, item.low)) or np.any(np.greater(number, item.high)):
        wrong = np.asarray(number)[(np.asarray(number) < item.low) | (np.asarray(number) > item.high)].flat[0]
        problem = f"{item.name} is {wrong:g}."
        raise OutOfRangeError(
            problem, f"It lies between {item.low:g} and {item.high:g}; use NaN where it is not known."
        )
    return number

"""Whether what was built is what a person approved, and how it differs from that."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from vrn.errors import InputFileError
from vrn.files.statement import APPROVAL, id_of, statement_of
from vrn.findings import Finding, Kind, Quantity, note, warning
from vrn.model.season import SHORT
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, say

_GROUND: Final = ("field", "season", "inputs", "settings")  # of a statement: all that rates come from but a person


@dataclass(frozen=True, slots=True, kw_only=True)
class Digest:
    """What of a statement is kept to tell later what has changed; ``ground`` is the id of all that no person set."""

    id: str
    ground: str
    acres: float
    total_n_lb: float
    zone_acres: tuple[float, ...]
    rates_n_lb_ac: tuple[float, ...]
    inputs: dict[str, str]
    warnings: tuple[str, ...] = ()

    @classmethod
    def read(cls, text: str) -> "Digest":
        """A digest as ``review.made_from`` has it; InputFileError if it is none."""
        try:
            told = json.loads(text)
            numbers = {name: tuple(map(float, told[name])) for name in ("zone_acres", "rates_n_lb_ac")}
            return cls(id=str(told["id"]), ground=str(told["ground"]), acres=float(told["acres"]),
                       total_n_lb=float(told["total_n_lb"]), inputs=dict(told["inputs"]),
                       warnings=tuple(told.get("warnings", ())), **numbers)  # fmt: skip
        except (ValueError, KeyError, TypeError) as error:
            problem = "review.made_from is not what a map writes."
            raise InputFileError(problem, "Save the review from the map again.") from error

    def text(self) -> str:
        """The same for `read`."""
        return json.dumps(asdict(self), ensure_ascii=False, separators=(",", ":"))


def identified(prescription: Prescription, *, earlier: Mapping[str, Any] | None = None) -> Prescription:
    """
    The prescription with its id, and with what its approval is worth among its findings.

    Parameters
    ----------
    earlier : mapping, optional
        Statement of the prescription that may have been approved: what differs from it is then told.

    Raises
    ------
    InputFileError
        If the review was saved from the map of other inputs or settings.
    """
    settings = prescription.field.settings
    told = any(one.code.startswith("review.differs") for one in prescription.findings)
    if told and earlier is None and prescription.id == id_of(statement_of(prescription)):
        return prescription
    kept = tuple(one for one in prescription.findings if not one.code.startswith(APPROVAL))
    statement = statement_of(replace(prescription, findings=kept))
    made_from = settings.review.made_from
    now, was = digest_of(statement), None if made_from is None else Digest.read(made_from)
    if was is not None and was.ground != now.ground:
        lines = difference_lines(UnitFormat.of(settings.units), differences(was, now))
        problem = f"The review was made from prescription {was.id[:SHORT]}. The field has changed since:\n{lines}"
        raise InputFileError(problem, "Build without the review, look at the new map, and save the review from it.")
    prescription = replace(prescription, id=now.id)
    if was is not None and _signed_with_changes(prescription, was, now):
        review = replace(settings.review, approved_id=now.id)
        field = replace(prescription.field, settings=replace(settings, review=review))
        prescription = replace(prescription, field=field)
    if earlier is not None and id_of(earlier) == settings.review.approved_id:
        was = digest_of(earlier)
    found = tuple(_approval(prescription, was, now))
    return replace(
        prescription,
        findings=(*(one for one in found if one.level == "warning"), *kept,
                  *(one for one in found if one.level == "note")),
    )  # fmt: skip


def _signed_with_changes(prescription: Prescription, was: Digest, now: Digest) -> bool:
    """Whether a person signed on the map what was shown there with rates of their own, and this is just that.

    Every rate set there stands as it was written, every other as it was shown, and no warning is new.
    """
    review = prescription.field.settings.review
    wanted = dict(enumerate(was.rates_n_lb_ac, start=1))
    wanted |= {one.zone: one.rate_n_lb_ac for one in review.override}
    return (
        review.approved_id == was.id
        and len(wanted) == len(now.rates_n_lb_ac) == len(was.rates_n_lb_ac)
        and all(abs(rate - wanted[zone]) < 1e-6 for zone, rate in enumerate(now.rates_n_lb_ac, start=1))
        and len(prescription.overrides) == len(review.override)
        and set(now.warnings) <= set(was.warnings)
    )


def digest_of(statement: Mapping[str, Any]) -> Digest:
    """What of a statement is kept to tell later what has changed."""
    inputs: dict[str, str] = {}
    for key, digest in statement["inputs"]:
        inputs[key] = f"{inputs[key]} {digest}" if key in inputs else digest
    return Digest(
        id=id_of(statement), ground=id_of({name: statement[name] for name in _GROUND}),
        acres=statement["totals"]["acres"], total_n_lb=statement["totals"]["n_lb"],
        zone_acres=tuple(zone["acres"] for zone in statement["zones"]),
        rates_n_lb_ac=tuple(zone["rate_n_lb_ac"] for zone in statement["zones"]), inputs=inputs,
        warnings=tuple(sorted({f"{one['code']} {one['about']}" for one in statement["warnings"]})),
    )  # fmt: skip


def differences(was: Digest, now: Digest) -> tuple[Finding, ...]:
    """What differs between two prescriptions of a field: inputs, acres, totals, each zone's acres and rate."""
    return tuple(_differences(was, now))


def difference_lines(shown: UnitFormat, found: tuple[Finding, ...]) -> str:
    """A line for each difference: what it is, as it was, as it is now."""
    return "\n".join("  " + say(shown, f"review.{one.code.partition('.')[2]}-line", about=one.about, **one.quantities)
                     for one in found if one.code.startswith("review.differs"))  # fmt: skip


def _differences(was: Digest, now: Digest) -> Iterator[Finding]:
    changed = [key for key in sorted({*was.inputs, *now.inputs}) if was.inputs.get(key) != now.inputs.get(key)]
    for key in changed:
        yield note("review.differs-input", key)
    if was.ground != now.ground and not changed:
        yield note("review.differs-settings", "field file")
    yield from _number("totals", "area", was.acres, now.acres)
    yield from _number("totals", "mass", was.total_n_lb, now.total_n_lb)
    for number in range(max(len(was.zone_acres), len(now.zone_acres))):
        acres = [one.zone_acres[number] if number < len(one.zone_acres) else None for one in (was, now)]
        rates = [one.rates_n_lb_ac[number] if number < len(one.rates_n_lb_ac) else None for one in (was, now)]
        yield from _number(f"zone {number + 1}", "area", *acres)
        yield from _number(f"zone {number + 1}", "rate", *rates)


def _number(about: str, kind: Kind, was: float | None, now: float | None) -> Iterator[Finding]:
    if was is None or now is None or abs(was - now) > 1e-6:
        yield note("review.differs", about, was=Quantity(kind, was), now=Quantity(kind, now))


def _approval(prescription: Prescription, was: Digest | None, now: Digest) -> Iterator[Finding]:
    review = prescription.field.settings.review
    if prescription.approved:
        return
    if all(one.code != "rates.draft" for one in prescription.findings):
        yield note("rates.draft", "review")
    if not review.approved_by:
        return
    if review.approved_id is None:
        yield warning("review.no-id", "review", name=review.approved_by)
        return
    yield warning("review.other-id", "review", name=review.approved_by, approved=review.approved_id[:SHORT],
                  built=now.id[:SHORT])  # fmt: skip
    if was is not None and was.id == review.approved_id:
        yield from differences(was, now)
    else:
        yield note("review.earlier-unknown", "review")


def made_from(prescription: Prescription) -> str:
    """What a review that is saved from this prescription's map carries."""
    return digest_of(statement_of(prescription)).text()

"""The statement and its id: what changes it, what does not, and its canonical form against the vectors of RFC 8785."""

import copy
import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

import vrn
from vrn.errors import InputFileError
from vrn.files.approval import differences, digest_of, identified
from vrn.files.statement import canonical, ground_statement, id_of, statement_of, write_statement
from vrn.findings import warning
from vrn.model.settings import Override, ReviewSection
from vrn.prescription.model import Prescription

# RFC 8785 § 3.2.2: input and its canonical form; appendix B: IEEE 754 doubles and how ECMAScript writes them
SAMPLE = {
    "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
    "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
    "literals": [None, True, False],
}
SAMPLE_CANONICAL = (
    b'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
    b'"string":"\xe2\x82\xac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
)
NUMBERS = {
    "0000000000000000": "0", "8000000000000000": "0", "0000000000000001": "5e-324", "8000000000000001": "-5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308", "ffefffffffffffff": "-1.7976931348623157e+308",
    "4340000000000000": "9007199254740992", "c340000000000000": "-9007199254740992",
    "4430000000000000": "295147905179352830000", "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23", "44b52d02c7e14af7": "1.0000000000000001e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000",
    "444b1ae4d6e2ef4f": "999999999999999900000",
    "444b1ae4d6e2ef50": "1e+21", "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001", "41b3de4355555553": "333333333.3333332", "41b3de4355555554": "333333333.33333325",
    "41b3de4355555555": "333333333.3333333", "41b3de4355555556": "333333333.3333334",
    "41b3de4355555557": "333333333.33333343", "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}  # fmt: skip


def test_canonical_form_of_rfc_8785() -> None:
    """The sample of § 3.2.2, the order of keys of § 3.2.3, and the numbers of appendix B."""
    assert canonical(SAMPLE) == SAMPLE_CANONICAL
    # § 3.2.3: keys sorted by their UTF-16 code units
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    in_order = list(json.loads(canonical(dict.fromkeys(keys))))
    assert in_order == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    for bits, shown in NUMBERS.items():
        value = float(np.array([int(bits, 16)], dtype=np.uint64).view(np.float64)[0])
        assert canonical({"n": value}) == f'{{"n":{shown}}}'.encode(), bits


def test_the_files_hash_is_the_id(made: Prescription, tmp_path: Path) -> None:
    """``statement.json`` is canonical: parsed and written again it is the same, and its SHA-256 is the id."""
    prescription = identified(made)
    write_statement(prescription, tmp_path)
    content = (tmp_path / "statement.json").read_bytes()
    assert hashlib.sha256(content).hexdigest() == prescription.id
    assert canonical(json.loads(content)) == content


def _with_rate(made: Prescription, **changes: Any) -> Prescription:
    return replace(made, rates=(replace(made.rates[0], **changes), *made.rates[1:]))


@pytest.mark.parametrize(
    "change",
    [
        lambda made: _with_rate(made, rate_n_lb_ac=61.0),
        lambda made: _with_rate(
            made, outline=shapely.transform(made.rates[0].outline, lambda xy: xy + np.array([0.02, 0.0]))
        ),
        lambda made: replace(made, product=replace(made.product, name="UAN 28", n_pct=28.0)),
        lambda made: replace(made, overrides=(Override(zone=1, rate_n_lb_ac=60.0, reason="wet"),)),
        lambda made: replace(made, findings=(warning("rates.strips-no-place", "check_strips"),)),
        lambda made: replace(made, field=replace(made.field, inputs={**made.field.inputs, "boundary.geojson": "2"})),
    ],
    ids=["rate", "border by 2 cm", "product", "override", "warning", "input"],
)
def test_what_a_signature_stands_for_changes_the_id(
    made: Prescription, change: Callable[[Prescription], Prescription]
) -> None:
    """Rate, zone border, product, override, warning, bytes of an input."""
    assert id_of(statement_of(change(made))) != id_of(statement_of(made))


def test_reason_and_person_of_an_override_change_the_id(made: Prescription) -> None:
    """The same rate for another reason, or by another person, is another statement."""
    ids = {
        id_of(statement_of(replace(made, overrides=(Override(zone=1, rate_n_lb_ac=60.0, reason=reason, by=by),))))
        for reason, by in (("wet", None), ("sand", None), ("wet", "A. Marsh"))
    }
    assert len(ids) == 3


def test_who_signs_and_when_does_not(made: Prescription) -> None:
    """The review, and notes, are not part of the statement."""
    signed = ReviewSection(approved_by="A. Marsh", note="go")
    settings = replace(made.field.settings, review=signed)
    other = replace(made, field=replace(made.field, settings=settings, folder=Path("elsewhere")))
    assert id_of(statement_of(other)) == id_of(statement_of(made))


SAMPLES = "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm\n" + "".join(
    f"S{i},{-93.6 + 0.001 * (i % 3)},{42.101 + 0.001 * (i // 3)},0,12,{10 + i}\n" for i in range(9)
)
RING = [[-93.602, 42.1], [-93.596, 42.1], [-93.596, 42.104], [-93.602, 42.104], [-93.602, 42.1]]
FIELD = """# a remark
[field]
name = "Wren Hollow"
season = 2026
boundary = "boundary.geojson"
[crop]
yield_goal_bu_ac = 210
growth_stage = "V7"
[samples]
file = "samples.csv"
reported_as = "NO3-N"
moisture_basis = "dry"
"""


def _ground(folder: Path, *, field: str = FIELD, samples: str = SAMPLES, ring: list[list[float]] = RING) -> str:
    folder.mkdir(exist_ok=True)
    geometry = {"type": "Polygon", "coordinates": [ring]}
    (folder / "boundary.geojson").write_text(json.dumps(geometry), encoding="utf-8")
    (folder / "samples.csv").write_text(samples, encoding="utf-8")
    (folder / "field.toml").write_text(field, encoding="utf-8")
    return id_of(ground_statement(vrn.read_field(folder / "field.toml")))


def test_comments_paths_and_order_leave_the_id_alone(tmp_path: Path) -> None:
    """A field file in other words for the same settings and the same bytes of inputs."""
    first = _ground(tmp_path / "a")
    tables = FIELD.replace("# a remark\n", "").split("[")
    turned = "# another remark\n" + "".join(f"[{table}" for table in reversed(tables[1:]))
    assert _ground(tmp_path / "b", field=turned) == first
    signed = f'{FIELD}[review]\napproved_by = "A. Marsh"\napproved_on = 2026-06-16\n'
    assert _ground(tmp_path / "c", field=signed) == first
    (tmp_path / "a" / "june").mkdir()
    (tmp_path / "a" / "samples.csv").rename(tmp_path / "a" / "june" / "cores.csv")
    moved = tmp_path / "a" / "moved.toml"
    moved.write_text(FIELD.replace("samples.csv", "june/cores.csv"), encoding="utf-8")
    assert id_of(ground_statement(vrn.read_field(moved))) == first


def test_readings_border_and_settings_change_the_id(tmp_path: Path) -> None:
    """One digit of a reading, a corner of the boundary by a hand's breadth, a setting."""
    ids = {
        _ground(tmp_path / "a"),
        _ground(tmp_path / "b", samples=SAMPLES.replace(",18\n", ",18.1\n")),
        _ground(tmp_path / "c", ring=[*RING[:2], [-93.596001, 42.104], *RING[3:]]),
        _ground(tmp_path / "d", field=FIELD.replace("210", "211")),
    }
    assert len(ids) == 4


def _approved(made: Prescription, **review: Any) -> Prescription:
    from datetime import date

    section = ReviewSection(approved_by="A. Marsh", approved_on=date(2026, 6, 16), **review)
    return replace(made, field=replace(made.field, settings=replace(made.field.settings, review=section)))


def _codes(prescription: Prescription, level: str) -> set[str]:
    return {one.code for one in prescription.findings if one.level == level}


def test_an_approval_holds_for_its_id_alone(made: Prescription) -> None:
    """Approved with the right id; a draft with a warning without one, or with another, and the differences told."""
    was = identified(made)
    good = identified(_approved(made, approved_id=was.id))
    assert good.approved
    assert good.id == was.id
    assert not _codes(good, "warning")
    unnamed = identified(_approved(made))
    assert not unnamed.approved
    assert _codes(unnamed, "warning") == {"review.no-id"}
    other = identified(_approved(_with_rate(made, rate_n_lb_ac=65.0), approved_id=was.id), earlier=statement_of(was))
    assert not other.approved
    assert _codes(other, "warning") == {"review.other-id"}
    (told,) = [one for one in other.findings if one.code == "review.differs"]
    assert told.about == "zone 1"
    assert [told.quantities[name].value for name in ("was", "now")] == [60.0, 65.0]


def test_rates_signed_on_the_map_together_with_changes(made: Prescription) -> None:
    """Signed where every rate is the one set or shown there; a draft with any other, or with a new warning."""
    shown = identified(made)
    override = Override(zone=1, rate_n_lb_ac=65.0, reason="wet")
    review = {"approved_id": shown.id, "made_from": digest_of(statement_of(shown)).text(), "override": (override,)}
    as_set = replace(_with_rate(made, rate_n_lb_ac=65.0), overrides=(override,))
    signed = identified(_approved(as_set, **review))
    assert signed.approved
    assert signed.id != shown.id
    assert identified(signed).approved
    warned = replace(as_set, findings=(*as_set.findings, warning("rates.override-above", "zone 1")))
    for other in (replace(_with_rate(made, rate_n_lb_ac=64.0), overrides=(override,)), as_set_elsewhere(as_set), warned,
                  _with_rate(made, rate_n_lb_ac=65.0)):  # fmt: skip
        assert not identified(_approved(other, **review)).approved
    assert not identified(_approved(as_set, **review | {"approved_id": "0" * 64})).approved


def as_set_elsewhere(made: Prescription) -> Prescription:
    """Another zone's rate is not the one that was shown."""
    return replace(made, rates=(*made.rates[:2], replace(made.rates[2], rate_n_lb_ac=125.0)))


def test_differences_name_inputs_settings_totals_and_zones(made: Prescription) -> None:
    """A changed file by its key; changed settings where no file changed; a zone that is gone."""
    was = statement_of(made)
    assert not differences(digest_of(was), digest_of(was))
    now = copy.deepcopy(was)
    now["inputs"][0][1] = "f" * 64  # type: ignore[index]
    now["totals"]["acres"] += 0.1  # type: ignore[index]
    del now["zones"][-1]  # type: ignore[attr-defined]
    found = differences(digest_of(was), digest_of(now))
    assert [(one.code, one.about) for one in found] == [
        ("review.differs-input", was["inputs"][0][0]), ("review.differs", "totals"), ("review.differs", "zone 3"),
        ("review.differs", "zone 3"),
    ]  # fmt: skip
    now = copy.deepcopy(was)
    now["settings"]["crop"]["yield_goal_bu_ac"] = 201.0  # type: ignore[index]
    assert [one.code for one in differences(digest_of(was), digest_of(now))] == ["review.differs-settings"]


def test_a_review_of_another_ground_is_refused(made: Prescription) -> None:
    """Taken in where inputs and settings are those of its map; refused, with what differs, where they are not."""
    was = digest_of(statement_of(made))
    assert identified(_approved(made, made_from=was.text())).id == was.id
    crop = replace(made.field.settings.crop, yield_goal_bu_ac=190.0)
    other = replace(made, field=replace(made.field, settings=replace(made.field.settings, crop=crop)))
    with pytest.raises(InputFileError, match=was.id[:10]):
        identified(_approved(other, made_from=was.text()))

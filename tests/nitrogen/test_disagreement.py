"""Calibrated tests beside the method that builds: told where they lie apart, silent elsewhere, answered by a reason."""

import json
from typing import Any

import numpy as np
import pytest

from vrn.cli import main
from vrn.findings import Finding
from vrn.nitrogen.field_need import disagreements, side_by_side
from vrn.words import UnitFormat, finding_texts

ZONE = np.array([1, 1, 2, 2], dtype=np.int32)


def _of_field(ppm: list[float], *, stage: str = "V6", key: str = "remaining-need", **more: Any) -> tuple[Finding, ...]:
    """Two zones of two cells: 200 bu/ac, 2.8 % organic matter."""
    known = {
        "nitrate_ppm": np.repeat(ppm, 2), "top_in": 0.0, "bottom_in": more.pop("bottom_in", 12.0),
        "growth_stage": stage, "yield_goal_bu_ac": 200.0, "organic_matter_pct": 2.8,
    }  # fmt: skip
    results = [one.of_zones(ZONE, np.ones(4)) for one in side_by_side({}, known)]
    return disagreements(
        results, key, nitrate_ppm={1: ppm[0], 2: ppm[1]}, bottom_in=known["bottom_in"], growth_stage=stage,
        deep_sampled=False, **more,
    )  # fmt: skip


def _codes(found: tuple[Finding, ...]) -> list[tuple[str, str]]:
    return [(one.code, one.level) for one in found]


def test_high_nitrate_in_one_zone_is_told_with_its_numbers() -> None:
    """26 ppm in zone 2 at V6, where the balance asks for more than 20 lb/ac and tests find no response."""
    known = {"nitrate_ppm": 26.0, "top_in": 0.0, "bottom_in": 12.0, "growth_stage": "V6", "yield_goal_bu_ac": 200.0,
             "organic_matter_pct": 2.8}  # fmt: skip
    own = next(one.need_lb_ac for one in side_by_side({}, known) if one.method.key == "remaining-need")
    assert own is not None
    assert own > 20
    (found,) = (one for one in _of_field([8.0, 26.0]) if one.code == "methods.high-nitrate")
    assert found.level == "warning"
    assert found.quantities["zones"].value == "2"
    assert found.quantities["nitrate"].value == 26.0
    assert found.quantities["need"].value == pytest.approx(own)


@pytest.mark.parametrize(
    ("ppm", "more"),
    [
        ([8.0, 19.9], {}),  # below 20 ppm
        ([8.0, 26.0], {"stage": "V7"}),  # past the window of the tests
        ([8.0, 26.0], {"stage": "V3"}),
        ([8.0, 55.0], {}),  # the balance itself asks for little
        ([8.0, 26.0], {"bottom_in": 24.0}),  # no first foot
        ([8.0, 26.0], {"key": "iowa-lsnt"}),  # a calibrated test builds
    ],
)
def test_where_the_tests_have_no_say_nothing_is_told(ppm: list[float], more: dict[str, Any]) -> None:
    """The finding on high nitrate needs a first foot, V4 to V6, 20 ppm and a balance that asks for 20 lb/ac."""
    assert "methods.high-nitrate" not in [one.code for one in _of_field(ppm, **more)]


def test_a_test_in_its_window_that_lies_far_apart_is_told() -> None:
    """Iowa at 22 and 24 ppm: (25 − 23) × 8 = 16 lb/ac on average; the balance asks for far more in both zones."""
    found = {one.quantities["test"].value: one for one in _of_field([22.0, 24.0]) if one.code == "methods.test-differs"}
    iowa = next(one for test, one in found.items() if "Iowa" in str(test))
    ours, theirs = (float(iowa.quantities[name].value) for name in ("ours", "theirs"))
    assert theirs == pytest.approx(16.0)
    assert ours - theirs > 30
    assert iowa.quantities["zones"].value == "1, 2"
    assert not [one for one in _of_field([22.0, 24.0], stage="V8") if one.code == "methods.test-differs"]


def test_tests_that_agree_say_nothing() -> None:
    """Iowa and the balance lie within 30 lb/ac on the mean, and a test for manured ground has no say."""
    assert _of_field([5.0, 7.0]) == ()
    tests = [one.quantities["test"].value for one in _of_field([22.0, 26.0]) if "test" in one.quantities]
    assert tests
    assert not [one for one in tests if "manured" in str(one)]


def test_a_reason_turns_the_warning_into_a_note_that_prints_it() -> None:
    """With method_reason the same findings are notes, and the reason stands in their text."""
    open_, closed = _of_field([22.0, 26.0]), _of_field([22.0, 26.0], reason="strips of three years")
    assert _codes(closed) == [(f"{code}-answered", "note") for code, _ in _codes(open_)]
    assert all("strips of three years" in text.problem for text in finding_texts(UnitFormat(metric=False), closed))
    assert {level for _, level in _codes(open_)} == {"warning"}


def test_one_reading_hears_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    """`vrn need` at 26 ppm and V6 carries the finding; at V8 it does not."""
    for stage, expected in (("V6", True), ("V8", False)):
        words = ["need", "--ppm", "26", "--yield-goal", "200", "--stage", stage, "--om", "2.8", "--json"]
        main(words)
        answer = json.loads(capsys.readouterr().out)
        codes = [one["code"] for one in answer["notes"]]
        assert ("methods.high-nitrate-here" in codes) is expected


def test_bookkeeping_is_never_called_calibrated(capsys: pytest.CaptureFixture[str]) -> None:
    """Of all methods only the balance of what is still to come is not calibrated, and is not listed as such."""
    words = ["need", "--ppm", "13", "--yield-goal", "200", "--stage", "V6", "--om", "2.8", "--all-methods"]
    main([*words, "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert [one["key"] for one in answer if not one["calibrated"]] == ["remaining-need"]
    main(words)
    lines = capsys.readouterr().out.splitlines()
    place = next(i for i, line in enumerate(lines) if "remaining-need" in line)
    heading = next(line for line in reversed(lines[:place]) if line and not line.startswith(" "))
    listed = next(i for i, line in enumerate(lines) if "iowa-lsnt" in line)
    assert heading != next(line for line in reversed(lines[:listed]) if line and not line.startswith(" "))

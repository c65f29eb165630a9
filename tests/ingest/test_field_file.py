"""The field file: every key known, every fault told at once, each with its remedy."""

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sound

from vrn.errors import InputFileError
from vrn.ingest.field_file import read_settings, settings_from
from vrn.ingest.new_field import new_field_files


def refused(keys: dict[str, Any]) -> InputFileError:
    """The error that a field file raises."""
    with pytest.raises(InputFileError, match=r"field\.toml") as raised:
        settings_from(keys)
    return raised.value


def test_sound_file_reads_into_settings() -> None:
    """Keys that are given arrive; the others have their defaults."""
    settings = settings_from(sound.KEYS)
    assert settings.header.name == "Wren Hollow"
    assert settings.crop.yield_goal_bu_ac == 210.0
    assert settings.machine.swath_ft == 60.0
    assert settings.layers.organic_matter is not None
    assert settings.layers.organic_matter.column == "om_pct"
    assert not settings.approved


@pytest.mark.parametrize("stage", ["v8", " V8 ", "V8"])
def test_leaf_stage_is_read_in_any_case(stage: str) -> None:
    """``v8`` is V8."""
    assert settings_from(sound.changed({"crop__growth_stage": stage})).crop.growth_stage == "V8"


@pytest.mark.parametrize(
    ("path", "near"),
    [
        ("crop__yield_gaol_bu_ac", "yield_goal_bu_ac"),
        ("machine__swath", "swath_ft"),
        ("field__boundry", "boundary"),
        ("machin", "machine"),
        ("field__growth_stage", "crop.growth_stage"),
        ("samples__reportedas", "reported_as"),
    ],
)
def test_unknown_key_names_the_nearest(path: str, near: str) -> None:
    """A key that no field file has is refused with the one probably meant."""
    error = refused(sound.changed({path: 3}))
    assert f"{path.replace('__', '.')} is not a known key." in error.problem
    assert error.remedy == f"Did you mean {near}?"


def test_an_empty_name_is_asked_for() -> None:
    """A line of the form that nobody filled in reads as a sentence."""
    error = refused(sound.changed({"field__name": ""}))
    assert (error.problem, error.remedy) == ("field.toml: field.name is empty.", "Enter a name.")


def test_every_fault_is_told_at_once_with_its_remedy() -> None:
    """Eight faults of eight kinds stand in one error, each with key path and remedy."""
    keys = sound.changed(
        {
            "crop__yield_goal_bu_ac": "210",
            "crop__growth_stage": "eight",
            "crop__colour": "green",
            "field__name": None,
            "machine__swath_ft": -60,
            "machine__speed_mph": float("nan"),
            "machine__below_minimum": "skip",
            "layers__organic_matter": {},
        }
    )
    error = refused(keys)
    for told in (
        'crop.yield_goal_bu_ac is "210", which cannot be used. Give a number from 20 to 450.',
        'crop.growth_stage is "EIGHT", which is not a leaf stage. Give the leaf-collar stage',
        "crop.colour is not a known key. Known keys there: yield_goal_bu_ac",
        "field.name is missing. Add it: text in quotes.",
        "machine.swath_ft is -60, which cannot be used. Give a number above 0 and up to 200.",
        "machine.speed_mph is nan, which is not a number. Give a number above 0 and up to 25.",
        'machine.below_minimum is "skip", which cannot be used. Give one of "nearest", "zero", "minimum".',
        "layers.organic_matter needs one of file and value_pct. Give file",
    ):
        assert told in error.problem
    assert error.problem.startswith("field.toml has 8 faults:")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"layers__organic_matter": {"file": "om.csv", "value_pct": 3}}, "needs one of file and value_pct"),
        ({"layers__yield_potential": {"kind": "bu_ac"}}, "needs one of file, files and value"),
        ({"layers__yield_potential": {"files": ["a.csv", "b.csv"]}}, 'needs kind = "yield_log"'),
        ({"layers__yield_potential": {"kind": "yield_log", "value": 2.0}}, "does not go with a harvester log"),
        ({"machine__min_rate_n_lb_ac": 100, "machine__max_rate_n_lb_ac": 50}, "is above max_rate_n_lb_ac"),
        ({"machine__min_speed_mph": 12, "machine__max_speed_mph": 6}, "is above max_speed_mph"),
        ({"review": {"approved_by": "A. Person"}}, "needs both approved_by and approved_on"),
        ({"zones": {"by": "cells", "count": 3}}, 'does not go with zones.by = "cells"'),
        ({"zones": {"by": "cells", "file": "zones.shp"}}, 'does not go with zones.by = "cells"'),
        ({"zones": {"by": "cells"}, "check_strips": {"step_n_lb_ac": 30}}, 'does not go with zones.by = "cells"'),
        (
            {"zones": {"by": "cells"}, "review": {"override": [{"zone": 1, "rate_n_lb_ac": 90, "reason": "wet"}]}},
            'does not go with zones.by = "cells"',
        ),
        ({"samples__water_pct": 20}, "has no use on a dry basis"),
    ],
)
def test_keys_that_contradict_each_other_are_refused(changes: dict[str, Any], says: str) -> None:
    """Keys that are each allowed and do not go together are named."""
    assert says in refused(sound.changed(changes)).problem


@pytest.mark.parametrize(
    ("text", "says", "remedy"),
    [
        (b"[field\nname = 1", "not valid TOML: .*line 1", "Fix that line"),
        (b'[field]\nboundary = "c:\\maps\\north.shp"', "not valid TOML: .*line 2", "single quotes"),
        (b"[field]\nname = 1\n[field]\n", "not valid TOML", "Fix that line"),
        (b"\xff\xfe[\x00f\x00]\x00", "not UTF-8 text", "Save it as UTF-8"),
        (b'name = "\xe9t\xe9"', "not UTF-8 text", "Save it as UTF-8"),
        (b"", "5 faults|4 faults|3 faults", "Fix them"),
    ],
)
def test_a_file_that_is_no_toml_is_refused(tmp_path: Path, text: bytes, says: str, remedy: str) -> None:
    """Broken TOML passes on the parser's line; text in another encoding says so."""
    path = tmp_path / "field.toml"
    path.write_bytes(text)
    with pytest.raises(InputFileError, match=says) as raised:
        read_settings(path)
    assert remedy in raised.value.remedy


def test_byte_order_mark_and_windows_lines_are_read(tmp_path: Path) -> None:
    """What a Windows editor adds to a text file does not matter."""
    path = tmp_path / "field.toml"
    path.write_bytes(b"\xef\xbb\xbf" + sound.toml_text(sound.KEYS).replace("\n", "\r\n").encode())
    assert read_settings(path).header.name == "Wren Hollow"


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    """Each has its own remedy."""
    with pytest.raises(InputFileError, match=r"no such file") as missing:
        read_settings(tmp_path / "nowhere.toml")
    assert "vrn start" in missing.value.remedy
    with pytest.raises(InputFileError, match=r"is a folder") as folder:
        read_settings(tmp_path)
    assert "field.toml" in folder.value.remedy


def _filled(text: str) -> str:
    """The form of a new field with every marked line filled in."""
    goal = ("yield_goal_bu_ac = 0", "yield_goal_bu_ac = 205")
    for empty, full in (
        ('name = ""', 'name = "Ash Hill 3"'),
        goal if goal[0] in text else ("yield_goal_t_ha = 0", "yield_goal_t_ha = 13"),
        ('growth_stage = ""', 'growth_stage = "V8"'),
        ('reported_as = ""', 'reported_as = "NO3-N"'),
        ('moisture_basis = ""', 'moisture_basis = "dry"'),
        ("value_pct = -1", "value_pct = 3.1"),
    ):
        assert text.count(empty) == 1
        text = text.replace(empty, full)
    return text


@pytest.mark.parametrize("metric", [False, True])
def test_new_field_file_is_refused_until_filled_in_and_then_valid(metric: bool) -> None:
    """The form of ``vrn start`` names exactly its marked keys as faults, and reads back once they are filled in."""
    text = new_field_files(2026, metric=metric)["field.toml"]
    marked = [
        line.split("=")[0].strip() for line in text.splitlines() if "# <--" in line and 'boundary = "' not in line
    ]
    error = refused(tomllib.loads(text))
    assert error.problem.startswith(f"field.toml has {len(marked)} faults:")
    for key in marked:
        assert f".{key} is " in error.problem
    settings = settings_from(tomllib.loads(_filled(text)))
    assert settings.crop.growth_stage == "V8"


@pytest.mark.parametrize("metric", [False, True])
def test_every_optional_line_of_the_new_field_file_is_a_known_key(metric: bool) -> None:
    """With the # taken off all of them at once, the file is still valid but for what excludes each other."""
    text = _filled(new_field_files(2026, metric=metric)["field.toml"])
    trade_units = re.findall(r"^#?\w+_(?:lb|bu|ac|ft|lb_ac|bu_ac)\b(?= =)", text, flags=re.MULTILINE)
    assert bool(trade_units) is not metric
    lines = []
    for written in text.splitlines():
        optional = written.startswith("#") and not written.startswith("# ")
        lines.append(written[1:] if optional else written)
    used = "\n".join(line for line in lines if not line.startswith(("value_pct", "water_pct")))
    used = used.replace("id of summary.json", "0" * 64)
    settings = settings_from(tomllib.loads(used))
    assert settings.applications[0].product == "UAN 28"
    assert settings.header.no_apply[0].file == "waterway.geojson"
    assert settings.approved


def test_settings_written_again_are_the_same(rewrite: Callable[..., Path]) -> None:
    """A list of tables, nested tables and dates survive."""
    path = rewrite(
        field__no_apply=[{"file": "a.geojson", "setback_ft": 30}, {"file": "b.geojson"}],
        crop__application_date=sound.Raw("2026-06-18"),
    )
    settings = read_settings(path)
    assert [part.setback_ft for part in settings.header.no_apply] == [30.0, 0.0]
    assert str(settings.crop.application_date) == "2026-06-18"

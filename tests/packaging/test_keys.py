"""The list of keys is that of the settings, in both unit systems, and everything it says can be written."""

import json
import tomllib
from pathlib import Path

import pytest

from vrn.cli import main
from vrn.desk.form import keys_of_file
from vrn.ingest.field_file import settings_from
from vrn.words.keys import KEYS

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"


def test_every_key_has_its_sentence() -> None:
    """No key is without one, and none is left of a key that is gone."""
    assert {one.path for one in keys_of_file()} == set(KEYS)
    assert all(one.says.endswith(".") for one in keys_of_file())


@pytest.mark.parametrize("metric", [False, True])
def test_defaults_can_be_written_out(metric: bool) -> None:
    """A field file with every default written into it is the field file without."""
    text = {"us": "yield_goal_bu_ac = 200", "metric": "yield_goal_t_ha = 12"}["metric" if metric else "us"]
    units = "metric" if metric else "us"
    bare = tomllib.loads(
        f'units = "{units}"\nfield = {{name = "A", season = 2026, boundary = "b.geojson"}}\n'
        f'[crop]\n{text}\ngrowth_stage = "V7"\n[samples]\nfile = "s.csv"\n'
    )
    full = json.loads(json.dumps(bare))
    for one in keys_of_file(metric=metric):
        section, _, name = one.path.partition(".")
        if section in ("machine", "limits", "prices") and isinstance(one.default, (int, float, str)):
            full.setdefault(section, {}).setdefault(name, one.default)
    written, left_out = settings_from(full), settings_from(bare)
    assert written.machine.swath_ft == pytest.approx(left_out.machine.swath_ft, rel=1e-4)
    assert written.machine.rate_step_n_lb_ac == pytest.approx(left_out.machine.rate_step_n_lb_ac, rel=1e-4)
    assert written.prices == left_out.prices


def test_keys_on_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """One key a line, a section alone, and an unknown one refused."""
    assert main(["keys", "machine"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines
    assert all(line.startswith("machine.") for line in lines)
    assert main(["keys", "machin"]) == 2
    assert main(["--version"]) == 0


def test_check_refuses_what_build_refuses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A product nobody knows is refused by both, with the same words."""
    said = []
    for name in ("boundary.geojson", "samples.csv", "waterway.geojson", "yield_potential.tif", "field.toml"):
        (tmp_path / name).write_bytes((DEMO / "mill_race" / name).read_bytes())
    text = (tmp_path / "field.toml").read_text(encoding="utf-8")
    known = next(line for line in text.split("[product]")[1].splitlines() if line.startswith("name"))
    (tmp_path / "field.toml").write_text(text.replace(known, 'name = "Foozle 9"'), encoding="utf-8")
    for words in (["check"], ["build", "--out", str(tmp_path / "out")]):
        assert main([words[0], str(tmp_path / "field.toml"), *words[1:]]) == 2
        said.append(capsys.readouterr().err)
    assert said[0] == said[1]

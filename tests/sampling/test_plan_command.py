"""``vrn plan`` on the command line: what it writes, says and refuses."""

import json
from pathlib import Path

import pytest

from vrn.cli import main

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
FIELD = str(DEMO / "mill_race" / "field.toml")


def test_plan_writes_and_says_what_comes_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every file that is named was written, and the curve says what ten more buy."""
    out = tmp_path / "plan"
    assert main(["plan", FIELD, "--out", str(out), "--samples", "12", "--edge", "20m"]) == 0
    said = capsys.readouterr().out
    for line in said.splitlines():
        if line.startswith("wrote "):
            assert Path(line.removeprefix("wrote ")).is_file()
    assert said.rstrip().endswith(f"vrn check {FIELD}")


def test_plan_for_a_machine(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The JSON holds the places in walking order and the files."""
    assert main(["plan", FIELD, "--out", str(tmp_path / "p"), "--design", "composites", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["design"] == "composites"
    assert len(plan["places"]) == 20 * len(plan["areas"])
    assert json.loads((tmp_path / "p" / "plan.json").read_text(encoding="utf-8"))["places"] == plan["places"]


def test_enough_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where no reading would move a rate, that is said and no folder is made."""
    text = (DEMO / "mill_race" / "field.toml").read_text(encoding="utf-8")
    folder = tmp_path / "mill_race"
    folder.mkdir()
    for name in ("boundary.geojson", "samples.csv", "waterway.geojson", "yield_potential.tif"):
        (folder / name).write_bytes((DEMO / "mill_race" / name).read_bytes())
    coarse = text.replace("rate_step_n_lb_ac = 10", "rate_step_n_lb_ac = 40")
    assert coarse != text
    (folder / "field.toml").write_text(coarse, encoding="utf-8")
    assert main(["plan", str(folder / "field.toml"), "--next", "4"]) == 0
    assert "wrote" not in capsys.readouterr().out
    assert not (folder / "plan_next").exists()


@pytest.mark.parametrize(
    ("given", "told"),
    [(["--edge", "60 yards"], "Give a distance as 60ft or 18m"), (["--design", "random"], "balanced, grid, strata"),
     (["--second-foot", "some"], "auto, all, none"), (["--start", "here"], "latitude,longitude"),
     (["--start", "420,-94"], "latitude,longitude"), (["--avoid", "no_such.geojson"], "no file"),
     (["--design", "strata"], "")],
)  # fmt: skip
def test_what_cannot_be_planned_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], given: list[str], told: str
) -> None:
    """A wrong option is refused with its remedy, and nothing is written."""
    out = tmp_path / "plan"
    status = main(["plan", FIELD, "--out", str(out), *given])
    if not told:  # the yield potential varies, so there are strata to make
        assert status == 0
        return
    assert status == 2
    assert told in capsys.readouterr().err
    assert not out.exists()

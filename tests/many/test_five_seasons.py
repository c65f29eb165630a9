"""A farm of three fields over five seasons by the real commands: build, sign, drive, harvest, and the next build."""

import contextlib
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.many.farm import TRIAL, MadeField
from vrn.cli import main
from vrn.response.learn import usual_anchor_lb_ac

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own

LEVEL, SEASONS = 45.0, (-14.0, 11.0, 4.0, -9.0, 8.0)  # lb/ac: what the farm wants beyond the budget, each season's own
PRICES = "[prices]\ncorn_per_bu = 4.40\nn_per_lb = 0.55\n"


@pytest.mark.long
def test_three_fields_learn_over_five_seasons(tmp_path: Path) -> None:
    """The farm wants 45 lb more than the budget; what is learned goes there, season by season, and rates with it."""
    book = tmp_path / "season.db"
    fields = [MadeField(name=f"Field {k}", folder=tmp_path / f"f{k}", seed=k, east_m=2000.0 * k,
                        nitrate_ppm=(7.0 + k, 18.0 + k)) for k in range(3)]  # fmt: skip
    levels, tops = [], []
    for year, own in enumerate(SEASONS):
        season = 2022 + year
        learning = f'[learning]\nbook = "{book}"\n' if year else ""
        for made in fields:
            out, applied, harvest = (tmp_path / f"{made.name} {season}{end}" for end in ("", " log", " harvest.csv"))
            assert main(["build", str(made.write(season, PRICES + TRIAL + learning)), "--out", str(out)]) < 2
            assert main(["sign", str(out), "--by", "Pat Doe", "--on", f"{season}-06-10", "--accept-warnings"]) == 0
            summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
            assert ("learned" in summary) == bool(year)
            beyond = usual_anchor_lb_ac() + LEVEL + own
            west, east = (_need(summary, made, out, x) + beyond for x in (300.0, 900.0))
            made.drive_iso(out, applied)
            made.harvest(out, harvest, season, top=(west, east))
            run = ["harvest", str(out), str(harvest), "--applied", str(applied), "--book", str(book)]
            assert main([*run, "--out", str(tmp_path / f"{made.name} {season} page")]) < 2
        said = _said(["learned", str(book), "--json"])
        level, low, high = said["learned"]["level"]
        levels.append(level)
        tops.append(high - low)
    assert main(["season", str(book), "--html", str(tmp_path / "season.html")]) == 0
    assert '<figure class="chart"' in (tmp_path / "season.html").read_text(encoding="utf-8")
    assert 24 <= len(said["trials"]) <= 30  # in two seasons only one block finds ground beside the last season's
    later = [one for one in said["trials"] if not one["first_season"]]
    off = {name: np.mean([abs(one[f"{name}_lb_ac"] - one["said_lb_ac"]) for one in later])
           for name in ("budget", "expected")}  # fmt: skip
    assert off["expected"] < 0.75 * off["budget"]
    assert abs(levels[-1] - LEVEL) < abs(levels[0] - LEVEL)
    assert tops[-1] < tops[0]
    assert levels[-1] == pytest.approx(LEVEL, abs=20.0)
    last = summary["learned"]
    assert last["seasons"] == 4
    assert last["together"][1] < LEVEL < last["together"][2]
    codes = {one["code"] for one in summary["findings"]}
    assert {"season.learned", "season.learned-range"} <= codes


def _need(summary: dict, made: MadeField, out: Path, x_ft: float) -> float:
    """Need by the budget, nothing learned in it, of the ground at a place in the middle of the field."""
    planned = made.planned(out, np.array([x_ft]), np.array([60.0]))[0]
    zone = min(summary["zones"], key=lambda one: (abs(one["rate_n_lb_ac"] - planned), -one["acres"]))
    return float(sum(value for key, value in zone["ledger"].items() if not key.startswith("learned_")))


def _said(arguments: list[str]) -> dict:
    """What a command says for a machine."""
    import io

    with _caught(io.StringIO()) as caught:
        assert main(arguments) < 2
    return json.loads(caught.getvalue())


@contextlib.contextmanager
def _caught(into: object) -> Iterator:
    with contextlib.redirect_stdout(into):  # type: ignore[type-var]
        yield into

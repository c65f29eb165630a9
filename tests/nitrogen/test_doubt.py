"""The doubt of a need's level: its parts by hand, squares that add up, one figure everywhere."""

import io
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import vrn
from vrn.cli import main
from vrn.model.settings import Settings
from vrn.nitrogen import Ledger, method
from vrn.nitrogen.doubt import PRIORS, SECOND_FOOT_SHARE, DoubtPart, LevelDoubt, level_doubt
from vrn.pages.field_drawing import INK, STRONG
from vrn.pages.report_machine import _doubt_bars
from vrn.prescription.wanted import doubt_of, payoff_of
from vrn.words import UnitFormat

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
V8 = {"nitrate_ppm": 15.7, "top_in": 0, "bottom_in": 12, "growth_stage": "V8", "yield_goal_bu_ac": 220,
      "organic_matter_pct": 2.7}  # fmt: skip


def _ledger(**more: Any) -> Ledger:
    return method("remaining-need").need(**V8, **more)


def _doubt(ledger: Ledger, total: float = 35.0) -> LevelDoubt:
    return level_doubt(ledger, total_sd_lb_ac=total, source="trials")


def _parts(doubt: LevelDoubt) -> dict[str, float]:
    return {part.part: part.sd_lb_ac for part in doubt.parts}


def test_each_part_is_what_a_pocket_calculator_gives() -> None:
    """V8, 220 bu, 2.7 % organic matter, 15.7 ppm: parts that are linear, worked by hand from their priors."""
    parts, inputs = _parts(_doubt(_ledger())), _ledger().inputs
    taken, left = float(inputs["uptake_share"]), float(inputs["mineralization_share_left"])
    assert parts["per-bushel"] == pytest.approx(0.10 * 220 * (1 - taken))
    assert parts["mineralization"] == pytest.approx(math.hypot(0.3 * 2.7 * 20 * left, 0.10 * 2.7 * 20))
    assert parts["season-yield"] == pytest.approx(0.12 * 0.41 * 220 * 1.1 * (1 - taken))
    assert parts["instrument"] == pytest.approx(0.07 * 15.7 * 12 * 1.35 * 0.226613, rel=1e-5)
    assert parts["bulk-density"] == pytest.approx(0.08 * 15.7 * 12 * 0.226613, rel=1e-5)
    low, middle, high = 0.10, taken, 0.22  # the table's band at V8; variance of a triangle
    spread = low**2 + middle**2 + high**2 - low * middle - low * high - middle * high
    assert parts["uptake"] == pytest.approx(242 * math.sqrt(spread / 18))
    # half of 0.43 ± 0.20 of the first foot; held at 0 on the outer node (0.43 − 0.57), so a little below 5.76
    assert parts["second-foot"] == pytest.approx(0.5 * 0.20 * 15.7 * 12 * 1.35 * 0.226613, rel=0.05)


@pytest.mark.parametrize("total", [35.0, 40.0, 20.0])
def test_squares_add_up_and_the_rest_is_never_small(total: float) -> None:
    """Squares of the parts add up to the total's; the rest is 15 lb/ac or more, and then the total may grow."""
    doubt = _doubt(_ledger(), total)
    assert sum(sd**2 for sd in _parts(doubt).values()) == pytest.approx(doubt.sd_lb_ac**2)
    assert _parts(doubt)["method"] >= 15.0
    assert doubt.sd_lb_ac >= total
    assert (doubt.sd_lb_ac == total) is (_parts(doubt)["method"] > 15.0)


def test_what_was_measured_is_no_doubt() -> None:
    """A second foot that was pulled, and an uptake share of the user's own, take their parts away."""
    assert "second-foot" not in _parts(_doubt(_ledger(deep_nitrate_ppm=7.0, deep_bottom_in=24)))
    assert "uptake" not in _parts(_doubt(_ledger(uptake_share=0.35)))


def test_cells_have_the_doubt_of_their_means() -> None:
    """A ledger of cells has the doubt of a ledger of its inputs' means; unknown cells have no part in it."""
    cells = {**V8, "nitrate_ppm": np.array([10.7, 20.7, np.nan])}
    of_cells = _doubt(method("remaining-need").need(**cells))
    assert _parts(of_cells) == pytest.approx(_parts(_doubt(_ledger())))


def test_calibrated_methods_know_only_the_whole() -> None:
    """Of a method made from trials only the total is stated, and of a need of the user's own."""
    assert _doubt(method("iowa-lsnt").need(nitrate_ppm=15.0)) == LevelDoubt(sd_lb_ac=35.0)
    assert _doubt(Ledger(lines=_ledger().lines, method="remaining-need")).parts == ()


def test_every_prior_has_its_source() -> None:
    """Each prior says where it comes from, or that it is assumed."""
    assert all(len(prior.source) > 10 for prior in PRIORS)


def test_one_figure_everywhere(capsys: pytest.CaptureFixture[str]) -> None:
    """`vrn need` prints the total that rates by return use; a figure in the field file takes the place of all parts."""
    words = ["need", "--ppm", "15.7", "--yield-goal", "220", "--stage", "V8", "--om", "2.7"]
    main([*words, "--json"])
    answer = json.loads(capsys.readouterr().out)
    main(words)
    assert "± 35 lb/ac" in capsys.readouterr().out
    settings = vrn.read_field(DEMO / "cedar_bend" / "field.toml").settings
    paid = payoff_of(settings, _ledger())
    assert paid is not None
    assert answer["doubt_sd_lb_ac"] == paid.method_sd_lb_ac == doubt_of(settings, _ledger()).sd_lb_ac == 35.0
    assert sum(sd**2 for sd in answer["doubt_parts_lb_ac"].values()) == pytest.approx(35**2, rel=0.01)
    own = _with_sd(settings, 22.0)
    assert doubt_of(own, _ledger()) == LevelDoubt(sd_lb_ac=22.0)


def _with_sd(settings: Settings, sd: float) -> Settings:
    return replace(settings, nitrogen=replace(settings.nitrogen, method_sd_lb_ac=sd))


@pytest.mark.parametrize(("samples", "ratio"), [(10.0, 4.0), (80.0, 0.5)])
def test_bars_of_the_doubt_are_to_scale(samples: float, ratio: float) -> None:
    """The total's bar (black) over that of the samples (blue) is the ratio of their numbers, whichever is longer."""
    doubt = LevelDoubt(sd_lb_ac=40.0, parts=(DoubtPart(part="method", sd_lb_ac=40.0, source=""),))
    picture = Image.open(io.BytesIO(_doubt_bars(doubt, samples, UnitFormat(metric=False)))).convert("RGB")
    pixels = np.asarray(picture).astype(int)

    def longest(color: str, rows: slice) -> int:
        wanted = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)])
        alike = np.abs(pixels - wanted).max(axis=2) < 12
        return int(alike[rows].sum(axis=1).max())

    total, third = longest(INK, slice(0, len(pixels) // 3)), slice(2 * len(pixels) // 3, None)
    assert total / longest(STRONG, third) == pytest.approx(ratio, rel=0.08)  # frames are drawn over the ends


def test_share_of_the_second_foot_by_critical_levels() -> None:
    """Binford et al. 1992, Agron. J. 84:53: 23 to 26 ppm in one foot, 16 to 19 in two, so 9 to 12 in the second."""
    second = [2 * two - one for one, two in ((23, 16), (26, 19))]
    assert second == [9, 12]
    assert second[0] / 23 < SECOND_FOOT_SHARE < second[1] / 26

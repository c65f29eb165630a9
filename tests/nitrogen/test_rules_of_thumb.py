"""Rules of thumb of the trade: common practice, no source. They stand here and nowhere else."""

import pytest

from vrn.nitrogen import method, nitrate_lb_ac


def _at_v8():
    return method("remaining-need").need(
        yield_goal_bu_ac=240, growth_stage="V8", nitrate_ppm=9, top_in=0, bottom_in=12, organic_matter_pct=3
    )


def test_nine_ppm_in_a_foot():
    """9 ppm in a 12-inch core is about 33 lb/ac."""
    assert nitrate_lb_ac(9, top_in=0, bottom_in=12) == pytest.approx(33, abs=0.5)


def test_a_crop_of_240_bushels():
    """240 bu/ac at 1.1 lb/bu wants 264 lb/ac in all; at V8 85 % of it is still to come."""
    crop = next(line for line in _at_v8().lines if line.key == "crop")
    assert crop.lb_ac / (1 - 0.15) == pytest.approx(264)


def test_three_per_cent_organic_matter():
    """3 % organic matter frees about 60 lb/ac a season; 69 % of it is still to come at V8."""
    mineral = next(line for line in _at_v8().lines if line.key == "mineralization")
    assert mineral.lb_ac / -0.69 == pytest.approx(60)


def test_together_at_v8():
    """Together they leave about 145 lb/ac (± 10)."""
    assert _at_v8().need_lb_ac == pytest.approx(145, abs=10)

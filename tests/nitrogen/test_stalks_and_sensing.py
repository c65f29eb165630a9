"""Stalk nitrate and greenness against published classes and worked numbers, the source beside each."""

import numpy as np
import pytest

from vrn.errors import OutOfRangeError
from vrn.nitrogen.late_spring import (
    ACT_BELOW_PCT,
    next_year_cut_share,
    sensed_need_lb_ac,
    stalk_class,
    sufficiency_index_pct,
)
from vrn.units import LB_AC_KG_HA


@pytest.mark.parametrize(
    ("scheme", "ppm", "name"),
    [
        ("iowa", 249, "low"), ("iowa", 250, "marginal"), ("iowa", 699, "marginal"), ("iowa", 700, "optimal"),
        ("iowa", 2000, "optimal"), ("iowa", 2001, "excess"),  # Iowa State, AgSource table
        ("penn-state", 699, "low"), ("penn-state", 700, "optimal"), ("penn-state", 2001, "excess"),  # Penn State
        ("purdue", 449, "low"), ("purdue", 450, "optimal"), ("iowa-newer", 250, "optimal"),  # Purdue; newer Iowa use
    ],
)  # fmt: skip
def test_stalk_classes(scheme, ppm, name):
    """An edge lies in the better class ("< 250", "> 2000" in the bulletins)."""
    assert stalk_class(ppm, scheme=scheme) == [name]


@pytest.mark.parametrize(
    ("ppm", "cut"), [(1500, 0.0), (2000, 0.0), (2001, 0.25), (6000, 0.25), (6001, 0.5), (12000, 0.5)]
)
def test_cut_next_year(ppm, cut):
    """2,000–6,000 ppm: cut a quarter; 6,000–12,000: cut half (Connecticut, abstract of 2007)."""
    assert next_year_cut_share(ppm) == [cut]


def test_stalks_that_were_not_cut_are_unknown():
    """NaN is unknown, a negative value is refused."""
    assert stalk_class([np.nan, 800]) == ["unknown", "optimal"]
    assert np.isnan(next_year_cut_share(np.nan)[0])
    with pytest.raises(OutOfRangeError, match="Stalk nitrate is -1 ppm"):
        stalk_class(-1)


@pytest.mark.parametrize(("reading", "reference", "index", "act"), [(48, 52, 92.3, True), (51, 52.5, 97.1, False)])
def test_sufficiency_index(reading, reference, index, act):
    """Target over reference × 100, act below 95 (Penn State Agronomy Facts 53, UNL G1632; worked)."""
    got = sufficiency_index_pct(reading, reference)
    assert got == pytest.approx(index, abs=0.05)
    assert (got < ACT_BELOW_PCT) is act


@pytest.mark.parametrize(
    ("index", "kg_ha", "lb_ac"), [(95, 44.8, 40.0), (93, 63.4, 56.6), (90, 83.9, 74.8), (85, 109.8, 98.0)]
)
def test_sensed_need(index, kg_ha, lb_ac):
    """317 √(0.97 − SI) kg/ha (Varvel et al. 2007, from memory; worked)."""
    got = sensed_need_lb_ac(index)
    assert got == pytest.approx(lb_ac, abs=0.06)
    assert got * LB_AC_KG_HA == pytest.approx(kg_ha, abs=0.06)


def test_enough_green_needs_nothing():
    """From 97 % up nothing is needed; NaN stays NaN; a reference of 0 is refused."""
    assert sensed_need_lb_ac([97, 100]).tolist() == [0.0, 0.0]
    assert np.isnan(sensed_need_lb_ac(np.nan))
    with pytest.raises(OutOfRangeError, match="reads 0 or less"):
        sufficiency_index_pct(40, 0)

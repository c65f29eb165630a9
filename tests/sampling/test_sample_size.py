"""How many samples: worked figures of the published formula, and laws it must keep."""

from itertools import pairwise

import numpy as np
import pytest

from vrn.errors import OutOfRangeError
from vrn.sampling.error import CORE_CV_PCT, error_of_mean_pct, samples_needed, size_curve

# least n with t(n - 1) · CV ÷ √n ≤ E, worked by hand with the t of printed tables (Fisher & Yates): 95 % two-sided
# 11: 2.201, 21: 2.080, 24: 2.064, 37: 2.026; 90 % 8: 1.860, 15: 1.753, 26: 1.706
WORKED = [
    (30, 20, 0.95, 12), (45, 20, 0.95, 22), (60, 20, 0.95, 38), (45, 15, 0.95, 38), (60, 25, 0.95, 25),
    (30, 20, 0.90, 9), (45, 20, 0.90, 16), (60, 20, 0.90, 27),
]  # fmt: skip


@pytest.mark.parametrize(("cv_pct", "error_pct", "confidence", "samples"), WORKED)
def test_samples_needed_worked_by_hand(cv_pct: float, error_pct: float, confidence: float, samples: int) -> None:
    """The number of samples is that of the table worked by hand."""
    assert samples_needed(cv_pct, error_pct, confidence=confidence) == samples


def test_needed_number_keeps_the_wanted_error() -> None:
    """The number found keeps the error that was wanted, and one sample fewer does not."""
    for cv_pct in (20.0, 33.0, 45.0, 61.0):
        for error_pct in (8.0, 15.0, 20.0, 30.0):
            count = samples_needed(cv_pct, error_pct)
            assert error_of_mean_pct(cv_pct, count) <= error_pct + 1e-9
            assert error_of_mean_pct(cv_pct, count - 1) > error_pct


def test_cores_of_one_sample() -> None:
    """Off by 50 % with one core, a sample is off by about 25 % with five (published: about 25 %, tcsae 2003)."""
    one, five = (error_of_mean_pct(1e-9, 30, core_cv_pct=CORE_CV_PCT, cores=cores) for cores in (1, 5))
    assert five / one * 50 == pytest.approx(22.4, abs=0.1)


def test_few_samples_pay_for_not_knowing_their_spread() -> None:
    """Five samples: Student's t(4) = 2.776 (printed tables), not 1.96; one sample shows no error of its own."""
    assert error_of_mean_pct(45, 5) == pytest.approx(2.776 * 45 / 5**0.5, rel=1e-3)
    assert error_of_mean_pct(45, 1) == float("inf")


def test_two_stages_against_simulation() -> None:
    """The error of a mean of composites is the spread that simulated fields of composites show."""
    random = np.random.default_rng(5)
    samples, cores, field = 12, 6, 20_000
    place = 1 + 0.4 * random.standard_normal((field, samples))
    composite = place + 0.5 * random.standard_normal((field, samples, cores)).mean(axis=2)
    spread_pct = composite.mean(axis=1).std() * 100
    worked = error_of_mean_pct(40, samples, core_cv_pct=50, cores=cores) / 2.200985
    assert spread_pct == pytest.approx(worked, rel=0.02)


def test_curve_tells_what_ten_more_buy() -> None:
    """What ten more samples take off the error is the difference of two points of the curve, and falls."""
    curve = size_curve(45, counts=(10, 20, 30, 40))
    for one, next_one in pairwise(curve):
        assert one.ten_more_pct == pytest.approx(one.error_pct - next_one.error_pct)
        assert one.ten_more_pct > next_one.ten_more_pct > 0


@pytest.mark.parametrize("bad", [0.0, -5.0, float("nan"), float("inf")])
def test_impossible_numbers_are_refused(bad: float) -> None:
    """A variation or an error that is not a positive number is refused by its name."""
    with pytest.raises(OutOfRangeError, match="error_pct is"):
        samples_needed(45, bad)
    with pytest.raises(OutOfRangeError, match="cv_pct is"):
        samples_needed(bad, 20)
    with pytest.raises(OutOfRangeError, match="confidence of 1"):
        samples_needed(45, 20, confidence=1.0)

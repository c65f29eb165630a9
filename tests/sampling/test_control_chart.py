"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

import numpy as np
import pytest

from vrn.errors import OutOfRangeError
from vrn.sampling.standards import ewma_chart, individuals_chart

# § 6.3.2.2, individuals control charts: ten batches
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# § 6.3.2.4, EWMA control charts: target 50, s = 2.0539, weight 0.3
MONITORED = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
             49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
EWMA = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_individuals_chart_of_the_handbook() -> None:
    """NIST e-Handbook § 6.3.2.2 prints 50.81, 55.8041 and 45.8159, and no batch outside."""
    chart = individuals_chart(FLOW)
    assert chart.center == pytest.approx(50.81, abs=1e-9)
    assert chart.high == pytest.approx(55.8041, abs=5e-4)
    assert chart.low == pytest.approx(45.8159, abs=5e-4)
    assert chart.outside == ()


def test_running_mean_of_the_handbook() -> None:
    """NIST e-Handbook § 6.3.2.4 prints the running means, 52.5884 and 47.4115, and none outside."""
    chart = ewma_chart(MONITORED, target=50.0, sigma=2.0539, weight=0.3)
    np.testing.assert_allclose(chart.points, EWMA, atol=0.0051)
    assert chart.high == pytest.approx(52.5884, abs=1e-4)
    assert chart.low == pytest.approx(47.4115, abs=2e-4)
    assert chart.outside == ()


def test_a_slow_drift_shows_in_the_running_mean_first() -> None:
    """A drift of half a sigma a reading leaves the running mean's limits while no single reading is beyond three."""
    readings = 20.0 + 0.5 * np.array([0.2, -0.3, 0.4, 0.8, 1.2, 1.6, 2.0, 2.4])
    assert ewma_chart(readings, target=20.0, sigma=0.5).outside
    assert np.all(np.abs(readings - 20.0) < 3 * 0.5)


def test_charts_refuse_what_they_cannot_chart() -> None:
    """One reading gives no moving range; an unknown reading is no point of a chart."""
    with pytest.raises(OutOfRangeError, match="at least 2 known readings"):
        individuals_chart([10.0])
    with pytest.raises(OutOfRangeError, match="at least 1 known readings"):
        ewma_chart([10.0, float("nan")], target=10, sigma=1)
    with pytest.raises(OutOfRangeError, match="weight 0"):
        ewma_chart([10.0], target=10, sigma=1, weight=0)


def test_a_perfect_instrument_has_limits_on_its_line() -> None:
    """Readings that never vary lie on the centre line and none is outside."""
    chart = individuals_chart([7.0] * 5)
    assert (chart.low, chart.center, chart.high, chart.outside) == (7.0, 7.0, 7.0, ())

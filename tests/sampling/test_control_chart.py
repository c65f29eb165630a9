"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

import pytest

from vrn.errors import OutOfRangeError
from vrn.sampling.standards import individuals_chart

# § 6.3.2.2, individuals control charts: ten batches
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_individuals_chart_of_the_handbook() -> None:
    """NIST e-Handbook § 6.3.2.2 prints 50.81, 55.8041 and 45.8159, and no batch outside."""
    chart = individuals_chart(FLOW)
    assert chart.center == pytest.approx(50.81, abs=1e-9)
    assert chart.high == pytest.approx(55.8041, abs=5e-4)
    assert chart.low == pytest.approx(45.8159, abs=5e-4)
    assert chart.outside == ()


def test_charts_refuse_what_they_cannot_chart() -> None:
    """One reading gives no moving range; an unknown reading is no point of a chart."""
    with pytest.raises(OutOfRangeError, match="at least 2 known readings"):
        individuals_chart([10.0])
    with pytest.raises(OutOfRangeError, match="at least 2 known readings"):
        individuals_chart([10.0, float("nan"), 11.0])


def test_a_perfect_instrument_has_limits_on_its_line() -> None:
    """Readings that never vary lie on the centre line and none is outside."""
    chart = individuals_chart([7.0] * 5)
    assert (chart.low, chart.center, chart.high, chart.outside) == (7.0, 7.0, 7.0, ())

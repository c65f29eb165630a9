"""Whether layers hold a pattern at all: against SciPy's own densities, open data in and out of order, and scatter."""

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.spatial.distance import cdist
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm, rankdata

from vrn.surface import LEAST_EVIDENCE, pattern_evidence


def _places(count: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0.0, 800.0, size=(count, 2))


def _drawn(places: np.ndarray, seed: int, *, range_m: float, share: float) -> np.ndarray:
    """Values of an exponential variogram with a nugget of that share of the sill."""
    covariance = (1.0 - share) * np.exp(-cdist(places, places) / range_m) + share * np.eye(len(places))
    return np.linalg.cholesky(covariance) @ np.random.default_rng(seed).normal(size=len(places))


def _by_densities(places: np.ndarray, values: np.ndarray, *, ranges: int, shares: int) -> float:
    """The same Bayes factor from SciPy's density of the values' contrasts, over any number of ranges and shares."""
    scores = norm.ppf((rankdata(values) - 0.5) / len(values))
    contrasts = null_space(np.ones((1, len(values))))
    seen = contrasts.T @ scores
    apart = cdist(places, places)
    spacing = np.median(np.where(np.eye(len(places)) > 0, np.inf, apart).min(axis=0))
    extent = np.hypot(*np.ptp(places, axis=0))

    def height(covariance: np.ndarray) -> float:
        inner = contrasts.T @ covariance @ contrasts
        sill = seen @ np.linalg.solve(inner, seen) / len(seen)
        return float(multivariate_normal.logpdf(seen, cov=sill * inner))

    of_pattern = [
        height((1.0 - share) * np.exp(-apart / range_m) + share * np.eye(len(places)))
        for range_m in np.exp(np.log(spacing / 2) + np.log(2 * extent / spacing) * (np.arange(ranges) + 0.5) / ranges)
        for share in (np.arange(shares) + 0.5) / shares
    ]
    return float(logsumexp(of_pattern) - np.log(len(of_pattern)) - height(np.eye(len(places))))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("range_m", [1.0, 150.0])
def test_the_bayes_factor_is_that_of_the_densities(seed: int, range_m: float) -> None:
    """As SciPy's multivariate normal density gives it; three times as many steps each way hardly change it."""
    places = _places(30, seed)
    values = np.round(_drawn(places, seed + 10, range_m=range_m, share=0.2), 1)  # some alike, as meters print them
    ours = pattern_evidence(places, values)
    assert ours == pytest.approx(_by_densities(places, values, ranges=6, shares=5), abs=1e-8)
    assert ours == pytest.approx(_by_densities(places, values, ranges=18, shares=15), abs=0.35)


def test_open_survey_in_and_out_of_order() -> None:
    """Zinc beside the river Meuse (Pebesma & Bivand 2005): decisive; the same numbers shuffled: for scatter."""
    import skgstat

    places, zinc = skgstat.data.meuse(variable="zinc").get("sample")
    places, zinc = np.asarray(places, dtype=float), np.ravel(zinc).astype(float)
    assert pattern_evidence(places, zinc) > np.log(150.0)  # "very strong" by Kass & Raftery (1995)
    assert pattern_evidence(places, np.random.default_rng(1).permutation(zinc)) < 0.0


@pytest.mark.parametrize("count", [20, 45, 1_000])
def test_scatter_seldom_speaks_for_a_pattern(count: int) -> None:
    """
    A Bayes factor of 3 comes from scatter in less than a third of all sets, whatever they are (Markov's inequality).

    Of scatter as such it comes in a few of a hundred.
    """
    told = [pattern_evidence(_places(count, k), np.random.default_rng(1_000 + k).normal(size=count)) for k in range(60)]
    assert np.mean(np.array(told) >= LEAST_EVIDENCE) <= 0.07
    assert np.median(told) < 0.0


def test_a_pattern_is_found_from_samples_enough() -> None:
    """A range of 100 m and a nugget of a fifth: of 45 samples most sets show it, and of a thousand all."""
    sets = [(_places(count, k), k) for count in (45, 1_000) for k in range(12)]
    told = np.array([pattern_evidence(places, _drawn(places, k, range_m=100.0, share=0.2)) for places, k in sets])
    assert np.mean(told[:12] >= LEAST_EVIDENCE) >= 0.5
    assert (told[12:] > np.log(150.0)).all()


def test_only_order_and_place_count() -> None:
    """Neither unit, scale, where on earth, nor the order of the readings matters; an unknown reading takes no part."""
    places = _places(40, 5)
    values = np.exp(_drawn(places, 5, range_m=200.0, share=0.1))
    told = pattern_evidence(places, values)
    order = np.random.default_rng(0).permutation(40)
    assert pattern_evidence(places[order] + [450_000.0, 4_650_000.0], 30 + 7 * np.log(values[order])) == pytest.approx(
        told, abs=1e-6
    )
    more = np.vstack([places, [[1.0, 1.0]]])
    assert pattern_evidence(more, np.append(values, np.nan)) == told


@pytest.mark.parametrize(
    ("places", "values"),
    [
        ([(0, 0), (50, 0), (100, 0), (150, 0)], [1, 2, 3, 4]),
        ([(10 * k, 0) for k in range(9)], [14.0] * 9),
        ([(0, 0)] * 9, list(range(9))),
        ([(0, 0), (50, 0)] * 200, [1.0, 2.0] * 200),
        ([], []),
    ],
    ids=["four places", "equal values", "one place", "two places read often", "nothing"],
)
def test_where_nothing_can_be_told(places: list[tuple[int, int]], values: list[float]) -> None:
    """Too few places, or nothing that differs, speak neither for nor against."""
    assert pattern_evidence(places, values) == 0.0


def test_many_points_on_a_line_and_in_a_corner() -> None:
    """Blocks stand for thousands of points however they lie: along one line, or nearly all in one corner."""
    line = np.column_stack([np.linspace(0.0, 900.0, 3_000), np.full(3_000, 5.0)])
    assert pattern_evidence(line, np.sin(line[:, 0] / 100.0)) > LEAST_EVIDENCE
    corner = np.vstack([_places(2_000, 3) / 100.0, [[8_000.0, 8_000.0]]])
    assert np.isfinite(pattern_evidence(corner, np.random.default_rng(3).normal(size=2_001)))

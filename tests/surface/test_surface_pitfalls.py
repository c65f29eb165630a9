"""Where interpolation libraries fail or answer in silence: what this one does instead."""

import numpy as np
import pytest

from vrn.errors import MissingExtraError, OutOfRangeError
from vrn.findings import note
from vrn.surface import (
    Variogram,
    empirical_variogram,
    fit_variogram,
    interpolate,
    inverse_distance,
    leave_one_out,
    ordinary_kriging,
)

NO_NUGGET = Variogram(model="exponential", partial_sill=4.0, range_m=60.0)
NUGGET = Variogram(model="exponential", nugget=1.0, partial_sill=4.0, range_m=60.0)
CORNERS_M = [(0.0, 0.0), (100.0, 0.0), (0.0, 100.0), (100.0, 100.0), (50.0, 50.0)]
VALUES = [8.0, 10.0, 12.0, 14.0, 13.0]
TARGETS_M = [(30.0, 40.0), (80.0, 10.0)]


@pytest.mark.parametrize("variogram", [NO_NUGGET, NUGGET])
def test_exact_at_a_sample(variogram: Variogram) -> None:
    """On a sample the estimate is the sample and the variance 0, with a nugget too; a millimetre beside it is not."""
    estimate, variance = ordinary_kriging(CORNERS_M, VALUES, CORNERS_M, variogram=variogram)
    assert estimate.tolist() == VALUES
    assert variance.tolist() == [0.0] * 5
    _, beside = ordinary_kriging(CORNERS_M, VALUES, [(0.001, 0.0)], variogram=variogram)
    assert beside[0] > variogram.nugget


def test_error_variance_filters() -> None:
    """With error variances the surface is smooth over a sample: the estimate there is its neighbourhood's limit."""
    smooth = NUGGET.without_nugget()
    at, beside = ordinary_kriging(
        CORNERS_M, VALUES, [(50.0, 50.0), (50.0, 50.0 + 1e-7)], variogram=smooth, error_variance=1.0
    )[0]
    assert at == pytest.approx(beside, abs=1e-6)
    assert at != pytest.approx(13.0, abs=0.05)


def test_filtering_changes_nothing_off_the_samples() -> None:
    """A nugget or the same error variance: the same estimate off the samples, the variance less the nugget."""
    exact = ordinary_kriging(CORNERS_M, VALUES, TARGETS_M, variogram=NUGGET)
    filtered = ordinary_kriging(
        CORNERS_M, VALUES, TARGETS_M, variogram=NUGGET.without_nugget(), error_variance=NUGGET.nugget
    )
    assert filtered[0] == pytest.approx(exact[0], abs=1e-12)
    assert filtered[1] == pytest.approx(exact[1] - NUGGET.nugget, abs=1e-12)


def test_duplicates_without_a_nugget() -> None:
    """Two readings at one place count as their mean, where other libraries meet a singular matrix or answer zeros."""
    twice = ordinary_kriging([*CORNERS_M, (50.0, 50.0)], [*VALUES, 15.0], TARGETS_M, variogram=NO_NUGGET)
    once = ordinary_kriging(CORNERS_M, [8.0, 10.0, 12.0, 14.0, 14.0], TARGETS_M, variogram=NO_NUGGET)
    assert twice[0] == pytest.approx(once[0], abs=1e-12)
    assert twice[1] == pytest.approx(once[1], abs=1e-12)


def test_duplicates_with_a_nugget() -> None:
    """Two readings at one place halve the nugget there: as one reading of half the error variance."""
    smooth = NUGGET.without_nugget()
    twice = ordinary_kriging(
        [*CORNERS_M, (50.0, 50.0)], [*VALUES, 15.0], TARGETS_M, variogram=smooth, error_variance=1.0
    )
    once = ordinary_kriging(
        CORNERS_M, [8.0, 10.0, 12.0, 14.0, 14.0], TARGETS_M, variogram=smooth, error_variance=[1, 1, 1, 1, 0.5]
    )
    assert twice[0] == pytest.approx(once[0], abs=1e-12)
    assert twice[1] == pytest.approx(once[1], abs=1e-12)


def test_duplicate_in_inverse_distance_and_left_out() -> None:
    """A place counts once in inverse distance, and is left out as a whole in cross-validation."""
    places_m, values = [*CORNERS_M, (50.0, 50.0)], [*VALUES, 15.0]
    once = inverse_distance(CORNERS_M, [8.0, 10.0, 12.0, 14.0, 14.0], TARGETS_M)
    assert inverse_distance(places_m, values, TARGETS_M) == pytest.approx(once, abs=1e-12)
    told, spread = leave_one_out(places_m, values, variogram=NUGGET)
    by_hand, variance = ordinary_kriging(CORNERS_M[:4], VALUES[:4], [(50.0, 50.0)], variogram=NUGGET)
    assert told[4:] == pytest.approx([by_hand[0]] * 2, abs=1e-12)
    assert spread[4:] == pytest.approx([variance[0]] * 2, abs=1e-12)


@pytest.mark.parametrize("unknown", [np.nan, np.inf])
def test_unknown_reading_is_refused(unknown: float) -> None:
    """A NaN among the values neither spreads over the surface nor disappears: the reading is named."""
    values = [8.0, 10.0, unknown, 14.0, 13.0]
    with pytest.raises(OutOfRangeError, match="value of reading 2 is unknown"):
        ordinary_kriging(CORNERS_M, values, TARGETS_M, variogram=NUGGET)
    with pytest.raises(OutOfRangeError, match="value of reading 2 is unknown"):
        inverse_distance(CORNERS_M, values, TARGETS_M)
    with pytest.raises(OutOfRangeError, match="value of reading 2 is unknown"):
        fit_variogram(CORNERS_M, values)
    places_m = [*CORNERS_M[:4], (np.nan, 50.0)]
    with pytest.raises(OutOfRangeError, match="place of reading 4 is unknown"):
        ordinary_kriging(places_m, VALUES, TARGETS_M, variogram=NUGGET)


def test_unknown_reading_is_told_by_interpolate() -> None:
    """The surface of samples leaves unknown readings out and says so."""
    rng = np.random.default_rng(1)
    places_m, values = rng.uniform(0, 100, (12, 2)), rng.normal(10, 2, 12)
    values[3] = np.nan
    known = np.isfinite(values)
    made = interpolate(places_m, values, TARGETS_M)
    assert made.findings[0] == note("surface.readings-unknown", "surface", unknown=1, readings=12)
    assert made.estimate.tolist() == interpolate(places_m[known], values[known], TARGETS_M).estimate.tolist()


def test_unknown_target_stays_unknown() -> None:
    """A target without a place gets NaN; the others are not disturbed."""
    targets_m = [(np.nan, 4.0), TARGETS_M[0]]
    for neighbors in (None, 3):
        estimate, variance = ordinary_kriging(CORNERS_M, VALUES, targets_m, variogram=NUGGET, neighbors=neighbors)
        assert np.isnan([estimate[0], variance[0]]).all()
        assert np.isfinite([estimate[1], variance[1]]).all()
        assert np.isnan(inverse_distance(CORNERS_M, VALUES, targets_m, neighbors=neighbors)).tolist() == [True, False]


def test_constant_values() -> None:
    """Values that are all the same give a sill of 0, no invented range, and that value with no error everywhere."""
    fitted = fit_variogram(CORNERS_M, [5.0] * 5)
    assert (fitted.model, fitted.sill, fitted.range_m) == ("nugget", 0.0, None)
    assert [one.code for one in fitted.fit.findings] == ["surface.all-same"]
    estimate, variance = ordinary_kriging(CORNERS_M, [5.0] * 5, TARGETS_M, variogram=fitted)
    assert estimate == pytest.approx([5.0, 5.0], abs=1e-12)
    assert variance == pytest.approx([0.0, 0.0], abs=1e-12)
    made = interpolate(CORNERS_M, [5.0] * 5, TARGETS_M)
    assert (made.chosen, made.estimate.tolist()) == ("mean", [5.0, 5.0])
    with pytest.raises(OutOfRangeError, match="sill of 0, and the values differ"):
        ordinary_kriging(CORNERS_M, VALUES, TARGETS_M, variogram=fitted)


@pytest.mark.parametrize("level", [12.0, 0.0])
def test_values_that_differ_by_rounding_are_constant(level: float) -> None:
    """What a change of units leaves in the last digits is no variation, and no singular system."""
    rng = np.random.default_rng(1)
    places_m = rng.uniform(0, 400, (20, 2))
    values = level + (1e-9 if level else 1e-300) * rng.normal(size=20)
    fitted = fit_variogram(places_m, values)
    assert (fitted.model, fitted.sill) == ("nugget", 0.0)
    assert ordinary_kriging(places_m, values, TARGETS_M, variogram=fitted)[0] == pytest.approx([level] * 2, abs=1e-8)
    made = interpolate(places_m, values, TARGETS_M)
    assert made.chosen == "mean"
    assert made.estimate == pytest.approx([level] * 2, abs=1e-8)


def test_one_sample() -> None:
    """One sample is its own mean; the variance is twice the semivariance to it; there is nothing to leave out."""
    estimate, variance = ordinary_kriging([(0, 0)], [7], [(30, 40), (0, 0)], variogram=NUGGET)
    assert estimate.tolist() == [7.0, 7.0]
    assert variance == pytest.approx([2 * NUGGET.semivariance(50.0)[0], 0.0])
    assert np.isnan(leave_one_out([(0, 0)], [7], variogram=NUGGET)[0]).all()
    made = interpolate([(0, 0)], [7], TARGETS_M)
    assert (made.chosen, made.se, made.candidates) == ("mean", None, ())
    assert made.findings[0].code == "surface.one-place"


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_few_samples(count: int) -> None:
    """Two to five samples: kriging stands, the surface of samples is finite and says what it is."""
    estimate, variance = ordinary_kriging(CORNERS_M[:count], VALUES[:count], TARGETS_M, variogram=NUGGET)
    assert np.isfinite(estimate).all()
    assert (variance > 0).all()
    made = interpolate(CORNERS_M[:count], VALUES[:count], TARGETS_M)
    assert np.isfinite(made.estimate).all()
    assert np.isfinite(made.se).all()
    if count < 5:
        assert made.chosen == "mean"
        assert made.findings[0] == note("surface.few-places", "surface", places=count)


def test_no_sample() -> None:
    """Without a sample there is nothing to say, and that is said."""
    for work in (
        lambda: ordinary_kriging([], [], TARGETS_M, variogram=NUGGET),
        lambda: inverse_distance([], [], TARGETS_M),
        lambda: interpolate([], [], TARGETS_M),
        lambda: interpolate([(0, 0)], [np.nan], TARGETS_M),
    ):
        with pytest.raises(OutOfRangeError, match=r"no reading to work from|is unknown"):
            work()


def test_no_target() -> None:
    """No target, no estimate, no fuss."""
    estimate, variance = ordinary_kriging(CORNERS_M, VALUES, [], variogram=NUGGET)
    assert (len(estimate), len(variance)) == (0, 0)
    assert len(inverse_distance(CORNERS_M, VALUES, [])) == 0


def test_samples_on_a_line() -> None:
    """Samples in one row give a surface on either side of it, the same on both."""
    row_m = [(10.0 * k, 0.0) for k in range(9)]
    values = [5.0, 7.0, 6.0, 8.0, 9.0, 8.0, 11.0, 10.0, 12.0]
    estimate, variance = ordinary_kriging(row_m, values, [(33.0, 5.0), (33.0, -5.0)], variogram=NUGGET)
    assert estimate[0] == pytest.approx(estimate[1], abs=1e-12)
    assert variance[0] == pytest.approx(variance[1], abs=1e-12)
    assert np.isfinite(interpolate(row_m, values, [(33.0, 5.0)]).estimate).all()


def test_whole_number_coordinates() -> None:
    """Coordinates and values in whole numbers are taken as they are."""
    whole = ordinary_kriging(np.array(CORNERS_M, dtype=int), np.array([8, 10, 12, 14, 13]), TARGETS_M, variogram=NUGGET)
    assert whole[0].tolist() == ordinary_kriging(CORNERS_M, VALUES, TARGETS_M, variogram=NUGGET)[0].tolist()


def test_coordinates_of_utm_size() -> None:
    """A field 4 600 km from the origin loses nothing: shifted coordinates, the same answers."""
    shift = np.array([448_262.0, 4_654_800.0])
    there_m, targets_m = np.array(CORNERS_M) + shift, np.array(TARGETS_M) + shift
    for work in (
        lambda places, targets: ordinary_kriging(places, VALUES, targets, variogram=NUGGET)[0],
        lambda places, targets: ordinary_kriging(places, VALUES, targets, variogram=NUGGET, neighbors=4)[0],
        lambda places, targets: inverse_distance(places, VALUES, targets),
        lambda places, targets: inverse_distance(places, VALUES, targets, neighbors=3),
    ):
        assert work(there_m, targets_m) == pytest.approx(work(CORNERS_M, TARGETS_M), abs=1e-9)


def test_no_target_is_too_far_for_inverse_distance() -> None:
    """A target far from every sample gets their mean or nearly so, never a 0 that looks like a value."""
    estimate = inverse_distance(CORNERS_M, VALUES, [(1e6, 1e6)], neighbors=3)
    assert 8.0 <= estimate[0] <= 14.0


def test_samples_too_close_for_the_variogram() -> None:
    """A system that cannot be solved to its digits is refused with the way out, not answered with rounding error."""
    gaussian = Variogram(model="gaussian", partial_sill=4.0, range_m=500.0)
    places_m = [(x, y) for x in np.linspace(0, 30, 8) for y in np.linspace(0, 30, 8)]
    for neighbors in (None, 30):
        with pytest.raises(OutOfRangeError, match=r"too close for this variogram.*nugget above 0"):
            ordinary_kriging(places_m, np.arange(64.0), TARGETS_M, variogram=gaussian, neighbors=neighbors)


def test_range_conventions() -> None:
    """The range is the model's own parameter: the sill distance, the e-folding length, exp(−(h/range)²)."""
    at_range = {
        model: Variogram(model=model, partial_sill=1.0, range_m=80.0).semivariance(80.0)[0]
        for model in ("spherical", "exponential", "gaussian")
    }
    assert at_range["spherical"] == 1.0
    assert at_range["exponential"] == pytest.approx(1 - np.exp(-1))
    assert at_range["gaussian"] == pytest.approx(1 - np.exp(-1))
    matern = Variogram(model="matern", nu=0.5, partial_sill=1.0, range_m=80.0)
    smooth = Variogram(model="matern", nu=1.5, partial_sill=1.0, range_m=80.0)
    assert matern.semivariance(80.0)[0] == pytest.approx(1 - np.exp(-1))
    assert smooth.semivariance(80.0)[0] == pytest.approx(1 - 2 * np.exp(-1))


def test_readings_without_structure_get_no_range() -> None:
    """White noise: a pure nugget, or a note that the range is hardly to be believed; never a range in silence.

    Nor does the averaged surface draw it: noise speaks for no pattern more than was held likely beforehand (one in
    ten), and what relief is left is a small part of the readings' own spread, in every set.
    """
    doubted, shares, relief, missed = 0, [], [], []
    ground_m = np.stack(np.meshgrid(*2 * (np.arange(25.0, 800.0, 50.0),)), axis=-1).reshape(-1, 2)
    for seed in range(10):
        rng = np.random.default_rng(seed)
        places_m, values = rng.uniform(0, 800, (50, 2)), rng.normal(size=50)
        fitted = fit_variogram(places_m, values)
        doubted += fitted.model == "nugget" or "surface.little-structure" in [one.code for one in fitted.fit.findings]
        made = interpolate(places_m, values, ground_m)
        shares.append(made.estimator.no_pattern_share)
        assert ("surface.by-chance" in [one.code for one in made.findings]) == (shares[-1] >= 0.25)
        relief.append(made.estimate.std())
        missed.append(np.sqrt(np.mean(made.estimate**2)))
        assert np.mean(np.abs(made.estimate) <= 1.645 * made.se) >= 0.9
    assert doubted >= 7  # of 10; chance alone makes a likelihood ratio of 2 in about one set of four
    assert np.mean(shares) >= 0.2
    assert np.mean(relief) <= 0.12
    assert max(relief) <= 0.3
    assert np.mean(missed) <= 0.2


def test_dense_data_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without numba, local kriging says what is missing and how to get it."""
    monkeypatch.setitem(__import__("sys").modules, "vrn.surface.kernels", None)
    with pytest.raises(MissingExtraError, match=r"need numba.*pip install \"vrn\[dense\]\""):
        ordinary_kriging(CORNERS_M, VALUES, TARGETS_M, variogram=NUGGET, neighbors=3)


@pytest.mark.parametrize(
    ("work", "said"),
    [
        (lambda: ordinary_kriging(CORNERS_M, VALUES[:3], TARGETS_M, variogram=NUGGET), "5 places and values of shape"),
        (lambda: ordinary_kriging([1, 2, 3], VALUES[:3], TARGETS_M, variogram=NUGGET), r"have shape \(3,\)"),
        (lambda: ordinary_kriging(CORNERS_M, VALUES, TARGETS_M, variogram=NUGGET, neighbors=0), "0 neighbors"),
        (
            lambda: ordinary_kriging(CORNERS_M, VALUES, TARGETS_M, variogram=NUGGET, error_variance=-1.0),
            "error variance of a reading is negative",
        ),
        (lambda: interpolate(CORNERS_M, VALUES, TARGETS_M, error_variance=[1.0, 2.0]), r"variances of shape \(2,\)"),
        (lambda: inverse_distance(CORNERS_M, VALUES, TARGETS_M, power=-1.0), "power -1.0"),
        (lambda: inverse_distance(CORNERS_M, VALUES, TARGETS_M, neighbors=0), "0 neighbors"),
        (lambda: Variogram(model="cubic", partial_sill=1.0, range_m=5.0), "no variogram model 'cubic'"),
        (lambda: Variogram(model="spherical", partial_sill=1.0), "range_m is None"),
        (lambda: Variogram(model="spherical", nugget=-1.0, range_m=5.0), "nugget is -1.0"),
        (lambda: Variogram(model="matern", partial_sill=1.0, range_m=5.0), "smoothness, and nu is None"),
        (lambda: Variogram(model="nugget", partial_sill=1.0), "pure nugget variogram has no partial sill"),
        (
            lambda: Variogram(model="spherical", partial_sill=1.0, range_m=5.0, anisotropy_ratio=1.5),
            r"anisotropy is 1.5",
        ),
        (lambda: fit_variogram(CORNERS_M[:2], VALUES[:2]), "2 places are too few"),
        (
            lambda: fit_variogram(CORNERS_M, VALUES, method="weighted least squares", error_variance=1.0),
            "Least squares on bins cannot",
        ),
        (
            lambda: fit_variogram(CORNERS_M, VALUES, method="weighted least squares", cutoff_m=10.0),
            "No two readings lie within the cutoff",
        ),
        (lambda: empirical_variogram(CORNERS_M, VALUES, cutoff_m=-5.0), "up to -5.0 m cannot be counted"),
        (
            lambda: ordinary_kriging(
                CORNERS_M, VALUES, TARGETS_M, neighbors=3,
                variogram=Variogram(model="matern", nu=0.7, partial_sill=1.0, range_m=5.0),
            ),
            "nu 0.5, 1.5 and 2.5",
        ),
    ],
)  # fmt: skip
def test_bad_calls_are_refused(work: object, said: str) -> None:
    """What cannot be worked out is refused in a sentence, with the way out."""
    with pytest.raises(OutOfRangeError, match=said) as refused:
        work()
    assert refused.value.remedy


def test_compiled_code_without_a_folder_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where numba finds no folder to keep compiled code in, the way out is named."""

    def refuse(name: str) -> None:
        message = f"cannot cache function in {name}: no locator available"
        raise RuntimeError(message)

    monkeypatch.setattr("vrn.surface.nearby.import_module", refuse)
    with pytest.raises(MissingExtraError, match=r"no locator available.*Set NUMBA_CACHE_DIR to a folder"):
        ordinary_kriging(CORNERS_M, VALUES, TARGETS_M, variogram=NUGGET, neighbors=3)

"""What the others predict of each sample: leave-one-out and blocked cross-validation of kriging, in closed form."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.model.variogram import Variogram
from vrn.surface.kriging import Kriging, Prediction
from vrn.surface.places import places_of, points_of
from vrn.surface.threads import one_blas_thread


@one_blas_thread
def leave_one_out(
    coordinates_m: ArrayLike,
    values: ArrayLike,
    *,
    variogram: Variogram,
    error_variance: ArrayLike | None = None,
    folds: ArrayLike | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Estimate every sample from the others by ordinary kriging, without solving a system for each.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the samples. [m]
    values : array_like, shape (n,)
    variogram : Variogram
        Kept as it is while samples are left out.
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error, besides the nugget.
    folds : array_like of int, shape (n,), optional
        Samples with the same number are left out together, as `blocked_folds` numbers them.

    Returns
    -------
    estimate : ndarray, shape (n,)
        NaN where nothing would be left.
    variance : ndarray, shape (n,)
        Of a reading around its estimate, its nugget and error included.

    Notes
    -----
    With Q = K⁻¹ − K⁻¹F(FᵀK⁻¹F)⁻¹FᵀK⁻¹ the error of left-out samples S is (Q_SS)⁻¹ (Qz)_S and its covariance (Q_SS)⁻¹:
    the mean is estimated anew each time. Readings of one place are left out together.

    References
    ----------
    Dubrule (1983), Cross validation of kriging in a unique neighborhood, Mathematical Geology 15, 687–699.

    Examples
    --------
    Three samples in a row; the middle one from its neighbours is their mean:

    >>> variogram = Variogram(model="exponential", partial_sill=1.0, range_m=30.0)
    >>> estimate, _ = leave_one_out([(0, 0), (10, 0), (20, 0)], [8.0, 9.5, 12.0], variogram=variogram)
    >>> float(estimate[1].round(9))
    10.0
    """
    places = places_of(coordinates_m, values, error_variance)
    kriging = Kriging.of(places, variogram)
    fold_of_place = None
    if folds is not None:
        fold_of_place = np.empty(len(places), dtype=np.intp)
        fold_of_place[places.place] = np.asarray(folds)
    answer = left_out(kriging, fold_of_place)
    return answer.estimate, answer.variance


def left_out(kriging: Kriging, folds: NDArray[np.intp] | None = None) -> Prediction:
    """
    Cross-validate a system that is already factored.

    Parameters
    ----------
    kriging : Kriging
    folds : ndarray of int, shape (p,), optional
        Fold of each place; each place its own when not given.

    Returns
    -------
    answer : Prediction
        A row for each reading, its error included in the variance; no Lagrange term for folds of several places.
    """
    places = kriging.places
    count, columns = kriging.drift.shape
    answer = Prediction(*np.full((3, count), np.nan))
    half = kriging.mean_root @ kriging.solved_drift.T
    contrast = kriging.root.T @ kriging.root - half.T @ half
    pull = contrast @ kriging.value
    own = contrast.diagonal()
    if folds is None:
        # without a lone place one column of the drift could not be estimated
        rows = np.flatnonzero((own > 1e-12 * own.max()) & (count > columns))
        answer.estimate[rows] = kriging.value[rows] - pull[rows] / own[rows]
        answer.variance[rows] = 1.0 / own[rows]
        reach = np.einsum("ij,ji->i", kriging.drift @ kriging.mean_root.T, half)
        answer.lagrange[rows] = -reach[rows] / own[rows]
    else:
        for fold in np.unique(folds):
            rows = np.flatnonzero(folds == fold)
            if count - len(rows) < columns:
                continue
            spread = np.linalg.inv(contrast[np.ix_(rows, rows)])
            answer.estimate[rows] = kriging.value[rows] - spread @ pull[rows]
            answer.variance[rows] = spread.diagonal()
    own_error = kriging.variogram.nugget + (0.0 if places.error_variance is None else places.error_variance)
    variance = np.maximum((answer.variance - kriging.noise)[places.place] + own_error, 0.0)
    return Prediction(answer.estimate[places.place], variance, answer.lagrange[places.place])


def blocked_folds(coordinates_m: ArrayLike, *, count: int = 5) -> NDArray[np.intp]:
    """
    Number samples by compact blocks of ground, for cross-validation that does not lean on close neighbours.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing. [m]
    count : int
        Blocks.

    Returns
    -------
    folds : ndarray of int, shape (n,)
        From 0; blocks hold equal numbers of samples to within one, cut in halves across their longer side.

    Raises
    ------
    OutOfRangeError
        If fewer than two blocks are wanted.

    References
    ----------
    Roberts et al. (2017), Cross-validation strategies for data with temporal, spatial, hierarchical, or phylogenetic
    structure, Ecography 40, 913–929.

    Examples
    --------
    >>> blocked_folds([(0, 0), (90, 0), (10, 0), (100, 0)], count=2).tolist()
    [0, 1, 0, 1]
    """
    if count < 2:
        problem = f"Cross-validation in {count} block leaves nothing to learn from."
        raise OutOfRangeError(problem, "Give two blocks or more.")
    points = points_of(coordinates_m)
    folds = np.zeros(len(points), dtype=np.intp)

    def cut(rows: NDArray[np.intp], first: int, blocks: int) -> None:
        if blocks == 1 or not len(rows):
            folds[rows] = first
            return
        axis = int(np.ptp(points[rows, 1]) > np.ptp(points[rows, 0]))
        ordered = rows[np.lexsort((points[rows, 1 - axis], points[rows, axis]))]
        lower = blocks // 2
        middle = round(len(rows) * lower / blocks)
        cut(ordered[:middle], first, lower)
        cut(ordered[middle:], first + lower, blocks - lower)

    cut(np.arange(len(points)), 0, min(count, max(len(points), 1)))
    return folds

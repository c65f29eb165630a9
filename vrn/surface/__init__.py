"""Points to grid: variogram, kriging, inverse distance, cross-validation, and the choice between them."""

from vrn.model.variogram import Candidate, Variogram
from vrn.surface.areas import area_means, areas_on_grid
from vrn.surface.choose import Interpolation, below_limits, interpolate
from vrn.surface.coverage import FIRST_RANK, far_ground, with_far_ground, with_gap_filled
from vrn.surface.cross_validation import (
    LEAST_EVIDENCE,
    blocked_folds,
    inverse_distance,
    leave_one_out,
    pattern_evidence,
)
from vrn.surface.fit import empirical_variogram, fit_variogram
from vrn.surface.layers import layer_on_grid, points_on_grid, weighted_mean
from vrn.surface.likelihood import restricted_log_likelihood
from vrn.surface.nearby import ordinary_kriging

__all__ = [
    "FIRST_RANK", "LEAST_EVIDENCE", "Candidate", "Interpolation", "Variogram", "area_means", "areas_on_grid",
    "below_limits", "blocked_folds", "empirical_variogram", "far_ground", "fit_variogram", "interpolate",
    "inverse_distance", "layer_on_grid", "leave_one_out", "ordinary_kriging", "pattern_evidence", "points_on_grid",
    "restricted_log_likelihood", "weighted_mean", "with_far_ground", "with_gap_filled",
]  # fmt: skip

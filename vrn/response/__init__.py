"""Yield against nitrogen: what a rate is expected to lose, the rate that pays best, and what a trial says of it."""

from vrn.response.fit import QuadraticFit, fit_quadratic
from vrn.response.loss import Response, best_rate, expected_loss, held_ratio

__all__ = ["QuadraticFit", "Response", "best_rate", "expected_loss", "fit_quadratic", "held_ratio"]

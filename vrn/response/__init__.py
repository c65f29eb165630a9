"""Yield against nitrogen: what a rate is expected to lose, the rate that pays best, and what trials say of it."""

from vrn.response.fit import TrialFit, fit_quadratic, fit_response
from vrn.response.learn import learn
from vrn.response.loss import Response, best_rate, expected_loss
from vrn.response.places import ZoneNeed
from vrn.response.trial import Plot, Trial

__all__ = [
    "Plot", "Response", "Trial", "TrialFit", "ZoneNeed", "best_rate", "expected_loss", "fit_quadratic", "fit_response",
    "learn",
]  # fmt: skip

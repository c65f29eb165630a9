"""The user's own trial in the field file's answer: a fitted response for the economic optimum, told with its doubts."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import InputFileError
from vrn.nitrogen.notice import Notice, note, warn
from vrn.nitrogen.response import Response, fit_response


def take_trial(
    options: Mapping[str, Any], n_lb_ac: ArrayLike, yield_bu_ac: ArrayLike, *, block: ArrayLike | None = None,
    corn_per_bu: float | None = None, n_per_lb: float | None = None,
) -> tuple[dict[str, Any], dict[str, Any] | None, tuple[Notice, ...]]:  # fmt: skip
    """
    Put a trial's response into the options that ``need_of_cells`` and ``side_by_side`` take.

    Parameters
    ----------
    options : mapping of str to value
        Settings of ``[nitrogen]``; a slope and bend written there go before the trial's.
    n_lb_ac, yield_bu_ac : array_like, shape (n,)
        Total nitrogen and yield of each plot or strip. [lb/ac], [bu/ac]
    block : array_like, shape (n,), optional
        Replicate, zone or strip pair.
    corn_per_bu, n_per_lb : float, optional
        For the best-paying rate and the band around it. [$/bu], [$/lb N]

    Returns
    -------
    options : dict
        With ``response_b``, ``response_c`` and ``highest_rate_lb_ac``.
    details : dict or None
        The response as plain values, its best-paying rate with standard error and band; None when it holds none.
    notices : tuple of Notice

    Raises
    ------
    InputFileError
        If the trial holds no response and the method is ``economic-optimum``.

    Examples
    --------
    >>> rates = np.array([0.0, 60.0, 120.0, 180.0, 240.0])
    >>> found, details, _ = take_trial({}, rates, 90 + rates - 0.0025 * rates**2, corn_per_bu=4.0, n_per_lb=0.4)
    >>> round(found["response_b"], 6), details["optimum_n_lb_ac"]
    (1.0, 180.0)
    """
    taken = dict(options)
    try:
        response = fit_response(n_lb_ac, yield_bu_ac, block=block)
    except InputFileError as error:
        if options.get("method") == "economic-optimum" and options.get("response_b") is None:
            raise
        return taken, None, (warn("nitrogen.response_trial", error.problem, error.remedy),)
    details = response.to_plain()
    paid = ""
    if corn_per_bu is not None and n_per_lb is not None:
        best, error_lb_ac = response.optimum(price_ratio=n_per_lb / corn_per_bu)
        band = response.band(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
        details |= {
            "optimum_n_lb_ac": round(best, 1),
            "optimum_se_lb_ac": round(error_lb_ac, 1) if np.isfinite(error_lb_ac) else None,
            "low_n_lb_ac": round(band.low_n_lb_ac, 1), "high_n_lb_ac": round(band.high_n_lb_ac, 1),
        }  # fmt: skip
        paid = f"; {response.paying_words(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)}"
    notices = [_found(response, paid)]
    if options.get("response_b") is not None or options.get("response_c") is not None:
        notices.append(
            warn(
                "nitrogen.response_trial",
                "Both a trial and response_b, response_c are given.",
                "The numbers in the field file are used: leave them out to use the trial.",
            )
        )
    else:
        taken |= {"response_b": response.b, "response_c": response.c}
        taken["highest_rate_lb_ac"] = response.highest_rate_lb_ac
    return taken, details, tuple(notices)


def _found(response: Response, paid: str) -> Notice:
    """What the fit says, with standard errors, and whether it reached the top."""
    said = response.words + paid
    if response.top_n_lb_ac > response.highest_rate_lb_ac:
        return warn(
            "nitrogen.response_trial",
            f"{said}; yields still rose at {response.highest_rate_lb_ac:g} lb/ac, the highest rate tried.",
            "The optimum stops there: try higher rates next season.",
        )
    return note("nitrogen.response_trial", f"{said}.", "One trial in one year is one draw: weigh it beside others.")

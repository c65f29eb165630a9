"""Every way in which one field file could count the same nitrogen twice, or leave some out of sight."""

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.nitrogen.applied import Applied, NotYetNitrate
from vrn.nitrogen.credits import Credit
from vrn.nitrogen.losses import product_kind
from vrn.nitrogen.method import Method
from vrn.nitrogen.notice import Notice, note, warn

_BROADCAST_LB_AC: Final = 50.0  # tests of the top foot are not valid after 40–60 lb/ac broadcast (NY, DE, PA)
_UNSEEN_LB_AC: Final = 1.0  # worth telling
_MANURE: Final = re.compile(r"manure|slurry|litter|effluent|compost|biosolid|sludge", re.IGNORECASE)
_WATER: Final = re.compile(r"irrigat|fertigat|pivot|water", re.IGNORECASE)


def double_count_notices(
    method: Method, *, credits_lb_ac: Mapping[str, Any] | None = None, applications: Sequence[Applied] = (),
    sampled_on: date | None = None, applied_map_lb_ac: ArrayLike | None = None,
    not_yet_before: NotYetNitrate | None = None,
) -> tuple[Notice, ...]:  # fmt: skip
    """
    Every way in which the field file could count the same nitrogen twice under a method, or not see it at all.

    Parameters
    ----------
    method : Method
    credits_lb_ac : mapping of str to float, ndarray or Credit
        Of the field file. [lb/ac]
    applications : sequence of Applied
    sampled_on : date, optional
    applied_map_lb_ac : array_like, optional
        Map of what is already down. [lb/ac]
    not_yet_before : NotYetNitrate, optional
        What went on before sampling and was not yet nitrate then.

    Returns
    -------
    notices : tuple of Notice
        At least one for every credit that is not 0.

    Examples
    --------
    >>> from vrn.nitrogen.catalogue import method
    >>> double_count_notices(method("remaining-need"), credits_lb_ac={"previous_crop": 40.0})[0].about
    'credits.previous_crop'
    """
    pounds = {
        name: value.lb_ac if isinstance(value, Credit) else value for name, value in (credits_lb_ac or {}).items()
    }
    given = {name: float(np.mean(value)) for name, value in pounds.items() if np.any(np.asarray(value) != 0)}
    before = [item for item in applications if item.n_lb_ac > 0 and (sampled_on is None or item.on < sampled_on)]
    by_map = applied_map_lb_ac is not None and bool(np.any(np.asarray(applied_map_lb_ac) > 0))
    return (
        *(_credit_notice(method, name, value) for name, value in given.items()),
        *_with_the_test(method, before, by_map and not applications, not_yet_before),
        *_map_and_list(applications, applied_map_lb_ac if by_map else None),
        *_listed_twice(applications),
        *_credit_and_list(given, applications, by_map),
    )


def _with_the_test(
    method: Method, before: list[Applied], map_alone: bool, not_yet_before: NotYetNitrate | None
) -> list[Notice]:
    """Nitrogen that stands in the soil test and is subtracted too, or stands in neither."""
    notices = []
    of_a_profile = method.bottom_in is not None and method.bottom_in[0] >= 24
    broadcast = sum(item.n_lb_ac for item in before if item.placement in ("broadcast", "unknown"))
    if method.stages == ("V4", "V6") and broadcast > _BROADCAST_LB_AC:
        notices.append(
            warn(
                "applications",
                f"{broadcast:g} lb/ac went on before sampling: {method.key} is not valid after more than "
                "40 to 60 lb/ac broadcast.",
                "Use remaining-need, which follows what was applied.",
            )
        )
    if method.kind == "season" and (before or map_alone) and method.takes("nitrate_ppm"):
        notices.append(
            warn(
                "applications",
                "What was applied before sampling is subtracted from the base rate, and what of it is "
                "nitrate stands in the test too.",
                "Judge which of the two holds it; starter in a band is usually not read.",
            )
        )
    if of_a_profile and map_alone:
        notices.append(
            warn(
                "layers.applied_n",
                "What is applied is given without dates: all of it is subtracted, and what of it was nitrate when the "
                "profile was pulled stands in the profile too.",
                "List it with its date under [[applications]]: then only what the profile has not seen is subtracted.",
            )
        )
    elif of_a_profile and before:
        notices.append(
            note(
                "applications",
                "Nitrogen applied before the profile was pulled stands in its nitrate, as far as it was nitrate then.",
                "Only what was not yet nitrate and what went on after sampling is subtracted.",
            )
        )
    if method.kind == "sidedress" and not_yet_before is not None:
        low, high = (float(np.max(part)) for part in (not_yet_before.low_lb_ac, not_yet_before.high_lb_ac))
        if high >= _UNSEEN_LB_AC:
            notices.append(
                warn(
                    "applications",
                    f"{low:.0f} to {high:.0f} lb/ac of what went on before sampling was not yet nitrate: "
                    f"{method.key} has not seen it and does not subtract it.",
                    "Take it off by an override, or use remaining-need, which counts it.",
                )
            )
    return notices


def _map_and_list(applications: Sequence[Applied], applied_map_lb_ac: ArrayLike | None) -> list[Notice]:
    if applied_map_lb_ac is None or not applications:
        return []
    listed, mapped = sum(item.n_lb_ac for item in applications), float(np.nanmean(np.asarray(applied_map_lb_ac)))
    if listed <= 0:
        return [
            warn(
                "layers.applied_n",
                f"The map says {mapped:.0f} lb/ac were applied on average, and the list says none.",
                "Write the pounds and the date under [[applications]]: without them the map cannot be followed.",
            )
        ]
    return [
        warn(
            "layers.applied_n",
            f"Both a map ({mapped:.0f} lb/ac on average) and a list ({listed:.0f} lb/ac) say what was already applied.",
            "The map's pounds are used, the list only tells when: check that they are the same nitrogen.",
        )
    ]


def _listed_twice(applications: Sequence[Applied]) -> list[Notice]:
    twice = {item: None for i, item in enumerate(applications) if item.n_lb_ac > 0 and item in applications[:i]}
    return [
        warn(
            "applications",
            f"{item.n_lb_ac:g} lb/ac of {item.product} on {item.on} is listed twice.",
            "Take one of them out unless it went on twice that day.",
        )
        for item in twice
    ]


def _credit_and_list(given: Mapping[str, float], applications: Sequence[Applied], by_map: bool) -> list[Notice]:
    """Credits that may be what the list or the map holds too."""
    on = [item for item in applications if item.n_lb_ac > 0]
    notices = []
    if given.get("manure") and any(
        product_kind(item.product) == "unknown" or _MANURE.search(item.product) for item in on
    ):
        notices.append(
            warn(
                "credits.manure",
                "Manure is credited, and an application of manure or of a product of unknown kind is followed too.",
                "Leave out one of the two if they are the same manure.",
            )
        )
    if given.get("irrigation_water") and any(_WATER.search(f"{item.product}") for item in on):
        notices.append(
            warn(
                "credits.irrigation_water",
                "Nitrogen in irrigation water is credited, and an application with the water is followed too.",
                "Credit only the nitrate of the water itself.",
            )
        )
    if given.get("other") and (on or by_map):
        notices.append(
            warn(
                "credits.other",
                "Other nitrogen is credited, and what was applied is followed too.",
                "Leave out one of the two if they are the same nitrogen.",
            )
        )
    return notices


def _credit_notice(method: Method, name: str, value: float) -> Notice:
    """What a credit may already be part of, under a method."""
    about = f"credits.{name}"
    if not method.takes("credits_lb_ac"):
        return warn(about, f"{value:.4g} lb/ac is not counted: {method.contains}.", f"Set it to 0 under {method.key}.")
    if method.kind == "remaining":
        if name == "previous_crop":
            return warn(
                about,
                f"{value:.4g} lb/ac may be counted twice: what the previous crop left is nitrate in the reading "
                "or part of what organic matter still frees.",
                "Set it to 0 unless it appears after sampling.",
            )
        return note(
            about,
            f"{value:.4g} lb/ac is counted as nitrogen that appears after sampling.",
            "What was nitrate on the sampling date stands in the reading: leave it out here.",
        )
    if name == "manure":
        return warn(
            about,
            f"{value:.4g} lb/ac of manure: what was nitrate when the profile was pulled is counted twice.",
            "Credit only what appears after sampling.",
        )
    return note(
        about,
        f"{value:.4g} lb/ac is credited. {method.key} holds {method.contains}.",
        "Check that the credit is not part of it.",
    )

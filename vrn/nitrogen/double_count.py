"""Every way in which one field file could count the same nitrogen twice."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Final

from vrn.nitrogen.credits import Applied
from vrn.nitrogen.losses import product_kind
from vrn.nitrogen.method import Method
from vrn.nitrogen.notice import Notice, note, warn

_BROADCAST_LB_AC: Final = 50.0  # tests of the top foot are not valid after 40–60 lb/ac broadcast (NY, DE, PA)


def double_count_notices(
    method: Method, *, credits_lb_ac: Mapping[str, float] | None = None, applications: Sequence[Applied] = (),
    sampled_on: date | None = None, applied_map: bool = False,
) -> tuple[Notice, ...]:  # fmt: skip
    """
    Every way in which the field file could count the same nitrogen twice under a method.

    Parameters
    ----------
    method : Method
    credits_lb_ac : mapping of str to float
        Of the field file. [lb/ac]
    applications : sequence of Applied
    sampled_on : date, optional
    applied_map : bool
        A map of what is already down was given too.

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
    given = {name: value for name, value in (credits_lb_ac or {}).items() if value}
    notices = [_credit_notice(method, name, value) for name, value in given.items()]
    before = [item for item in applications if sampled_on is None or item.on < sampled_on]
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
    if method.kind == "season" and before and method.takes("nitrate_ppm"):
        notices.append(
            warn(
                "applications",
                "What was applied before sampling is subtracted from the base rate, and what of it is "
                "nitrate stands in the test too.",
                "Judge which of the two holds it; starter in a band is usually not read.",
            )
        )
    if method.bottom_in is not None and method.bottom_in[0] >= 24 and before:
        notices.append(
            warn(
                "applications",
                "Nitrogen applied before the profile was pulled stands in its nitrate.",
                "Only what went on after sampling is subtracted.",
            )
        )
    if applied_map and applications:
        notices.append(
            warn(
                "layers.applied_n",
                "Both a map and a list say what was already applied.",
                "The map's pounds are used, the list only tells when: check that they are the same nitrogen.",
            )
        )
    if given.get("manure") and any(product_kind(item.product) == "unknown" for item in applications):
        notices.append(
            warn(
                "credits.manure",
                "Manure is credited, and an application of a product of unknown kind is followed too.",
                "Leave out one of the two if they are the same manure.",
            )
        )
    return tuple(notices)


def _credit_notice(method: Method, name: str, value: float) -> Notice:
    """What a credit may already be part of, under a method."""
    about = f"credits.{name}"
    if not method.takes("credits_lb_ac"):
        return warn(about, f"{value:g} lb/ac is not counted: {method.contains}.", f"Set it to 0 under {method.key}.")
    if method.kind == "remaining":
        if name == "previous_crop":
            return warn(
                about,
                f"{value:g} lb/ac may be counted twice: what the previous crop left is nitrate in the reading "
                "or part of what organic matter still frees.",
                "Set it to 0 unless it appears after sampling.",
            )
        return note(
            about,
            f"{value:g} lb/ac is counted as nitrogen that appears after sampling.",
            "What was nitrate on the sampling date stands in the reading: leave it out here.",
        )
    if name == "manure":
        return warn(
            about,
            f"{value:g} lb/ac of manure: what was nitrate when the profile was pulled is counted twice.",
            "Credit only what appears after sampling.",
        )
    return note(
        about,
        f"{value:g} lb/ac is credited. {method.key} holds {method.contains}.",
        "Check that the credit is not part of it.",
    )

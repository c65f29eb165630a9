"""What a person must weigh before a rate is driven: the second foot, stage, product, pattern, region, surplus."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.nitrogen.ledger import Ledger
from vrn.nitrogen.losses import product_kind
from vrn.nitrogen.method import Method
from vrn.nitrogen.notice import Notice, note, warn
from vrn.nitrogen.rain import RainStory
from vrn.nitrogen.stage import TASSEL, stage_name, stage_position

_HEAVY_RAIN_IN: Final = 4.0  # Iowa State: 60–70 lb/ac lost after 4–6 in of excess
_LOW_TOP_PPM: Final = 15.0  # a choice of this project
_YIELD_PATTERN_SHARE: Final = 0.5
_WORTH_TELLING: Final = 0.005  # of the ground


def second_foot_notice(
    *, top_nitrate_ppm: float, deep_sampled: bool, story: RainStory | None = None, places: Sequence[str] = ()
) -> Notice | None:
    """
    Whether the second foot should be pulled: a low top foot, heavy rain since the last application, no deep core.

    Parameters
    ----------
    top_nitrate_ppm : float
        Mean of the field. [ppm]
    deep_sampled : bool
    story : RainStory, optional
    places : sequence of str
        Where 12–24 in cores would tell most.

    Returns
    -------
    notice : Notice or None

    References
    ----------
    Iowa State (60–70 lb/ac lost after 4–6 in of excess rain); the 15 ppm is a choice of this project.
    """
    if deep_sampled or story is None or not story.fates:
        return None
    if not top_nitrate_ppm < _LOW_TOP_PPM or story.rain_since_in < _HEAVY_RAIN_IN:
        return None
    low, high = story.total("second_foot_lb_ac")
    where = f" Pull 12–24 in cores at {', '.join(places)}." if places else " Pull 12–24 in cores at a few places."
    return warn(
        "samples",
        f"The top foot holds {top_nitrate_ppm:.1f} ppm after {story.rain_since_in:.1f} in of rain since the "
        f"last application, and the second foot was not pulled: by the published rules it may hold {low:.0f} to "
        f"{high:.0f} lb/ac of what was applied, 0 of it counted.",
        "Look before you add." + where,
    )


def stage_notice(growth_stage: str | ArrayLike) -> Notice | None:
    """
    Whether nitrogen still pays at a stage.

    References
    ----------
    University of Minnesota (no gain over nitrogen by V8 but on irrigated sand, none after tassel); University of
    Missouri (full yield of deficient corn with nitrogen by V12 to V16); rescue at VT with 30–60 lb/ac (farm press).

    Examples
    --------
    >>> stage_notice("V8") is None, stage_notice("V13").level, stage_notice("R2").level
    (True, 'note', 'warning')
    """
    place = float(np.nanmax(stage_position(growth_stage)))
    name = stage_name(place)
    if isinstance(growth_stage, str) and name == "VT" and growth_stage.strip().upper() != name:
        name = f"{growth_stage.strip().upper()}, counted as VT,"
    if place < 10:
        return None
    if place < 16:
        return note(
            "crop",
            f"At {name} nitrogen pays where corn is short of it: Missouri found full yield by V12 to V16; "
            "Minnesota found no gain over nitrogen by V8 but on irrigated sand.",
            "Compare with a strip that was never short.",
        )
    late = "after tassel Minnesota found no gain" if place > TASSEL else "a rescue rate near tassel is 30 to 60 lb/ac"
    return warn("crop", f"At {name} it may be too late to pay: {late}.", "Ask the agronomist before you order product.")


def product_notices(product: str, *, placement: str = "unknown") -> tuple[Notice, ...]:
    """
    Cautions that go with a product.

    References
    ----------
    OSHA 29 CFR 1910.111; Montana State, Nebraska (0.5 in of rain) and Minnesota (0.25 in) on urea.

    Examples
    --------
    >>> [notice.level for notice in product_notices("Anhydrous ammonia")]
    ['warning']
    """
    kind = product_kind(product)
    if kind == "anhydrous":
        notice = warn(
            "product",
            "Anhydrous ammonia burns and blinds: vented goggles or a face shield, ammonia-rated gloves, long sleeves, "
            "at least 5 gallons of clean water on the nurse tank; flush at least 15 minutes.",
            "Only trained people handle it; your state's rules and 29 CFR 1910.111 hold.",
        )
        return (notice,)
    if kind in ("urea", "uan") and placement in ("broadcast", "unknown", "banded"):
        part = "all of its nitrogen" if kind == "urea" else "half of its nitrogen"
        notice = note(
            "product",
            f"Urea on the surface ({part}) can go to the air: 8 to 15 % is common, up to half in a warm wet week.",
            "Place it in the soil, or have 0.25 to 0.5 in of rain in one event within days (rules differ).",
        )
        return (notice,)
    return ()


def pattern_share(ledger: Ledger) -> dict[str, float]:
    """
    Share of the need's pattern over the cells that each line makes: its covariance with the need over its variance.

    Parameters
    ----------
    ledger : Ledger
        Of cells.

    Returns
    -------
    shares : dict of str to float
        By line key, adding up to 1; empty when nothing varies.
    """
    total = np.atleast_1d(np.asarray(ledger.unclipped_lb_ac, dtype=float))
    known = np.isfinite(total)
    if known.sum() < 2 or not np.ptp(total[known]) > 1e-9:
        return {}
    centred = total[known] - total[known].mean()
    size = float(centred @ centred)
    parts = (
        (line.key, np.broadcast_to(np.asarray(line.lb_ac, dtype=float), total.shape)[known]) for line in ledger.lines
    )
    return {key: float(centred @ (values - values.mean())) / size for key, values in parts}


def pattern_notice(ledger: Ledger) -> Notice | None:
    """A caution when the yield layer makes most of the pattern of the need (Scharf et al. 2006); None otherwise."""
    shares = pattern_share(ledger)
    share = min(shares.get("crop", 0.0), 1.0)
    if share < _YIELD_PATTERN_SHARE or "cap" in shares:  # a cap levels the pattern again
        return None
    return warn(
        "layers.yield_potential",
        f"The yield layer makes {share:.0%} of the pattern of the need, and within fields yield "
        "explained about 15 % of the best rate's variation (Scharf et al. 2006, SSSAJ 70:2154).",
        "Trust the pattern only as far as you trust the yield layer; leave it out to see what remains.",
    )


def region_notice(method: Method) -> Notice:
    """
    Where the method was calibrated, to be held against where the field lies.

    Examples
    --------
    >>> from vrn.nitrogen.catalogue import method
    >>> region_notice(method("ohio-psnt")).problem
    'ohio-psnt was made for Ohio.'
    """
    if method.kind == "remaining":
        return note(
            "nitrogen.method",
            f"{method.key} is bookkeeping with stated values and belongs to no state.",
            "Look at your own state's method beside it (vrn need --all-methods).",
        )
    made = "holds" if method.region.startswith("where") else "was made for"
    return note(
        "nitrogen.method",
        f"{method.key} {made} {method.region}.",
        "Elsewhere it is a guess: look at your own state's method beside it (vrn need --all-methods).",
    )


def surplus_notice(ledger: Ledger) -> Notice | None:
    """
    A caution where the soil already holds more than the crop wants; None where it does not.

    References
    ----------
    U.S. EPA: 10 mg/L nitrate-N in drinking water.
    """
    total = np.asarray(ledger.unclipped_lb_ac, dtype=float)
    short = total[np.isfinite(total) & (total < 0)]
    share = short.size / max(int(np.isfinite(total).sum()), 1)
    if share < _WORTH_TELLING:
        return None
    where = f"On {share:.0%} of the ground there" if total.ndim else "There"
    return note(
        "need",
        f"{where} is {-short.mean():.0f} lb/ac more than the crop still wants.",
        "More nitrogen there only feeds the water: the drinking-water limit is 10 mg/L nitrate-N (EPA).",
    )

"""What a person must weigh before a rate is driven: second foot, stage, product, pattern, surplus, double counting."""

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.findings import Finding, Quantity, note, warning
from vrn.nitrogen.applied import Applied, NotYetNitrate, product_kind
from vrn.nitrogen.ledger import Ledger
from vrn.nitrogen.lines import Credit
from vrn.nitrogen.method import Method
from vrn.nitrogen.rain import RainEffect
from vrn.nitrogen.stage import TASSEL, stage_name, stage_position

_HEAVY_RAIN_IN: Final = 4.0  # Iowa State: 60–70 lb/ac lost after 4–6 in of excess
_LOW_TOP_PPM: Final = 15.0  # a choice of this project
_YIELD_PATTERN_SHARE: Final = 0.5
_LEAST_SURPLUS_SHARE: Final = 0.005  # of the ground
_BROADCAST_LB_AC: Final = 50.0  # tests of the top foot are not valid after 40–60 lb/ac broadcast (NY, DE, PA)
_LEAST_UNSEEN_LB_AC: Final = 1.0
_MANURE: Final = re.compile(r"manure|slurry|litter|effluent|compost|biosolid|sludge", re.IGNORECASE)
_WATER: Final = re.compile(r"irrigat|fertigat|pivot|water", re.IGNORECASE)


def second_foot_caution(
    *, top_nitrate_ppm: float, deep_sampled: bool, rain: RainEffect | None, places: Sequence[str]
) -> Finding | None:
    """Whether the second foot should be pulled: a low top foot, heavy rain since the last application, no deep core.

    The mean of the field [ppm] against 15 ppm, a choice of this project; `places` are where 12–24 in cores would show
    most. Sources: Iowa State (60–70 lb/ac lost after 4–6 in of excess rain); the 15 ppm is a choice of this project.
    """
    if deep_sampled or rain is None or not rain.fates:
        return None
    if not top_nitrate_ppm < _LOW_TOP_PPM or rain.rain_since_in < _HEAVY_RAIN_IN:
        return None
    low, high = rain.total("second_foot_lb_ac")
    return warning(
        "nitrogen.second-foot-worth-pulling", "samples", nitrate=Quantity("concentration", top_nitrate_ppm),
        rain=Quantity("rain", rain.rain_since_in), low=Quantity("whole_amount", low),
        high=Quantity("whole_amount", high), places=", ".join(places),
    )  # fmt: skip


def stage_caution(growth_stage: str | ArrayLike) -> Finding | None:
    """Whether nitrogen still pays at a stage.

    Sources: University of Minnesota (no gain over nitrogen by V8 but on irrigated sand, none after tassel); University
    of Missouri (full yield of deficient corn with nitrogen by V12 to V16); rescue at VT with 30–60 lb/ac (farm press).

    >>> stage_caution("V8") is None, stage_caution("V13").level, stage_caution("R2").level
    (True, 'note', 'warning')
    """
    place = float(np.nanmax(stage_position(growth_stage)))
    name = stage_name(place)
    if isinstance(growth_stage, str) and name == "VT" and growth_stage.strip().upper() != name:
        name = f"{growth_stage.strip().upper()} (VT)"
    if place < 10:
        return None
    if place < 16:
        return note("nitrogen.stage-late", "crop", stage=name)
    if place > TASSEL:
        return warning("nitrogen.stage-after-tassel", "crop", stage=name)
    low, high = Quantity("rate", 30.0), Quantity("rate", 60.0)
    return warning("nitrogen.stage-near-tassel", "crop", stage=name, low=low, high=high)


def pattern_share(ledger: Ledger) -> dict[str, float]:
    """Share of the need's pattern over the cells that each line makes: its covariance with the need over its variance.

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


def pattern_caution(ledger: Ledger) -> Finding | None:
    """A caution when the yield layer makes most of the pattern of the need (Scharf et al. 2006); None otherwise."""
    shares = pattern_share(ledger)
    share = min(shares.get("crop", 0.0), 1.0)
    if share < _YIELD_PATTERN_SHARE or "cap" in shares:  # a cap levels the pattern again
        return None
    return warning("nitrogen.yield-layer-pattern", "layers.yield_potential", share=Quantity("share", share))


def region_caution(method: Method) -> Finding:
    """Where the method was calibrated, to be compared with where the field lies.

    >>> from vrn.nitrogen.catalogue import method
    >>> region_caution(method("ohio-psnt")).quantities["region"].value
    'Ohio'
    """
    if method.kind == "remaining":
        return note("methods.budget-not-a-state-method", "nitrogen.method")
    if method.region.startswith("where"):
        return note("methods.method-of-a-trial", "nitrogen.method")
    return note("methods.method-of-a-region", "nitrogen.method", region=method.region)


def surplus_caution(ledger: Ledger) -> Finding | None:
    """A caution where the soil already holds more than the crop wants; None where it does not.

    Source: U.S. EPA: 10 mg/L nitrate-N in drinking water.
    """
    total = np.asarray(ledger.unclipped_lb_ac, dtype=float)
    over = total[np.isfinite(total) & (total < 0)]
    share = over.size / max(int(np.isfinite(total).sum()), 1)
    if share < _LEAST_SURPLUS_SHARE:
        return None
    surplus = Quantity("whole_amount", float(-over.mean()))
    if not total.ndim:
        return note("nitrogen.surplus-here", "need", surplus=surplus)
    return note("nitrogen.surplus", "need", share=Quantity("share", share), surplus=surplus)


def double_counting(
    method: Method, *, credits_lb_ac: Mapping[str, Any] | None = None, applications: Sequence[Applied] = (),
    sampled_on: date | None = None, applied_map_lb_ac: ArrayLike | None = None,
    not_yet_before: NotYetNitrate | None = None,
) -> tuple[Finding, ...]:  # fmt: skip
    """Every way in which the field file could count the same nitrogen twice under a method, or not see it at all.

    At least one finding for every credit that is not 0.

    >>> from vrn.nitrogen.catalogue import method
    >>> double_counting(method("remaining-need"), credits_lb_ac={"previous_crop": 40.0})[0].about
    'credits.previous_crop'
    """
    pounds = {
        name: value.lb_ac if isinstance(value, Credit) else value for name, value in (credits_lb_ac or {}).items()
    }
    given = {name: float(np.mean(value)) for name, value in pounds.items() if np.any(np.asarray(value) != 0)}
    on = [item for item in applications if item.n_lb_ac > 0]
    before = [item for item in on if sampled_on is None or item.on < sampled_on]
    by_map = applied_map_lb_ac is not None and bool(np.any(np.asarray(applied_map_lb_ac) > 0))
    return (
        *(_credit(method, name, value) for name, value in given.items()),
        *_in_the_test(method, before, by_map and not applications, not_yet_before),
        *_map_and_list(applications, applied_map_lb_ac if by_map else None),
        *(
            warning("nitrogen.listed-twice", "applications", pounds=Quantity("rate", item.n_lb_ac),
                    product=item.product, day=item.on)
            for item in {item: None for i, item in enumerate(applications) if item in applications[:i]}
            if item.n_lb_ac > 0
        ),
        *_credit_and_list(given, on, by_map),
    )  # fmt: skip


def _in_the_test(
    method: Method, before: list[Applied], map_alone: bool, not_yet_before: NotYetNitrate | None
) -> list[Finding]:
    """Nitrogen that is in the soil test and is subtracted too, or is in neither."""
    findings = []
    broadcast = sum(item.n_lb_ac for item in before if item.placement in ("broadcast", "unknown"))
    if method.stages == ("V4", "V6") and broadcast > _BROADCAST_LB_AC:
        findings.append(
            warning("nitrogen.broadcast-before-test", "applications", pounds=Quantity("rate", broadcast),
                    low=Quantity("rate", 40.0), high=Quantity("rate", 60.0))
        )  # fmt: skip
    if method.kind == "season" and (before or map_alone) and method.takes("nitrate_ppm"):
        findings.append(warning("nitrogen.applied-and-in-the-test", "applications"))
    if method.of_a_profile and map_alone:
        findings.append(warning("nitrogen.applied-and-in-the-profile", "layers.applied_n"))
    elif method.of_a_profile and before:
        findings.append(note("nitrogen.applied-before-profile", "applications"))
    if method.kind == "sidedress" and not_yet_before is not None:
        low, high = (float(np.max(part)) for part in (not_yet_before.low_lb_ac, not_yet_before.high_lb_ac))
        if high >= _LEAST_UNSEEN_LB_AC:
            findings.append(
                warning("nitrogen.not-in-the-test", "applications", low=Quantity("whole_amount", low),
                        high=Quantity("whole_amount", high))
            )  # fmt: skip
    return findings


def _map_and_list(applications: Sequence[Applied], applied_map_lb_ac: ArrayLike | None) -> list[Finding]:
    if applied_map_lb_ac is None or not applications:
        return []
    listed = Quantity("whole_amount", sum(item.n_lb_ac for item in applications))
    mapped = Quantity("whole_amount", float(np.nanmean(np.asarray(applied_map_lb_ac))))
    if not listed.value:
        return [warning("nitrogen.map-and-empty-list", "layers.applied_n", mapped=mapped)]
    return [warning("nitrogen.map-and-list", "layers.applied_n", mapped=mapped, listed=listed)]


def _credit_and_list(given: Mapping[str, float], on: list[Applied], by_map: bool) -> list[Finding]:
    """Credits that may be what the list or the map holds too."""
    findings = []
    manure = any(product_kind(item.product) == "unknown" or _MANURE.search(item.product) for item in on)
    if given.get("manure") and manure:
        findings.append(warning("nitrogen.manure-twice", "credits.manure"))
    if given.get("irrigation_water") and any(_WATER.search(item.product) for item in on):
        findings.append(warning("nitrogen.water-twice", "credits.irrigation_water"))
    if given.get("other") and (on or by_map):
        findings.append(warning("nitrogen.other-credit-twice", "credits.other"))
    return findings


def _credit(method: Method, name: str, lb_ac: float) -> Finding:
    """What a credit may already be part of, under a method."""
    about, credit, pounds = f"credits.{name}", name.replace("_", " "), Quantity("rate", lb_ac)
    if not method.takes("credits_lb_ac"):
        return warning("nitrogen.credit-not-counted", about, credit=credit, pounds=pounds, contains=method.contains)
    if method.kind == "remaining":
        if name == "previous_crop":
            return warning("nitrogen.crop-credit-twice", about, credit=credit, pounds=pounds)
        return note("nitrogen.credit-counted", about, credit=credit, pounds=pounds)
    if name == "manure":
        return warning("nitrogen.manure-credit-twice", about, credit=credit, pounds=pounds)
    return note("nitrogen.credit-beside-method", about, credit=credit, pounds=pounds, contains=method.contains)

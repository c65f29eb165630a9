"""From a field to the plan of a sampling day."""

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.model.field import Field
from vrn.prescription.model import Prescription
from vrn.sampling.balance import spatial_balance
from vrn.sampling.basis import auxiliary_of, deep_places, generator_of, ground_of, size_of, start_of
from vrn.sampling.cautions import sampling_cautions
from vrn.sampling.designs import balanced_places, close_partners, grid_places, strata_of, stratified_places
from vrn.sampling.ground import Ground, layer_at
from vrn.sampling.next_reading import next_readings
from vrn.sampling.plan import Place, Plan, PlanOptions, in_walking_order
from vrn.sampling.plan_areas import plan_composites
from vrn.sampling.second_foot import second_foot_wanted
from vrn.sampling.size import size_curve

USUAL_CORES = 8  # sets of eight (Iowa State)
_PAIRS, _LEAST_FOR_PAIRS = 5, 15
_PAIR_M = 6.0
_NOWHERE = shapely.MultiPolygon()


def plan_samples(field: Field, options: PlanOptions | None = None, *, avoid: shapely.Geometry = _NOWHERE) -> Plan:
    """
    Plan a sampling day.

    Parameters
    ----------
    field : Field
        Its readings may be empty; its layers steer the design where there are any.
    options : PlanOptions, optional
    avoid : shapely.Geometry
        Odd spots and known bands, in the field's system.

    Returns
    -------
    plan : Plan

    Raises
    ------
    InputFileError
        If strata are asked for and no layer varies.
    OutOfRangeError
        If no ground is left, or a number makes no sense.
    """
    options = options or PlanOptions()
    if options.samples is not None and options.samples < 1:
        problem = f"{options.samples} samples cannot be planned."
        raise OutOfRangeError(problem, "Ask for one or more.")
    if options.design == "composites":
        return plan_composites(field, options, avoid=avoid)
    random = generator_of(field, options)
    ground = ground_of(field, options, avoid, random)
    size = size_of(field, ground, options)
    base, layers = _base_places(field, options, ground, size["samples"], random)
    pairs = options.pairs if options.pairs is not None else (_PAIRS if len(base) >= _LEAST_FOR_PAIRS else 0)
    of, partners = close_partners(base, pairs, distance_m=_PAIR_M, outline=ground.outline, random=random)
    foot = second_foot_wanted(field, options.second_foot)
    deep = np.append(deep_places(field, foot.share, base, random), np.zeros(len(partners), dtype=bool))
    notes = [""] * len(base) + [f"close pair of {{{row}}}" for row in of]
    places_m = np.vstack([base, partners])
    drafts = [
        Place(name="", easting_m=float(x), northing_m=float(y), second_foot=bool(deep[i]), note=notes[i])
        for i, (x, y) in enumerate(places_m)
    ]
    places, walk_m = in_walking_order(places_m, drafts, boundary=field.boundary, start_m=start_of(field, options))
    cores = options.cores or USUAL_CORES
    return Plan(
        field=field, design=options.design, ground=ground.outline, places=places, areas={}, cores=cores, walk_m=walk_m,
        size=size, curve=size_curve(size["cv_pct"], confidence=options.confidence), second_foot=foot.why,
        balance=_balance(ground, base), cautions=sampling_cautions(field.settings, cores=cores, composites=False),
        findings=(*ground.findings, *foot.findings), details={"layers": layers, "pairs": len(partners)},
    )  # fmt: skip


def plan_next(
    prescription: Prescription, count: int, options: PlanOptions | None = None, *, avoid: shapely.Geometry = _NOWHERE
) -> Plan:
    """
    Plan the readings that would bring most beside those in hand.

    Parameters
    ----------
    prescription : Prescription
        Built from the readings in hand.
    count : int
        Readings wanted.
    options : PlanOptions, optional
        Ground, cores, second foot and start; number and design are not used.
    avoid : shapely.Geometry
        In the field's system.

    Returns
    -------
    plan : Plan
        Without places when there are enough; ``details["next"]`` says why.

    Raises
    ------
    InputFileError
        If the readings are composites of areas.
    """
    options = options or PlanOptions()
    field = prescription.field
    ground = ground_of(field, options, avoid, generator_of(field, options))
    foot = second_foot_wanted(field, options.second_foot)
    found = next_readings(prescription, ground.spots_m, count=count, second_foot=foot.share >= 0.5)
    asked = {"all": True, "none": False}.get(options.second_foot)
    drafts = [
        Place(
            name="", easting_m=one.easting_m, northing_m=one.northing_m,
            second_foot=one.second_foot if asked is None else asked,
            note=f"zone {one.zone}: gain {one.gain_lb:.0f} lb N, may change {one.moved_ac:.1f} ac",
        )
        for one in found.readings
    ]  # fmt: skip
    places, walk_m = in_walking_order(
        np.array([(one.easting_m, one.northing_m) for one in found.readings]).reshape(-1, 2), drafts,
        boundary=field.boundary, start_m=start_of(field, options), prefix="N",
    )  # fmt: skip
    cores = options.cores or USUAL_CORES
    size = size_of(field, ground, options)
    if foot.pulled:
        why = "where its own expected gain is a quarter of the first foot's or more"
    elif foot.share >= 0.5 or asked is not None:
        why = f"at {'none' if asked is False else 'every one'} of them: {foot.why.rsplit(': ', 1)[-1]}"
    else:
        why = "at none of them: neither sand nor heavy rain is known of"
    return Plan(
        field=field, design="next", ground=ground.outline, places=places, areas={}, cores=cores, walk_m=walk_m,
        size=size, curve=size_curve(size["cv_pct"], confidence=options.confidence), second_foot=why, balance=None,
        cautions=sampling_cautions(field.settings, cores=cores, composites=False), findings=ground.findings,
        details={"next": found.to_plain()},
    )  # fmt: skip


def _base_places(
    field: Field, options: PlanOptions, ground: Ground, count: int, random: np.random.Generator
) -> tuple[NDArray[np.float64], list[str]]:
    """Places of the design, and the layers that steered it."""
    if options.design == "grid":
        return grid_places(ground.outline, count, random=random), []
    auxiliary, layers = auxiliary_of(field, ground.spots_m)
    if options.design == "balanced":
        return ground.spots_m[balanced_places(ground.spots_m, count, random=random, auxiliary=auxiliary)], layers
    if field.zones is not None:
        zone = np.nan_to_num(layer_at(field.zones, ground.spots_m), nan=-1.0)
        strata, layers = np.unique(zone, return_inverse=True)[1], ["zones"]
    elif layers:
        strata = strata_of(auxiliary, options.strata)
    else:
        problem = f"{field.name}: no layer varies over the field, so there is nothing to make strata of."
        raise InputFileError(problem, "Give a layer under [layers], or take --design balanced.")
    return ground.spots_m[stratified_places(ground.spots_m, strata, count, random=random)], layers


def _balance(ground: Ground, places_m: NDArray[np.float64]) -> float:
    """Spatial balance of the places over the ground."""
    units = np.vstack([places_m, ground.spots_m])
    chance = np.append(np.zeros(len(places_m)), np.full(len(ground.spots_m), len(places_m) / len(ground.spots_m)))
    return spatial_balance(chance, units, np.arange(len(places_m)))

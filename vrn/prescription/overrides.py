"""Rates that a person set, on the ground they were set for, whatever its zone is numbered now."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import shapely

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.grid import geodesic_acres, reproject
from vrn.model.settings import Override

SAME_SHARE: Final = 0.98  # of the override's ground that one zone must hold, and of that zone that it must be
_WGS84: Final = "EPSG:4326"


def overrides_on(
    overrides: Sequence[Override], outlines: Sequence[shapely.Geometry], crs: str
) -> tuple[dict[int, Override], tuple[Override, ...], tuple[Finding, ...]]:
    """
    Overrides in force, by the zone that holds their ground now, those that no longer hold, and what to say of them.

    Parameters
    ----------
    outlines : sequence of shapely.Geometry
        Of zones 1 … k, in ``crs``.

    Raises
    ------
    InputFileError
        If an override has no reason, names a zone that is not there, or two of them are on one zone.
    """
    held: dict[int, Override] = {}
    dropped: list[Override] = []
    findings: list[Finding] = []
    for override in overrides:
        if not override.reason.strip():
            problem = f"review.override of zone {override.zone} gives no reason."
            raise InputFileError(problem, "Write the reason: the report prints it beside the rate.")
        if override.outline:
            zone, share = _zone_of(ground_of(override, crs), outlines)
            if share < SAME_SHARE:
                dropped.append(override)
                findings.append(
                    warning("rates.override-dropped", f"zone {override.zone}", share=Quantity("share", share),
                            rate=Quantity("rate", override.rate_n_lb_ac), reason=override.reason.strip(),
                            area=Quantity("area", geodesic_acres(ground_of(override, _WGS84), _WGS84)))
                )  # fmt: skip
                continue
        else:
            zone = override.zone
            findings.append(note("rates.override-by-number", "review.override", zone=str(zone)))
            if zone > len(outlines):
                problem = f"review.override names zone {zone}; the field has {len(outlines)}."
                raise InputFileError(problem, "Zones are numbered from 1 by rising need; build and look at the map.")
        if zone in held:
            problem = f"review.override sets zone {zone} twice."
            raise InputFileError(problem, "Keep one override for each zone.")
        held[zone] = replace(override, zone=zone)
    return held, tuple(dropped), tuple(findings)


def ground_of(override: Override, crs: str) -> shapely.Geometry:
    """
    Ground that an override was made for; empty where it names a zone by number alone.

    Raises
    ------
    InputFileError
        If its outline is no list of polygons.
    """
    try:
        polygons = [shapely.Polygon(shell, holes) for shell, *holes in override.outline]
    except (ValueError, TypeError, shapely.errors.GEOSException):
        problem = f"The outline of review.override of zone {override.zone} is not a list of polygons."
        raise InputFileError(problem, "Save the review from the map again.") from None
    return shapely.make_valid(reproject(shapely.MultiPolygon(polygons), _WGS84, crs))


def _zone_of(ground: shapely.Geometry, outlines: Sequence[shapely.Geometry]) -> tuple[int, float]:
    """Zone that ground is most of, and the lesser of its share of the ground and the ground's share of it."""
    shared = [float(shapely.area(shapely.intersection(ground, outline))) for outline in outlines]
    shares = [common / max(shapely.area(ground), shapely.area(outline), 1e-9)
              for common, outline in zip(shared, outlines, strict=True)]  # fmt: skip
    best = max(range(len(shares)), key=shares.__getitem__)
    return best + 1, float(shares[best])

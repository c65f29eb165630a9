"""Readings looked at together: those outside the field, twice told, of another season, or in another unit."""

from collections import defaultdict
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import counted
from vrn.ingest.features import LONLAT
from vrn.ingest.intake import Intake
from vrn.model.area import transformer
from vrn.model.samples import SoilSamples
from vrn.model.settings import Settings

_NO3_RATIO = (4.0, 4.9)  # NO3 weighs 4.43 times its nitrogen
_FEW = 3  # readings below which a median says nothing
_THICK_IN = 25.0
_MOST_TOLD_ONE_BY_ONE = 5
_SELDOM_PPM = 100.0  # NO3-N that the middle reading of a field of corn seldom reaches: common practice, no source


def inside_only(intake: Intake, samples: SoilSamples, boundary: shapely.Geometry) -> SoilSamples:
    """
    Samples that lie in the field; the others are left out and told with their distance.

    Parameters
    ----------
    intake : Intake
    samples : SoilSamples
    boundary : shapely.Geometry
        In the samples' system.

    Returns
    -------
    samples : SoilSamples
        Check standards and blanks stay wherever they were read.

    Raises
    ------
    InputFileError
        If no reading lies in the field; says so when longitude and latitude look swapped or a sign is lost.
    """
    soil = np.array([kind in ("field", "duplicate") for kind in samples.kind], dtype=bool)
    placed = np.isfinite(samples.coordinates_m).all(axis=1)
    inside = np.zeros(len(samples), dtype=bool)
    inside[placed] = _covers(boundary, samples.coordinates_m[placed])
    for i in np.flatnonzero(soil):
        area = samples.areas.get(samples.area_id[i])
        if area is not None:
            inside[i] = shapely.intersects(area, boundary)
    if not soil.any():
        problem = f"{samples.source}: there is no reading of the field (only standards and blanks)."
        raise InputFileError(problem, "Add the soil readings, kind field.")
    if not inside[soil].any():
        raise _none_inside(intake, samples, samples.coordinates_m[soil & placed], boundary)
    out = np.flatnonzero(soil & ~inside)
    away_m = shapely.distance(shapely.points(samples.coordinates_m[out]), boundary)
    if len(out) > _MOST_TOLD_ONE_BY_ONE:
        rows = ", ".join(str(samples.row[i]) for i in out[:12]) + (", …" if len(out) > 12 else "")
        farthest = intake.length(float(np.nan_to_num(away_m).max()))
        intake.warn(samples.source, f"{len(out)} readings lie up to {farthest} outside the field and were left out "
                    f"(rows {rows}).",
                    "Check their coordinates and the boundary.")  # fmt: skip
        return samples.take(inside | ~soil)
    for i, distance_m in zip(out, away_m, strict=True):
        intake.warn(f"{samples.source} row {samples.row[i]}", f"Sample {samples.sample_id[i]} lies "
                    f"{intake.length(float(distance_m))} outside the field and was left out.",
                    "Check its coordinates and the boundary.")  # fmt: skip
    return samples.take(inside | ~soil)


def _covers(boundary: shapely.Geometry, xy: NDArray[np.float64]) -> NDArray[np.bool_]:
    shapely.prepare(boundary)
    return np.asarray(shapely.intersects_xy(boundary, xy[:, 0], xy[:, 1]), dtype=bool)


def _none_inside(
    intake: Intake, samples: SoilSamples, xy: NDArray[np.float64], boundary: shapely.Geometry
) -> InputFileError:
    """The error for a file whose samples all lie elsewhere, with the likeliest reason."""
    longitude, latitude = transformer(samples.crs, LONLAT).transform(xy[:, 0], xy[:, 1])
    back = transformer(LONLAT, samples.crs)
    guesses = (
        (
            "longitude and latitude look swapped, here or there",
            latitude,
            longitude,
            "Compare it with the boundary, and swap the two in the file that is wrong.",
        ),
        ("longitude has lost its minus sign", -longitude, latitude, "West of Greenwich longitudes are negative."),
        ("latitude has lost its minus sign", longitude, -latitude, "South of the equator latitudes are negative."),
    )
    for what, x, y, remedy in guesses:
        if np.all(np.abs(y) <= 84):
            there = np.column_stack(back.transform(x, y))
            if np.isfinite(there).all() and _covers(boundary, there).mean() > 0.5:
                return InputFileError(f"{samples.source}: no sample lies in the field; {what}.", remedy)
    away_m = float(shapely.distance(shapely.MultiPoint(xy), boundary))
    problem = f"{samples.source}: no sample lies in the field; the nearest is {intake.length(away_m)} away."
    return InputFileError(problem, "Check that samples and boundary are of the same field, and their systems.")


def look_at_samples(intake: Intake, samples: SoilSamples, settings: Settings) -> SoilSamples:
    """
    Tell what looks wrong among the readings; a row that repeats another in everything is dropped.

    Parameters
    ----------
    intake : Intake
    samples : SoilSamples
    settings : Settings

    Returns
    -------
    samples : SoilSamples
    """
    samples = _once(intake, samples)
    _same_place(intake, samples)
    _dates(intake, samples, settings)
    _depths(intake, samples)
    _nitrate_or_nitrogen(intake, samples)
    _much_nitrate(intake, samples)
    return samples


def _once(intake: Intake, samples: SoilSamples) -> SoilSamples:
    seen: dict[tuple[object, ...], int] = {}
    keep = np.ones(len(samples), dtype=bool)
    for i in range(len(samples)):
        if samples.kind[i] != "field":
            continue
        same = (samples.sample_id[i], samples.top_in[i], samples.bottom_in[i], str(samples.nitrate_ppm[i]),
                samples.sampled_on[i], samples.area_id[i], *samples.coordinates_m[i].round(3).tolist())  # fmt: skip
        if same in seen:
            keep[i] = False
            intake.note(f"{samples.source} row {samples.row[i]}", f"Repeats row {seen[same]} in all and was dropped.",
                        'If it was read twice, mark the second kind = "duplicate".')  # fmt: skip
        else:
            seen[same] = int(samples.row[i])
    return samples.take(keep) if not keep.all() else samples


def _same_place(intake: Intake, samples: SoilSamples) -> None:
    """Readings of kind field that share a place and a depth, and ids that share none."""
    at: dict[tuple[object, ...], list[int]] = defaultdict(list)
    by_id: dict[str, set[tuple[float, ...]]] = defaultdict(set)
    for i in range(len(samples)):
        if samples.kind[i] == "field":
            place = tuple(samples.coordinates_m[i].round(1).tolist())
            at[(*place, samples.top_in[i], samples.bottom_in[i], samples.area_id[i])].append(i)
            by_id[samples.sample_id[i]].add(place)
    twice = [rows for rows in at.values() if len(rows) > 1]
    if twice:
        shown = "; ".join(f"rows {', '.join(str(samples.row[i]) for i in rows)}" for rows in twice[:4])
        intake.warn(samples.source, f"Several readings of one depth at {counted(len(twice), 'place')} ({shown}).",
                    'Correct the coordinates, or mark repeats kind = "duplicate".')  # fmt: skip
    shared = [name for name, places in by_id.items() if len(places) > 1]
    if shared:
        intake.warn(samples.source, f"Sample {', '.join(shared[:6])} stands at more than one place.",
                    "Give each place its own sample_id.")  # fmt: skip


def _dates(intake: Intake, samples: SoilSamples, settings: Settings) -> None:
    days = sorted({day for day in samples.sampled_on if day is not None})
    if not days:
        intake.note(samples.source, "No sampling date is given.", "Add sampled_on (ISO 8601).")
        return
    season = settings.header.season
    wrong = [day for day in days if day.year != season]
    if wrong:
        intake.warn(samples.source, f"Cores were pulled on {wrong[0]}, and the season is {season}.",
                    "Check sampled_on and field.season.")  # fmt: skip
    spread = (days[-1] - days[0]).days
    if spread > 10:
        intake.warn(samples.source, f"Cores were pulled over {spread} days ({days[0]} to {days[-1]}).",
                    "Nitrate moves in that time; build on one campaign.")  # fmt: skip
    going = settings.crop.application_date
    if going is not None and going < days[-1]:
        intake.warn("crop.application_date", f"{going} lies before the sampling on {days[-1]}.", "Check the two dates.")
    planted = settings.crop.planting_date
    if planted is not None and planted > days[0] and settings.crop.growth_stage != "preplant":
        intake.warn("crop.planting_date", f"{planted} lies after the sampling on {days[0]}.", "Check the two dates.")


def _depths(intake: Intake, samples: SoilSamples) -> None:
    thick = np.flatnonzero(samples.bottom_in - samples.top_in > _THICK_IN)
    if len(thick):
        i = int(thick[0])
        many = counted(len(thick), "core")
        intake.warn(samples.source, f"Thicker than {_THICK_IN:g} in: {many} (row {samples.row[i]}: "
                    f"{samples.top_in[i]:g} to {samples.bottom_in[i]:g}).",
                    "Check that depths are inches; for centimetres name the columns top_cm, bottom_cm, or "
                    'write text as "0-30 cm".')  # fmt: skip
    for (top, bottom), (other_top, other_bottom) in combinations(samples.depths_in(), 2):
        if other_top < bottom:
            pair = f"{top:g}–{bottom:g} and {other_top:g}–{other_bottom:g} in"
            intake.warn(samples.source, f"Cores of {pair} overlap.",
                        "Check the depths of the samples.")  # fmt: skip


def _nitrate_or_nitrogen(intake: Intake, samples: SoilSamples) -> None:
    """Dates or parts of the season whose medians differ as NO3 differs from NO3-N."""
    speaks = samples.field_readings()
    for top, bottom in speaks.depths_in():
        layer = speaks.at_depth(top, bottom)
        groups: dict[object, list[float]] = defaultdict(list)
        for day, ppm in zip(layer.sampled_on, layer.nitrate_ppm, strict=True):
            groups[day or "no date"].append(float(ppm))
        medians = {day: float(np.median(ppm)) for day, ppm in groups.items() if len(ppm) >= _FEW}
        for (one, low), (other, high) in combinations(sorted(medians.items(), key=lambda item: item[1]), 2):
            if low > 0 and _NO3_RATIO[0] <= high / low <= _NO3_RATIO[1]:
                intake.warn(samples.source, f"The median of {other} is {high / low:.1f} times that of {one} "
                            f"({high:.1f} and {low:.1f} ppm, {top:g}–{bottom:g} in), as NO3 is to NO3-N (4.43).",
                            "Check that all readings are reported alike.")  # fmt: skip


def _much_nitrate(intake: Intake, samples: SoilSamples) -> None:
    """Depths whose middle reading no field of corn is likely to have."""
    speaks = samples.field_readings()
    for top, bottom in speaks.depths_in():
        ppm = speaks.at_depth(top, bottom).nitrate_ppm
        if len(ppm) >= _FEW and float(np.nanmedian(ppm)) > _SELDOM_PPM:
            intake.warn(samples.source, f"The median of {top:g}–{bottom:g} in is {np.nanmedian(ppm):.0f} ppm NO3-N; "
                        f"a field seldom holds {_SELDOM_PPM:g}.",
                        "Check that readings are ppm of the soil (not lb/ac), and the decimal point.")  # fmt: skip

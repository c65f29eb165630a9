"""Readings looked at together: those outside the field, given twice, of another season, or in another unit."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.ingest.dense import averaged
from vrn.ingest.gate import Gate
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.mixed import TwoUnits, deeper_in_another_unit, known_factors, scattered_units, two_units
from vrn.ingest.samples import BULK_DENSITY_G_CM3, SELDOM_PPM
from vrn.ingest.table import LONLAT
from vrn.model.grid import transformer
from vrn.model.job import LeaveOut
from vrn.model.samples import SoilSamples
from vrn.model.settings import Settings
from vrn.units import FT_M

_MOST_ROWS = 8  # that a refusal names
_FEW = 3  # with fewer readings a median means nothing
_MANY_ALIKE = 6  # readings of one depth, which in soil are never all the same
_THICK_IN = 25.0
_LONGEST_DAYS = 10  # of one sampling
_OLD_DAYS = 21  # from an in-season core to the pass that it is for: common practice, no source
_FALL = (8, 1)  # what goes on from this day on is for the season after; common practice, no source
_MOST_NAMED_ONE_BY_ONE = 5
_ROUND_DAYS, _FEW_AGAIN = 3, 3
_GROWING = (4, 9)  # months in which corn of the states stands in the field: common practice, no source
_DEEPER_TIMES = 1.8  # more than in the cores above all over a field, which is seldom so: common practice, no source
_SELDOM_BELOW_PPM = 1.5  # NO3-N of the middle reading of the top foot: common practice, no source


def drop_left_out(files: InputFiles, samples: SoilSamples, leave_out: tuple[LeaveOut, ...]) -> SoilSamples:
    """Samples without the readings that a person does not count, with a note for each; refuses one not there."""
    kept, left_out = np.ones(len(samples), dtype=bool), []
    for one in leave_out:
        rows = np.array([name == one.sample_id for name in samples.sample_id], dtype=bool)
        if not rows.any():
            problem = f"samples.leave_out names sample {one.sample_id}, which {samples.source} does not hold."
            raise InputFileError(problem, "Use the name in the samples file, or take the entry out.")
        kept &= ~rows
        left_out += [(one.sample_id, *place, one.reason) for place in samples.coordinates_m[rows].tolist()]
        files.note("samples.left-out-by-hand", "samples", sample=one.sample_id, rows=int(rows.sum()), reason=one.reason)
    if not kept.any():
        problem = f"samples.leave_out leaves no reading of {samples.source}."
        raise InputFileError(problem, "Take entries out until readings are left.")
    return samples if kept.all() else replace(samples.take(kept), left_out=tuple(dict.fromkeys(left_out)))


def drop_samples_outside(files: InputFiles, samples: SoilSamples, boundary: shapely.Geometry) -> SoilSamples:
    """
    Samples that lie in the field; the others are left out, a finding for each with its distance.

    Check standards and blanks stay wherever they were read. Refuses a file of which no reading lies in the field, and
    says so when longitude and latitude look swapped or a sign is lost.
    """
    soil = np.array([kind in ("field", "duplicate") for kind in samples.kind], dtype=bool)
    placed = np.isfinite(samples.coordinates_m).all(axis=1)
    inside = np.zeros(len(samples), dtype=bool)
    inside[placed] = _covers(boundary, samples.coordinates_m[placed])
    for i in np.flatnonzero(soil) if samples.areas else ():
        area = samples.areas.get(samples.area_id[i])
        if area is not None:
            inside[i] = shapely.intersects(area, boundary)
    if not soil.any():
        problem = f"{samples.source}: there is no reading of the field (only standards and blanks)."
        raise InputFileError(problem, "Add the soil readings, kind field.")
    if not inside[soil].any():
        raise _none_inside(files, samples, samples.coordinates_m[soil & placed], boundary)
    out = np.flatnonzero(soil & ~inside)
    places = samples.coordinates_m[out].tolist()
    outside = tuple((samples.sample_id[i], *place, "") for i, place in zip(out, places, strict=True))
    kept = replace(samples.take(inside | ~soil), left_out=(*samples.left_out, *outside))
    away_ft = shapely.distance(shapely.points(samples.coordinates_m[out]), boundary) / FT_M
    if len(out) > _MOST_NAMED_ONE_BY_ONE:
        rows = ", ".join(str(samples.row[i]) for i in out[:12]) + (", …" if len(out) > 12 else "")
        farthest = Quantity("distance", float(np.nan_to_num(away_ft).max()))
        files.warn("ingest.readings-outside", samples.source, readings=len(out), distance=farthest, rows=rows)
        return kept
    for i, distance_ft in zip(out, away_ft, strict=True):
        distance = Quantity("distance", float(distance_ft))
        about = f"{samples.source} row {samples.row[i]}"
        files.warn("ingest.reading-outside", about, sample=samples.sample_id[i], distance=distance)
    return kept


def _covers(boundary: shapely.Geometry, xy: NDArray[np.float64]) -> NDArray[np.bool_]:
    shapely.prepare(boundary)
    return np.asarray(shapely.intersects_xy(boundary, xy[:, 0], xy[:, 1]), dtype=bool)


def _none_inside(
    files: InputFiles, samples: SoilSamples, xy: NDArray[np.float64], boundary: shapely.Geometry
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
    away = f"{away_m:,.0f} m" if files.metric else f"{away_m / FT_M:,.0f} ft"
    problem = f"{samples.source}: no sample lies in the field; the nearest is {away} away."
    return InputFileError(problem, "Check that samples and boundary are of the same field, and their systems.")


def check_samples(files: InputFiles, samples: SoilSamples, settings: Settings) -> SoilSamples:
    """Look for what seems wrong among the readings; a row that repeats another in everything is dropped."""
    samples = _last_round(files, _once(files, samples), settings)
    _same_place(files, samples)
    _dates(files, samples, settings)
    _dates_of_the_season(files, settings)
    _depths(files, samples)
    _two_units(files, samples, settings)
    _much_nitrate(files, samples)
    return averaged(files, samples)


def _last_round(files: InputFiles, samples: SoilSamples, settings: Settings) -> SoilSamples:
    """Where the same ground was sampled again, the later readings count, unless a person says why all of them do.

    Again: three days later or more, at the same depth, nearer than half the way to the next place of the same day, at
    three places or more. A choice of this project, no source.
    """
    soil = np.array([kind in ("field", "duplicate") for kind in samples.kind], dtype=bool)
    days = np.array([0 if day is None else day.toordinal() for day in samples.sampled_on])
    old = np.zeros(len(samples), dtype=bool)
    depths = np.column_stack([samples.top_in, samples.bottom_in])
    for day in np.unique(days[soil & (days > 0)]):
        for depth in np.unique(depths[soil & (days == day)], axis=0):
            here = soil & (depths == depth).all(axis=1)
            mine, later = np.flatnonzero(here & (days == day)), np.flatnonzero(here & (days >= day + _ROUND_DAYS))
            if len(later):
                old[mine] |= _taken_again(samples, mine, later)
    places = {samples.area_id[i] or tuple(samples.coordinates_m[i]) for i in np.flatnonzero(old)}
    if len(places) < _FEW_AGAIN:
        return samples
    told: dict[str, int | date] = {
        "first": date.fromordinal(int(days[old].min())), "last": date.fromordinal(int(days[soil].max())),
        "old": int(old.sum()), "left": int((soil & ~old).sum()),
    }  # fmt: skip
    if settings.samples.accept is not None:
        files.note("samples.taken-again-all", samples.source, **told, reason=settings.samples.accept)
        return samples
    files.warn("samples.taken-again", samples.source, **told)
    return samples.take(~old)


def _taken_again(samples: SoilSamples, mine: NDArray[np.intp], later: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which readings of one day have a later one of the same area, or right beside them."""
    from scipy.spatial import cKDTree

    areas = {samples.area_id[j] for j in later} - {""}
    again = np.array([samples.area_id[i] in areas for i in mine], dtype=bool)
    places = np.unique(samples.coordinates_m[mine], axis=0)
    if np.isfinite(samples.coordinates_m[[*mine, *later]]).all() and len(places) >= _FEW_AGAIN:
        spacing_m = float(np.median(cKDTree(places).query(places, k=2)[0][:, 1]))
        far_m, _ = cKDTree(samples.coordinates_m[later]).query(samples.coordinates_m[mine])
        again |= far_m < spacing_m / 2
    return again


def _alike(*columns: NDArray[np.float64]) -> list[int]:
    """Rows that have in every column what some other row has, in their order."""
    rows = np.arange(len(columns[0]))
    known = [np.nan_to_num(column, nan=-1.0) for column in columns]
    mark = np.sum([np.sqrt(i + 2.0) * column for i, column in enumerate(known)], axis=0)  # tells nearly all apart
    for told in ([mark], known):
        plain = [column[rows] for column in told]
        order = np.lexsort(plain)
        same = np.all([column[order][1:] == column[order][:-1] for column in plain], axis=0)
        twins = np.zeros(len(rows), dtype=bool)
        twins[order[1:]] |= same
        twins[order[:-1]] |= same
        rows = rows[twins]
    return [int(row) for row in rows]


def _once(files: InputFiles, samples: SoilSamples) -> SoilSamples:
    seen: dict[tuple[object, ...], int] = {}
    keep = np.ones(len(samples), dtype=bool)
    x, y = samples.coordinates_m.round(3).T
    for i in _alike(x, y, samples.top_in, samples.bottom_in, samples.nitrate_ppm):
        if samples.kind[i] != "field":
            continue
        numbers = (x[i], y[i], samples.top_in[i], samples.bottom_in[i], str(samples.nitrate_ppm[i]))
        same = (samples.sample_id[i], samples.sampled_on[i], samples.area_id[i], *numbers)
        if same in seen:
            keep[i] = False
            files.note("ingest.row-repeated", f"{samples.source} row {samples.row[i]}", row=str(seen[same]))
        else:
            seen[same] = int(samples.row[i])
    return samples.take(keep) if not keep.all() else samples


def _same_place(files: InputFiles, samples: SoilSamples) -> None:
    """Readings of kind field that share a place and a depth, and ids that share none."""
    at: dict[tuple[object, ...], list[int]] = defaultdict(list)
    by_id: dict[str, set[tuple[float, ...]]] = defaultdict(set)
    x, y = samples.coordinates_m.round(1).T
    for i in _alike(x, y, samples.top_in, samples.bottom_in):
        if samples.kind[i] == "field":
            depth = (float(samples.top_in[i]), float(samples.bottom_in[i]))
            at[(float(x[i]), float(y[i]), *depth, samples.area_id[i])].append(i)
    times = Counter(samples.sample_id) if len(set(samples.sample_id)) < len(samples) else {}
    for i, name in enumerate(samples.sample_id if times else ()):
        if times[name] > 1 and samples.kind[i] == "field":
            by_id[name].add((float(x[i]), float(y[i])))
    twice = [rows for rows in at.values() if len(rows) > 1]
    if twice:
        shown = "; ".join(", ".join(str(samples.row[i]) for i in rows) for rows in twice[:4])
        files.warn("ingest.same-place-and-depth", samples.source, places=len(twice), rows=shown)
    shared = [name for name, places in by_id.items() if len(places) > 1]
    if shared:
        files.warn("ingest.one-name-two-places", samples.source, samples=", ".join(shared[:6]))


def _dates(files: InputFiles, samples: SoilSamples, settings: Settings) -> None:
    days = sorted({day for day in samples.sampled_on if day is not None})
    if not days:
        files.note("ingest.no-sampling-date", samples.source)
        return
    first, last, season, crop = days[0], days[-1], settings.header.season, settings.crop
    wrong = [day for day in days if day.year != season]
    if wrong:
        files.warn("ingest.sampled-in-another-season", samples.source, day=wrong[0], season=str(season))
    grown = crop.growth_stage is not None and crop.growth_stage != "preplant"
    if grown and not _GROWING[0] <= first.month <= _GROWING[1]:
        files.warn("samples.no-corn-then", samples.source, day=first, stage=str(crop.growth_stage))
    spread = (last - first).days
    if spread > _LONGEST_DAYS:
        files.warn("ingest.sampling-took-long", samples.source, days=spread, first=first, last=last)
    if crop.application_date is not None and crop.application_date < last:
        about = "crop.application_date"
        files.warn("ingest.applied-before-sampling", about, planned=crop.application_date, last=last)
    if grown and crop.application_date is not None and (crop.application_date - first).days > _OLD_DAYS:
        planned = crop.application_date
        waited = (planned - first).days
        files.warn("samples.pulled-long-before", samples.source, first=first, planned=planned, days=waited)
    if crop.planting_date is not None and crop.planting_date > first and crop.growth_stage != "preplant":
        files.warn("ingest.planted-after-sampling", "crop.planting_date", planted=crop.planting_date, first=first)


def _dates_of_the_season(files: InputFiles, settings: Settings) -> None:
    """Dates of the field file that lie in another season; what feeds a crop may go on in the fall before."""
    season, crop = settings.header.season, settings.crop
    year, feeding = (date(season, 1, 1), date(season, 12, 31)), (date(season - 1, *_FALL), date(season, *_FALL))
    dated = [("crop.planting_date", crop.planting_date, year), ("crop.application_date", crop.application_date, year)]
    dated += [("applications", one.date, feeding) for one in settings.applications or () if one.n_lb_ac > 0]
    for about, day, (first, last) in dated:
        if day is not None and not first <= day <= last:
            files.warn("ingest.date-of-another-season", about, day=day, season=str(season))


def _depths(files: InputFiles, samples: SoilSamples) -> None:
    thick = np.flatnonzero(samples.bottom_in - samples.top_in > _THICK_IN)
    if len(thick):
        i = int(thick[0])
        files.warn(
            "ingest.thick-cores", samples.source, cores=len(thick), limit=_depth(_THICK_IN), row=str(samples.row[i]),
            top=_depth(samples.top_in[i]), bottom=_depth(samples.bottom_in[i]),
        )  # fmt: skip
    for (top, bottom), (other_top, other_bottom) in combinations(samples.depths_in(), 2):
        if other_top < bottom:
            files.warn(
                "ingest.depths-overlap", samples.source, top=_depth(top), bottom=_depth(bottom),
                other_top=_depth(other_top), other_bottom=_depth(other_bottom),
            )  # fmt: skip


def _depth(inches: float) -> Quantity:
    return Quantity("depth", float(inches))


def _two_units(files: InputFiles, samples: SoilSamples, settings: Settings) -> None:
    """Refuse readings in two kinds of unit, until a person says why they are right; ask where it may be."""
    readings = samples.field_readings()
    readings = readings.take((readings.nitrate_ppm > 0) & ~readings.below_detection)
    density = settings.nitrogen.bulk_density_g_cm3 or BULK_DENSITY_G_CM3
    path = Source(path=files.folder / samples.source, name=samples.source, key="samples.file")
    gate = Gate(files=files, source=path, section="samples", accept=settings.samples.accept)
    for top, bottom in readings.depths_in():
        layer = readings.at_depth(top, bottom)
        own = [dict(handling.groups) for handling in layer.handling]
        labels: list[tuple[str, Sequence[object]]] = [
            ("the date", layer.sampled_on),
            ("the instrument", [handling.instrument for handling in layer.handling]),
            *((name, [one.get(name) for one in own]) for name in (own[0] if own else ())),
        ]
        factors = known_factors(thickness_in=bottom - top, bulk_density_g_cm3=density)
        found = two_units(layer.nitrate_ppm, layer.coordinates_m, labels, factors)
        if found is None or not found.sure:
            by_value = scattered_units(layer.nitrate_ppm, layer.coordinates_m, factors)
            found = by_value if by_value is not None and (found is None or by_value.sure) else found
        if found is not None:
            _tell_two_units(gate, layer, found)
    factor, what = deeper_in_another_unit(readings, density)
    if not what and factor > _DEEPER_TIMES:
        files.warn("samples.deeper-holds-more", samples.source, ratio=Quantity("number", factor))
    elif not what and factor < 1.0:
        files.warn("samples.deeper-holds-little", samples.source, share=Quantity("share", factor))
    elif what:
        gate.refuse(
            f"the deeper cores are {factor:.3g} times the cores above them all over the field, which is the factor "
            f"between {what}",
            "Give all readings in one unit.",
        )


def _tell_two_units(gate: Gate, layer: SoilSamples, found: TwoUnits) -> None:
    (top,), (bottom,) = set(layer.top_in.tolist()), set(layer.bottom_in.tolist())
    high, low = (float(np.median(layer.nitrate_ppm[part])) for part in (found.high, ~found.high))
    rows = [str(row) for row in layer.row[found.high]]
    more = f" and {len(rows) - _MOST_ROWS} more" if len(rows) > _MOST_ROWS else ""
    if not found.sure:
        gate.files.warn(
            "ingest.units-mixed", gate.source, top=_depth(top), bottom=_depth(bottom), group=found.group,
            high=Quantity("concentration", high), low=Quantity("concentration", low),
            ratio=Quantity("number", found.factor), what=found.what, rows=", ".join(rows[:_MOST_ROWS]) + more,
        )  # fmt: skip
        return
    depth = f"{top * 2.54:g}–{bottom * 2.54:g} cm" if gate.files.metric else f"{top:g}–{bottom:g} in"
    gate.refuse(
        f"readings of {depth} look like two kinds of unit, parted by {found.group}: medians {high:.4g} and {low:.4g}, "
        f"about {found.factor:.3g} times apart, the factor between {found.what} "
        f"(high: rows {', '.join(rows[:_MOST_ROWS])}{more})",
        "Give all readings in one unit, reported the same way.",
    )


def _much_nitrate(files: InputFiles, samples: SoilSamples) -> None:
    """Depths whose middle reading no field of corn is likely to have, or whose readings are all the same."""
    readings = samples.field_readings()
    for top, bottom in readings.depths_in():
        ppm = readings.at_depth(top, bottom).nitrate_ppm
        median = float(np.nanmedian(ppm))
        if len(ppm) >= _MANY_ALIKE and np.ptp(ppm) == 0:
            alike = Quantity("concentration", median)
            files.warn("ingest.readings-alike", samples.source, readings=len(ppm), value=alike)
        if len(ppm) >= _FEW and median > SELDOM_PPM:
            files.warn(
                "ingest.high-nitrate", samples.source, top=_depth(top), bottom=_depth(bottom),
                median=Quantity("concentration", median), usual=Quantity("concentration", SELDOM_PPM),
            )  # fmt: skip
        elif len(ppm) >= _FEW and top == 0 and 0 < median < _SELDOM_BELOW_PPM:
            files.warn(
                "samples.low-nitrate", samples.source, top=_depth(top), bottom=_depth(bottom),
                median=Quantity("concentration", median), usual=Quantity("concentration", _SELDOM_BELOW_PPM),
            )  # fmt: skip

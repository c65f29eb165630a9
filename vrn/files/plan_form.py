"""The form of a sampling day: a table to fill in, its rows in the order in which one walks and reads."""

import csv
import io
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.files.lonlat import DECIMALS, WGS84
from vrn.files.names import cell_text
from vrn.model.area import reproject
from vrn.sampling.plan import Plan

EVERY = 10  # samples between two check standards, and from one sample read twice to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class FormRow:
    """
    One line of the form.

    Parameters
    ----------
    name : str
        Of the sample, or what it is.
    kind : {"field", "duplicate", "standard", "blank"}
    longitude, latitude : float or None
        None for a composite, a standard and a blank. [°]
    depth : int
        0 for the first foot, 1 for the second; -1 for a standard and a blank.
    area_id : str
        Empty for a point.
    """

    name: str
    kind: str
    longitude: float | None = None
    latitude: float | None = None
    depth: int = -1
    area_id: str = ""


def lonlat_of(plan: Plan) -> NDArray[np.float64]:
    """Places in longitude and latitude, shape (n, 2), rounded as every file writes them. [°]"""
    if not plan.places:
        return np.empty((0, 2))
    points = reproject(shapely.MultiPoint(plan.coordinates_m()), plan.field.crs, WGS84)
    return np.asarray(np.round(shapely.get_coordinates(points), DECIMALS))


def depth_texts(plan: Plan) -> tuple[str, str]:
    """Both depths as they are written, in the field's unit: ``0–12 in`` and ``12–24 in``."""
    ((first, second), (_, third)), unit = _depths(plan)
    return f"{first}–{second} {unit}", f"{second}–{third} {unit}"


def form_rows(plan: Plan) -> tuple[FormRow, ...]:
    """
    Lines of the form: samples in walking order, with standards, a blank and repeats among them.

    A standard first, after every ten samples, and last; every tenth sample twice.
    """
    samples = _samples(plan)
    if not samples:
        return ()
    rows = [FormRow(name="standard", kind="standard"), FormRow(name="blank", kind="blank")]
    for number, sample in enumerate(samples, start=1):
        rows += sample
        if number % EVERY == 0:
            first = sample[0]
            rows.append(
                FormRow(name=first.name, kind="duplicate", longitude=first.longitude, latitude=first.latitude,
                        depth=first.depth, area_id=first.area_id)
            )  # fmt: skip
            if number < len(samples):
                rows.append(FormRow(name="standard", kind="standard"))
    return (*rows, FormRow(name="standard", kind="standard"))


def _samples(plan: Plan) -> list[list[FormRow]]:
    """For each sample its lines, one for each depth."""
    if plan.areas:
        deep = {place.area_id for place in plan.places if place.second_foot}
        return [
            [FormRow(name=name, kind="field", depth=depth, area_id=name) for depth in range(2 if name in deep else 1)]
            for name in plan.areas
        ]
    return [
        [
            FormRow(name=place.name, kind="field", longitude=float(lon), latitude=float(lat), depth=depth)
            for depth in range(2 if place.second_foot else 1)
        ]
        for place, (lon, lat) in zip(plan.places, lonlat_of(plan), strict=True)
    ]


def form_text(plan: Plan) -> str:
    """
    The form as CSV, as ``[samples] file`` reads it once it is filled in.

    Empty cells are to be filled in; rows left empty are passed over.
    """
    depths, unit = _depths(plan)
    where = ["area_id"] if plan.areas else ["longitude", "latitude"]
    columns = plan.settings.samples.columns
    as_text = "depth" in {*columns, *columns.values()}
    ends = ["depth"] if as_text else [f"top_{unit}", f"bottom_{unit}"]
    header = ["sample_id", *where, *ends, "nitrate_ppm", "kind", "sampled_on", "nominal_ppm", "cores", "instrument",
              "read_at", "stored"]  # fmt: skip
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_as_the_field_file_says(header, columns))
    for row in form_rows(plan):
        here: list[object] = [row.area_id]
        if not plan.areas:
            here = ["", ""] if row.longitude is None else [f"{row.longitude:.7f}", f"{row.latitude:.7f}"]
        slices: list[object] = [""] * len(ends)
        if row.depth >= 0:
            top, bottom = depths[row.depth]
            # the unit keeps a spreadsheet from making a date of it
            slices = [f"{top}-{bottom} {unit}"] if as_text else [top, bottom]
        cores = plan.cores if row.kind in ("field", "duplicate") else ""
        writer.writerow([cell_text(row.name), *here, *slices, "", row.kind, "", "", cores, "", "", ""])
    return out.getvalue()


def _depths(plan: Plan) -> tuple[tuple[tuple[int, int], tuple[int, int]], str]:
    """Both depths of the cores in the field's unit, and the unit."""
    return (((0, 30), (30, 60)), "cm") if plan.settings.units == "metric" else (((0, 12), (12, 24)), "in")


def _as_the_field_file_says(header: list[str], columns: dict[str, str]) -> list[str]:
    """Column names by the user's own mapping, which may stand either way round."""
    own = {left: right for left, right in columns.items() if left in header}
    own |= {right: left for left, right in columns.items() if right in header and left not in header}
    return [own.get(name, name) for name in header]

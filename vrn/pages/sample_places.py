"""Places where cores were pulled, with their readings as pages list and draw them."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from vrn.findings import Quantity
from vrn.model.samples import SoilSamples
from vrn.pages.report_parts import Table
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, say

MOST_PLACES: Final = 2000  # places of samples that a page draws and lists; layers.gpkg has them all


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading as it is printed."""

    sample: str
    depth: str
    nitrate: str
    on: date | None
    duplicate: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplePlace:
    """A place where cores were pulled, with its readings; ``zone`` is 0 off the treated ground."""

    east_m: float
    north_m: float
    zone: int
    readings: tuple[Reading, ...]

    @property
    def ids(self) -> str:
        """Samples of the place, each once."""
        return ", ".join(dict.fromkeys(reading.sample for reading in self.readings))

    @property
    def label(self) -> str:
        """Readings as ``"13.0 / 7.0"``."""
        return " / ".join(reading.nitrate for reading in self.readings)

    def in_words(self, shown: UnitFormat) -> Iterator[str]:
        """Depth, day and nitrate of each reading."""
        for one in self.readings:
            on = "" if one.on is None else f", {shown.number('date', one.on)}"
            yield f"{one.depth}{on}: {one.nitrate} {shown.unit('concentration')}"


def few_places(places: list[SamplePlace]) -> list[SamplePlace]:
    """All of them, or where a page cannot carry so many every second, third … in the order of the file."""
    return places[:: 1 + (len(places) - 1) // MOST_PLACES]


def sample_places(prescription: Prescription, shown: UnitFormat) -> list[SamplePlace]:
    """Places where cores were pulled, in the order of the file, each with its readings from the top down."""
    samples = prescription.field.samples.field_readings()
    row, col, inside = prescription.grid.cells_of(samples.coordinates_m)
    zone = np.where(inside, prescription.zones.labels[row, col], 0)
    numbers: dict[tuple[float, float], list[int]] = {}
    for i, (east_m, north_m) in enumerate(samples.coordinates_m.tolist()):
        numbers.setdefault((east_m, north_m), []).append(i)
    return [
        SamplePlace(
            east_m=east_m, north_m=north_m, zone=int(zone[rows[0]]),
            readings=tuple(_reading(samples, i, shown) for i in sorted(rows, key=lambda i: float(samples.top_in[i]))),
        )
        for (east_m, north_m), rows in numbers.items()
    ]  # fmt: skip


def _reading(samples: SoilSamples, i: int, shown: UnitFormat) -> Reading:
    below, ppm = bool(samples.below_detection[i]), float(samples.nitrate_ppm[i])
    top, bottom = (Quantity("depth", float(depth[i])) for depth in (samples.top_in, samples.bottom_in))
    return Reading(
        sample=samples.sample_id[i], depth=say(shown, "report.depths", top=top, bottom=bottom),
        nitrate=("<" if below else "") + shown.number("concentration", ppm * (2 if below else 1)),
        on=samples.sampled_on[i], duplicate=samples.kind[i] == "duplicate",
    )  # fmt: skip


def samples_table(places: list[SamplePlace], shown: UnitFormat) -> Table:
    """Every reading with its depth, day and zone, of as many places as a page carries."""
    unit, drawn = shown.unit("concentration"), few_places(places)
    rows = tuple(
        (say(shown, "report.duplicate", sample=one.sample) if one.duplicate else one.sample, one.depth,
         shown.number("date", one.on) if one.on else "", one.nitrate, str(place.zone or say(shown, "report.no-zone")))
        for place in drawn
        for one in place.readings
    )  # fmt: skip
    heads = ("sample", "depth", "pulled-on", "zone")
    sample, depth, on, zone = (say(shown, f"report.{name}") for name in heads)
    return Table(
        caption=say(shown, "report.samples-caption", unit=unit) + not_all(places, shown),
        header=(sample, depth, on, unit, zone), rows=rows, numbers=(3, 4), widths=(30, 18, 24, 16, 12), narrow=True,
    )  # fmt: skip


def not_all(places: list[SamplePlace], shown: UnitFormat) -> str:
    """What to add where a page shows only some of the places."""
    drawn = len(few_places(places))
    return "" if drawn == len(places) else " " + say(shown, "map.thinned", drawn=drawn, places=len(places))

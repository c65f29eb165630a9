"""Soil nitrate readings as they were pulled, their depths, their error, and what of the need's error comes from it."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door
from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, warning

_TOP_FOOT_IN = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Handling:
    """How a reading came about, as far as it was written down."""

    cores: int | None = None  # cores mixed into the sample
    instrument: str = ""  # what read it; empty when not given
    read_at: datetime | None = None  # when it was read
    stored: str = ""  # how it was kept until then: ``cool``, ``warm``, ``frozen``, ``dried``; empty when not given
    groups: tuple[tuple[str, str], ...] = ()  # other columns of the file that put readings into few groups, and its own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoilSamples:
    """Nitrate readings, a row for each reading (two depths at one place are two rows)."""

    sample_id: tuple[str, ...]
    crs: str  # the field's projected system
    # easting, northing; a composite of an area stands at a point inside its area, shape (n, 2)
    coordinates_m: NDArray[np.float64]
    top_in: NDArray[np.float64]  # depth of the core below the surface, shape (n,)
    bottom_in: NDArray[np.float64]  # shape (n,)
    nitrate_ppm: NDArray[np.float64]  # NO3-N on a dry basis; NaN where it was not read, shape (n,)
    kind: tuple[str, ...]  # ``field``, ``standard``, ``duplicate`` or ``blank``
    sampled_on: tuple[date | None, ...]
    nominal_ppm: NDArray[np.float64]  # what a standard should read; NaN elsewhere, shape (n,)
    below_detection: NDArray[np.bool_]  # the reading was given as ``<x``; half of x stands for it, shape (n,)
    area_id: tuple[str, ...]  # area a composite is of; empty for a point
    areas: dict[str, shapely.Geometry]  # outlines of those areas in ``crs``; empty when there are none
    row: NDArray[np.intp]  # row in the source file (the header is row 1), for messages, shape (n,)
    source: str = "samples"  # name of that file
    handling: tuple[Handling, ...] = ()  # nothing known of any reading when not given
    # readings that do not count: sample, easting, northing, a person's reason ("": it lies outside the boundary)
    left_out: tuple[tuple[str, float, float, str], ...] = ()

    def __post_init__(self) -> None:
        n = len(self.sample_id)
        if not self.handling:
            object.__setattr__(self, "handling", (Handling(),) * n)
        columns = (self.coordinates_m, self.top_in, self.bottom_in, self.nitrate_ppm, self.kind, self.sampled_on,
                   self.nominal_ppm, self.below_detection, self.area_id, self.row, self.handling)  # fmt: skip
        if any(len(column) != n for column in columns):
            problem = f"The columns of {self.source} differ in length."
            raise OutOfRangeError(problem, "Give every column one value for each reading.")

    def __repr__(self) -> str:
        depths = ", ".join(f"{top:g}–{bottom:g} in" for top, bottom in self.depths_in())
        kinds = ", ".join(f"{self.kind.count(kind)} {kind}" for kind in dict.fromkeys(self.kind))
        return door.card(
            f"SoilSamples: {len(self)} of {self.source} ({kinds or 'none'})",
            f"nitrate {door.span(self.nitrate_ppm, unit='ppm')}; depths {depths or 'none'}",
        )

    def __len__(self) -> int:
        return len(self.sample_id)

    @property
    def limit_ppm(self) -> NDArray[np.float64]:
        """Limit that a reading below detection was given with; NaN for the others. [ppm]; shape (n,)"""
        return np.where(self.below_detection, 2.0 * self.nitrate_ppm, np.nan)

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> "SoilSamples":
        """Readings of the given rows (indices or a mask), in their order."""
        index = np.arange(len(self))[rows]
        if np.array_equal(index, np.arange(len(self))):
            return self
        order = index.tolist()

        def pick(column: tuple) -> tuple:  # type: ignore[type-arg]  # any tuple of values
            return tuple([column[i] for i in order])

        return SoilSamples(
            sample_id=pick(self.sample_id), crs=self.crs, coordinates_m=self.coordinates_m[index],
            top_in=self.top_in[index], bottom_in=self.bottom_in[index], nitrate_ppm=self.nitrate_ppm[index],
            kind=pick(self.kind), sampled_on=pick(self.sampled_on), nominal_ppm=self.nominal_ppm[index],
            below_detection=self.below_detection[index], area_id=pick(self.area_id), areas=self.areas,
            row=self.row[index], source=self.source, handling=pick(self.handling), left_out=self.left_out,
        )  # fmt: skip

    def field_readings(self) -> "SoilSamples":
        """Readings of the field itself: kinds ``field`` and ``duplicate`` with a number."""
        soil = np.array([kind in ("field", "duplicate") for kind in self.kind], dtype=bool)
        return self.take(soil & np.isfinite(self.nitrate_ppm))

    def placed(self) -> "SoilSamples":
        """Readings that stand somewhere: check standards and blanks often do not."""
        return self.take(np.asarray(np.isfinite(self.coordinates_m).all(axis=1), dtype=bool))

    def depths_in(self) -> tuple[tuple[float, float], ...]:
        """Depth intervals present, shallow first; standards and blanks have none. [in]"""
        known = np.isfinite(self.top_in) & np.isfinite(self.bottom_in)  # NaN would stand in no order
        top, bottom = self.top_in[known], self.bottom_in[known]
        return tuple((one, end) for one in np.unique(top).tolist() for end in np.unique(bottom[top == one]).tolist())

    def at_depth(self, top_in: float, bottom_in: float) -> "SoilSamples":
        """Readings of one depth interval."""
        return self.take((self.top_in == top_in) & (self.bottom_in == bottom_in))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """Depth layers of a field's readings, each without gaps, shallow first."""

    top: tuple[SoilSamples, ...]  # layers from the surface down to 12 in (or the one layer that starts at the surface)
    deep: tuple[SoilSamples, ...]  # layers below them; empty when none was pulled
    findings: tuple[Finding, ...] = ()  # readings that fit into neither


def profile_of(samples: SoilSamples) -> Profile:
    """Sort readings into the top foot and what lies below it.

    Takes readings of the field itself only. Raises InputFileError if no reading starts at the surface.

    Where intervals compete (0–12 and 0–24 in), the one with most readings is used; the others are a finding.
    """
    counts = {depth: len(samples.at_depth(*depth)) for depth in samples.depths_in()}
    chain: list[tuple[float, float]] = []
    bottom_in = 0.0
    while starts := [depth for depth in counts if depth[0] == bottom_in]:
        chosen = max(starts, key=lambda depth: (counts[depth], -depth[1]))
        chain.append(chosen)
        bottom_in = chosen[1]
    if not chain:
        found = ", ".join(f"{top:g}–{bottom:g} in" for top, bottom in counts) or "none"
        problem = f"{samples.source}: no reading starts at the surface (depths found: {found})."
        raise InputFileError(problem, "Give the readings of the top layer with top_in = 0.")
    top = [depth for depth in chain if depth[1] <= _TOP_FOOT_IN] or chain[:1]
    deep = chain[len(top) :]
    left_out = [depth for depth in counts if depth not in chain]
    findings = tuple(
        warning(
            "ingest.depths-left-out", samples.source, readings=counts[top_in, bottom_in], top=Quantity("depth", top_in),
            bottom=Quantity("depth", bottom_in), down_to=Quantity("depth", chain[-1][1]),
        )
        for top_in, bottom_in in left_out
    )  # fmt: skip
    return Profile(
        top=tuple(samples.at_depth(*depth) for depth in top),
        deep=tuple(samples.at_depth(*depth) for depth in deep),
        findings=findings,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingError:
    """What is known of the error of each reading."""

    instrument_sd_ppm: float | None  # standard deviation of one reading of one sample
    instrument_from: Literal["given", "duplicates", "standards", "unknown"]
    instrument_count: int = 0  # samples read more than once, or readings of check standards, that it comes from
    core_cv_pct: float | None  # between cores of one place; None where nobody wrote how many cores were mixed
    cores_from: Literal["pairs", "assumed", "unknown"]
    core_pairs: int = 0  # pairs of samples close together that it comes from
    # variances, at the level of the median reading; 0 where nothing is known. [ppm²]; shape (n,)
    instrument_ppm2: NDArray[np.float64]
    composite_ppm2: NDArray[np.float64]  # shape (n,)

    @property
    def variance_ppm2(self) -> NDArray[np.float64] | None:
        """What the surface takes as ``error_variance``, shape (n,); None where it knows as much itself. [ppm²]

        The instrument's variance, and of the composites' what some have beyond the best of them: what all share is in
        the nugget, which the readings tell better than an assumption.
        """
        beyond = self.composite_ppm2 - self.composite_ppm2.min(initial=np.inf)
        if self.instrument_sd_ppm is None and not beyond.any():
            return None
        return np.asarray(self.instrument_ppm2 + beyond)


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorParts:
    """Standard error of the need of a place by cause: the squares add up to the total's."""

    instrument_lb_ac: float | None  # None where nothing is known of it; it then lies within the ground
    cores_lb_ac: float | None
    ground_lb_ac: float  # ground between samples; second foot and layers
    other_lb_ac: float
    total_lb_ac: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorCauses:
    """Where the error of the need comes from."""

    field: ErrorParts  # over the whole field
    zones: dict[int, ErrorParts]  # by zone; one without a known error is left out
    error: ReadingError  # of the readings

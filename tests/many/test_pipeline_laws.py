"""Laws of the whole line: the prescription moves as it should, or not at all. Random fields, by hypothesis."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import vrn
from vrn.prescription.model import Prescription

UTM, LONLAT = "EPSG:32615", "EPSG:4326"
WEST_M, SOUTH_M = 366_504.0, 4_685_502.0
FEW, MANY = 1, 60
BUILT: dict[tuple[bytes, ...], Prescription] = {}


@dataclass(frozen=True, kw_only=True)
class Ground:
    """An invented field of about forty acres: outline, readings and organic matter, in metres of UTM 15 north."""

    outlines: tuple[np.ndarray, ...]
    places: np.ndarray
    nitrate_ppm: np.ndarray
    om_places: np.ndarray
    om_pct: np.ndarray
    crs: str = LONLAT
    depth_columns: tuple[str, str] = ("top_in", "bottom_in")
    bottom: float = 12.0
    keys: dict[str, str] = field(default_factory=dict)


def _ground(seed: int) -> Ground:
    random = np.random.default_rng(seed)
    origin = np.array([WEST_M, SOUTH_M])
    places, om_places = (random.uniform(20.0, 375.0, (n, 2)) for n in (20, 9))
    phase = random.uniform(0.0, 6.0)
    ppm = 14.0 * np.exp(0.4 * np.sin(places[:, 0] / 90.0 + phase) + 0.08 * random.standard_normal(20))
    om = 2.6 + 0.5 * np.cos(om_places[:, 1] / 120.0 + phase)
    corners = np.array([(0.0, 0.0), (402.0, 8.0), (395.0, 398.0), (12.0, 390.0)]) + random.uniform(0.0, 6.0, (4, 2))
    return Ground(
        outlines=(corners + origin,), places=places + origin, nitrate_ppm=np.round(ppm, 1),
        om_places=om_places + origin, om_pct=np.round(om, 1),
    )  # fmt: skip


def _write(folder: Path, ground: Ground) -> Path:
    lonlat = pyproj.Transformer.from_crs(UTM, LONLAT, always_xy=True)
    drawn = pyproj.Transformer.from_crs(UTM, ground.crs, always_xy=True)
    rings = [[list(drawn.transform(*corner)) for corner in (*ring, ring[0])] for ring in ground.outlines]
    outline = {"type": "MultiPolygon", "coordinates": [[ring] for ring in rings]}
    features = [{"type": "Feature", "properties": {}, "geometry": outline}]
    collection: dict[str, object] = {"type": "FeatureCollection", "features": features}
    if ground.crs != LONLAT:
        name = f"urn:ogc:def:crs:EPSG::{ground.crs.removeprefix('EPSG:')}"
        collection["crs"] = {"type": "name", "properties": {"name": name}}
    (folder / "boundary.geojson").write_text(json.dumps(collection), encoding="utf-8")
    top, bottom = ground.depth_columns
    _table(folder / "samples.csv", f"sample_id,longitude,latitude,{top},{bottom},nitrate_ppm", [
        f"{i},{x!r},{y!r},0,{ground.bottom!r},{ppm!r}"
        for i, (x, y, ppm) in enumerate(_rows(lonlat, ground.places, ground.nitrate_ppm))
    ])  # fmt: skip
    rows = [f"{x!r},{y!r},{pct!r}" for x, y, pct in _rows(lonlat, ground.om_places, ground.om_pct)]
    _table(folder / "organic_matter.csv", "longitude,latitude,om_pct", rows)
    keys = {"units": '"us"', "goal": "210", "reported": '"NO3-N"', "basis": '"product"', **ground.keys}
    text = (
        f'units = {keys["units"]}\n[field]\nname = "Law"\nseason = 2026\nboundary = "boundary.geojson"\ncell_m = 10\n'
        f'[crop]\nyield_goal_bu_ac = {keys["goal"]}\ngrowth_stage = "V8"\n'
        f'[samples]\nfile = "samples.csv"\nreported_as = {keys["reported"]}\nmoisture_basis = "dry"\n'
        '[layers.organic_matter]\nfile = "organic_matter.csv"\ncolumn = "om_pct"\n'
        f'[product]\nname = "UAN 32"\nrate_basis = {keys["basis"]}\n'
        "[machine]\nrate_step_n_lb_ac = 5\n"
    )
    (folder / "field.toml").write_text(text, encoding="utf-8")
    return folder / "field.toml"


def _rows(change: pyproj.Transformer, places: np.ndarray, values: np.ndarray) -> Iterator[tuple[float, float, float]]:
    x, y = change.transform(*places.T)
    return zip(x.tolist(), y.tolist(), values.tolist(), strict=True)


def _table(path: Path, header: str, rows: list[str]) -> None:
    path.write_text("\n".join([header, *rows, ""]), encoding="utf-8")


def _built(ground: Ground) -> Prescription:
    """The prescription of a ground; files that were built before, byte for byte, are not built again."""
    with _scratch() as folder:
        path = _write(folder, ground)
        files = tuple(file.read_bytes() for file in sorted(folder.iterdir()))
        if files not in BUILT:
            BUILT[files] = vrn.build(vrn.read_field(path))
        return BUILT[files]


@contextmanager
def _scratch() -> Iterator[Path]:
    with TemporaryDirectory() as folder:
        yield Path(folder)


def _need(prescription: Prescription) -> np.ndarray:
    return prescription.surfaces["need_lb_ac"].values


def _alike(one: Prescription, other: Prescription) -> None:
    """
    The same but for the last digits of a number.

    Needs agree to a thousandth of a pound, which may move a cell on the edge of two zones, or a mean on the edge of two
    steps: one cell in a hundred, one step in one zone.
    """
    assert one.grid == other.grid
    assert np.nanmax(np.abs(_need(one) - _need(other))) < 1e-3
    assert np.mean(one.zones.labels != other.zones.labels) < 0.01
    assert len(one.rates) == len(other.rates)
    steps = [abs(a.rate_n_lb_ac - b.rate_n_lb_ac) for a, b in zip(one.rates, other.rates, strict=True)]
    assert sum(steps) <= one.field.settings.machine.rate_step_n_lb_ac


def _near(one: Prescription, other: Prescription) -> None:
    """
    Mean need within one per cent; the total within what a step of the rate on half the ground makes, and a bit.

    Where two ways to the surface are as good and the other one was taken, within three per cent.
    """
    ways = [{name: part.chosen for name, part in made.surfaces.items()} for made in (one, other)]
    share = 0.01 if ways[0] == ways[1] else 0.03
    assert np.nanmean(_need(one)) == pytest.approx(np.nanmean(_need(other)), rel=share)
    step = one.field.settings.machine.rate_step_n_lb_ac
    assert abs(one.total_n_lb - other.total_n_lb) < 0.6 * step * one.acres


def permuted(ground: Ground, draw: st.DataObject) -> None:
    """The order of rows in a file says nothing."""
    order = draw.draw(st.permutations(range(len(ground.places))))
    om_order = draw.draw(st.permutations(range(len(ground.om_places))))
    other = replace(
        ground, places=ground.places[order], nitrate_ppm=ground.nitrate_ppm[order],
        om_places=ground.om_places[om_order], om_pct=ground.om_pct[om_order],
    )  # fmt: skip
    _alike(_built(ground), _built(other))


def shifted(ground: Ground, draw: st.DataObject) -> None:
    """A field moved by whole cells gets the same prescription, moved; acres follow the map's own scale."""
    first = _built(ground)
    cells = np.array([draw.draw(st.integers(-200, 200)), draw.draw(st.integers(-400, 400))])
    by = cells * first.grid.cell_m
    other = replace(ground, outlines=tuple(ring + by for ring in ground.outlines), places=ground.places + by,
                    om_places=ground.om_places + by)  # fmt: skip
    second = _built(other)
    assert (second.grid.west_m, second.grid.north_m) == pytest.approx(
        (first.grid.west_m + by[0], first.grid.north_m + by[1])
    )
    assert np.nanmax(np.abs(_need(first) - _need(second))) < 1e-3
    assert [rate.rate_n_lb_ac for rate in first.rates] == [rate.rate_n_lb_ac for rate in second.rates]
    assert first.acres == pytest.approx(second.acres, rel=1e-3)


def shifted_a_little(ground: Ground, draw: st.DataObject) -> None:
    """A field moved by part of a cell is cut into other cells: hardly anything moves but a mean across a step."""
    by = np.array([draw.draw(st.floats(-3.0, 3.0)), draw.draw(st.floats(-3.0, 3.0))])
    other = replace(ground, outlines=tuple(ring + by for ring in ground.outlines), places=ground.places + by,
                    om_places=ground.om_places + by)  # fmt: skip
    _near(_built(ground), _built(other))


def drawn_in_another_system(ground: Ground, draw: st.DataObject) -> None:
    """A boundary in another coordinate system is the same boundary."""
    crs = draw.draw(st.sampled_from(["EPSG:3857", "EPSG:32615", "EPSG:5070", "EPSG:6933"]))
    _alike(_built(ground), _built(replace(ground, crs=crs)))


def split(ground: Ground, draw: st.DataObject) -> None:
    """A boundary given as two parts that share an edge is the whole field."""
    a, b, c, d = ground.outlines[0]
    share = draw.draw(st.floats(0.2, 0.8))
    south, north = a + share * (b - a), d + share * (c - d)
    halves = (np.array([a, south, north, d]), np.array([south, b, c, north]))
    _alike(_built(ground), _built(replace(ground, outlines=halves)))


def turned(ground: Ground, draw: st.DataObject) -> None:
    """Where a ring begins and which way it turns says nothing."""
    ring = np.roll(ground.outlines[0], draw.draw(st.integers(0, 3)), axis=0)
    _alike(_built(ground), _built(replace(ground, outlines=(ring[::-1],))))


def duplicated(ground: Ground, draw: st.DataObject) -> None:
    """A reading given twice is told, and moves hardly anything: a place counts once, if a little surer."""
    again = draw.draw(st.integers(0, len(ground.places) - 1))
    other = replace(ground, places=np.vstack([ground.places, ground.places[again]]),
                    nitrate_ppm=np.append(ground.nitrate_ppm, ground.nitrate_ppm[again]))  # fmt: skip
    first, second = _built(ground), _built(other)
    assert "ingest.same-place-and-depth" in {finding.code for finding in second.findings}
    _near(first, second)


def in_other_units(ground: Ground, _draw: st.DataObject) -> None:
    """NO3 for NO3-N (× 62.0049/14.0067), centimetres for inches and a metric display are the same field."""
    other = replace(
        ground, nitrate_ppm=ground.nitrate_ppm * 62.0049 / 14.0067, depth_columns=("top_cm", "bottom_cm"), bottom=30.48,
        keys={"reported": '"NO3"', "units": '"metric"'},
    )  # fmt: skip
    _alike(_built(ground), _built(other))


def told_as_nitrogen(ground: Ground, _draw: st.DataObject) -> None:
    """The rate basis changes what the terminal is set to, never the nitrogen."""
    first, second = _built(ground), _built(replace(ground, keys={"basis": '"n"'}))
    _alike(first, second)
    assert second.rate_unit == "lb N/ac"


def richer_everywhere(ground: Ground, draw: st.DataObject) -> None:
    """More nitrate: x ppm at every place is x × 12 in × 1.35 g/cm³ × 0.226613 less need in every cell."""
    more_ppm = draw.draw(st.integers(1, 6))
    first, second = _built(ground), _built(replace(ground, nitrate_ppm=ground.nitrate_ppm + more_ppm))
    fell = first.ledger.unclipped_lb_ac - second.ledger.unclipped_lb_ac
    assert np.nanmax(np.abs(fell - more_ppm * 12 * 1.35 * 0.226613)) < 0.01


def wanting_more(ground: Ground, draw: st.DataObject) -> None:
    """More goal: y bu/ac at V8 is y × 1.1 lb × 0.85 still to take up more need in every cell."""
    more_bu_ac = draw.draw(st.integers(1, 30))
    first, second = _built(ground), _built(replace(ground, keys={"goal": str(210 + more_bu_ac)}))
    rose = second.ledger.unclipped_lb_ac - first.ledger.unclipped_lb_ac
    assert np.nanmax(np.abs(rose - more_bu_ac * 1.1 * 0.85)) < 1e-6


def inside_its_boundary(ground: Ground, _draw: st.DataObject) -> None:
    """Zones cover the treated ground without overlap, and every rate stays in the machine's range."""
    prescription = _built(ground)
    treated = prescription.field.treated
    outlines = [rate.outline for rate in prescription.rates]
    assert sum(outline.area for outline in outlines) == pytest.approx(treated.area, rel=1e-6)
    assert shapely.symmetric_difference(shapely.union_all(outlines), treated).area < 1e-6 * treated.area
    machine = prescription.field.settings.machine
    assert all(
        rate.rate_n_lb_ac == 0 or machine.min_rate_n_lb_ac <= rate.rate_n_lb_ac <= machine.max_rate_n_lb_ac
        for rate in prescription.rates
    )


LAWS: tuple[Callable[[Ground, st.DataObject], None], ...] = (
    permuted, shifted, shifted_a_little, drawn_in_another_system, split, turned, duplicated, in_other_units,
    told_as_nitrogen, richer_everywhere, wanting_more, inside_its_boundary,
)  # fmt: skip
QUIET = {
    "phases": (Phase.explicit, Phase.generate),  # nor is a smaller random field a simpler one
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.differing_executors],  # a build is no toy
}


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
@settings(max_examples=FEW, **QUIET)
@given(seed=st.integers(0, 2), draw=st.data())
def test_law_of_the_line(law: Callable[[Ground, st.DataObject], None], seed: int, draw: st.DataObject) -> None:
    """Each law on a few random fields."""
    law(_ground(seed), draw)


@pytest.mark.long
@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
@settings(max_examples=MANY, **QUIET)
@given(seed=st.integers(0, 1_000_000), draw=st.data())
def test_law_of_the_line_on_many_fields(
    law: Callable[[Ground, st.DataObject], None], seed: int, draw: st.DataObject
) -> None:
    """Each law on many random fields."""
    BUILT.clear()
    law(_ground(seed), draw)

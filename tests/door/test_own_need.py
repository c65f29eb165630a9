"""A need and surfaces of one's own: used as they are, unknown stays unknown, and nobody else is credited."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import vrn
from vrn.errors import CrsMismatchError, OutOfRangeError
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.surface import Surface
from vrn.nitrogen import methods
from vrn.nitrogen.ledger import Ledger, Line
from vrn.prescription.model import Prescription

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
MINE = "Hill farm crop model 2026"
AUTHORS = tuple(method.source.split(",")[0] for method in methods())


@pytest.fixture(scope="module")
def cedar_bend_field() -> Field:
    """Cedar Bend on coarse cells."""
    field = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    settings = field.settings
    return replace(field, settings=replace(settings, header=replace(settings.header, cell_m=15.0)))


@pytest.fixture(scope="module")
def grid(cedar_bend_field: Field) -> Grid:
    """Cells of Cedar Bend."""
    return vrn.grid_of(cedar_bend_field)


@pytest.fixture(scope="module")
def ramp(grid: Grid) -> np.ndarray:
    """A need that falls from west to east, 160 to 60 lb/ac."""
    return np.broadcast_to(np.linspace(160.0, 60.0, grid.cols), grid.shape).copy()


@pytest.fixture(scope="module")
def cedar_bend(cedar_bend_field: Field) -> Prescription:
    """Cedar Bend on coarse cells, built."""
    return vrn.build(cedar_bend_field)


@pytest.fixture(scope="module")
def by_ramp(cedar_bend_field: Field, ramp: np.ndarray) -> Prescription:
    """Built on the need that falls from west to east."""
    return vrn.build(cedar_bend_field, need=ramp, source=MINE)


def _mean_need(prescription: Prescription) -> float:
    return sum(rate.need_lb_ac * rate.acres for rate in prescription.rates) / prescription.acres


def test_an_own_need_is_the_need(by_ramp: Prescription, ramp: np.ndarray) -> None:
    """Zones are cut on it: their needs lie within it, rise from zone to zone, and keep its mean to a tenth."""
    built = by_ramp
    needs = [rate.need_lb_ac for rate in built.rates]
    assert needs == sorted(needs)
    assert len(needs) > 2
    assert 60.0 <= needs[0] < needs[-1] <= 160.0
    treated = built.share > 0
    mean = np.average(ramp[treated], weights=built.share[treated])
    assert _mean_need(built) == pytest.approx(mean, abs=0.1)
    np.testing.assert_array_equal(built.surfaces["need_lb_ac"].values, ramp)


@pytest.mark.parametrize("form", ["surface", "xarray", "upside down", "flat"])
def test_every_form_of_a_need_is_the_same_need(
    cedar_bend_field: Field, grid: Grid, ramp: np.ndarray, by_ramp: Prescription, form: str
) -> None:
    """A surface, an array of xarray in either order, a plain array of rows: the same rates."""
    surface = Surface(name="need_lb_ac", grid=grid, values=ramp, chosen="by hand")
    given: Any = surface if form == "surface" else ramp.ravel()
    if form in ("xarray", "upside down"):
        pytest.importorskip("xarray")
        array = surface.to_xarray()
        given = array.isel(y=slice(None, None, -1)).transpose("x", "y") if form == "upside down" else array
    built = vrn.build(cedar_bend_field, need=given)
    assert [rate.rate_n_lb_ac for rate in built.rates] == [rate.rate_n_lb_ac for rate in by_ramp.rates]


def test_one_number_is_one_zone(cedar_bend_field: Field) -> None:
    """A need of 112 lb/ac everywhere is one zone at 110, the nearest step of 5."""
    (rate,) = vrn.build(cedar_bend_field, need=112.0).rates
    assert (rate.need_lb_ac, rate.rate_n_lb_ac) == (pytest.approx(112.0), 110.0)


def test_unknown_stays_unknown(cedar_bend_field: Field, ramp: np.ndarray) -> None:
    """NaN is never 0 lb of need: the mean need of the rest does not move with it."""
    holed = ramp.copy()
    holed[:, : ramp.shape[1] // 4] = np.nan
    built = vrn.build(cedar_bend_field, need=holed)
    known = np.isfinite(holed) & (built.share > 0)
    by_zone = built.ledger.need_lb_ac.reshape(holed.shape)
    assert np.isnan(by_zone[~np.isfinite(holed)]).all()
    assert np.nanmin(by_zone) == pytest.approx(holed[known].min())


def test_an_own_need_is_credited_to_its_maker(by_ramp: Prescription, tmp_path: Path) -> None:
    """Summary, report and load sheet name the source that was given, and no published method as the need's."""
    folder = vrn.write(by_ramp, tmp_path / "out")
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert summary["method"] == {"key": "own-need", "source": MINE}
    assert [found["code"] for found in summary["findings"]].count("own.need") == 1
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert MINE in report
    assert not [method.key for method in methods() if f"({method.key})." in report]
    assert MINE in (folder / "map.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("key", ["iowa-lsnt", "remaining-need"])
def test_a_name_alone_credits_nobody(
    cedar_bend_field: Field, grid: Grid, key: str, tmp_path: Path, quick_pages: None
) -> None:
    """A ledger made by hand and called like a published method is the user's own, in every file."""
    line = Line(label="Made up", lb_ac=np.full(grid.rows * grid.cols, 90.0), basis="", source="", key="made_up")
    by_hand = Ledger(lines=(line,), method=key)
    assert not by_hand.published
    for given in (by_hand, replace(by_hand, source=MINE)):
        built = vrn.build(cedar_bend_field, need=given)
        assert built.ledger.key == "own-need"
        source = built.ledger.source
        assert source == (given.source or "the user")
        assert not any(author in source for author in AUTHORS)
    summary = json.loads((vrn.write(built, tmp_path / "out") / "summary.json").read_text(encoding="utf-8"))
    assert summary["method"] == {"key": "own-need", "source": MINE}


def test_a_method_s_own_ledger_stays_its_own(cedar_bend_field: Field, grid: Grid) -> None:
    """What ``Method.need`` worked out for the cells is credited to that method (25 − 15 ppm, × 8 = 80 lb/ac)."""
    ledger = vrn.nitrogen.method("iowa-lsnt").need(nitrate_ppm=np.full(grid.rows * grid.cols, 15.0))
    built = vrn.build(cedar_bend_field, need=ledger)
    assert built.ledger.key == "iowa-lsnt"
    assert built.ledger.source == vrn.nitrogen.method("iowa-lsnt").source
    assert [rate.need_lb_ac for rate in built.rates] == [pytest.approx(80.0)]


def test_every_published_ledger_says_who_published_it(cedar_bend: Prescription) -> None:
    """A ledger carries its own credit; nobody has to look it up by a name."""
    assert cedar_bend.ledger.published
    assert cedar_bend.ledger.source == vrn.nitrogen.method("remaining-need").source
    for method in methods():
        ledger = method.need(**method.example.inputs, allow_outside=True)
        assert (ledger.key, ledger.source) == (method.key, method.source)


def test_an_own_nitrate_map_goes_through_the_method(cedar_bend_field: Field, cedar_bend: Prescription) -> None:
    """1 ppm more everywhere is 12 in × 1.35 g/cm³ × 0.226613 = 3.67 lb/ac less need, by the same method."""
    ppm = cedar_bend.surfaces["nitrate_ppm"]
    moved = vrn.build(cedar_bend_field, surfaces={"nitrate_ppm": ppm.values + 1.0}, source=MINE)
    treated = moved.share > 0
    less = cedar_bend.surfaces["need_lb_ac"].values - moved.surfaces["need_lb_ac"].values
    np.testing.assert_allclose(less[treated], 12 * 1.35 * 0.226613, atol=1e-4)
    assert moved.ledger.key == "remaining-need"
    assert moved.surfaces["nitrate_ppm"].chosen == MINE
    assert ("own.surface", "nitrate_ppm") in {(found.code, found.about) for found in moved.findings}


def test_the_error_that_is_given_is_the_error_of_the_zones(
    cedar_bend_field: Field, grid: Grid, ramp: np.ndarray
) -> None:
    """A standard error of 0 is no error in any zone; without one nothing is claimed."""
    sure = Surface(name="need_lb_ac", grid=grid, values=ramp, se=np.zeros(grid.shape), chosen="by hand")
    assert all(rate.need_se_lb_ac == 0.0 for rate in vrn.build(cedar_bend_field, need=sure).rates)
    assert all(rate.need_se_lb_ac is None for rate in vrn.build(cedar_bend_field, need=ramp).rates)


def test_what_does_not_fit_is_refused(cedar_bend_field: Field, grid: Grid, ramp: np.ndarray) -> None:
    """Wrong shape, ground, name, range or nothing known: refused with a remedy, before anything is worked out."""
    elsewhere = Surface(name="need_lb_ac", grid=replace(grid, crs="EPSG:32616"), values=ramp, chosen="x")
    shifted = Surface(name="need_lb_ac", grid=replace(grid, west_m=grid.west_m + 1.0), values=ramp, chosen="x")
    cases: list[tuple[dict[str, Any], type[vrn.VrnError]]] = [
        ({"need": ramp[:-1]}, OutOfRangeError),
        ({"need": elsewhere}, CrsMismatchError),
        ({"need": shifted}, OutOfRangeError),
        ({"need": np.full(grid.shape, np.nan)}, OutOfRangeError),
        ({"need": np.where(ramp > 100, np.inf, ramp)}, OutOfRangeError),
        ({"surfaces": {"nitrate": ramp}}, OutOfRangeError),
        ({"surfaces": {"need_lb_ac": ramp}}, OutOfRangeError),
        ({"surfaces": {"deep_nitrate_ppm": 8.0}}, OutOfRangeError),
        ({"surfaces": {"nitrate_ppm": ramp - 100.0}}, OutOfRangeError),
    ]
    for given, error in cases:
        with pytest.raises(error) as refused:
            vrn.build(cedar_bend_field, **given)
        assert refused.value.remedy

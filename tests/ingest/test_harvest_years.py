"""Several years of harvest in the columns of one file: counted as years, by how far they agree, or asked about."""

import csv
from dataclasses import replace

import numpy as np
import pytest

import vrn
from tests.many.farm import MadeField
from vrn.errors import VrnError
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import PointLayer, RasterLayer, YieldLogLayer, mean_of_years
from vrn.model.samples import profile_of
from vrn.pipeline.order import ground_of
from vrn.pipeline.soil import soil_surfaces

LAYER = '[layers.yield_potential]\nfile = "yields.csv"\nkind = "bu_ac"\n'
YEARS = 'year_columns = ["yield_2021", "yield_2023"]\n'


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> MadeField:
    """A field with a table of two years of yield at 108 places; a few have one year alone."""
    made = MadeField(name="Two years", folder=tmp_path_factory.mktemp("years") / "f", seed=5)
    made.write(2026)
    x, y = (one.ravel() for one in np.meshgrid(np.arange(50, 1200, 100), np.arange(50, 1900, 200)))
    pattern = 20 * np.sin(x / 300)
    grain = [mean + pattern + made.chance.normal(0, 15, len(x)) for mean in (140.0, 220.0)]
    with (made.folder / "yields.csv").open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["longitude", "latitude", "yield_2021", "yield_2023"])
        for k, ((lon, lat), one, other) in enumerate(zip(made.places(x, y), *grain, strict=True)):
            rows.writerow(
                [f"{lon:.7f}", f"{lat:.7f}", "" if k == 3 else f"{one:.1f}", "" if k == 7 else f"{other:.1f}"]
            )
    return made


def _read(made: MadeField, layer: str) -> Field:
    return vrn.read_field(made.write(2026, layer))


def test_two_columns_count_as_two_years(made: MadeField) -> None:
    """Each place is the mean of its shares of the years' means; the weight is 0.55 of what two such years foretell."""
    field = _read(made, LAYER + YEARS)
    layer = field.yield_potential
    assert isinstance(layer, PointLayer)
    rows = np.genfromtxt(made.folder / "yields.csv", delimiter=",", skip_header=1)[:, 2:]
    both = np.isfinite(rows).all(axis=1)
    means = rows[both].mean(axis=0)
    assert np.sort(layer.values) == pytest.approx(np.sort(means.mean() * np.nanmean(rows / means, axis=1)))
    same = np.corrcoef(rows[both].T)[0, 1]
    assert layer.years_alike == pytest.approx(same)
    assert 0.1 < same < 0.9
    grid, share = ground_of(field)
    surfaces, _ = soil_surfaces(field, profile_of(field.samples.field_readings()), grid, share)
    told = [one for one in surfaces["yield_goal_bu_ac"].findings if one.code == "surface.yield-pattern-years"]
    assert told[0].quantities["weight"].value == pytest.approx(0.55 * 2 * same / (1 + same), abs=0.005)
    assert not [one for one in field.findings if one.code == "ingest.other-years"]


def test_order_and_a_dry_year_change_nothing() -> None:
    """Years in another order, or one with half the yield everywhere, give the same pattern about their mean."""
    chance = np.random.default_rng(2)
    at = chance.uniform(0, 500, (40, 2))
    years = [PointLayer(name="y", crs="EPSG:32615", coordinates_m=at, values=200 + 30 * chance.standard_normal(40),
                        source="a") for _ in range(3)]  # fmt: skip
    one, turned = mean_of_years(years), mean_of_years(years[::-1])
    assert dict(zip(map(tuple, one.coordinates_m), one.values, strict=True)) == pytest.approx(
        dict(zip(map(tuple, turned.coordinates_m), turned.values, strict=True)))  # fmt: skip
    dry = mean_of_years([replace(years[0], values=years[0].values / 2), *years[1:]])
    assert dry.values / dry.values.mean() == pytest.approx(one.values / one.values.mean())
    assert dry.years_alike == pytest.approx(one.years_alike)


def test_a_year_that_stops_half_way_draws_no_border() -> None:
    """On ground that yields alike every year, a year that covers the better half alone leaves the other's pattern."""
    grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=0.0, cell_m=10.0, rows=10, cols=10)
    pattern = np.tile(np.where(np.arange(10) < 5, 100.0, 200.0), (10, 1))
    half = np.where(pattern > 150, pattern, np.nan)
    raster = RasterLayer(name="y", grid=grid, values=pattern, source="a")
    found = mean_of_years([raster, replace(raster, values=half)])
    assert found.values[:, 0] / found.values[:, 9] == pytest.approx(0.5)
    assert YieldLogLayer.alike([pattern.ravel(), half.ravel()]) is None  # what they share does not vary


@pytest.mark.parametrize(("more", "weight"), [("", 0.25), ("years = 3\n", 0.5)])
def test_one_of_several_years_is_asked_about(made: MadeField, more: str, weight: float) -> None:
    """A column of one year beside others counts as one year, and is asked about until the years are said."""
    field = _read(made, f'{LAYER}column = "yield_2023"\n{more}')
    asked = [one for one in field.findings if one.code == "ingest.other-years"]
    assert [one.quantities["columns"].value for one in asked] == ([] if more else ['["yield_2021", "yield_2023"]'])
    assert all(one.level == "warning" for one in asked)
    grid, share = ground_of(field)
    surfaces, _ = soil_surfaces(field, profile_of(field.samples.field_readings()), grid, share)
    told = [one for one in surfaces["yield_goal_bu_ac"].findings if "yield-pattern" in one.code]
    assert [one.quantities["weight"].value for one in told] == [weight]


@pytest.mark.parametrize(
    ("layer", "said"),
    [
        (LAYER, 'year_columns = ["yield_2021", "yield_2023"]'),
        (f'{LAYER}column = "yield_2023"\n{YEARS}', "year_columns"),
        (f'{LAYER}year_columns = ["yield_2023"]\n', "two different"),
        (f'{LAYER}year_columns = ["yield_2023", "yield_2023"]\n', "two different"),
        (f'{LAYER}year_columns = ["yield_2021", "yield_2022"]\n', "yield_2022"),
        (f'[layers.yield_potential]\nvalue = 1.0\n{YEARS}', "year_columns"),
    ],
)  # fmt: skip
def test_columns_that_are_no_years_are_refused(made: MadeField, layer: str, said: str) -> None:
    """No column named, both ways at once, a year alone or twice, no such column, a value: one error each."""
    with pytest.raises(VrnError) as refused:
        _read(made, layer)
    assert said in f"{refused.value.problem} {refused.value.remedy}"

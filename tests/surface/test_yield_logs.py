"""Harvest logs: passes, flow delay, filters, pass offsets, seasons; on logs driven over a field that is known."""

import numpy as np
import pytest

from vrn.errors import CrsMismatchError, InputFileError, MissingExtraError
from vrn.model import Grid, YieldLog, YieldLogLayer
from vrn.surface import Variogram, layer_on_grid
from vrn.surface.transform import gaussian_fields
from vrn.surface.yield_cleaning import FILTERS, clean
from vrn.surface.yield_passes import flow_delay, passes_of
from vrn.surface.yield_potential import _combined, block_means, pass_offsets, yield_potential
from vrn.words.surface import SENTENCES

CRS = "EPSG:32615"
GRID = Grid(crs=CRS, west_m=0.0, north_m=300.0, cell_m=5.0, rows=60, cols=60)
SWATH_M = 9.0
SPEED_M_S = 1.6


@pytest.fixture(scope="module")
def field() -> np.ndarray:
    """True yield of each cell, 200 ± 25 bu/ac. [bu/ac]"""
    variogram = Variogram(model="exponential", partial_sill=1.0, range_m=60.0)
    cells, _ = gaussian_fields(GRID, np.empty((0, 2)), variogram=variogram, count=1, rng=np.random.default_rng(8))
    return (200.0 + 25.0 * cells[0]).reshape(GRID.shape).astype(float)


def _driven(
    field: np.ndarray, *, delay: int = 0, offset_sd: float = 0.0, noise: float = 4.0, seed: int = 0,
    season: int | None = 2023, **more: np.ndarray | None,
) -> YieldLog:  # fmt: skip
    """A log of passes 9 m apart, to and fro, a record a second, its grain ``delay`` seconds late."""
    rng = np.random.default_rng(seed)
    places, yields, times = [], [], []
    clock = 0.0
    for k, easting in enumerate(np.arange(SWATH_M / 2, 300, SWATH_M)):
        northing = np.arange(0.8, 300, SPEED_M_S)
        northing = northing[::-1] if k % 2 else northing
        where = np.column_stack([np.full(len(northing), easting), northing])
        row, col, _ = GRID.cells_of(where)
        late = np.concatenate([np.full(delay, 20.0), field[row, col]])[: len(northing)]
        places.append(where + rng.normal(0, 0.03, where.shape))
        yields.append(late + rng.normal(0, noise, len(northing)) + rng.normal(0, offset_sd))
        times.append(clock + np.arange(len(northing)))
        clock = times[-1][-1] + 30.0
    columns = {"time_s": np.concatenate(times), "swath_m": np.full(sum(map(len, times)), SWATH_M)}
    return YieldLog(
        source=f"harvest_{season}.csv", season=season, coordinates_m=np.vstack(places),
        yield_bu_ac=np.concatenate(yields), **{**columns, **more},
    )  # fmt: skip


def _changed(log: YieldLog, **more: object) -> YieldLog:
    names = ("source", "season", "coordinates_m", "yield_bu_ac", "time_s", "moisture_pct", "speed_m_s", "swath_m",
             "header_down", "pass_id", "machine_id")  # fmt: skip
    return YieldLog(**{**{name: getattr(log, name) for name in names}, **more})


def _layer(*logs: YieldLog, crs: str = CRS) -> YieldLogLayer:
    return YieldLogLayer(name="relative", crs=crs, logs=logs, source="harvests")


def test_passes_are_told_apart(field: np.ndarray) -> None:
    """33 passes to and fro are 33, by the clock's pauses, without a clock by the turns, or by the file's numbers."""
    log = _driven(field)
    for told in (log, _changed(log, time_s=None), _changed(log, time_s=None, pass_id=passes_of(log).run.astype(int))):
        passes = passes_of(told)
        assert passes.run[-1] + 1 == 33
        assert np.bincount(passes.run).min() >= 185
        assert np.abs(passes.along[:, 1]).min() > 0.95
        assert np.sign(passes.along[100, 1]) != np.sign(passes.along[300, 1])
    assert passes_of(log).step_s == 1.0
    assert np.median(passes_of(log).speed_m_s) == pytest.approx(SPEED_M_S, rel=0.02)


def test_records_out_of_order_are_put_in_order(field: np.ndarray) -> None:
    """A shuffled log with a clock gives the same passes."""
    log = _driven(field)
    order = np.random.default_rng(1).permutation(len(log))
    shuffled = _changed(
        log, coordinates_m=log.coordinates_m[order], yield_bu_ac=log.yield_bu_ac[order], time_s=log.time_s[order],
        swath_m=log.swath_m[order],
    )  # fmt: skip
    assert np.array_equal(passes_of(shuffled).points_m, passes_of(log).points_m)


@pytest.mark.parametrize("delay", [0, 5, 12])
def test_flow_delay_is_found(field: np.ndarray, delay: int) -> None:
    """Grain that comes so many seconds late is put back by as many records; one in time stays."""
    log = _driven(field, delay=delay, noise=12.0)
    steps, found = flow_delay(passes_of(log), log.yield_bu_ac, about="log.csv")
    assert steps == delay
    assert found.code == ("surface.delay-none" if delay == 0 else "surface.delay-removed")
    assert delay == 0 or found.quantities["seconds"].value == delay


def test_no_flow_delay_from_one_direction(field: np.ndarray) -> None:
    """Passes all driven the same way tell nothing of the delay, and that is said."""
    log = _driven(field, delay=8)
    one_way = log.coordinates_m.copy()
    for run in range(1, 33, 2):
        rows = passes_of(log).record[passes_of(log).run == run]
        one_way[rows] = one_way[rows[::-1]]
    steps, found = flow_delay(passes_of(_changed(log, coordinates_m=one_way)), log.yield_bu_ac, about="log.csv")
    assert steps == 0
    assert found.code == "surface.delay-few-passes"


def test_each_filter_leaves_out_what_it_names(field: np.ndarray) -> None:
    """Records spoiled on purpose, each kind its own way, fall to the filter of that name and to no other."""
    log = _driven(field)
    middle = np.flatnonzero(np.abs(log.coordinates_m[:, 1] - 150) < 60)
    spoiled = middle[np.linspace(0, len(middle) - 1, 60).astype(int)]
    places, yields = log.coordinates_m.copy(), log.yield_bu_ac.copy()
    moisture, speed = np.full(len(log), 17.0), np.full(len(log), SPEED_M_S)
    header = np.ones(len(log), dtype=bool)
    moisture += np.random.default_rng(2).normal(0, 0.5, len(log))
    yields[spoiled[0:10]] = np.nan
    header[spoiled[10:20]] = False
    speed[spoiled[20:30]] = 0.1
    moisture[spoiled[30:40]] = 70.0
    yields[spoiled[40:50]] = 900.0
    yields[spoiled[50:60]] += 60.0
    told = clean(
        _changed(
            log, coordinates_m=places, yield_bu_ac=yields, moisture_pct=moisture, speed_m_s=speed, header_down=header
        )
    )
    names = np.array(["", *FILTERS])[told.reason]
    assert set(names[spoiled[0:10]]) == {"no-place-or-yield"}
    assert set(names[spoiled[10:20]]) == {"header-up"}
    assert set(names[spoiled[20:30]]) == {"speed-change"}
    assert set(names[spoiled[30:40]]) == {"moisture"}
    assert set(names[spoiled[40:50]]) == {"implausible-yield"}
    assert np.mean(names[spoiled[50:60]] == "local-outlier") >= 0.9
    assert sum(told.removed().values()) == len(log) - len(told.passes)
    ends = (log.coordinates_m[:, 1] < 5.0) | (log.coordinates_m[:, 1] > 295.0)
    assert (names[ends] != "").all()
    clear = np.ones(len(log), dtype=bool)
    clear[spoiled] = False
    clear[spoiled[20:30] + 1] = False  # the record after a stop changes speed as well
    assert np.mean(names[clear & ~ends & (np.abs(log.coordinates_m[:, 1] - 150) < 100)] == "") > 0.97


def test_ground_cut_twice_counts_once(field: np.ndarray) -> None:
    """A last pass over ground already cut, as wide as the others, is left out as overlap; the first stays."""
    log = _driven(field)
    again = np.column_stack([np.full(180, 103.5), np.linspace(5, 295, 180)])
    places = np.vstack([log.coordinates_m, again])
    count = len(places)
    told = clean(
        _changed(
            log, coordinates_m=places, yield_bu_ac=np.append(log.yield_bu_ac, np.full(180, 40.0)),
            time_s=np.append(log.time_s, log.time_s[-1] + 60.0 + np.arange(180.0)), swath_m=np.full(count, SWATH_M),
        )
    )  # fmt: skip
    names = np.array(["", *FILTERS])[told.reason]
    assert np.mean(names[-175:-5] == "swath-overlap") > 0.95
    assert (names[: len(log)] != "swath-overlap").all()


def test_short_pass_is_left_out(field: np.ndarray) -> None:
    """A stray bit of three records in a corner is too short to be a pass."""
    log = _driven(field)
    stray = np.array([(2.0, 2.0), (3.0, 2.0), (4.0, 2.0)])
    told = clean(
        _changed(
            log, coordinates_m=np.vstack([log.coordinates_m, stray]),
            yield_bu_ac=np.append(log.yield_bu_ac, [200.0] * 3),
            time_s=np.append(log.time_s, log.time_s[-1] + 100.0 + np.arange(3.0)), swath_m=None,
        )
    )  # fmt: skip
    assert told.removed()["short-pass"] == 3
    assert told.swath_m == pytest.approx(SWATH_M, abs=0.3)
    (assumed,) = (one for one in told.findings if one.code == "surface.swath-assumed")
    assert assumed.quantities["width"].value == pytest.approx(9.0 / 0.3048, abs=0.2)


def test_every_filter_names_its_source() -> None:
    """A filter names where it is described, or that nothing is; the words for it are in the catalogue."""
    assert len(FILTERS) == 9
    for key, source in FILTERS.items():
        assert "(19" in source or "(20" in source or "common practice" in source
        assert {f"filter-{key}", f"does-{key}"} <= set(SENTENCES)


def test_block_means_average_along_the_pass(field: np.ndarray) -> None:
    """Stretches of 5 m hold three or four records of one pass, and keep the pass's mean."""
    log = _driven(field)
    passes = passes_of(log)
    points, mean, run = block_means(passes, log.yield_bu_ac)
    assert len(points) == pytest.approx(33 * 60, rel=0.05)
    for of_pass in (0, 17):
        rows = passes.run == of_pass
        assert mean[run == of_pass].mean() == pytest.approx(log.yield_bu_ac[rows].mean(), abs=1.5)
        assert points[run == of_pass, 0] == pytest.approx(
            np.full((run == of_pass).sum(), SWATH_M * (of_pass + 0.5)), abs=0.1
        )


def test_pass_offsets_are_found(field: np.ndarray) -> None:
    """Offsets of ± 15 bu/ac from pass to pass are told; where there are none, next to none are told."""
    flat, rough = _driven(field), _driven(field, offset_sd=15.0)
    for log, least in ((flat, None), (rough, 0.85)):
        points, mean, run = block_means(passes_of(log), log.yield_bu_ac)
        offset, left = pass_offsets(points, mean, run, reach_m=3 * SWATH_M)
        truth = np.bincount(passes_of(log).run, log.yield_bu_ac - flat.yield_bu_ac) / np.bincount(passes_of(log).run)
        if least is None:
            assert offset.std() < 3.0
        else:
            assert np.corrcoef(offset, truth)[0, 1] > least
            missed = np.std(offset - truth)
            assert missed < 0.5 * truth.std()
            assert 0.5 < missed / np.sqrt(left) < 2.0


def test_yield_potential_is_near_the_field(field: np.ndarray) -> None:
    """Delay, offsets, noise and spoiled records taken out: relative yield near the truth, its error stated honestly."""
    log = _driven(field, delay=10, offset_sd=10.0, noise=8.0)
    rng = np.random.default_rng(3)
    yields = log.yield_bu_ac.copy()
    yields[rng.random(len(log)) < 0.01] *= 2.5
    log = _changed(log, yield_bu_ac=yields)
    made = yield_potential(_layer(log), GRID)
    truth = field / field.mean()
    missed = made.surface.values - truth
    known = np.isfinite(missed)
    assert known.mean() > 0.98
    assert np.nanmean(made.surface.values) == pytest.approx(1.0, abs=1e-9)
    assert np.sqrt(np.mean(missed[known] ** 2)) < 0.4 * truth.std()
    assert 0.8 <= np.mean(np.abs(missed[known]) <= 1.6449 * made.surface.se[known]) <= 0.97
    uncleaned = np.full(GRID.shape, np.nan)
    row, col, _ = GRID.cells_of(log.coordinates_m)
    uncleaned[row, col] = log.yield_bu_ac / log.yield_bu_ac.mean()
    some = np.isfinite(uncleaned)
    assert np.mean(missed[known] ** 2) < 0.3 * np.mean((uncleaned - truth)[some] ** 2)
    of_log = made.surface.choice.harvests[0].logs[0]
    assert (of_log.delay_records, of_log.records) == (10, len(log))
    assert of_log.kept + sum(of_log.removed.values()) == len(log)
    assert made.removed.sum() == sum(of_log.removed.values())
    assert "surface.one-season" in [one.code for one in made.surface.findings]
    assert made.surface.choice.years_alike is None


@pytest.mark.parametrize("seed", range(6))
def test_no_delay_is_made_up_from_noise(seed: int) -> None:
    """Over ground that yields the same everywhere nothing tells a delay, and none is taken out."""
    log = _driven(np.full(GRID.shape, 200.0), noise=8.0, seed=seed)
    steps, found = flow_delay(passes_of(log), log.yield_bu_ac[passes_of(log).record], about="log.csv")
    assert steps == 0
    assert found.code == "surface.delay-none"


def test_seasons_are_combined_robustly(field: np.ndarray) -> None:
    """Three seasons, one of them upside down: the middle one speaks, and the disagreement is in the error."""
    good = [_driven(field, seed=k, season=2020 + k) for k in range(2)]
    odd = _driven(field.max() + field.min() - field, seed=5, season=2022)
    made = yield_potential(_layer(*good, odd), GRID)
    truth = field / field.mean()
    assert list(made.seasons) == ["2020", "2021", "2022"]
    assert made.surface.chosen == "harvest logs of 3 seasons"
    assert np.corrcoef(made.surface.values.ravel(), truth.ravel())[0, 1] > 0.9
    two = yield_potential(_layer(*good), GRID)
    assert np.nanmean(made.surface.se) > np.nanmean(two.surface.se)
    pairs = np.corrcoef([one.ravel() for one in made.seasons.values()])[np.triu_indices(3, 1)]
    alike = [one.surface.choice.years_alike if one.surface.choice else None for one in (made, two)]
    assert alike == pytest.approx([pairs.mean(), pairs[0]])
    assert pairs[0] > 0.8 > 0 > pairs[1]


def test_combination_of_seasons_by_hand() -> None:
    """Two seasons: their mean; three and four: without the highest and lowest; unknown seasons do not count."""
    seasons = np.array([[1.0, 1.0, 0.5], [1.2, 1.1, np.nan], [np.nan, 9.0, np.nan], [np.nan, 0.2, np.nan]])
    mean, se = _combined(seasons, np.full((4, 3), 0.1))
    assert mean == pytest.approx([1.1, 1.05, 0.5])
    # two seasons 0.1 either side of their mean: 0.01 between (sum 0.02 over 2 · 1) and 0.01 of kriging
    assert se[0] == pytest.approx(np.sqrt(0.01 + 0.01))
    assert se[2] == pytest.approx(0.1)
    unknown, _ = _combined(np.full((2, 1), np.nan), np.full((2, 1), np.nan))
    assert np.isnan(unknown).all()


def test_files_of_one_season_are_one_harvest(field: np.ndarray) -> None:
    """A harvest in two files is levelled and kriged as one; a file of no known season stands alone."""
    log = _driven(field)
    half = log.coordinates_m[:, 0] < 150

    def part(rows: np.ndarray, name: str) -> YieldLog:
        return _changed(
            log, source=name, coordinates_m=log.coordinates_m[rows], yield_bu_ac=log.yield_bu_ac[rows],
            time_s=log.time_s[rows], swath_m=log.swath_m[rows],
        )  # fmt: skip

    split = yield_potential(_layer(part(half, "a.csv"), part(~half, "b.csv")), GRID)
    whole = yield_potential(_layer(log), GRID)
    assert len(split.seasons) == 1
    assert np.nanmax(np.abs(split.surface.values - whole.surface.values)) < 0.12
    unnamed = yield_potential(_layer(log, _changed(log, season=None, source="old.csv")), GRID)
    assert list(unnamed.seasons) == ["2023", "old.csv"]


def test_ground_no_harvest_reached_stays_unknown(field: np.ndarray) -> None:
    """A log of the western half says nothing of the east, and says that it covers half."""
    log = _driven(field)
    west = log.coordinates_m[:, 0] < 120
    part = _changed(
        log, coordinates_m=log.coordinates_m[west], yield_bu_ac=log.yield_bu_ac[west], time_s=log.time_s[west],
        swath_m=log.swath_m[west],
    )  # fmt: skip
    surface = layer_on_grid(_layer(part), GRID, name="relative")
    assert np.isnan(surface.values[:, 35:]).all()
    assert np.isfinite(surface.values[:, :22]).all()
    (covers,) = (one for one in surface.findings if one.code == "surface.harvest-covers")
    assert covers.quantities["share"].value == pytest.approx(0.47, abs=0.005)


def test_logs_that_cannot_be_used_are_refused(field: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    """No log, too few records, another system, no compiler: each is named with the way out."""
    log = _driven(field)
    with pytest.raises(InputFileError, match="harvests: there is no harvest log"):
        yield_potential(_layer(), GRID)
    with pytest.raises(CrsMismatchError, match="harvests: layer relative is in EPSG:32616"):
        yield_potential(_layer(log, crs="EPSG:32616"), GRID)
    up = _changed(log, header_down=np.zeros(len(log), dtype=bool))
    with pytest.raises(InputFileError, match=r"harvest_2023.csv: 0 of \d+ harvest records can be used"):
        yield_potential(_layer(up), GRID)
    away = Grid(crs=CRS, west_m=9000.0, north_m=300.0, cell_m=5.0, rows=60, cols=60)
    with pytest.raises(InputFileError, match="no harvest record lies on the field"):
        yield_potential(_layer(log), away)
    monkeypatch.setitem(__import__("sys").modules, "vrn.surface.kernels", None)
    with pytest.raises(MissingExtraError, match="Dense data need numba"):
        yield_potential(_layer(log), GRID)


def test_the_same_log_gives_the_same_bytes(field: np.ndarray) -> None:
    """Nothing in the way from log to surface depends on threads or chance."""
    log = _driven(field, delay=5, offset_sd=5.0)
    first, second = (yield_potential(_layer(log), GRID).surface for _ in range(2))
    assert first.values.tobytes() == second.values.tobytes()
    assert first.se.tobytes() == second.se.tobytes()

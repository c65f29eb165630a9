"""GeoParquet of a season, read back by a database that wrote none of it."""

import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.files.tables import write_layers
from vrn.many.book import Entry, record_build
from vrn.many.book_events import record_outcome
from vrn.model.season import Outcome

Run = Callable[..., subprocess.CompletedProcess[str]]
GROUND = [shapely.box(-94.0 + 0.002 * k, 42.0, -93.998 + 0.002 * k, 42.004) for k in range(2)]


def _entry(root: Path, name: str, *, metric: bool = False) -> Entry:
    """80 acres in two zones at 90 and 120 lb N/ac, with three samples in its folder."""
    folder = root / "rx" / name
    folder.mkdir(parents=True)
    depth = {"top_cm": 0.0, "bottom_cm": 30.48} if metric else {"top_in": 0.0, "bottom_in": 12.0}
    columns = {"sample_id": np.array(["a", "b", "c"], dtype=object), "nitrate_ppm": np.array([8.0, 14.0, 20.0]),
               **{key: np.full(3, value) for key, value in depth.items()}}  # fmt: skip
    points = [shapely.Point(500_000.0 + 10 * k, 4_650_000.0) for k in range(3)]
    write_layers(folder / "layers.gpkg", [("samples", "Point", points, columns)], "EPSG:32615", date(2026, 6, 12))
    features = []
    for zone, rate in ((1, 90.0), (2, 120.0)):
        rates = {"rate_n_kg_ha": rate * 1.120851156, "area_ha": 16.1874257} if metric else {
            "rate_n_lb_ac": rate, "acres": 40.0}  # fmt: skip
        features.append({"type": "Feature", "geometry": shapely.geometry.mapping(GROUND[zone - 1]), "properties": {
            "zone": zone, "rate_product": 26.0, "rate_unit": "gal/ac", **rates}})  # fmt: skip
    said = [{"zone": zone, "nitrate_ppm": 10.0 * zone, "need_lb_ac": 150.0 - 30 * zone} for zone in (1, 2)]
    summary = {"id": f"rx-{name}", "approved": True, "acres": 80.0, "zones": said, "total_n_lb": 8400.0,
               "units": "metric" if metric else "us", "product": {"name": "UAN 32", "unit": "gal"}}  # fmt: skip
    return Entry(field=name, field_file=str(root / name / "field.toml"), folder=str(folder), status="built",
                 season=2026, summary=summary, outlines=features, key=f"id-{name}", grower="Olsen",
                 recorded_at="2026-06-12T12:00:00+00:00", signature={"name": "R. Vance"})  # fmt: skip


def test_a_database_reads_zones_rates_readings_and_as_applied(run_vrn: Run, tmp_path: Path) -> None:
    """DuckDB finds the book's own numbers in trade units, on the ground they belong to."""
    pytest.importorskip("pyarrow", reason="the extra parquet is not installed")
    duckdb = pytest.importorskip("duckdb", reason="DuckDB is not installed")
    book, out = tmp_path / "season.db", tmp_path / "layers"
    gone = replace(_entry(tmp_path, "gone"), folder=str(tmp_path / "nowhere"))
    record_build(book, _entry(tmp_path, "ash"), _entry(tmp_path, "elm", metric=True), gone)
    applied = Outcome(field="ash", season=2026, key="id-ash", what="applied_n_lb", value=3640.0, zone=1,
                      on=date(2026, 6, 15))  # fmt: skip
    record_outcome(book, applied, replace(applied, zone=2, value=4840.0), replace(applied, zone=0, value=5.0))
    done = run_vrn("season", book, "--on", "2026-06-16", "--parquet", out)
    assert done.returncode in (0, 1), done.stderr
    assert "gone" in done.stdout.split("readings")[1]

    def ask(query: str) -> list[tuple[Any, ...]]:
        with duckdb.connect() as base:
            return base.execute(query.replace("@", f"{out}/")).fetchall()

    rates = (
        "SELECT field, sum(rate_n_lb_ac), count(*), min(prescription), min(signed_by) FROM '@rates.parquet' GROUP BY 1"
    )
    assert sorted((name, round(rate, 4), *rest) for name, rate, *rest in ask(rates)) == [
        (name, 210.0, 2, f"rx-{name}", "R. Vance") for name in ("ash", "elm", "gone")]  # fmt: skip
    need = "SELECT sum(acres), sum(acres * need_lb_ac) / sum(acres), max(nitrate_ppm) FROM '@zones.parquet'"
    ((acres, mean, most),) = ask(need)
    assert (round(acres, 3), round(mean, 4), most) == (240.0, 105.0, 20.0)
    depths = ("SELECT field, avg(nitrate_ppm), round(avg(bottom_in), 6), count(*) FROM '@readings.parquet'"
              " GROUP BY 1 ORDER BY 1")  # fmt: skip
    assert ask(depths) == [("ash", 14.0, 12.0, 3), ("elm", 14.0, 12.0, 3)]
    laid = "SELECT zone, value, value_per_ac, planned_n_lb_ac FROM '@as_applied.parquet' ORDER BY zone"
    assert ask(laid) == [(0, 5.0, None, None), (1, 3640.0, 91.0, 90.0), (2, 4840.0, 121.0, 120.0)]
    ((geo,),) = ask("SELECT value FROM parquet_kv_metadata('@zones.parquet') WHERE key = 'geo'")
    assert b'"version": "1.1.0"' in bytes(geo)
    import geopandas

    zones = geopandas.read_parquet(out / "zones.parquet")
    assert [shape.equals(GROUND[k % 2]) for k, shape in enumerate(zones.geometry)] == [True] * 6
    assert zones.crs == "EPSG:4326"
    run_vrn("season", book, "--on", "2026-06-13", "--parquet", tmp_path / "before")
    assert ask(laid.replace("@", f"{tmp_path}/before/")) == []
    first = {path.name: path.read_bytes() for path in out.iterdir()}
    run_vrn("season", book, "--on", "2026-06-16", "--parquet", out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == first

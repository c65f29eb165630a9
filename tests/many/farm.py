"""A made-up farm whose truth is known: fields, a pass over them, a harvest, all as files that the commands read."""

import csv
import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pyproj
import shapely

from tests.audit.log_writer import GAL_AC, Det, Record, device, write_task_data

FT = 0.3048
CORNER = (500_000.0, 4_700_000.0)  # on the middle line of its system: grid north is north
CRS = "EPSG:32615"
_BACK = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
TRIAL = "[trial]\nblocks = 2\nharvest_width_ft = 30\n"


@dataclass
class MadeField:
    """A field of ``wide`` by ``deep`` feet, driven north and south, and what its corn answers to."""

    name: str
    folder: Path
    wide: float = 1200.0
    deep: float = 1900.0
    nitrate_ppm: tuple[float, float] = (8.0, 20.0)  # west, east
    east_m: float = 0.0  # of its corner from the farm's
    seed: int = 0
    chance: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.chance = np.random.default_rng(self.seed)

    def places(self, x_ft: np.ndarray, y_ft: np.ndarray) -> np.ndarray:
        """Longitude and latitude of feet from the corner, shape (n, 2)."""
        lon, lat = _BACK.transform(CORNER[0] + self.east_m + np.asarray(x_ft) * FT, CORNER[1] + np.asarray(y_ft) * FT)
        return np.column_stack([lon, lat])

    def ppm(self, x_ft: np.ndarray) -> np.ndarray:
        """Nitrate in the top foot: west and east half."""
        return np.where(np.asarray(x_ft) < self.wide / 2, *self.nitrate_ppm)

    def write(self, season: int, more: str = "") -> Path:
        """The field's folder for a season; returns the field file."""
        self.folder.mkdir(parents=True, exist_ok=True)
        ring = self.places(np.array([0, self.wide, self.wide, 0, 0]), np.array([0, 0, self.deep, self.deep, 0]))
        outline = {"type": "Polygon", "coordinates": [ring.tolist()]}
        collection = {"type": "FeatureCollection", "features": [
            {"type": "Feature", "properties": {"name": self.name}, "geometry": outline}]}  # fmt: skip
        (self.folder / "boundary.geojson").write_text(json.dumps(collection), encoding="utf-8")
        x, y = (grid.ravel() for grid in np.meshgrid(np.arange(100, self.wide, 200), np.arange(100, self.deep, 200)))
        ppm = self.ppm(x) + self.chance.normal(0, 0.6, len(x))
        with (self.folder / "samples.csv").open("w", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(["sample_id", "longitude", "latitude", "top_in", "bottom_in", "nitrate_ppm", "sampled_on"])
            for k, ((lon, lat), value) in enumerate(zip(self.places(x, y), ppm, strict=True)):
                rows.writerow([f"s{k}", f"{lon:.7f}", f"{lat:.7f}", 0, 12, f"{value:.1f}", f"{season}-06-08"])
        path = self.folder / f"field_{season}.toml"
        path.write_text(
            f'[field]\nname = "{self.name}"\nseason = {season}\nboundary = "boundary.geojson"\ncell_m = 10\n'
            '[crop]\nyield_goal_bu_ac = 200\ngrowth_stage = "V7"\n'
            '[samples]\nfile = "samples.csv"\nreported_as = "NO3-N"\nmoisture_basis = "dry"\n'
            "[layers.organic_matter]\nvalue_pct = 3.0\n"
            "[machine]\nswath_ft = 60\nheading_deg = 0\nmin_rate_n_lb_ac = 20\nmax_rate_n_lb_ac = 220\n"
            '[product]\nname = "UAN 32"\nrate_basis = "n"\n[limits]\nmax_n_lb_ac = 220\n' + more,
            encoding="utf-8",
        )
        return path

    def drive(self, out: Path, log: Path, *, off: float = 2.0) -> None:
        """What the applicator recorded: a point every 12 ft of each 60-ft pass, its rate off by a little."""
        x, y = (grid.T.ravel() for grid in np.meshgrid(np.arange(30, self.wide, 60), np.arange(6, self.deep, 12)))
        rate = np.maximum(self.planned(out, x, y) + self.chance.normal(0, off, len(x)), 0)
        with log.open("w", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(["longitude", "latitude", "rate_n_lb_ac", "width_ft"])
            rows.writerows([f"{lon:.7f}", f"{lat:.7f}", f"{one:.2f}", 60]
                           for (lon, lat), one in zip(self.places(x, y), rate, strict=True))  # fmt: skip

    def drive_iso(self, out: Path, folder: Path, *, off: float = 2.0) -> None:
        """The same as the terminal's own log (ISO 11783-10), to and fro at 8 mph, with the rate by volume."""
        totals = json.loads((out / "summary.json").read_text(encoding="utf-8"))
        raw_per_n = GAL_AC * totals["total_product"] / totals["total_n_lb"]
        y, records, second = np.arange(6, self.deep, 12), [], 0.0
        for number, x in enumerate(np.arange(30, self.wide, 60)):
            along = y if number % 2 == 0 else y[::-1]
            rates = np.maximum(self.planned(out, np.full(len(y), x), along) + self.chance.normal(0, off, len(y)), 0)
            places = self.places(np.full(len(y), x), along)
            for place, rate in zip(places, [*rates[:-1], 0.0], strict=True):
                records.append(Record(second, (float(place[0]), float(place[1])), [round(rate * raw_per_n)]))
                second += 1.0
            second += 30.0
        boom = [Det("DET-1", 1, 0), Det("DET-2", 2, 1, "DET-1", {67: 18288})]
        write_task_data(folder, [records], [(2, "DET-2")], [device("DVC-1", boom)])

    def planned(self, out: Path, x_ft: np.ndarray, y_ft: np.ndarray) -> np.ndarray:
        """Rate that the folder asks for at places. [lb N/ac]"""
        lonlat = self.places(x_ft, y_ft)
        found = np.zeros(len(lonlat))
        for one in json.loads((out / "prescription.geojson").read_text(encoding="utf-8"))["features"]:
            inside = shapely.intersects_xy(shapely.geometry.shape(one["geometry"]), *lonlat.T)
            found[inside] = one["properties"]["rate_n_lb_ac"]
        return found

    def harvest(
        self, out: Path, log: Path, season: int, *, top: tuple[float, float], curve: float = 0.0018,
        level: float = 205.0, noise: float = 4.0, heading: str = "along",
    ) -> None:  # fmt: skip
        """What a harvester recorded with a 30-ft head, every 6 ft: yields level off at ``top`` in the west and east."""
        x, y = (grid.T.ravel() for grid in np.meshgrid(np.arange(15, self.wide, 30), np.arange(3, self.deep, 6)))
        if heading == "across":
            y, x = (grid.T.ravel() for grid in np.meshgrid(np.arange(15, self.deep, 30), np.arange(3, self.wide, 6)))
        lane = (y if heading == "across" else x) // 30
        for k in np.unique(lane)[1::2]:  # to and fro
            mine = np.flatnonzero(lane == k)
            x[mine], y[mine] = x[mine][::-1], y[mine][::-1]
        short = np.maximum(np.where(x < self.wide / 2, *top) - self.planned(out, x, y), 0.0)
        ground = 3.0 * np.sin(x / 260.0 + self.seed) * np.cos(y / 330.0)  # soil that no layer shows
        grain = level + ground - curve * short**2 + self.chance.normal(0, noise, len(x))
        start = datetime(season, 10, 4, 9)
        with log.open("w", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(["longitude", "latitude", "yield_bu_ac", "time", "swath_ft"])
            for k, ((lon, lat), bushels) in enumerate(zip(self.places(x, y), grain, strict=True)):
                rows.writerow([f"{lon:.7f}", f"{lat:.7f}", f"{bushels:.1f}", (start + timedelta(seconds=k)).isoformat(),
                               30])  # fmt: skip

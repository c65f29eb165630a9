"""What a capable person writes in an afternoon with general libraries: the whole-tool benchmark's yardstick.

PyKrige for nitrate and organic matter, k-means on the standardised layers, zone means, and a GeoJSON, a shapefile and a
folium map. No checks, no controller files, no report. It shares no code with the package.

Run as ``python plain_script.py FIELD_FOLDER OUT_FOLDER`` on the ordinary demo field.
"""

import sys
from pathlib import Path

import folium
import geopandas
import numpy as np
import pandas as pd
import rasterio.features
import rasterio.transform
import rasterio.warp
import shapely
from affine import Affine
from pykrige.ok import OrdinaryKriging
from sklearn.cluster import KMeans

CRS = "EPSG:32615"
CELL_M = 10.0
ZONES = 4


def main(field: Path, out: Path) -> None:
    """Read, interpolate, cluster, write."""
    boundary = geopandas.read_file(field / "boundary.geojson").to_crs(CRS)
    outline = boundary.union_all()
    west, south, east, north = outline.bounds
    cols, rows = int(np.ceil((east - west) / CELL_M)), int(np.ceil((north - south) / CELL_M))
    transform = Affine(CELL_M, 0.0, west, 0.0, -CELL_M, north)
    x = west + (np.arange(cols) + 0.5) * CELL_M
    y = north - (np.arange(rows) + 0.5) * CELL_M

    def points(name: str, value: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        table = pd.read_csv(field / name)
        frame = geopandas.GeoSeries.from_xy(table["longitude"], table["latitude"], crs="EPSG:4326").to_crs(CRS)
        return frame.x.to_numpy(), frame.y.to_numpy(), table[value].to_numpy(float)

    def krige(name: str, value: str) -> np.ndarray:
        kriging = OrdinaryKriging(*points(name, value), variogram_model="spherical", nlags=12)
        surface, _variance = kriging.execute("grid", x, y)
        return np.asarray(surface)

    nitrate_ppm = krige("samples.csv", "nitrate_ppm")
    om_pct = krige("organic_matter.csv", "om_pct")
    relative_yield = np.full((rows, cols), np.nan)
    with rasterio.open(field / "yield_potential.tif") as raster:
        rasterio.warp.reproject(
            rasterio.band(raster, 1), relative_yield, dst_transform=transform, dst_crs=CRS,
            dst_nodata=np.nan, resampling=rasterio.warp.Resampling.bilinear,
        )  # fmt: skip

    need = 220 * relative_yield * 1.1 * 0.85 - nitrate_ppm * 12 * 0.3059 - om_pct * 20 * 0.69
    inside = rasterio.features.geometry_mask([outline], (rows, cols), transform, invert=True) & np.isfinite(need)
    columns = np.column_stack([nitrate_ppm[inside], om_pct[inside], relative_yield[inside]])
    scaled = (columns - columns.mean(axis=0)) / columns.std(axis=0)
    labels = KMeans(n_clusters=ZONES, n_init=10, random_state=1).fit_predict(scaled)
    zone = np.zeros((rows, cols), dtype="int32")
    zone[inside] = labels + 1
    rates = {k: 5 * round(float(np.clip(need[zone == k].mean(), 30, 180)) / 5) for k in range(1, ZONES + 1)}

    shapes = rasterio.features.shapes(zone, mask=inside, transform=transform)
    frame = geopandas.GeoDataFrame(
        [{"zone": int(value), "geometry": shapely.geometry.shape(polygon)} for polygon, value in shapes], crs=CRS
    )
    zones = frame.dissolve("zone").reset_index()
    zones["geometry"] = zones.intersection(outline)
    zones["rate_n"] = zones["zone"].map(rates)
    zones["acres"] = zones.area / 4046.8564224
    out.mkdir(parents=True, exist_ok=True)
    lonlat = zones.to_crs("EPSG:4326")
    lonlat.to_file(out / "zones.geojson", driver="GeoJSON")
    lonlat.to_file(out / "zones.shp")
    middle = lonlat.union_all().centroid
    page = folium.Map(location=[middle.y, middle.x], zoom_start=15)
    folium.GeoJson(lonlat, tooltip=folium.GeoJsonTooltip(["zone", "rate_n", "acres"])).add_to(page)
    page.save(out / "map.html")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))

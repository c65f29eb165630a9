"""
Coverage-guided fuzzing of every reader, by hand: anything but an answer or a VrnError is a crash.

    python tests/fuzz/fuzz_readers.py geojson -max_total_time=600
    python tests/fuzz/fuzz_readers.py kml corpus_folder -max_total_time=600

Readers: toml, samples, geojson, kml, zip, weather, shapefile, geopackage, raster, excel, yield_log, applied. Each
starts from a sound file of its kind. Wants atheris (``pip install atheris``). A finding becomes a case in
``tests/ingest/spoiled.py``.
"""

import json
import shutil
import sys
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["vrn.ingest", "vrn.model"]):
    from vrn.errors import VrnError
    from vrn.ingest import (
        archive,
        cells,
        covered,
        field_file,
        kml,
        outline,
        points,
        raster,
        read,
        samples,
        season_tables,
        tables,
        vectors,
        yield_log,
    )
    from vrn.ingest.input_files import InputFiles, Source

sys.path.insert(0, str(Path(__file__).parents[1] / "ingest"))
import sound
import spoiled

FOLDER = Path(tempfile.mkdtemp(prefix="fuzz_"))
FIELD = sound.write_field(FOLDER / "field")
SEEDS = FOLDER / "seeds"
SOUND = field_file.settings_from(sound.changed({"weather__file": "w.csv"}))
# imported to be instrumented
_MODULES = (archive, cells, covered, kml, outline, points, raster, read, samples, tables, yield_log)


def _in_memory(name: str) -> Callable[[bytes], None]:
    """A vector file that never touches the disk, taken as far as an outline."""

    def target(data: bytes) -> None:
        files = InputFiles(FIELD)
        source = Source(path=FIELD / name, name=name, key="field.boundary", data=data, inner=name)
        features = vectors.read_features(files, source)
        outline.areas_in_field(files, source, features, None, "EPSG:32615")

    return target


def _toml(data: bytes) -> None:
    """The field file alone."""
    path = FIELD / "fuzzed.toml"
    path.write_bytes(data)
    field_file.read_settings(path)


def _in_field(name: str, **changes: object) -> Callable[[bytes], None]:
    """One file of a sound field."""

    def target(data: bytes) -> None:
        (FIELD / name).write_bytes(data)
        read.read_field(path)

    path = sound.write_toml(FIELD, changes)
    return target


def _samples(data: bytes) -> None:
    """The samples alone."""
    (FIELD / "samples.csv").write_bytes(data)
    samples.read_samples(InputFiles(FIELD), SOUND, "EPSG:32615")


def _weather(data: bytes) -> None:
    """The weather alone."""
    (FIELD / "w.csv").write_bytes(data)
    season_tables.read_weather(InputFiles(FIELD), SOUND)


def _shapefile() -> Callable[[bytes], None]:
    """The .shp of a shapefile whose other parts are sound."""
    import geopandas
    import shapely

    geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(sound.RING)], crs=4326).to_file(FIELD / "b.shp")
    return _in_field("b.shp", field__boundary="b.shp")


def _zip(data: bytes) -> None:
    """The archive alone."""
    (FIELD / "b.zip").write_bytes(data)
    files = InputFiles(FIELD)
    vectors.read_features(files, files.source("b.zip", "field.boundary"))


TARGETS: dict[str, Callable[[], Callable[[bytes], None]]] = {
    "toml": lambda: _toml,
    "geojson": lambda: _in_memory("b.geojson"),
    "kml": lambda: _in_memory("b.kml"),
    "zip": lambda: _zip,
    "samples": lambda: _samples,
    "weather": lambda: _weather,
    "shapefile": _shapefile,
    "geopackage": lambda: _in_field("b.gpkg", field__boundary="b.gpkg"),
    "raster": lambda: _in_field("y.tif", layers__yield_potential={"file": "y.tif"}),
    "excel": lambda: _in_field("s.xlsx", samples__file="s.xlsx"),
    "yield_log": lambda: _in_field("h.csv", layers__yield_potential={"file": "h.csv", "kind": "yield_log"}),
    "applied": lambda: _in_field("a.csv", layers__applied_n={"file": "a.csv", "column": "rate_n_lb_ac"}),
}


def _write_seeds(reader: str) -> None:
    """A sound file of the reader's kind, from which fuzzing starts: nothing gets past a parser by chance alone."""
    ring = " ".join(f"{lon},{lat}" for lon, lat in sound.RING)
    outline = json.dumps(sound.collection(sound.polygon(sound.RING)))
    sky = "date,tmin_f,tmax_f,rain_in\n2026-06-13,50,70,0\n2026-06-14,52,74,0.3\n"
    log = "longitude,latitude,yield_bu_ac,moisture_pct,speed_mph,swath_ft,time_s,header_down,season\n"
    places = [f"{lon},{lat}" for lon, lat in sound.places()]
    harvest = "".join(f"{place},{180 + i},15.5,4.1,30,{i},1,2025\n" for i, place in enumerate(places))
    driven = "".join(f"{place},{100 + i},60\n" for i, place in enumerate(places))
    texts = {
        "toml": sound.toml_text(sound.KEYS), "samples": sound.samples_csv(), "geojson": outline,
        "kml": spoiled._kml(spoiled._kml_ring(ring)), "weather": sky,
        "yield_log": log + harvest,
        "applied": f"longitude,latitude,rate_n_lb_ac,swath_ft\n{driven}",
    }  # fmt: skip
    SEEDS.mkdir()
    seed = SEEDS / "sound"
    if reader in texts:
        seed.write_text(texts[reader], encoding="utf-8")
    elif reader == "zip":
        with zipfile.ZipFile(seed, "w") as packed:
            packed.writestr("b.geojson", outline)
    elif reader == "raster":
        spoiled._raster(seed)
    elif reader == "excel":
        spoiled._workbook(lambda frame: frame)(FIELD)
        seed.write_bytes((FIELD / "june.xlsx").read_bytes())
    else:
        import geopandas
        import shapely

        ending = {"shapefile": "shp", "geopackage": "gpkg"}[reader]
        frame = geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(sound.RING)], crs=4326)
        frame.to_file(FIELD / f"b.{ending}")
        seed.write_bytes((FIELD / f"b.{ending}").read_bytes())


def main() -> None:
    """Fuzz one reader until libFuzzer stops."""
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit(f"usage: fuzz_readers.py {{{','.join(TARGETS)}}} [libFuzzer options]")
    _write_seeds(sys.argv[1])
    target = TARGETS[sys.argv[1]]()  # last, for the field file that names what is fuzzed

    def once(data: bytes) -> None:
        try:
            target(data)
        except VrnError as error:
            if not (error.problem and error.remedy):
                raise

    given = [word for word in sys.argv[2:] if not word.startswith("-")]  # new finds go to the first folder named
    options = [word for word in sys.argv[2:] if word.startswith("-")]
    atheris.Setup([sys.argv[0], *given, str(SEEDS), *options], once)
    try:
        atheris.Fuzz()
    finally:
        shutil.rmtree(FOLDER, ignore_errors=True)


if __name__ == "__main__":
    main()

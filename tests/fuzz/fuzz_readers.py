"""
Coverage-guided fuzzing of every reader, by hand: anything but an answer or a VrnError is a crash.

    python tests/fuzz/fuzz_readers.py geojson -max_total_time=600
    python tests/fuzz/fuzz_readers.py kml corpus_folder -max_total_time=600

Readers: toml, samples, geojson, kml, zip, weather, shapefile, geopackage, raster, excel. Wants atheris (``pip install
atheris``). A finding becomes a case in ``tests/ingest/spoiled.py``.
"""

import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["vrn.ingest", "vrn.field"]):
    from vrn.errors import VrnError
    from vrn.ingest import (
        archive,
        cells,
        field_file,
        geojson,
        kml,
        outline,
        points,
        read,
        samples,
        table,
        vectors,
        weather,
    )
    from vrn.ingest.intake import Intake, Source

sys.path.insert(0, str(Path(__file__).parents[1] / "ingest"))
import sound

FOLDER = Path(tempfile.mkdtemp(prefix="fuzz_"))
FIELD = sound.write_field(FOLDER / "field")
SOUND = field_file.settings_from(sound.changed({"weather__file": "w.csv"}))
_MODULES = (archive, cells, geojson, kml, outline, points, read, samples, table)  # imported to be instrumented


def _in_memory(name: str) -> Callable[[bytes], None]:
    """A vector file that never touches the disk, taken as far as an outline."""

    def target(data: bytes) -> None:
        intake = Intake(FIELD)
        source = Source(path=FIELD / name, name=name, key="field.boundary", data=data, inner=name)
        features = vectors.read_features(intake, source)
        outline.areas_in_field(intake, source, features, None, "EPSG:32615")

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
    samples.read_samples(Intake(FIELD), SOUND.samples, "EPSG:32615")


def _weather(data: bytes) -> None:
    """The weather alone."""
    (FIELD / "w.csv").write_bytes(data)
    weather.read_weather(Intake(FIELD), SOUND)


def _shapefile() -> Callable[[bytes], None]:
    """The .shp of a shapefile whose other parts are sound."""
    import geopandas
    import shapely

    geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(sound.RING)], crs=4326).to_file(FIELD / "b.shp")
    return _in_field("b.shp", field__boundary="b.shp")


def _zip(data: bytes) -> None:
    """The archive alone."""
    (FIELD / "b.zip").write_bytes(data)
    intake = Intake(FIELD)
    vectors.read_features(intake, intake.source("b.zip", "field.boundary"))


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
}


def main() -> None:
    """Fuzz one reader until libFuzzer stops."""
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit(f"usage: fuzz_readers.py {{{','.join(TARGETS)}}} [libFuzzer options]")
    target = TARGETS[sys.argv[1]]()

    def once(data: bytes) -> None:
        try:
            target(data)
        except VrnError as error:
            if not (error.problem and error.remedy):
                raise

    atheris.Setup([sys.argv[0], *sys.argv[2:]], once)
    try:
        atheris.Fuzz()
    finally:
        shutil.rmtree(FOLDER, ignore_errors=True)


if __name__ == "__main__":
    main()

"""Vector files of every kind, read by what they are and not by what they are called."""

from vrn.errors import InputFileError
from vrn.ingest.features import Features
from vrn.ingest.intake import Intake, Source
from vrn.ingest.recognize import recognize


def read_features(intake: Intake, source: Source) -> Features:
    """
    Read a vector file by what it is, not by what it is called.

    Parameters
    ----------
    intake : Intake
    source : Source
        GeoJSON, KML, shapefile or GeoPackage, each also in a zip archive.

    Returns
    -------
    features : Features

    Raises
    ------
    InputFileError
        If it is none of them, is damaged, or holds no feature.
    """
    kind = recognize(source)
    if kind == "zip":
        from vrn.ingest.archive import member_of

        source = member_of(intake, source)
        kind = recognize(source)
    if kind == "geojson":
        from vrn.ingest.geojson import read_geojson

        features = read_geojson(intake, source)
    elif kind == "kml":
        from vrn.ingest.kml import read_kml

        features = read_kml(intake, source)
    elif kind in ("shapefile", "geopackage", "flatgeobuf"):
        from vrn.ingest.ogr import read_with_gdal

        features = read_with_gdal(intake, source, kind)
    else:
        problem = (
            f"{source} ({source.key}): this is a {'raster' if kind == 'raster' else 'table'}, and shapes are needed."
        )
        raise InputFileError(problem, "Give GeoJSON, a shapefile, GeoPackage or KML.")
    if len(features.geometry) == 0:
        problem = f"{source} ({source.key}): the file holds no feature."
        raise InputFileError(problem, "Export it again, or check that the right file is named.")
    return features

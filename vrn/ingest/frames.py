"""A field from frames in memory: each becomes the file it could be, and goes through the checks of every file."""

import hashlib
import json
from collections.abc import Mapping
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from vrn.errors import InputFileError
from vrn.ingest.field_file import settings_from
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.read import read_all
from vrn.model.field import Field

_SHOWN = "Field.from_frames"


class _Frames(InputFiles):
    """Files of one reading, some of them in memory only."""

    def __init__(self, held: Mapping[str, tuple[str, bytes]], *, metric: bool) -> None:
        super().__init__(Path.cwd(), metric=metric)
        self._held = held

    def source(self, name: str, key: str) -> Source:
        """The frame that goes by this name, else the file that does."""
        if name not in self._held:
            return super().source(name, key)
        ending, data = self._held[name]
        self.hashed(name, data)
        return Source(path=self.folder / name, name=name, key=key, data=data, inner=f"{name}{ending}")

    def hashed(self, name: str, data: bytes) -> None:
        """Remember the hash of what was read."""
        self.inputs[name] = hashlib.sha256(data).hexdigest()


def field_from_tables(tables: Mapping[str, Any]) -> Field:
    """
    Read a field whose files may be frames.

    Parameters
    ----------
    tables : mapping
        The tables of a field file; where it names a file, a GeoDataFrame or DataFrame may stand. Paths are relative to
        the working folder.

    Returns
    -------
    field : Field
        ``inputs`` holds the SHA-256 of each frame's content and of the settings.

    Raises
    ------
    InputFileError
        As `read_field` does, and if a frame has no coordinate system.
    """
    held: dict[str, tuple[str, bytes]] = {}
    raw = _without_frames(dict(tables), "", held)
    settings = settings_from(raw, shown=_SHOWN)
    files = _Frames(held, metric=settings.units == "metric")
    files.hashed("settings", json.dumps(raw, sort_keys=True, default=str).encode())
    return read_all(files, settings)


def _without_frames(value: Any, key: str, held: dict[str, tuple[str, bytes]]) -> Any:
    """The same with the name of each frame in its place; numbers as Python has them, nothing for None."""
    if isinstance(value, Mapping):
        inside = {name: item for name, item in value.items() if item is not None}
        return {name: _without_frames(item, f"{key}.{name}".lstrip("."), held) for name, item in inside.items()}
    if isinstance(value, (list, tuple)):
        return [_without_frames(item, f"{key}[{at}]", held) for at, item in enumerate(value, 1)]
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "columns") and hasattr(value, "to_csv"):
        name = _name_of(key)
        held[name] = _content(value, name)
        return name
    return value.item() if hasattr(value, "item") else value


def _name_of(key: str) -> str:
    """``layers.organic_matter.file`` is called organic_matter, ``field.boundary`` boundary."""
    return key.removesuffix(".file").rpartition(".")[2]


def _content(frame: Any, name: str) -> tuple[str, bytes]:
    """Ending and bytes of the file that a frame could be: GeoJSON where it has a geometry, else CSV."""
    if not hasattr(frame, "geometry"):
        return ".csv", frame.to_csv(index=False).encode()
    if frame.crs is None:
        problem = f"{_SHOWN}: {name} has no coordinate system."
        raise InputFileError(problem, 'Set the one it is in, as frame.set_crs("EPSG:4326").')
    own = frame.geometry.name
    frame = frame[[column for column in frame.columns if column == own or str(frame.dtypes[column]) != "geometry"]]
    if frame.crs.to_epsg() is None:
        frame = frame.to_crs("EPSG:4326")
    return ".geojson", frame.to_json(na="null", drop_id=True, default=_text).encode()


def _text(value: Any) -> Any:
    """What JSON has no type for."""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else str(value)

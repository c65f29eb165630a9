"""Shapefile read byte by byte, from the published layout, with no shapefile library."""

import itertools
import struct
from pathlib import Path

import numpy as np
import shapely

from vrn.audit.model import FileZones, UnreadableError

_WIDTHS = (("N", 10, 2), ("N", 4, 0), ("C", 10, 0))  # rate, zone, unit


def read_shapefile(folder: Path, columns: tuple[str, str, str]) -> FileZones:
    """
    Zones of ``RX.SHP`` and its companions.

    Parameters
    ----------
    folder : Path
        Holds ``RX.SHP``, ``RX.SHX``, ``RX.DBF``, ``RX.PRJ``.
    columns : tuple of str
        Names that the rate, zone and unit columns should have.

    Returns
    -------
    zones : FileZones

    Raises
    ------
    UnreadableError
        If a file is missing or cut short.

    References
    ----------
    ESRI Shapefile Technical Description, July 1998: big-endian lengths in 16-bit words, little-endian coordinates,
    shells clockwise. dBASE III table layout.
    """
    content = {}
    for ending in ("SHP", "SHX", "DBF", "PRJ"):
        path = folder / f"RX.{ending}"
        if not path.is_file():
            problem = f"RX.{ending} is missing"
            raise UnreadableError(problem)
        content[ending] = path.read_bytes()
    try:
        shapes, outline_faults = _shapes(content["SHP"])
        fields, rows = _table(content["DBF"])
        index_faults = _index_faults(content["SHX"], content["SHP"], len(shapes))
    except (struct.error, IndexError, ValueError) as error:
        problem = f"the shapefile is cut short or damaged ({error})"
        raise UnreadableError(problem) from error
    faults = [*_column_faults(fields, columns), *outline_faults, *index_faults]
    faults += _prj_faults(content["PRJ"].decode("latin-1"))
    if len(rows) != len(shapes):
        faults.append(("shapefile records", f"{len(shapes)} shapes and {len(rows)} rows"))
    if len(fields) < 3:
        problem = f"the table has {len(fields)} columns, not rate, zone and unit"
        raise UnreadableError(problem)
    pairs = [(row, part) for row, parts in zip(rows, shapes, strict=False) for part in parts]
    try:
        rate = np.array([float(row[0]) for row, _ in pairs])
        zone = np.array([int(float(row[1])) for row, _ in pairs], dtype=np.int64)
    except ValueError as error:
        problem = f"a rate or a zone is no number ({error})"
        raise UnreadableError(problem) from error
    polygons = np.empty(len(pairs), dtype=object)
    polygons[:] = [part for _, part in pairs]
    return FileZones(
        source="shapefile", zone=zone, rate=rate, unit=tuple(row[2].strip() for row, _ in pairs), polygons=polygons,
        crs="EPSG:4326", faults=tuple(faults),
        notes=(("shapefile columns", ", ".join(f"{n} {k}({w},{d})" for n, k, w, d in fields)),
               ("shapefile records", f"{len(shapes)} polygons with their rows")),
    )  # fmt: skip


def _shapes(data: bytes) -> tuple[list[list[shapely.Polygon]], list[tuple[str, str]]]:
    """Polygons of each record, and what is wrong with them."""
    faults = []
    (code,) = struct.unpack(">i", data[:4])
    (words,) = struct.unpack(">i", data[24:28])
    version, kind = struct.unpack("<ii", data[28:36])
    if (code, version, kind) != (9994, 1000, 5):
        problem = f"header {code}/{version}/{kind}, not a polygon shapefile"
        raise ValueError(problem)
    if words * 2 != len(data):
        faults.append(("shapefile records", f"RX.SHP says {words * 2} bytes and has {len(data)}"))
    shapes: list[list[shapely.Polygon]] = []
    at = 100
    counter_clockwise = 0
    while at < len(data):
        number, length = struct.unpack(">ii", data[at : at + 8])
        if number != len(shapes) + 1:
            faults.append(("shapefile records", f"record {len(shapes) + 1} is numbered {number}"))
        body = data[at + 8 : at + 8 + length * 2]
        polygons, wrong_turn = _polygons(body)
        counter_clockwise += wrong_turn
        shapes.append(polygons)
        at += 8 + length * 2
    if counter_clockwise:
        faults.append(("shapefile orientation", f"{counter_clockwise} shells turn counter-clockwise"))
    return shapes, faults


def _polygons(body: bytes) -> tuple[list[shapely.Polygon], int]:
    """Polygons of one record: clockwise rings are shells, the others holes; and how many records have no shell."""
    if struct.unpack("<i", body[:4])[0] == 0:
        return [], 0
    parts, points = struct.unpack("<ii", body[36:44])
    starts = [*struct.unpack(f"<{parts}i", body[44 : 44 + 4 * parts]), points]
    values = struct.unpack(f"<{2 * points}d", body[44 + 4 * parts : 44 + 4 * parts + 16 * points])
    corners = np.array(values).reshape(-1, 2)
    rings = [corners[a:b] for a, b in itertools.pairwise(starts)]
    shells = [ring for ring in rings if _turn(ring) < 0]
    holes = [ring for ring in rings if _turn(ring) >= 0]
    if not shells:
        return [shapely.Polygon(rings[0], rings[1:])], 1
    polygons = []
    for shell in shells:
        area = shapely.Polygon(shell)
        polygons.append(shapely.Polygon(shell, [hole for hole in holes if area.covers(shapely.Polygon(hole))]))
    return polygons, 0


def _turn(ring: np.ndarray) -> float:
    """Twice the signed area: negative when the ring turns clockwise."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def _table(data: bytes) -> tuple[list[tuple[str, str, int, int]], list[list[str]]]:
    """Fields (name, kind, width, decimals) and rows of text of a dBASE table."""
    count, header, length = struct.unpack("<IHH", data[4:12])
    fields = []
    at = 32
    while data[at] != 0x0D:
        name = data[at : at + 11].split(b"\0")[0].decode("ascii")
        fields.append((name, chr(data[at + 11]), data[at + 16], data[at + 17]))
        at += 32
    if len(data) < header + count * length:
        problem = f"the table should hold {count} rows of {length} bytes"
        raise ValueError(problem)
    rows = []
    for number in range(count):
        row = data[header + number * length : header + (number + 1) * length]
        if row[:1] == b"*":
            continue
        place, cells = 1, []
        for _, _, width, _ in fields:
            cells.append(row[place : place + width].decode("ascii"))
            place += width
        rows.append(cells)
    return fields, rows


def _index_faults(index: bytes, shapes: bytes, count: int) -> list[tuple[str, str]]:
    """Where the index does not point at the records."""
    entries = (len(index) - 100) // 8
    if entries != count:
        return [("shapefile records", f"RX.SHX has {entries} entries for {count} shapes")]
    for number in range(entries):
        offset, length = struct.unpack(">ii", index[100 + 8 * number : 108 + 8 * number])
        found = struct.unpack(">ii", shapes[offset * 2 : offset * 2 + 8])
        if found != (number + 1, length):
            return [("shapefile records", f"entry {number + 1} of RX.SHX does not point at its shape")]
    return []


def _column_faults(fields: list[tuple[str, str, int, int]], columns: tuple[str, str, str]) -> list[tuple[str, str]]:
    """Where names and widths are not those asked for."""
    wanted = [
        f"{name} {kind}({width},{decimals})" for name, (kind, width, decimals) in zip(columns, _WIDTHS, strict=True)
    ]
    found = [f"{name} {kind}({width},{decimals})" for name, kind, width, decimals in fields]
    if found in (wanted, [*wanted, "LABEL C(40,0)"]):
        return []
    return [("shapefile columns", f"found {', '.join(found)}; should be {', '.join(wanted)}")]


def _prj_faults(text: str) -> list[tuple[str, str]]:
    """Where the .prj does not say longitude and latitude on WGS 84."""
    squeezed = text.replace(" ", "").upper()
    if squeezed.startswith("PROJCS"):
        return [
            ("shapefile system", "RX.PRJ names a projected system, the file holds longitude and latitude (stale .prj)")
        ]
    if not (squeezed.startswith("GEOGCS") and "WGS_1984" in squeezed and '"GREENWICH",0' in squeezed):
        return [("shapefile system", "RX.PRJ does not say WGS 84 (stale .prj)")]
    return []

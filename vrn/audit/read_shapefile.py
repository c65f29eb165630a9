"""Shapefile read byte by byte, from the published layout, with no shapefile library."""

import itertools
import struct
from pathlib import Path

import numpy as np
import shapely

from vrn.audit.model import Check, FileZones, UnreadableError, failed, passed

_WIDTHS = (("N", 10, 2), ("N", 4, 0), ("C", 10, 0))  # rate, zone, unit


def read_shapefile(folder: Path) -> FileZones:
    """
    Zones of ``RX.SHP`` and its companions.

    Parameters
    ----------
    folder : Path
        Holds ``RX.SHP``, ``RX.SHX``, ``RX.DBF``, ``RX.PRJ``.

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
    checks = [*outline_faults, *index_faults]
    if len(rows) != len(shapes):
        checks.append(failed("audit.shapefile-rows", "shapefile", shapes=len(shapes), rows=len(rows)))
    if not checks:
        checks.append(passed("audit.shapefile-records", "shapefile", shapes=len(shapes)))
    checks += [*_column_checks(fields), *_prj_faults(content["PRJ"].decode("latin-1"))]
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
        zone=zone, rate=rate, unit=tuple(row[2].strip() for row, _ in pairs), polygons=polygons, crs="EPSG:4326",
        checks=tuple(checks), columns=tuple(name for name, *_ in fields[:3]),
    )  # fmt: skip


def _shapes(data: bytes) -> tuple[list[list[shapely.Polygon]], list[Check]]:
    """Polygons of each record, and what is wrong with them."""
    faults = []
    (code,) = struct.unpack(">i", data[:4])
    (words,) = struct.unpack(">i", data[24:28])
    version, kind = struct.unpack("<ii", data[28:36])
    if (code, version, kind) != (9994, 1000, 5):
        problem = f"header {code}/{version}/{kind}, not a polygon shapefile"
        raise ValueError(problem)
    if words * 2 != len(data):
        faults.append(failed("audit.shapefile-length", "shapefile", stated=words * 2, found=len(data)))
    shapes: list[list[shapely.Polygon]] = []
    at = 100
    counter_clockwise = 0
    while at < len(data):
        number, length = struct.unpack(">ii", data[at : at + 8])
        if number != len(shapes) + 1:
            faults.append(failed("audit.shapefile-numbers", "shapefile", record=len(shapes) + 1, stated=str(number)))
        body = data[at + 8 : at + 8 + length * 2]
        polygons, wrong_turn = _polygons(body)
        counter_clockwise += wrong_turn
        shapes.append(polygons)
        at += 8 + length * 2
    if counter_clockwise:
        faults.append(failed("audit.shells-turn-wrong", "shapefile", shells=counter_clockwise))
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


def _index_faults(index: bytes, shapes: bytes, count: int) -> list[Check]:
    """Where the index does not point at the records."""
    entries = (len(index) - 100) // 8
    if entries != count:
        return [failed("audit.shapefile-index-count", "shapefile", entries=entries, shapes=count)]
    for number in range(entries):
        offset, length = struct.unpack(">ii", index[100 + 8 * number : 108 + 8 * number])
        found = struct.unpack(">ii", shapes[offset * 2 : offset * 2 + 8])
        if found != (number + 1, length):
            return [failed("audit.shapefile-index", "shapefile", entry=number + 1)]
    return []


def _column_checks(fields: list[tuple[str, str, int, int]]) -> list[Check]:
    """Whether the three columns, and the labels' after them, have the widths a controller expects."""
    shown = ", ".join(f"{name} {kind}({width},{decimals})" for name, kind, width, decimals in fields)
    sizes = tuple((kind, width, decimals) for _, kind, width, decimals in fields)
    if sizes == _WIDTHS or (sizes == (*_WIDTHS, ("C", 40, 0)) and fields[3][0] == "LABEL"):
        return [passed("audit.shapefile-columns", "shapefile", columns=shown)]
    wanted = ", ".join(f"{kind}({width},{decimals})" for kind, width, decimals in _WIDTHS)
    return [failed("audit.shapefile-widths", "shapefile", columns=shown, wanted=wanted)]


def _prj_faults(text: str) -> list[Check]:
    """Where the .prj does not say longitude and latitude on WGS 84."""
    squeezed = text.replace(" ", "").upper()
    if squeezed.startswith("PROJCS"):
        return [failed("audit.shapefile-projected", "shapefile")]
    if not (squeezed.startswith("GEOGCS") and "WGS_1984" in squeezed and '"GREENWICH",0' in squeezed):
        return [failed("audit.shapefile-no-wgs84", "shapefile")]
    return []

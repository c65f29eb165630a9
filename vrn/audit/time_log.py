"""ISO 11783-10 time logs as their files give them: tasks, device elements, values carried from record to record."""

import re
import struct
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final, NoReturn

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError

Array = NDArray[np.float64]

# attributes of PTN in the order in which they stand in a record, where the template leaves them empty
_POSITION: Final = {"A": "i", "B": "i", "C": "i", "D": "B", "E": "H", "F": "H", "G": "B", "H": "I", "I": "H"}
_VALUE: Final = struct.Struct("<Bi")  # place in the template, value
_DEGREES, _DAY_S = 1e-7, 86_400.0
_WANTED: Final = re.compile(r"TASKDATA\.XML|[A-Z]{3}\d{5}\.XML|TLG\d{5}\.BIN")
_LARGEST: Final = 512_000_000  # bytes of one log
_COPY_AGAIN: Final = "Copy the whole TASKDATA folder from the terminal again."


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """
    One device element.

    Parameters
    ----------
    kind : int
        1 device, 2 function, 3 bin, 4 section, 5 unit, 6 connector, 7 navigation reference.
    parent : str or None
        Name of the element above it.
    properties : dict of int to int
        Entity → value that never changes.
    """

    name: str
    kind: int
    number: int
    device: str
    parent: str | None
    properties: dict[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimeLog:
    """
    Records of one log.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Since 1980-01-01, in the terminal's own time. [s]
    longitude, latitude : ndarray, shape (n,)
        Of the antenna; NaN before the first fix and where it was lost. [°]
    values : dict of (str, int) to ndarray
        Device element and entity → its value, raw, carried on until it changes; NaN before it is first given.
    """

    name: str
    time_s: Array
    longitude: Array
    latitude: Array
    values: dict[tuple[str, int], Array]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """One task: its logs, totals stated beside them (element and entity → raw value), elements coupled together."""

    name: str
    logs: tuple[TimeLog, ...]
    totals: dict[tuple[str, int], int]
    couplings: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaskData:
    """What a TASKDATA folder holds of work done, and the bytes of each file that was read."""

    tasks: tuple[Task, ...]
    elements: dict[str, Element]
    files: dict[str, bytes]


def is_task_data(path: Path) -> bool:
    """Whether a path is a folder, a TASKDATA.XML, or a zip that holds one."""
    if path.is_dir() or path.name.upper() == "TASKDATA.XML":
        return True
    if not path.is_file() or not zipfile.is_zipfile(path):
        return False
    with zipfile.ZipFile(path) as archive:
        return any(PurePosixPath(name).name.upper() == "TASKDATA.XML" for name in archive.namelist())


def read_task_data(path: Path) -> TaskData:
    """
    Read every time log that a TASKDATA folder, or its zip, names.

    Raises
    ------
    InputFileError
        If a file is missing, damaged or cut off, or no task names a log with records.
    """
    files = _contents(path)
    root = _xml("TASKDATA.XML", files)
    tops = [root, *(_xml(f"{part.get('A', '')}.XML".upper(), files) for part in root.iter("XFR"))]
    try:
        elements = {one.name: one for top in tops for device in top.findall("DVC") for one in _elements(device)}
        tasks = tuple(_task(task, files) for top in tops for task in top.findall("TSK"))
    except (ValueError, KeyError) as error:
        _refuse("TASKDATA.XML", f"a task or a device cannot be read ({error}).", _COPY_AGAIN)
    if not any(len(log.time_s) for task in tasks for log in task.logs):
        _refuse(path.name, "no task in it names a time log with records.",
                "Export the finished task from the terminal, with its logs (TLG files).")  # fmt: skip
    return TaskData(tasks=tasks, elements=elements, files=files)


def _refuse(where: str, problem: str, remedy: str) -> NoReturn:
    whole = f"{where}: {problem}"
    raise InputFileError(whole, remedy) from None


def _contents(path: Path) -> dict[str, bytes]:
    """Name in capitals → bytes, of the files beside TASKDATA.XML that a log is made of."""
    if path.is_file() and path.name.upper() == "TASKDATA.XML":
        path = path.parent
    try:
        if path.is_dir():
            inner = next((one for one in path.iterdir() if one.name.upper() == "TASKDATA" and one.is_dir()), path)
            found = {one.name.upper(): one for one in inner.iterdir() if _WANTED.fullmatch(one.name.upper())}
            if sum(one.stat().st_size for one in found.values()) > _LARGEST:
                _refuse(path.name, f"it holds more than {_LARGEST // 1_000_000} MB of logs.", "Give one field's tasks.")
            return {name: one.read_bytes() for name, one in found.items()}
        with zipfile.ZipFile(path) as archive:
            tops = {PurePosixPath(name).parent for name in archive.namelist() if name.upper().endswith("TASKDATA.XML")}
            if len(tops) > 1:
                _refuse(path.name, "it holds more than one TASKDATA.", "Unpack it, and give one of the folders.")
            inside = {PurePosixPath(one.filename).name.upper(): one for one in archive.infolist()
                      if PurePosixPath(one.filename).parent in tops}  # fmt: skip
            wanted = {name: one for name, one in inside.items() if _WANTED.fullmatch(name)}
            if sum(one.file_size for one in wanted.values()) > _LARGEST:
                _refuse(path.name, f"it holds more than {_LARGEST // 1_000_000} MB of logs.", "Give one field's tasks.")
            return {name: archive.read(one) for name, one in wanted.items()}
    except (OSError, RuntimeError, zipfile.BadZipFile, NotImplementedError) as error:
        _refuse(path.name, f"it cannot be read ({error}).", _COPY_AGAIN)


def _xml(name: str, files: dict[str, bytes]) -> ET.Element:
    data = files.get(name)
    if data is None:
        _refuse(name, "it is not there.", _COPY_AGAIN)
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        _refuse(name, "it defines entities, which no terminal does.", _COPY_AGAIN)
    try:
        return ET.fromstring(data)
    except (ET.ParseError, LookupError, ValueError) as error:  # the last two: an encoding that nobody knows
        _refuse(name, f"it is not XML that can be read ({error}).", _COPY_AGAIN)


def _elements(device: ET.Element) -> Iterator[Element]:
    """Device elements of a DVC, with the properties (DPT) they refer to."""
    properties = {one.attrib["A"]: (int(one.attrib["B"], 16), int(one.attrib["C"])) for one in device.findall("DPT")}
    names = {one.attrib["B"]: one.attrib["A"] for one in device.findall("DET")}
    for one in device.findall("DET"):
        mine = [properties[ref.attrib["A"]] for ref in one.findall("DOR") if ref.attrib["A"] in properties]
        yield Element(
            name=one.attrib["A"], kind=int(one.attrib["C"]), number=int(one.attrib["E"]), device=device.attrib["A"],
            parent=names.get(one.attrib["F"]), properties=dict(mine),
        )  # fmt: skip


def _task(task: ET.Element, files: dict[str, bytes]) -> Task:
    totals = {
        (line.attrib["C"], int(line.attrib["A"], 16)): int(line.attrib["B"])
        for time in task.findall("TIM")
        for line in time.findall("DLV")
        if line.get("B")
    }  # the last of several times of work holds the total of the task
    return Task(
        name=task.get("B", task.attrib["A"]), totals=totals,
        logs=tuple(_log(one, files) for one in task.findall("TLG")),
        couplings=tuple((one.attrib["B"], one.attrib["D"]) for one in task.findall("CNN")),
    )  # fmt: skip


def _log(entry: ET.Element, files: dict[str, bytes]) -> TimeLog:
    name = entry.attrib["A"].upper()
    template = _xml(f"{name}.XML", files)
    data = files.get(f"{name}.BIN")
    if data is None:
        _refuse(f"{name}.BIN", "it is not there; its template is.", _COPY_AGAIN)
    if len(data) < int(entry.get("B") or 0):
        _refuse(f"{name}.BIN", f"it has {len(data)} of the {entry.get('B')} bytes that the task states.", _COPY_AGAIN)
    time = template if template.tag == "TIM" else template.find("TIM")
    if time is None:
        _refuse(f"{name}.XML", "it has no TIM, the template of a record.", _COPY_AGAIN)
    place, lines = time.find("PTN"), time.findall("DLV")
    if place is None:
        _refuse(f"{name}.XML", "it has no PTN: the log holds no positions.", "Log again with a GPS receiver connected.")
    stored = [key for key in _POSITION if place.get(key) == ""]
    rows, changes = _records(name, stored, len(lines), data)
    latitude, longitude = (
        rows[:, 2 + stored.index(key)] * _DEGREES if key in stored else rows[:, 0] * float("nan") for key in "AB"
    )
    lost = (np.abs(latitude) > 90) | (np.abs(longitude) > 180) | ((latitude == 0) & (longitude == 0))
    values = {}
    for index, line in enumerate(lines):
        mine = changes[changes[:, 1] == index]
        first = float(line.get("B") or "nan")
        values[line.get("C", ""), int(line.attrib["A"], 16)] = _carried(len(rows), mine[:, 0], mine[:, 2], first)
    return TimeLog(
        name=name, time_s=rows[:, 0] / 1000 + rows[:, 1] * _DAY_S, longitude=np.where(lost, np.nan, longitude),
        latitude=np.where(lost, np.nan, latitude), values=values,
    )  # fmt: skip


def _records(name: str, stored: list[str], values: int, data: bytes) -> tuple[Array, NDArray[np.int64]]:
    """Heads of the records, shape (n, 2 + stored), and changes: record, place in the template, value."""
    head = struct.Struct("<IH" + "".join(_POSITION[key] for key in stored))
    rows: list[tuple[int, ...]] = []
    changes: list[tuple[int, int, int]] = []
    at = 0
    while at < len(data):
        after = at + head.size + 1
        end = after + _VALUE.size * data[after - 1] if after <= len(data) else after
        if end > len(data):
            _refuse(f"{name}.BIN", f"it breaks off inside record {len(rows) + 1}, at byte {len(data)}.", _COPY_AGAIN)
        for index, value in _VALUE.iter_unpack(data[after:end]):
            if index >= values:
                problem = f"record {len(rows) + 1} gives value {index + 1}, and its template lists {values}."
                _refuse(f"{name}.BIN", problem, "The template belongs to another log. " + _COPY_AGAIN)
            changes.append((len(rows), index, value))
        rows.append(head.unpack_from(data, at))
        at = end
    heads = np.array(rows, dtype=np.float64).reshape(len(rows), 2 + len(stored))
    return heads, np.array(changes, dtype=np.int64).reshape(len(changes), 3)


def _carried(count: int, at: NDArray[np.int64], values: NDArray[np.int64], first: float) -> Array:
    """
    Values given where they change, carried on.

    Examples
    --------
    >>> _carried(5, np.array([1, 3]), np.array([7, 9]), float("nan")).tolist()
    [nan, 7.0, 7.0, 9.0, 9.0]
    """
    found = np.concatenate([[first], values.astype(np.float64)])
    latest = np.zeros(count, dtype=np.int64)
    latest[at] = np.arange(1, len(found))
    return np.asarray(found[np.maximum.accumulate(latest)])

"""A small writer of ISO 11783-10 time logs, and a reader by struct that shares nothing with vrn's."""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np

from vrn.model.grid import transformer
from vrn.prescription.drive import Drive

START = datetime(2026, 6, 16, 13, 5)
GAL_AC, LB_AC = 93539.56229, 112.0851156  # 0.01 mm³/m² in a gal/ac, mg/m² in a lb/ac (231 in³, 0.45359237 kg)


@dataclass(frozen=True)
class Det:
    """Device element: id, type, element number, id of the one above it, constant properties."""

    name: str
    kind: int
    number: int
    above: str | None = None
    fixed: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Record:
    """Seconds since the start, longitude and latitude (None: no fix), value of each line (None: not sent)."""

    second: float
    place: tuple[float, float] | None
    values: Sequence[int | None]


def device(name: str, elements: Sequence[Det], first_object: int = 1) -> str:
    """A DVC with its elements and properties."""
    objects = {one.name: first_object + k for k, one in enumerate(elements)}
    dets, dpts, number = "", "", 1000
    for one in elements:
        refs = ""
        for entity, value in one.fixed.items():
            refs += f'<DOR A="{number}"/>'
            dpts += f'<DPT A="{number}" B="{entity:04X}" C="{value}"/>'
            number += 1
        above = 0 if one.above is None else objects[one.above]
        dets += f'<DET A="{one.name}" B="{objects[one.name]}" C="{one.kind}" E="{one.number}" F="{above}">{refs}</DET>'
    return f'<DVC A="{name}" B="made" D="0000000000000000" F="00000000000000" G="FF000000000000">{dets}{dpts}</DVC>'


def log_bytes(records: Iterable[Record], *, ptn: str = "ABD") -> bytes:
    """The binary of a log: values only where they change."""
    sizes = {"A": "i", "B": "i", "C": "i", "D": "B", "E": "H", "F": "H", "G": "B", "H": "I", "I": "H"}
    made, last = bytearray(), {}
    days = (START - datetime(1980, 1, 1)).days
    for one in records:
        ms = (START.hour * 3600 + START.minute * 60) * 1000 + round(one.second * 1000)
        east, north = one.place or (0.0, 0.0)
        known = {"A": round(north * 1e7), "B": round(east * 1e7), "C": 250_000, "D": 4 if one.place else 0, "E": 11,
                 "F": 9, "G": 14, "H": ms, "I": days}  # fmt: skip
        made += struct.pack("<IH", ms % 86_400_000, days + ms // 86_400_000)
        for key in ptn:
            made += struct.pack("<" + sizes[key], known[key])
        sent = [(k, value) for k, value in enumerate(one.values) if value is not None and last.get(k) != value]
        last |= dict(sent)
        made += struct.pack("<B", len(sent))
        for k, value in sent:
            made += struct.pack("<Bi", k, value - (1 << 32) if value >= 1 << 31 else value)
    return bytes(made)


def template(lines: Sequence[tuple[int, str]], *, ptn: str = "ABD") -> str:
    """The template of a log."""
    keys = " ".join(f'{key}=""' for key in ptn)
    rows = "".join(f'<DLV A="{entity:04X}" B="" C="{name}"/>' for entity, name in lines)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<TIM A="" D="4"><PTN {keys}/>{rows}</TIM>'


def write_task_data(
    folder: Path,
    logs: Sequence[Sequence[Record]],
    lines: Sequence[tuple[int, str]],
    devices: Sequence[str],
    *,
    ptn: str = "ABD",
    external: bool = False,
    inside: str = "",
    name: str = "Sidedress",
    beside_each: str = "",
) -> Path:
    """A TASKDATA folder with one task; ``external`` moves device and task into files of their own."""
    folder.mkdir(parents=True)
    numbers = range(1, len(logs) + 1)
    tlgs = beside_each.join(f'<TLG A="TLG{k:05d}" C="1"/>' for k in numbers)
    task = f'<TSK A="TSK-1" B={quoteattr(name)} G="4">{inside}{tlgs}</TSK>'
    head = ('<?xml version="1.0" encoding="UTF-8"?>\n<ISO11783_TaskData VersionMajor="4" VersionMinor="2" '
            'ManagementSoftwareManufacturer="none" ManagementSoftwareVersion="0" TaskControllerManufacturer="none" '
            'TaskControllerVersion="0" DataTransferOrigin="2">')  # fmt: skip
    body = "".join(devices) + task
    if external:
        (folder / "DVC00000.XML").write_text(f"<XFC>{''.join(devices)}</XFC>", encoding="utf-8")
        (folder / "TSK00000.XML").write_text(f"<XFC>{task}</XFC>", encoding="utf-8")
        body = '<XFR A="DVC00000" B="1"/><XFR A="TSK00000" B="1"/>'
    (folder / "TASKDATA.XML").write_text(f"{head}{body}</ISO11783_TaskData>", encoding="utf-8")
    for k, records in enumerate(logs, start=1):
        (folder / f"TLG{k:05d}.XML").write_text(template(lines, ptn=ptn), encoding="utf-8")
        (folder / f"TLG{k:05d}.BIN").write_bytes(log_bytes(records, ptn=ptn))
    return folder


def read_by_struct(data: bytes, ptn: str, lines: int) -> list[tuple[int, int, dict[str, int], list[int | None]]]:
    """Every record as milliseconds, days, position as stored, and each line's value carried on."""
    at, last, found = 0, [None] * lines, []
    width = {"A": 4, "B": 4, "C": 4, "D": 1, "E": 2, "F": 2, "G": 1, "H": 4, "I": 2}
    while at < len(data):
        ms, days = int.from_bytes(data[at : at + 4], "little"), int.from_bytes(data[at + 4 : at + 6], "little")
        at += 6
        place = {}
        for key in ptn:
            place[key] = int.from_bytes(data[at : at + width[key]], "little", signed=key in "ABC")
            at += width[key]
        count, at = data[at], at + 1
        for _ in range(count):
            last[data[at]] = int.from_bytes(data[at + 1 : at + 5], "little", signed=True)
            at += 5
        found.append((ms, days, place, list(last)))
    return found


def condensed(states: Sequence[bool], word: int = 0) -> int:
    """Two bits for each of sixteen sections; 11 where there is none."""
    return sum(
        (int(states[k]) if k < len(states) else 3) << (2 * (k - 16 * word)) for k in range(16 * word, 16 * word + 16)
    )


def records_of(driven: Drive, crs: str, *, sections: int, swath_m: float, speed_m_s: float, raw_per_n: float,
               ahead_m: float = 0.0, right_m: float = 0.0) -> list[Record]:  # fmt: skip
    """
    A simulated drive as a terminal would log it: rate, sections on, product so far, one record for each step.

    The antenna is ``ahead_m`` in front of the boom and ``right_m`` to the right of its middle. Lines: actual rate,
    state of the first 16 sections, total in ml. The total counts ground on the field and beyond it alike.
    """
    passes = driven.way.passes
    turn = np.deg2rad(passes.grid_heading_deg)
    along_way, across_way = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
    zero = passes.to_field(np.array(0.0), np.array(0.0))
    away = driven.points_m - zero
    along, across = away @ along_way, away @ across_way
    steps = np.unique(np.round(along, 3))
    step_m = float(np.median(np.diff(steps)))
    row = np.round((along - along.min()) / step_m).astype(int)
    number = np.abs(across[:, None] - passes.across_m[None, :]).argmin(axis=1)
    section = np.floor((across - passes.across_m[number] + swath_m / 2) / (swath_m / sections)).astype(int)
    rate = np.zeros((row.max() + 1, len(passes.across_m), sections))
    np.maximum.at(rate, (row, number, np.clip(section, 0, sections - 1)), driven.applied_n_lb_ac)
    to_degrees = transformer(crs, "EPSG:4326")
    records, places, second, so_far = [], [], 0.0, 0.0
    for k, middle in enumerate(passes.across_m):
        way = 1 if k % 2 == 0 else -1
        order = np.arange(len(rate))[::way]
        for i in [*order, None]:
            last = order[-1]
            start = (
                along.min()
                + ((i if i is not None else last) * step_m)
                + way * step_m * (-0.5 if i is not None else 0.5)
            )
            on = rate[i, k] > 0 if i is not None else np.zeros(sections, dtype=bool)
            on = on[::way]  # sections count from the left of travel
            put = float(rate[i, k].max()) if i is not None else 0.0
            place = zero + start * along_way + middle * across_way
            places.append(place + way * (ahead_m * along_way + right_m * across_way))
            values = (
                round(put * raw_per_n),
                condensed(on.tolist()),
                round(so_far * 1e-5),
            )  # 0.01 mm³/m² on 1 m² are 1e-5 ml
            records.append((second, values))
            second += step_m / speed_m_s
            so_far += put * raw_per_n * float(on.sum()) * swath_m / sections * step_m
        second += 30.0
    lonlat = zip(*to_degrees.transform(*np.array(places).T), strict=True)
    return [Record(second, place, values) for (second, values), place in zip(records, lonlat, strict=True)]


def strip(records: Sequence[Record], *keep: int) -> list[Record]:
    """The same records with some of their lines."""
    return [Record(one.second, one.place, [one.values[k] for k in keep]) for one in records]

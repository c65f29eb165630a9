"""Tasks of several fields in one ISO 11783-10 file set: put together with ids from counters, and taken apart again."""

import copy
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from vrn.errors import OutputError

XML: Final = "TASKDATA.XML"
_ORDER: Final = ("CTR", "FRM", "PFD", "VPN", "PDT", "TSK")
_REFERENCES: Final = {"FRM": "I", "PFD": "EF", "TSK": "CDE", "PDV": "CE"}  # element → attributes that name another's id
_SHARED: Final = ("CTR", "FRM", "VPN", "PDT")  # those alike in all but their id are one


@dataclass(frozen=True, slots=True, kw_only=True)
class OneTask:
    """A task with the customer, farm, field, product and unit that it names, and its grid where it has one."""

    root: ET.Element
    grid: bytes | None

    @property
    def task(self) -> str:
        """Name of the task on the terminal."""
        return self._of("TSK", "B")

    @property
    def place(self) -> tuple[str, str, str]:
        """Customer, farm and field as the terminal lists them."""
        return self._of("CTR", "B"), self._of("FRM", "B"), self._of("PFD", "C")

    @property
    def box_deg(self) -> tuple[float, float, float, float]:
        """West, south, east, north of the field's boundary."""
        points = list(self.root.iterfind("PFD/PLN/LSG/PNT"))
        longitude, latitude = ([float(point.attrib[name]) for point in points] for name in "DC")
        return min(longitude), min(latitude), max(longitude), max(latitude)

    def _of(self, tag: str, attribute: str) -> str:
        element = self.root.find(tag)
        return "" if element is None else element.attrib[attribute]


def tasks_in(files: Mapping[str, bytes]) -> list[OneTask]:
    """The tasks of a ``TASKDATA`` folder, by file name, each with what it names."""
    root = ET.fromstring(files[XML])  # a file of ours, without entities
    by_id = {element.attrib["A"]: element for element in root if element.tag in _ORDER}
    found = []
    for task in root.findall("TSK"):
        named = {task.attrib["A"]}
        waiting = [task]
        while waiting:
            new = {value for _, _, value in _references(waiting.pop())} - named
            named |= new
            waiting += [by_id[name] for name in new]
        part = ET.Element(root.tag, root.attrib)
        part.extend(element for element in root if element.attrib.get("A") in named)
        grid = task.find("GRD")
        found.append(OneTask(root=part, grid=None if grid is None else files[f"{grid.attrib['G']}.BIN"]))
    return found


def task_files(tasks: Sequence[OneTask]) -> dict[str, bytes]:
    """
    Files of one ``TASKDATA`` folder that holds the tasks in their order.

    OutputError where they are of different versions of the standard.
    """
    versions = {tuple(task.root.attrib[f"Version{part}"] for part in ("Major", "Minor")) for task in tasks}
    if len(versions) > 1:
        written = " and ".join(sorted(".".join(version) for version in versions))
        problem = f"The fields are written in different versions of ISO 11783-10 ({written}); a stick holds one."
        raise OutputError(problem, "Give them the same export.iso_version and build again.")
    root = ET.Element(tasks[0].root.tag, tasks[0].root.attrib)
    gathered: dict[str, list[ET.Element]] = {tag: [] for tag in _ORDER}
    grids: dict[str, bytes] = {}
    known: dict[tuple[object, ...], str] = {}
    for one in tasks:
        renamed: dict[str, str] = {}
        for tag in _ORDER:
            for element in one.root.findall(tag):
                _add(copy.deepcopy(element), gathered[tag], renamed, known)
        for grid in gathered["TSK"][-1].findall("GRD"):
            assert one.grid is not None  # the task was read with it
            grid.set("G", f"GRD{len(grids) + 1:05d}")
            grids[f"{grid.attrib['G']}.BIN"] = one.grid
    for elements in gathered.values():
        root.extend(elements)
    return {XML: xml_bytes(root), **grids}


def xml_bytes(root: ET.Element) -> bytes:
    """A task file as it is written: UTF-8, set in by two spaces, a line feed at each end."""
    ET.indent(root, "  ")
    return ('<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n").encode()


def _add(
    element: ET.Element, gathered: list[ET.Element], renamed: dict[str, str], known: dict[tuple[object, ...], str]
) -> None:
    """Put an element among those of its kind under an id of its own, or take the one that is alike."""
    for owner, attribute, value in list(_references(element)):
        owner.set(attribute, renamed[value])
    old = element.attrib["A"]
    alike = (element.tag, *sorted((name, text) for name, text in element.attrib.items() if name != "A"))
    if element.tag in _SHARED and alike in known:
        renamed[old] = known[alike]
        return
    renamed[old] = known[alike] = f"{element.tag}{len(gathered) + 1}"
    element.set("A", renamed[old])
    gathered.append(element)


def _references(element: ET.Element) -> Iterator[tuple[ET.Element, str, str]]:
    """Element, attribute and value wherever another element's id is named."""
    for owner in element.iter():
        for attribute in _REFERENCES.get(owner.tag, ""):
            if attribute in owner.attrib:
                yield owner, attribute, owner.attrib[attribute]


def boxes_apart(one: OneTask, other: OneTask) -> bool:
    """Whether the boundaries of two fields lie apart from each other."""
    west, south, east, north = (pair for pair in zip(one.box_deg, other.box_deg, strict=True))
    return max(west) > min(east) or max(south) > min(north)

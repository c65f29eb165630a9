"""A carrier for the terminal: only what it reads, where it reads it, with the load sheet; nothing else is touched."""

import os
import re
import shutil
from pathlib import Path
from typing import Final

from vrn.errors import OutputError
from vrn.files.staging import move

# in the prescription's folder → at the top of the carrier
_CARRIED: Final = {"TASKDATA": "TASKDATA", "shapefile": "SHAPEFILE", "load_sheet.txt": "LOAD_SHEET.TXT"}
_OWN_TASK: Final = re.compile(r'<ISO11783_TaskData\b(?=[^>]*ManagementSoftwareManufacturer="vrn")'
                              r'(?=[^>]*DataTransferOrigin="1")')  # fmt: skip
_OWN_FILES: Final = {
    "TASKDATA": re.compile(r"TASKDATA\.XML|GRD00001\.BIN", re.IGNORECASE),
    "SHAPEFILE": re.compile(r"RX\.(SHP|SHX|DBF|PRJ)", re.IGNORECASE),
}
_NEW: Final = ".vrn-new"


def refuse_strange_carrier(carrier: Path) -> None:
    """Refuse a carrier that is not there, or on which something of another origin would be replaced.

    A ``TASKDATA`` that a terminal has written to may hold the record of work done: it is never replaced.
    """
    if not carrier.is_dir():
        problem = f"{carrier} is not a folder that is there."
        raise OutputError(problem, "Put the stick in, and give the folder it is mounted at.")
    for name, own in _OWN_FILES.items():
        found = [path.relative_to(carrier / name).as_posix() for path in (carrier / name).rglob("*")]
        strangers = sorted(path for path in found if not own.fullmatch(path))
        if strangers:
            problem = f"{carrier / name} holds files that vrn did not write: {', '.join(strangers[:3])}."
            raise OutputError(problem, f"Copy that {name} folder to a safe place and take it off the stick.")
    task = carrier / "TASKDATA" / "TASKDATA.XML"
    if task.exists() and not _OWN_TASK.search(task.read_text(encoding="utf-8", errors="replace")[:4000]):
        problem = f"{task} was written by other software or by a terminal, and may hold the record of work done."
        raise OutputError(problem, "Copy that TASKDATA folder to a safe place and take it off the stick.")


def write_usb(folder: Path, carrier: Path) -> tuple[Path, ...]:
    """Copy what a terminal reads from a folder that ``vrn.write`` left to a carrier, where the stick is mounted.

    OutputError if the carrier holds something of another origin, or runs full: each of its three entries is then the
    old one or the new one, never half of it.
    """
    refuse_strange_carrier(carrier)
    staged = carrier / _NEW
    try:
        shutil.rmtree(staged, ignore_errors=True)
        staged.mkdir()
        for source, name in _CARRIED.items():
            _copy(folder / source, staged / name)
        for name in _CARRIED.values():
            _replace(staged / name, carrier / name)
    except OSError as error:
        problem = f"{carrier} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Check that the stick is in, has room and is not write-protected.") from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return tuple(carrier / name for name in _CARRIED.values())


def _copy(source: Path, target: Path) -> None:
    """Copy a file, or the files of a folder, and see them onto the stick."""
    if source.is_dir():
        target.mkdir()
        for path in sorted(source.iterdir()):
            _copy(path, target / path.name)
        return
    with target.open("wb") as file:
        file.write(source.read_bytes())
        file.flush()
        os.fsync(file.fileno())


def _replace(new: Path, old: Path) -> None:
    """Put the new entry where the old one stood, by renaming."""
    if old.exists():
        move(old, new.with_name(f"{new.name}.old"))
    move(new, old)

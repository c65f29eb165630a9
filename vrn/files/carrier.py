"""Entries at the top of a carrier, replaced all together or not at all, whatever else lies beside them."""

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from vrn.errors import OutputError
from vrn.files.staging import move

_NEW: Final = ".vrn-new"  # the entries to come
_OLD: Final = ".vrn-old"  # those that were there, while they are laid aside
_ASIDE: Final = ".vrn-aside"  # all of them, while the new ones move in
_GONE: Final = ".vrn-gone"  # all of them, once the new ones are in


def read_entries(carrier: Path, entries: Sequence[str]) -> dict[str, bytes]:
    """Content of every file in the entries, by its path on the carrier; what a run that was cut off left is undone.

    OutputError where the carrier is not there, or cannot be read.
    """
    if not carrier.is_dir():
        problem = f"{carrier} is not a folder that is there."
        raise OutputError(problem, "Put the stick in, and give the folder it is mounted at.")
    with suppress(OSError):  # a carrier that is write-protected can still be read
        _mend(carrier, entries)
    tops = [carrier / name for name in entries]
    paths = [path for top in tops for path in (sorted(top.rglob("*")) if top.is_dir() else [top]) if path.is_file()]
    try:
        return {path.relative_to(carrier).as_posix(): path.read_bytes() for path in paths}
    except OSError as error:
        raise _failure(carrier, error) from error


def replace_entries(
    carrier: Path, files: Mapping[str, bytes], entries: Sequence[str], *, check: Callable[[Path], None]
) -> None:
    """
    Replace entries by files of new content; entries without a new file go away.

    ``check`` is called with a folder that holds the new files, before anything of the old is touched. OutputError, and
    the carrier as it was, if it runs full or cannot be written.
    """
    new, old = carrier / _NEW, carrier / _OLD
    try:
        _mend(carrier, entries)
        new.mkdir()
        for name, content in files.items():
            path = new / name
            path.parent.mkdir(exist_ok=True)
            with path.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        check(new)
        old.mkdir()
        for name in entries:
            if (carrier / name).exists():
                move(carrier / name, old / name)
        move(old, carrier / _ASIDE)
        for name in entries:
            if (new / name).exists():
                move(new / name, carrier / name)
        move(carrier / _ASIDE, carrier / _GONE)
    except OSError as error:
        raise _failure(carrier, error) from error
    finally:
        with suppress(OSError):
            _mend(carrier, entries)


def _mend(carrier: Path, entries: Sequence[str]) -> None:
    """Put the old entries back where a run did not come to its end, and clear away what it left."""
    old, aside = carrier / _OLD, carrier / _ASIDE
    if aside.is_dir():
        for name in entries:
            _clear(carrier / name)
        move(aside, old)
    if old.is_dir():
        for path in old.iterdir():
            move(path, carrier / path.name)
        old.rmdir()
    for left in (carrier / _NEW, carrier / _GONE):
        _clear(left)


def _clear(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _failure(carrier: Path, error: OSError) -> OutputError:
    problem = f"{carrier} cannot be written: {error.strerror or error}."
    return OutputError(problem, "Check that the stick is in, has room and is not write-protected.")

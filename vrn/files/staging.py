"""Everything at once or nothing: staged beside the target, checked, then swapped in by renaming; never over others."""

import errno
import os
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from vrn.errors import OutputError, VrnError

BUILT_FROM: Final = ".built_from.json"  # where the field file is, on this computer: no part of the prescription
_JUNK: Final = (".DS_Store", "Thumbs.db", "desktop.ini", BUILT_FROM)  # and what a desktop leaves behind
_SIDECARS: Final = (".aux.xml", ".gpkg-wal", ".gpkg-shm")  # what a viewer leaves behind
_NEXT_TO_NOTHING: Final = 4_000_000  # bytes free
_TRIES, _AGAIN_S = 20, 0.1  # where files in use by another program cannot be renamed, it mostly lets go of them soon


def write_staged(
    fill: Callable[[Path], None], out_dir: str | Path, *, check: Callable[[Path], Any] | None = None
) -> Path:
    """Fill a folder beside the target, check it, and swap it in; a target that an earlier run wrote is replaced whole.

    ``check`` is called with the staged folder, every file in it; what it raises stops all. OutputError if the folder
    holds files of another origin, another run is writing to it, or it cannot be written. Nothing is changed then.
    """
    target = Path(out_dir).resolve()
    _mend(target)
    _refuse_strangers(target)
    with _staged(target) as staged:
        fill(staged)
        if check is not None:
            check(staged)
        _swap(staged, target)
    return Path(out_dir)


def write_files(files: dict[str, bytes], out_dir: str | Path, *, check: Callable[[Path], Any] | None = None) -> Path:
    """Write outputs that another machine made, by path below the folder, ``summary.json`` among them: all or none."""

    def fill(staged: Path) -> None:
        for name, content in files.items():
            path = staged / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)

    return write_staged(fill, out_dir, check=check)


def write_new_folder(folder: Path, files: Mapping[str, str | bytes | Path]) -> tuple[Path, ...]:
    """Write text or bytes, or copy files, into a folder that is made if need be: all of them or none.

    OutputError, and nothing overwritten, if one is there already or the folder cannot be written.
    """
    there = [name for name in files if (folder / name).exists()]
    if there:
        problem = f"{folder} already holds {' and '.join(there)}."
        raise OutputError(problem, "Give another folder, or move those files away.")
    target = folder.resolve()
    written: list[Path] = []
    try:
        with _staged(target / "new" if target.exists() else target) as staged:
            for name, content in files.items():
                if isinstance(content, Path):
                    shutil.copyfile(content, staged / name)
                else:
                    (staged / name).write_bytes(content.encode() if isinstance(content, str) else content)
            if not target.exists():
                move(staged, target)
            else:
                for name in files:
                    move(staged / name, target / name)
                    written.append(target / name)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise
    return tuple(folder / name for name in files)


def move(source: Path, target: Path) -> None:
    """Rename a file or folder, over a file that is there, with patience for a program that holds it for a moment."""
    for left in range(_TRIES - 1, -1, -1):
        try:
            source.replace(target)
        except PermissionError:
            if not left:
                raise
            time.sleep(_AGAIN_S)
        else:
            return


def note_source(staged: Path, out_dir: Path, sources: Mapping[str, Path], replaces: str | None) -> None:
    """Keep beside a prescription what it was built from, for ``vrn sign``, and the signed one it takes the place of."""
    import json

    target = out_dir.resolve()
    noted = {name: [os.path.relpath(path.resolve(), target), str(path.resolve())] for name, path in sources.items()}
    text = json.dumps({"sources": noted, "replaces": replaces}, indent=1)
    (staged / BUILT_FROM).write_text(text + "\n", encoding="utf-8", newline="\n")


def source_of(folder: Path) -> dict[str, Path]:
    """The files that a folder was built from, where they are still there: beside it, or where they were."""
    import json

    try:
        noted = json.loads((folder / BUILT_FROM).read_text(encoding="utf-8"))["sources"]
        places = {name: [folder.resolve() / near, Path(far)] for name, (near, far) in noted.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
    return {name: next((path for path in tried if path.is_file()), tried[-1]) for name, tried in places.items()}


def replaced_in(folder: Path) -> str | None:
    """Id of the signed prescription that the draft in a folder takes the place of."""
    import json

    try:
        replaces = json.loads((folder / BUILT_FROM).read_text(encoding="utf-8"))["replaces"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return replaces if isinstance(replaces, str) else None


def _staging(target: Path) -> Path:
    return target.parent / f".{target.name}.vrn-new"


def _parked(target: Path) -> Path:
    return target.parent / f".{target.name}.vrn-old"


def _mend(target: Path) -> None:
    """Set right what a run that was cut off between its two renames left: the old folder goes back or away."""
    parked = _parked(target)
    if not parked.is_dir():
        return
    with _explained(target):
        if target.exists():
            shutil.rmtree(parked, ignore_errors=True)
        else:
            move(parked, target)


def _refuse_strangers(target: Path) -> None:
    """Only an empty folder, or one that holds nothing but what an earlier run listed, may be replaced."""
    if not target.exists():
        return
    if not target.is_dir():
        problem = f"{target} is a file."
        raise OutputError(problem, "Give the name of a folder.")
    found = {path.relative_to(target).as_posix() for path in target.rglob("*") if not path.is_dir()}
    strangers = sorted(name for name in found - _listed(target) if not _is_litter(name))
    if strangers:
        shown = ", ".join(strangers[:3]) + (f" and {len(strangers) - 3} more" if len(strangers) > 3 else "")
        problem = f"{target} holds files that vrn did not write: {shown}."
        raise OutputError(problem, "Give another folder, or move those files away.")


def _listed(folder: Path) -> set[str]:
    """Files that the folder's own summary lists, and the summary itself; none without a readable one."""
    import json

    try:
        files = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["files"]
        return {*files, "summary.json"}
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _is_litter(name: str) -> bool:
    return name.rsplit("/", 1)[-1] in _JUNK or name.endswith(_SIDECARS)


@contextmanager
def _staged(target: Path) -> Iterator[Path]:
    """A locked folder beside the target, gone at the end whatever happens."""
    staged = _staging(target)
    with _explained(target):
        staged.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftover(staged)
        staged.mkdir()
    lock = _lock(staged)
    try:
        with _explained(target):
            yield staged
    finally:
        _unlock(lock, staged)
        shutil.rmtree(staged, ignore_errors=True)


def _clear_leftover(staged: Path) -> None:
    """Remove what a run that died left; refuse when that run is alive and holds its lock."""
    if staged.exists():
        _unlock(_lock(staged), staged)
        shutil.rmtree(staged)


def _lock(folder: Path) -> int | None:
    """Hold a folder until its process ends: by the folder itself or, where that cannot be, by a file beside it."""
    try:
        import fcntl
    except ImportError:
        return _lock_file(folder)
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        os.close(handle)
        raise _another_run(folder) from error
    except OSError:  # a network drive without locks
        os.close(handle)
        return None
    return handle


def _lock_file(folder: Path) -> int:
    """A file that Windows lets nobody remove while it is open, and removes itself when its process ends."""
    path = _lock_path(folder)
    try:
        path.unlink(missing_ok=True)
        return os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_TEMPORARY", 0))
    except (PermissionError, FileExistsError) as error:
        raise _another_run(folder) from error


def _lock_path(folder: Path) -> Path:
    return folder.with_name(f"{folder.name}.lock")


def _unlock(handle: int | None, folder: Path) -> None:
    if handle is not None:
        os.close(handle)
    with suppress(OSError):
        _lock_path(folder).unlink(missing_ok=True)


def _another_run(folder: Path) -> OutputError:
    problem = f"Another run is writing to {folder.parent / folder.name[1:].removesuffix('.vrn-new')}."
    return OutputError(problem, "Wait until it is done, or give another folder.")


def _swap(staged: Path, target: Path) -> None:
    """Old folder aside, new one in its place, old one away; an error in between puts the old one back."""
    parked = _parked(target)
    if target.exists():
        move(target, parked)
    try:
        move(staged, target)
    except OSError:
        with suppress(OSError):
            move(parked, target)
        raise
    shutil.rmtree(parked, ignore_errors=True)


@contextmanager
def _explained(target: Path) -> Iterator[None]:
    """The platform's error as one that says what to do."""
    try:
        yield
    except OSError as error:
        problem = f"{target} cannot be written: {error.strerror or error}."
        remedy = "Give a folder you may write to, on a disk with room."
        if target.exists() and isinstance(error, PermissionError):
            remedy = "Close the programs that have its files open, or give another folder."
        raise OutputError(problem, remedy) from error
    except VrnError:
        raise
    except Exception as error:
        # a database library on a full disk speaks of missing tables
        if shutil.disk_usage(target.parent).free > _NEXT_TO_NOTHING:
            raise
        problem = f"{target} cannot be written: {os.strerror(errno.ENOSPC)}."
        raise OutputError(problem, "Give a folder you may write to, on a disk with room.") from error

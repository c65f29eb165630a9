"""A new field folder on disk, never over anything that is there."""

from collections.abc import Mapping
from pathlib import Path

from vrn.errors import OutputError


def write_new_folder(folder: Path, files: Mapping[str, str | bytes]) -> tuple[Path, ...]:
    """
    Write files into a folder, making it if need be.

    Parameters
    ----------
    folder : Path
    files : mapping of str to str or bytes
        Name → text or content.

    Returns
    -------
    written : tuple of Path

    Raises
    ------
    OutputError
        If one of them is there already, or the folder cannot be written; nothing is overwritten.
    """
    there = [name for name in files if (folder / name).exists()]
    if there:
        problem = f"{folder} already holds {' and '.join(there)}."
        raise OutputError(problem, "Give another folder, or move those files away.")
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            with (folder / name).open("xb") as file:
                written.append(folder / name)
                file.write(content.encode() if isinstance(content, str) else content)
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        problem = f"{folder} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Check the path, its permissions and the space left.") from None
    return tuple(written)

"""The three demo fields that travel with the package, and copying one out."""

from importlib.resources import as_file, files
from pathlib import Path

from vrn.errors import InputFileError, OutputError

DEMO_FIELDS = ("cedar_bend", "heron_flat", "mill_race")


def copy_demo(name: str, into: Path) -> Path:
    """Copy a demo field's folder into another; returns its field file.

    OutputError if a file of the same name with other content stands there, or nothing can be written.
    """
    if name not in DEMO_FIELDS:
        problem = f"There is no demo field {name!r}."
        raise InputFileError(problem, f"Take one of {', '.join(DEMO_FIELDS)}.")
    target = into / name
    package = files("vrn")
    # a wheel carries the fields inside the package; a checkout has them beside it
    source = package / "demo_fields" / name
    if not source.is_dir():
        source = package / ".." / "demo_fields" / name
    with as_file(source) as folder:
        originals = {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}
    for file_name, content in originals.items():
        copy = target / file_name
        if copy.exists() and (not copy.is_file() or copy.read_bytes() != content):
            problem = f"{copy} is there already and is not the demo's own."
            raise OutputError(problem, "Give another folder, or move yours away.")
    try:
        target.mkdir(parents=True, exist_ok=True)
        for file_name, content in originals.items():
            (target / file_name).write_bytes(content)
    except OSError as error:
        problem = f"The demo field cannot be copied to {target}: {error.strerror or error}."
        raise OutputError(problem, "Give a folder that you may write to.") from error
    return target / "field.toml"

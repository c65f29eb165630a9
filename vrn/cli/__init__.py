"""Command line: parse, call, print, exit. The only room that prints."""

import codecs
import os
import sys
from contextlib import suppress
from importlib import import_module
from io import TextIOWrapper
from typing import Final

from vrn.cli.app import REFUSED, app, complain
from vrn.door import lighten
from vrn.errors import VrnError

__all__ = ["app", "main"]

# what a console of another code page shows in place of a letter that it lacks
_PLAIN: Final = {"–": "-", "—": "-", "−": "-", "…": "...", "·": "*", "×": "x", "±": "+/-", "≤": "<=", "≥": ">=",
                 "→": "->", "≈": "~", "°": " deg ", "²": "2", "³": "3", "“": '"', "”": '"',
                 "‘": "'", "’": "'"}  # fmt: skip
COMMANDS: Final = {  # command → module
    "backup": "season", "build": "build", "check": "check", "compare": "verify", "demo": "build", "desk": "start",
    "fields": "fields", "harvest": "harvest", "key": "sign", "keys": "reference", "learned": "harvest",
    "methods": "reference", "need": "need", "plan": "plan", "rain": "rain", "season": "season", "show": "verify",
    "sign": "sign", "start": "start", "stick": "sign", "trial": "plan", "verify": "verify",
}  # fmt: skip


def main(argv: list[str] | None = None) -> int:
    """Run the command line: 0 done, 1 done with findings that need a person, 2 refused."""
    # one thread: a field's small matrices lose to the coming and going of a second, and sums keep their order
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _never_fail_on_a_letter()
    try:
        _register(sys.argv[1:] if argv is None else argv)
        status = app(args=argv, standalone_mode=True, prog_name="vrn")
    except SystemExit as stop:
        status = stop.code
    except VrnError as error:
        complain(f"vrn: {error.problem}\n     {error.remedy}")
        return REFUSED
    except KeyboardInterrupt:
        complain("vrn: stopped. Nothing was written.")
        return 130
    return status if isinstance(status, int) else 0


def _never_fail_on_a_letter() -> None:
    """Let a console that lacks a letter show the nearest plain one instead of ending the run."""
    codecs.register_error("vrn-plain", _plain_letters)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="vrn-plain")


def _plain_letters(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    lost = error.object[error.start : error.end]
    return "".join(_PLAIN.get(letter, "?") for letter in lost), error.end


def _register(words: list[str]) -> None:
    """Load the command that is asked for; all of them for help, and to say which there are."""
    for name in words[:1] if words and words[0] in COMMANDS else COMMANDS:
        import_module(f"vrn.cli.{COMMANDS[name]}")
    app.registered_commands.sort(key=lambda command: str(command.name or getattr(command.callback, "__name__", "")))


def run() -> None:
    """Entry point of the ``vrn`` script."""
    if sys.getfilesystemencoding() == "ascii":  # a bare locale, and UTF-8 turned off: no file with an é would open
        os.environ["PYTHONUTF8"] = "1"
        os.execv(sys.executable, [sys.executable, "-X", "utf8", *sys.orig_argv[1:]])  # -I and -E pass the variable over
    lighten()
    status = main()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):  # nobody reads on
            stream.flush()
    os._exit(status)  # what is left goes with the process: taking it apart piece by piece takes as long as the zones

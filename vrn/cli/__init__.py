"""Command line: parse, call, print, exit. The only room that prints."""

import gc
import os
import sys

from vrn.cli import build as _build  # noqa: F401
from vrn.cli import check as _check  # noqa: F401  # registers the command
from vrn.cli import compare as _compare  # noqa: F401
from vrn.cli import demo as _demo  # noqa: F401
from vrn.cli import fields as _fields  # noqa: F401
from vrn.cli import methods as _methods  # noqa: F401
from vrn.cli import need as _need  # noqa: F401
from vrn.cli import plan as _plan  # noqa: F401
from vrn.cli import rain as _rain  # noqa: F401
from vrn.cli import season as _season  # noqa: F401
from vrn.cli import show as _show  # noqa: F401
from vrn.cli import start as _start  # noqa: F401
from vrn.cli import verify as _verify  # noqa: F401
from vrn.cli.app import REFUSED, app, complain
from vrn.errors import VrnError

__all__ = ["app", "main"]


def main(argv: list[str] | None = None) -> int:
    """
    Run the command line.

    Parameters
    ----------
    argv : list of str, optional
        Arguments without the program's name; the process's own when not given.

    Returns
    -------
    status : int
        0 done, 1 done with findings that need a person, 2 refused.
    """
    # one thread: a field's small matrices lose to the coming and going of a second, and sums keep their order
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
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


def run() -> None:
    """Entry point of the ``vrn`` script."""
    gc.set_threshold(20_000, 50, 50)  # a command is soon over: looking for cycles as often as by default costs a sixth
    status = main()
    gc.freeze()  # and what is left goes with the process, without one more look
    sys.exit(status)

"""Report and job ticket set by a second process, whose libraries load while the field is read: same bytes, sooner."""

import os
import pickle
import struct
import subprocess
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Final, Self

if TYPE_CHECKING:
    from vrn.prescription.model import Prescription

_HEAD: Final = struct.Struct("<QQQ")  # bytes of the page, the paper and the ticket, which follow
_CHILD: Final = """
import gc, os, pickle, struct, sys
gc.disable()
ask, tell, sys.stdout = sys.stdin.buffer, sys.stdout.buffer, sys.stderr
sys.path[:] = pickle.load(ask)
from vrn.pages.report_page import load_libraries, reports_of
load_libraries()
papers = reports_of(pickle.load(ask))
tell.write(struct.pack("<QQQ", *map(len, papers)) + b"".join(papers))
tell.flush()
os._exit(0)
"""


class ReportBeside:
    """
    A second process that loads what the report needs, and sets the report of the prescription it is given.

    Whatever goes wrong with it, the report is then set here: what it would say of the prescription is said here too.
    It writes no file, and ends with the block, or with this process.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._asking: threading.Thread | None = None

    def __enter__(self) -> Self:
        """Start it, where there is a second processor to run on."""
        processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
        if processors > 1:
            with suppress(OSError, ValueError):
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _CHILD], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )  # fmt: skip
                self._ask(pickle.dumps(sys.path))
        return self

    def __exit__(self, *_raised: object) -> None:
        """End it, done or not."""
        if self._process is None:
            return
        self._process.kill()
        if self._asking is not None:
            self._asking.join()
        with suppress(OSError), self._process:
            pass

    def begin(self, prescription: "Prescription") -> None:
        """Hand it a prescription, and go on."""
        if self._process is not None:
            with suppress(pickle.PicklingError, AttributeError, TypeError):
                self._asking = threading.Thread(target=self._ask, args=(pickle.dumps(prescription),), daemon=True)
                self._asking.start()

    def finish(self) -> tuple[bytes, bytes, bytes] | None:
        """Wait for page, paper and ticket; None where this process has to set them."""
        if self._process is None or self._asking is None:
            return None
        self._asking.join()
        assert self._process.stdout is not None
        answer = self._process.stdout.read()
        if len(answer) < _HEAD.size:
            return None
        page, paper, ticket = _HEAD.unpack_from(answer)
        if len(answer) != _HEAD.size + page + paper + ticket:
            return None
        rest = answer[_HEAD.size :]
        return rest[:page], rest[page : page + paper], rest[page + paper :]

    def _ask(self, words: bytes) -> None:
        """One write, so that it waits for the other side without holding this one up."""
        assert self._process is not None
        assert self._process.stdin is not None
        with suppress(OSError, ValueError):
            self._process.stdin.write(words)
            self._process.stdin.flush()

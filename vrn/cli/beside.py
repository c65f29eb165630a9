"""The report set by a second process, whose libraries load while the field is read: the same bytes, sooner."""

import os
import pickle
import subprocess
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Final, Self

if TYPE_CHECKING:
    from vrn.prescription.model import Prescription

_CHILD: Final = """
import gc, pickle, sys
gc.disable()
ask, tell, sys.stdout = sys.stdin.buffer, sys.stdout.buffer, sys.stderr
sys.path[:] = pickle.load(ask)
from vrn.export.report_page import load_libraries, reports_of
load_libraries()
tell.write(pickle.dumps(reports_of(pickle.load(ask))))
"""


class ReportBeside:
    """
    A second process that loads what the report needs, and sets the report of the prescription it is given.

    Whatever goes wrong with it, the report is then set here: what it would say of the prescription is said here too.
    It writes no file, and ends with the block, or with this process.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._talk: threading.Thread | None = None
        self._answer = b""

    def __enter__(self) -> Self:
        """Start it, where there is a second processor to run on."""
        processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
        if processors > 1:
            with suppress(OSError, ValueError):
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _CHILD], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )  # fmt: skip
                assert self._process.stdin is not None
                self._process.stdin.write(pickle.dumps(sys.path))
                self._process.stdin.flush()
        return self

    def __exit__(self, *_raised: object) -> None:
        """End it, done or not."""
        if self._process is None:
            return
        self._process.kill()
        if self._talk is not None:
            self._talk.join()
        with suppress(OSError), self._process:
            pass

    def begin(self, prescription: "Prescription") -> None:
        """
        Hand it a prescription, and go on.

        Parameters
        ----------
        prescription : Prescription
        """
        if self._process is not None:
            with suppress(pickle.PicklingError, AttributeError, TypeError):
                words = pickle.dumps(prescription)
                self._talk = threading.Thread(target=self._exchange, args=(self._process, words), daemon=True)
                self._talk.start()

    def finish(self) -> tuple[bytes, bytes] | None:
        """
        Wait for the reports.

        Returns
        -------
        reports : (bytes, bytes) or None
            Page and paper; None where this process has to set them.
        """
        if self._talk is None:
            return None
        self._talk.join()
        try:
            page, paper = pickle.loads(self._answer)
        except (pickle.UnpicklingError, EOFError, ValueError, TypeError):
            return None
        return page, paper

    def _exchange(self, process: subprocess.Popen[bytes], words: bytes) -> None:
        with suppress(OSError, ValueError):
            self._answer, _ = process.communicate(words)

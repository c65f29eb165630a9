"""Errors raised on purpose: each carries a problem and a remedy, and each is a built-in error too.

VrnError
├── InputFileError          (ValueError)    something the user gave cannot be used
├── OutOfRangeError         (ValueError)    a number no field can have
├── CrsMismatchError        (ValueError)    two things in different coordinate systems
├── OutsideCalibrationError (ValueError)    a published method asked to work where it was not calibrated
├── OutputError             (RuntimeError)  the answer cannot be written where it was asked for
└── MissingExtraError       (ImportError)   an optional library is wanted and not installed
"""


class VrnError(Exception):
    """
    Base of every error raised on purpose.

    Parameters
    ----------
    problem : str
        What is wrong, and where (file, row, key).
    remedy : str
        What the reader can do about it.

    Examples
    --------
    >>> error = VrnError("samples.csv row 4: nitrate_ppm is -3.", "Leave the cell empty if it was not tested.")
    >>> error.remedy
    'Leave the cell empty if it was not tested.'
    """

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem, remedy)  # both in args, so the error pickles
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.problem} {self.remedy}"


class InputFileError(VrnError, ValueError):
    """Something the user gave cannot be used."""


class OutOfRangeError(VrnError, ValueError):
    """A number is outside what any field can have."""


class CrsMismatchError(VrnError, ValueError):
    """Two things that must share a coordinate reference system do not."""


class OutsideCalibrationError(VrnError, ValueError):
    """A published method was asked to work where it was not calibrated."""


class OutputError(VrnError, RuntimeError):
    """The answer cannot be written where it was asked for."""


class MissingExtraError(VrnError, ImportError):
    """An optional library is wanted and not installed."""

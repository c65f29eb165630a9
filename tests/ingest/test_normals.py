"""Long-term daily means beside the weather file: temperatures only, one row for each day of the year."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vrn.errors import InputFileError
from vrn.ingest import read_field

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
WEATHER = "date,tmin_f,tmax_f,rain_in\n2026-06-01,58,80,0.1\n2026-06-02,59,82,0\n"


def test_normals_are_read_without_rain(rewrite: Rewrite, put: Put) -> None:
    """°C become °F; rain may be left out; the file is among the inputs."""
    put("weather.csv", WEATHER)
    put("normals.csv", "date,tmin_c,tmax_c\n2001-06-01,15,25\n2001-06-02,16,26\n")
    field = read_field(rewrite(weather={"file": "weather.csv", "normals": "normals.csv"}))
    assert field.normals is not None
    np.testing.assert_allclose(field.normals.tmin_f, [59.0, 60.8])
    assert "normals.csv" in field.inputs
    assert not any("normals" in finding.about for finding in field.findings)


def test_normals_of_two_years_are_refused(rewrite: Rewrite, put: Put) -> None:
    """A record of years is no mean: the remedy says what is wanted."""
    put("weather.csv", WEATHER)
    put("normals.csv", "date,tmin_f,tmax_f\n2001-06-01,58,80\n2002-06-01,57,79\n")
    with pytest.raises(InputFileError, match=r"normals\.csv.*more than one year"):
        read_field(rewrite(weather={"file": "weather.csv", "normals": "normals.csv"}))

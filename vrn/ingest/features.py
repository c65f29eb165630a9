"""What a vector file holds, whatever its kind: a geometry and a row of text cells for each feature."""

import json
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.ingest.table import Table

LONLAT = "EPSG:4326"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """
    What a vector file holds.

    Parameters
    ----------
    geometry : ndarray of shapely.Geometry, shape (n,)
        Two-dimensional; None where a feature has none.
    table : Table
        Its attributes, a row for each feature.
    crs : str
        System of the coordinates; empty when the file does not say.
    """

    geometry: NDArray[np.object_]
    table: Table
    crs: str


def cell_text(value: Any) -> str:
    """A typed value as the text of a table cell; nothing known is the empty text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (float, np.floating)):
        return "" if np.isnan(value) else repr(float(value))
    if isinstance(value, np.datetime64):
        return "" if np.isnat(value) else str(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (dict, list)):
        return json.dumps(value)
    return str(value)

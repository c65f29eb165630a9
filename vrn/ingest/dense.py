"""Thousands of readings of one depth, as a machine on the move makes them: averaged with those beside them."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vrn.ingest.input_files import InputFiles
from vrn.model.samples import SoilSamples

_MOST = 2000  # readings of a depth that a map is made of, and shows, one by one
_SQUARES = 1200  # that the ground of more readings is parted into, each with one mean


def averaged(files: InputFiles, samples: SoilSamples) -> SoilSamples:
    """Readings of the field: of a depth that has very many, means of squares, with a note; all else as it is."""
    gone = np.zeros(len(samples), dtype=bool)
    places, ppm, below = samples.coordinates_m.copy(), samples.nitrate_ppm.copy(), samples.below_detection.copy()
    field = np.array([kind == "field" for kind in samples.kind]) & np.isfinite(ppm) & np.isfinite(places).all(axis=1)
    field &= np.array([not area for area in samples.area_id])
    for top, bottom in samples.depths_in() if field.sum() > _MOST else ():
        rows = np.flatnonzero(field & (samples.top_in == top) & (samples.bottom_in == bottom))
        if len(rows) <= _MOST:
            continue
        first, square = _squares(places[rows])
        count = np.bincount(square)

        def mean(values: NDArray[np.float64], square: NDArray[np.intp] = square) -> NDArray[np.float64]:
            return np.bincount(square, weights=values) / np.bincount(square)

        kept = rows[first]
        gone[rows] = True
        gone[kept] = False
        places[kept] = np.column_stack([mean(places[rows, 0]), mean(places[rows, 1])])
        ppm[kept], below[kept] = mean(ppm[rows]), mean(below[rows].astype(float)) == 1
        files.note("ingest.readings-averaged", samples.source, readings=len(rows), squares=len(count))
    if not gone.any():
        return samples
    return replace(samples, coordinates_m=places, nitrate_ppm=ppm, below_detection=below).take(~gone)


def _squares(places: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First reading of each square that has any, and the number of each reading's square."""
    low, across = places.min(axis=0), np.maximum(np.ptp(places, axis=0), 1.0)
    side = np.sqrt(across.prod() / _SQUARES)
    column, row = ((places - low) // side).astype(np.intp).T
    _, first, square = np.unique(row * _SQUARES + column, return_index=True, return_inverse=True)
    return first, square

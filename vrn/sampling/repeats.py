"""Repeated readings of one sample: repeatability, readings that had not settled, instruments that differ, blanks."""

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from vrn.model.readings import Blanks, InstrumentPair, Repeatability
from vrn.model.samples import SoilSamples
from vrn.sampling.standards import reading_order

_SETTLED_PPM, _SETTLED_PCT = 0.5, 5.0  # a reading still moving by more had not settled: common practice, no source
_CONFIDENCE = 0.95


def repeat_groups(samples: SoilSamples) -> list[NDArray[np.intp]]:
    """
    Rows that read one sample: a reading and its duplicates, by sample id or by place, at the same depth.

    Those with two readings or more, each in the order of the file.
    """
    named = {(samples.sample_id[i], *_depth(samples, i)) for i in range(len(samples)) if samples.kind[i] == "field"}
    groups: dict[tuple[object, ...], list[int]] = {}
    at_place: dict[tuple[object, ...], tuple[object, ...]] = {}
    for i in range(len(samples)):
        if samples.kind[i] not in ("field", "duplicate") or not np.isfinite(samples.nitrate_ppm[i]):
            continue
        key: tuple[object, ...] = (samples.sample_id[i], *_depth(samples, i))
        place = (*samples.coordinates_m[i].round(1).tolist(), samples.area_id[i], *_depth(samples, i))
        if samples.kind[i] == "duplicate" and key not in named:
            key = at_place.get(place, key)
        at_place.setdefault(place, key)
        groups.setdefault(key, []).append(i)
    repeated = (np.array(rows, dtype=np.intp) for rows in groups.values())
    return [rows for rows in repeated if len(rows) > 1 and any(samples.kind[i] == "duplicate" for i in rows)]


def repeatability(samples: SoilSamples) -> Repeatability | None:
    """
    Standard deviation of one reading from samples that one instrument read twice or more.

    Pooled over samples, √(Σ squares ÷ degrees of freedom); None without duplicates. Sources: ISO 5725-6:1994, § 4
    (repeatability limit 2.8 s); NIST/SEMATECH e-Handbook, § 7.2.3.1 (interval of a standard deviation).
    """
    squares, freedom, count = 0.0, 0, 0
    for rows in repeat_groups(samples):
        for own in _by_instrument(samples, rows).values():
            if len(own) > 1:
                values = samples.nitrate_ppm[own]
                squares += float(((values - values.mean()) ** 2).sum())
                freedom += len(own) - 1
                count += 1
    if not freedom:
        return None
    from scipy.stats import chi2

    sd = float(np.sqrt(squares / freedom))
    tail = (1 - _CONFIDENCE) / 2
    low, high = (float(np.sqrt(squares / chi2.ppf(q, freedom))) for q in (1 - tail, tail))
    return Repeatability(sd_ppm=sd, low_ppm=low, high_ppm=high, limit_ppm=2.8 * sd, freedom=freedom, samples=count)


def unsettled(samples: SoilSamples) -> tuple[NDArray[np.intp], ...]:
    """
    Samples whose repeated readings were still on the move: each above the one before, or each below, to the last.

    Rows of three readings or more by one instrument, in the order of reading, whose last step is more than 0.5 ppm and
    5 %.
    """
    found = []
    for rows in repeat_groups(samples):
        for instrument, own in _by_instrument(samples, rows).items():
            if len(own) < 3:
                continue
            order = {int(row): i for i, row in enumerate(reading_order(samples, instrument))}
            own = own[np.argsort([order[int(row)] for row in own])]
            steps = np.diff(samples.nitrate_ppm[own])
            last = abs(float(steps[-1]))
            moving = bool(np.all(steps > 0) or np.all(steps < 0))
            if moving and last > max(_SETTLED_PPM, _SETTLED_PCT / 100 * abs(float(samples.nitrate_ppm[own[-1]]))):
                found.append(own)
    return tuple(found)


def instrument_differences(samples: SoilSamples) -> tuple[InstrumentPair, ...]:
    """Mean difference of instruments that read the same samples, for each pair of them."""
    by_pair: dict[tuple[str, str], list[float]] = {}
    for rows in repeat_groups(samples):
        read = {name: float(samples.nitrate_ppm[own].mean()) for name, own in _by_instrument(samples, rows).items()}
        for one, other in combinations(sorted(read), 2):
            by_pair.setdefault((one, other), []).append(read[one] - read[other])
    return tuple(_compared(pair, np.array(gaps)) for pair, gaps in sorted(by_pair.items()))


def _compared(pair: tuple[str, str], gaps: NDArray[np.float64]) -> InstrumentPair:
    low = high = None
    if len(gaps) > 1:
        from scipy.stats import t

        half = float(t.ppf(0.5 + _CONFIDENCE / 2, len(gaps) - 1) * gaps.std(ddof=1) / np.sqrt(len(gaps)))
        low, high = float(gaps.mean()) - half, float(gaps.mean()) + half
    return InstrumentPair(instruments=pair, samples=len(gaps), mean_ppm=float(gaps.mean()), low_ppm=low, high_ppm=high)


def blanks(samples: SoilSamples) -> Blanks | None:
    """
    What blanks read, and the least that can be detected; None without blanks.

    Source: Currie (1995), Nomenclature in evaluation of analytical methods (IUPAC), Pure Appl. Chem. 67:1699-1723.
    """
    read = np.array([samples.nitrate_ppm[i] for i in range(len(samples)) if samples.kind[i] == "blank"])
    read = read[np.isfinite(read)] if len(read) else read
    if not len(read):
        return None
    sd = float(read.std(ddof=1)) if len(read) > 2 else None
    return Blanks(
        count=len(read), mean_ppm=float(read.mean()), most_ppm=float(read.max()), sd_ppm=sd,
        detection_ppm=None if sd is None else float(read.mean() + 3 * sd),
    )  # fmt: skip


def _depth(samples: SoilSamples, i: int) -> tuple[float, float]:
    return float(samples.top_in[i]), float(samples.bottom_in[i])


def _by_instrument(samples: SoilSamples, rows: NDArray[np.intp]) -> dict[str, NDArray[np.intp]]:
    names = np.array([samples.handling[i].instrument for i in rows])
    return {str(name): rows[names == name] for name in np.unique(names)}

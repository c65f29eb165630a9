"""Where next: the places where one more reading is expected to move most pounds to where they are needed."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.model.samples import SoilSamples, profile_of
from vrn.model.variogram import Variogram
from vrn.prescription.model import Prescription
from vrn.prescription.wanted import payoff_of
from vrn.response.payoff import Payoff
from vrn.sampling.error import error_of_readings
from vrn.surface.fit import fit_variogram
from vrn.surface.kriging import Kriging, covariance_between
from vrn.surface.places import places_of
from vrn.units import AC_M2

_STEPS = 12  # of the share of the uncertainty that a reading takes away
_MEAN_OF_ABSOLUTE = float(np.sqrt(2 / np.pi))  # of a normal value, over its standard deviation
_QUANTILES = 41  # of what the estimate may become


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stake:
    """What is at stake in each cell of the field."""

    cells_m: NDArray[np.float64]  # shape (m, 2) [m]
    acres: NDArray[np.float64]  # ground each speaks for, shape (m,) [ac]
    need_lb_ac: NDArray[np.float64]  # best estimate, not clipped, shape (m,) [lb/ac]
    # pounds that one unit of what is kriged takes off the need: of ppm, or of log(ppm), which is pounds per ppm times
    # ppm, shape (m,) [lb/ac]
    slope_lb_ac: NDArray[np.float64]
    rates_lb_ac: NDArray[np.float64]  # rates that can be driven, shape (k,) [lb/ac]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """One candidate and what it is expected to bring."""

    candidate: int  # row of the candidates
    gain_lb: float  # expected fall of the pounds misallocated on the whole field [lb]
    # ground whose rate the reading would move by a step every other time: the expected change of its need is half a
    # step or more [ac]
    moved_ac: float
    saving_usd: float | None = None  # expected fall of the loss on the whole field; None without prices [$]


def best_readings(
    stake: Stake, candidates_m: NDArray[np.float64], count: int, *, readings_m: NDArray[np.float64],
    error_variance: NDArray[np.float64], variogram: Variogram, new_variance: float, step_lb_ac: float,
    payoff: Payoff | None = None,
) -> tuple[Worth, ...]:  # fmt: skip
    """Places for further readings, one after the other, each the best beside those chosen before it.

    `error_variance` of each reading in hand, shape (n,), and `new_variance` of a new one are in the squared unit of
    what is kriged, as is the variogram. At most `count`, in the order of choosing: by pounds moved, or with a `payoff`
    by dollars saved. Before a reading is taken it is known how far it can move the estimate of every cell (the
    conditional covariance of the field at the cell and at the reading), not in which direction. A cell whose need is
    N(μ, s²) and whose estimate will become N(μ, V) gets the rate nearest to it; the expected |need − rate| over both is
    what remains, and the gain is what it falls by. Ground whose rate no reading would change brings nothing, however
    uncertain it is. Sources: Raiffa & Schlaifer (1961), Applied Statistical Decision Theory, ch. 4 (preposterior
    analysis); Chilès & Delfiner (2012), Geostatistics, 2nd ed., § 3.6 (kriging with one more datum).
    """
    with_cells, with_candidates, own, spread = _conditional(
        stake.cells_m, candidates_m, readings_m, error_variance, variogram
    )
    slope2 = stake.slope_lb_ac**2
    total = spread * slope2
    table = remaining_lb_ac(stake.need_lb_ac, total, stake.rates_lb_ac)
    lost = None if payoff is None else remaining_usd_ac(stake.need_lb_ac, total, stake.rates_lb_ac, payoff)
    taken = np.zeros(len(total))
    best: list[Worth] = []
    noise = new_variance + variogram.nugget
    left = np.ones(len(candidates_m), dtype=bool)
    for _ in range(min(count, len(candidates_m))):
        reach = with_cells**2 / np.maximum(own + noise, 1e-12) * slope2[:, None]
        now = _looked_up(table, taken[:, None], total)
        gain = stake.acres @ (now - _looked_up(table, taken[:, None] + reach, total))
        saving = gain
        if lost is not None:
            kept = _looked_up(lost, taken[:, None], total)
            saving = stake.acres @ (kept - _looked_up(lost, taken[:, None] + reach, total))
        chosen = int(np.argmax(np.where(left, saving, -np.inf)))
        expected_change = _MEAN_OF_ABSOLUTE * np.sqrt(reach[:, chosen])
        moved = float(stake.acres[expected_change >= step_lb_ac / 2].sum())
        usd = None if lost is None else float(saving[chosen])
        best.append(Worth(candidate=chosen, gain_lb=float(gain[chosen]), moved_ac=moved, saving_usd=usd))
        taken = np.minimum(taken + reach[:, chosen], total)
        left[chosen] = False
        share = with_candidates[chosen] / (own[chosen] + noise)
        with_cells = with_cells - np.outer(with_cells[:, chosen], share)
        with_candidates = with_candidates - np.outer(with_candidates[:, chosen], share)
        own = np.maximum(with_candidates.diagonal(), 0.0)
    return tuple(best)


def remaining_lb_ac(
    need_lb_ac: NDArray[np.float64], variance: NDArray[np.float64], rates_lb_ac: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Expected |need − rate| of each cell by the share of its uncertainty that readings take away.

    For shares 0, 1/12, …, 1, shape (13, m), never rising. The nearest rate is driven; a need below 0 counts as 0.

    Need 100 ± 10, rates 80 and 120: knowing nothing more, either misses by |N(20, 10)|, 20.2 in the mean; knowing all,
    the nearer is driven and misses by |20 − |N(0, 10)||, 12.2:

    >>> remaining_lb_ac(np.array([100.0]), np.array([100.0]), np.array([80.0, 120.0]))[[0, -1], 0].round(1).tolist()
    [20.2, 12.2]
    """
    quantiles = _quantiles()
    rates = np.unique(rates_lb_ac)
    middles = (rates[1:] + rates[:-1]) / 2
    remaining = np.empty((_STEPS + 1, len(need_lb_ac)))
    for i, share in enumerate(np.linspace(0.0, 1.0, _STEPS + 1)):
        known = need_lb_ac[:, None] + np.sqrt(share * variance)[:, None] * quantiles
        rate = rates[np.searchsorted(middles, known)]
        remaining[i] = _missed(known, np.sqrt((1 - share) * variance)[:, None], rate).mean(axis=1)
    return np.minimum.accumulate(remaining, axis=0)


def remaining_usd_ac(
    need_lb_ac: NDArray[np.float64], variance: NDArray[np.float64], rates_lb_ac: NDArray[np.float64], payoff: Payoff
) -> NDArray[np.float64]:
    """Expected loss of each cell, yield lost and nitrogen bought, by the share of its uncertainty taken away.

    As `remaining_lb_ac`, under the response and the prices of `payoff`: the rate driven is the one nearest to what pays
    best where the need is known so well.
    """
    quantiles = _quantiles()
    rates = np.unique(rates_lb_ac)
    middles = (rates[1:] + rates[:-1]) / 2
    remaining = np.empty((_STEPS + 1, len(need_lb_ac)))
    response, level_sd, ratio = payoff.response, payoff.method_sd_lb_ac, payoff.held
    for i, share in enumerate(np.linspace(0.0, 1.0, _STEPS + 1)):
        known = need_lb_ac[:, None] + np.sqrt(share * variance)[:, None] * quantiles
        left = np.sqrt((1 - share) * variance)
        paying = response.best_rate([0.0], [float(np.median(left))], None, ratio=ratio, method_sd_lb_ac=level_sd)
        rate = rates[np.searchsorted(middles, known + paying)]
        lost = response.loss_of_rates(rate, known, left[:, None], ratio=ratio, method_sd_lb_ac=level_sd)
        remaining[i] = payoff.corn_per_bu * lost.mean(axis=1)
    return np.minimum.accumulate(remaining, axis=0)


def _quantiles() -> NDArray[np.float64]:
    """Evenly likely values of a standard normal, with variance 1."""
    from scipy.special import ndtri

    quantiles = ndtri((np.arange(_QUANTILES) + 0.5) / _QUANTILES)
    return np.asarray(quantiles / np.sqrt((quantiles**2).mean()))


def _missed(mean: NDArray[np.float64], sd: NDArray[np.float64], rate: NDArray[np.float64]) -> NDArray[np.float64]:
    """E|max(N, 0) − rate| for N normal and rate ≥ 0: E|N − rate| less what lies below 0."""
    from scipy.special import ndtr

    sd = np.maximum(sd, 1e-9)

    def above(level: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """E max(N − level, 0)."""
        z = (mean - level) / sd
        return np.asarray((mean - level) * ndtr(z) + sd * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi))

    both = 2 * above(rate) - (mean - rate)
    below_zero = above(0.0) - mean  # E max(−N, 0)
    return both - below_zero


def _looked_up(
    table: NDArray[np.float64], taken: NDArray[np.float64], total: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Remaining misallocation of each cell when ``taken`` of its variance is known, by the table's straight pieces."""
    share = np.clip(taken / np.maximum(total, 1e-12)[:, None], 0.0, 1.0) * _STEPS
    lower = np.minimum(share.astype(int), _STEPS - 1)
    part = share - lower
    cell = np.arange(len(total))[:, None]
    return np.asarray(table[lower, cell] * (1 - part) + table[lower + 1, cell] * part)


def _conditional(
    cells_m: NDArray[np.float64], candidates_m: NDArray[np.float64], readings_m: NDArray[np.float64],
    error_variance: NDArray[np.float64], variogram: Variogram,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Covariances given the readings: cells × candidates, candidates × candidates, and both variances."""
    places = places_of(readings_m, np.zeros(len(readings_m)), error_variance)
    kriging = Kriging.of(places, variogram)
    cells, candidates = cells_m - places.origin_m, candidates_m - places.origin_m

    def seen(targets: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        near = covariance_between(places.coordinates_m, targets, variogram)
        half = kriging.root @ near
        return half, kriging.mean_root @ (1.0 - kriging.solved_drift.T @ near)

    cell_half, cell_gap = seen(cells)
    half, gap = seen(candidates)
    with_cells = covariance_between(cells, candidates, variogram) - cell_half.T @ half + cell_gap.T @ gap
    with_candidates = covariance_between(candidates, candidates, variogram) - half.T @ half + gap.T @ gap
    spread = variogram.partial_sill - (cell_half**2).sum(axis=0) + (cell_gap**2).sum(axis=0)
    return with_cells, with_candidates, np.maximum(with_candidates.diagonal(), 0.0), np.maximum(spread, 0.0)


_MOST_CELLS = 1500
_MOST_CANDIDATES = 400
_USUAL_LOG_SD = 0.45  # nitrate within a field, as a share of it: 30 to 60 % is usual (from memory)
_LEAST_TO_FIT = 30  # places: with fewer a fitted range says little
_DEEP_SHARE = 0.25  # a second foot is asked for where it brings this share of what the first brings
_LEAST_PATCH_AC = 0.5
_LEAST_PPM = 0.5
_Assumed = Literal["", "few-readings", "no-pattern"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextReading:
    """One place worth a reading."""

    easting_m: float
    northing_m: float
    zone: int  # zone it lies in now
    # rate of that zone, and the need at the place [lb/ac]
    rate_n_lb_ac: float
    need_lb_ac: float
    gain_lb: float  # pounds of nitrogen on the whole field that it is expected to move to where they are needed [lb]
    moved_ac: float  # ground whose rate it would move by a step every other time [ac]
    saving_usd: float | None = None  # expected saving on the whole field; None without both prices [$]
    second_foot: bool  # whether the second foot should be pulled as well


@dataclass(frozen=True, slots=True, kw_only=True)
class NextReadings:
    """The next readings, best first."""

    readings: tuple[NextReading, ...]  # those worth taking: none once there are enough
    wanted: int  # readings asked for, as far as there is ground for them
    step_lb_ac: float  # step of the rate [lb/ac]
    patch_ac: float  # least ground worth another rate [ac]
    acres: float  # treated ground [ac]
    per_reading_usd: float | None = None  # what one costs, as the field file says [$]
    best_usd: float | None = None  # what the best further reading is expected to save; None without prices [$]
    assumed: _Assumed  # why the variation between samples was assumed; empty when the samples show it

    @property
    def enough(self) -> bool:
        """Whether no further reading would move the rate by a step on a patch worth driving."""
        return not self.readings

    @property
    def saving_usd(self) -> float | None:
        """What all of them are expected to save; None without prices. [$]"""
        known = [one.saving_usd for one in self.readings if one.saving_usd is not None]
        return sum(known) if known else None

    @property
    def gain_lb(self) -> float:
        """Nitrogen that all of them are expected to move to where it is needed. [lb]"""
        return sum(one.gain_lb for one in self.readings)


def next_readings(
    prescription: Prescription, spots_m: NDArray[np.float64], *, count: int, second_foot: bool = False
) -> NextReadings:
    """Places where further readings are expected to bring most.

    Among spots, shape (n, 2), where one may sample. `second_foot` is wanted while none has been pulled; where it has,
    its own expected gain decides. Raises InputFileError if the readings are composites of areas, or there are none.
    """
    field = prescription.field
    readings = field.samples.field_readings()
    if readings.areas:
        problem = f"{readings.source}: the readings are composites of areas, which say nothing of places inside them."
        raise InputFileError(problem, "Plan point samples with vrn plan, or smaller areas.")
    profile = profile_of(readings)
    candidates = spots_m[np.linspace(0, len(spots_m) - 1, min(len(spots_m), _MOST_CANDIDATES)).astype(int)]
    step = field.settings.machine.rate_step_n_lb_ac
    top, assumed = _best(prescription, profile.top[0], "nitrate_ppm", "soil_nitrate", candidates, count)
    patch_ac = field.settings.zones.least_patch_ac or _LEAST_PATCH_AC
    cost = field.settings.prices.per_reading
    worth = tuple(
        one for one in top
        if one.moved_ac >= patch_ac and one.gain_lb > 0
        and (cost is None or one.saving_usd is None or one.saving_usd > cost)
    )  # fmt: skip
    chosen = candidates[[one.candidate for one in worth]] if worth else np.empty((0, 2))
    deep = _second_foot(prescription, profile.deep, chosen, worth, second_foot)
    row, col, _ = prescription.grid.cells_of(chosen)
    zones = prescription.zones.labels[row, col]
    need = prescription.surfaces["need_lb_ac"].values[row, col]
    rate = {one.zone: one.rate_n_lb_ac for one in prescription.rates}
    found = tuple(
        NextReading(
            easting_m=float(chosen[i, 0]), northing_m=float(chosen[i, 1]), zone=int(zones[i]),
            rate_n_lb_ac=rate.get(int(zones[i]), float("nan")), need_lb_ac=float(need[i]),
            gain_lb=one.gain_lb, moved_ac=one.moved_ac, second_foot=bool(deep[i]), saving_usd=one.saving_usd,
        )
        for i, one in enumerate(worth)
    )  # fmt: skip
    return NextReadings(
        readings=found, wanted=min(count, len(candidates)), step_lb_ac=step, patch_ac=patch_ac,
        acres=prescription.acres, assumed=assumed, per_reading_usd=cost, best_usd=top[0].saving_usd if top else None,
    )  # fmt: skip


def _best(
    prescription: Prescription, layer: SoilSamples, surface: str, line: str, candidates: NDArray[np.float64], count: int
) -> tuple[tuple[Worth, ...], _Assumed]:
    """Best further readings of one depth layer, in logarithms of ppm: high nitrate varies more than low."""
    settings = prescription.field.settings
    ppm = np.maximum(layer.nitrate_ppm, _LEAST_PPM)
    error = error_of_readings(
        layer, of_all=prescription.field.samples, instrument_sd_ppm=settings.samples.instrument_sd_ppm
    )
    variance = np.zeros(len(layer)) if error.variance_ppm2 is None else error.variance_ppm2 / ppm**2
    variogram, assumed = _variogram(prescription, layer.coordinates_m, np.log(ppm), variance)
    step = settings.machine.rate_step_n_lb_ac
    highest = min(settings.machine.max_rate_n_lb_ac, settings.limits.max_n_lb_ac)
    best = best_readings(
        _stake(prescription, surface, line, np.arange(0.0, highest + step / 2, step)), candidates, count,
        readings_m=layer.coordinates_m, error_variance=variance, variogram=variogram,
        new_variance=float(np.median(variance)), step_lb_ac=step, payoff=payoff_of(settings, prescription.ledger),
    )  # fmt: skip
    return best, assumed


def _stake(prescription: Prescription, surface: str, line: str, rates: NDArray[np.float64]) -> Stake:
    """Treated cells with their need and what a unit of log nitrate does to it; an even part of them where many."""
    grid, share = prescription.grid, prescription.share.ravel()
    ppm = prescription.surfaces[surface].values.ravel()
    need = prescription.surfaces["need_lb_ac"].values.ravel()
    # a line of nitrate is pounds per ppm times ppm: just what one unit of log(ppm) takes off the need
    pounds = sum((np.asarray(one.lb_ac, float) for one in prescription.ledger.lines if one.key == line), np.zeros(()))
    slope = np.abs(np.broadcast_to(pounds, need.shape))
    rows = np.flatnonzero((share > 0) & np.isfinite(need) & np.isfinite(ppm) & np.isfinite(slope))
    kept = rows[np.linspace(0, len(rows) - 1, min(len(rows), _MOST_CELLS)).astype(int)]
    acres = share[kept] * (prescription.acres / max(float(share[kept].sum()), 1e-12))
    return Stake(
        cells_m=grid.centers_m()[kept], acres=acres, need_lb_ac=need[kept], slope_lb_ac=slope[kept], rates_lb_ac=rates
    )


def _variogram(
    prescription: Prescription, places_m: NDArray[np.float64], log_ppm: NDArray[np.float64],
    variance: NDArray[np.float64],
) -> tuple[Variogram, _Assumed]:  # fmt: skip
    """Variogram of log nitrate, or a usual one where the readings hold none."""
    few = len(np.unique(places_m, axis=0)) < _LEAST_TO_FIT
    if not few and np.ptp(log_ppm) > 0:
        fitted = fit_variogram(places_m, log_ppm, model="exponential", error_variance=variance)
        if fitted.model != "nugget" and fitted.partial_sill > 0:
            return fitted, ""
    sill = max(float(np.var(log_ppm)), 1e-4) if len(log_ppm) > 2 else _USUAL_LOG_SD**2
    range_m = float(np.sqrt(prescription.acres * AC_M2)) / 6
    usual = Variogram(model="exponential", nugget=sill / 3, partial_sill=2 * sill / 3, range_m=range_m)
    return usual, "few-readings" if few else "no-pattern"


def _second_foot(
    prescription: Prescription, deep: tuple[SoilSamples, ...], chosen: NDArray[np.float64], worth: tuple[Worth, ...],
    wanted_in_general: bool,
) -> NDArray[np.bool_]:  # fmt: skip
    """Which of the chosen places need the second foot: by its own gain once some was pulled."""
    if not len(chosen):
        return np.zeros(0, dtype=bool)
    if not deep:
        return np.full(len(chosen), wanted_in_general)
    gain = np.zeros(len(chosen))
    for one in _best(prescription, deep[0], "deep_nitrate_ppm", "deep_nitrate", chosen, len(chosen))[0]:
        gain[one.candidate] = one.gain_lb
    return np.asarray(gain >= _DEEP_SHARE * np.array([one.gain_lb for one in worth]))

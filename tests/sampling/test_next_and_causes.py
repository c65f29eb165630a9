"""Where next, and why not surer: laws of the value of a reading, and both on a demo field."""

import dataclasses
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.model.field import Field
from vrn.model.samples import Handling
from vrn.pipeline import build
from vrn.prescription.model import Prescription
from vrn.response.payoff import Payoff
from vrn.sampling.error import causes_of_error
from vrn.sampling.make_plan import plan_next
from vrn.sampling.next_reading import Stake, best_readings, remaining_lb_ac, remaining_usd_ac
from vrn.sampling.plan import PlanOptions
from vrn.surface import Variogram

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
VARIOGRAM = Variogram(model="exponential", nugget=0.0, partial_sill=9.0, range_m=80.0)


def _row(need: np.ndarray, rates: tuple[float, ...], slope: float = 3.67) -> Stake:
    """Cells 20 m apart in a row, each of an acre."""
    count = len(need)
    cells = np.column_stack([20.0 * np.arange(count), np.zeros(count)])
    return Stake(cells_m=cells, acres=np.ones(count), need_lb_ac=need, slope_lb_ac=np.full(count, slope),
                 rates_lb_ac=np.array(rates))  # fmt: skip


def _best(stake: Stake, count: int = 1, *, readings: tuple[float, ...] = (0.0,), step: float = 5.0) -> list[int]:
    found = best_readings(
        stake, stake.cells_m, count, readings_m=np.array([(x, 0.0) for x in readings]),
        error_variance=np.zeros(len(readings)), variogram=VARIOGRAM, new_variance=0.0, step_lb_ac=step,
    )  # fmt: skip
    return [one.candidate for one in found]


def test_nothing_is_gained_where_the_rate_cannot_change() -> None:
    """Of two equally uncertain ends the reading goes to the one whose need lies between two rates."""
    need = np.where(np.arange(41) < 20, 100.0, 40.0)  # 100 lies midway between 80 and 120; 40 is far below 80
    assert _best(_row(need, (80.0, 120.0)), readings=(400.0,))[0] < 20
    assert _best(_row(need[::-1], (80.0, 120.0)), readings=(400.0,))[0] > 20


def test_readings_keep_apart_and_gain_less_and_less() -> None:
    """Each further reading brings no more than the one before, and stands away from those there are."""
    stake = _row(np.full(61, 100.0), (80.0, 90.0, 100.0, 110.0, 120.0))
    found = best_readings(
        stake, stake.cells_m, 6, readings_m=np.array([(0.0, 0.0)]), error_variance=np.zeros(1), variogram=VARIOGRAM,
        new_variance=0.5, step_lb_ac=5.0,
    )  # fmt: skip
    gains = [one.gain_lb for one in found]
    assert all(a >= b - 1e-9 for a, b in pairwise(gains))
    places = np.sort([0, *(one.candidate for one in found)])
    assert np.diff(places).min() >= 4


def test_gain_by_monte_carlo() -> None:
    """The expected fall of |need − rate| is what 200,000 drawn fields give, to 3 %."""
    random = np.random.default_rng(2)
    need, sd, rates = 96.0, 14.0, np.array([80.0, 100.0, 120.0])
    remaining = remaining_lb_ac(np.array([need]), np.array([sd**2]), rates)[:, 0]
    known = need + sd * np.sqrt(0.5) * random.standard_normal(200_000)
    true = known + sd * np.sqrt(0.5) * random.standard_normal(200_000)
    rate = rates[np.argmin(np.abs(known[:, None] - rates), axis=1)]
    assert remaining[6] == pytest.approx(np.abs(true - rate).mean(), rel=0.03)
    assert remaining[0] == pytest.approx(np.abs(true - 100.0).mean(), rel=0.03)


def test_need_below_nothing_counts_as_nothing() -> None:
    """Where the soil holds more than the crop wants, knowing it better saves nothing."""
    remaining = remaining_lb_ac(np.array([-80.0]), np.array([100.0]), np.array([0.0, 20.0]))
    np.testing.assert_allclose(remaining, 0.0, atol=1e-6)


@pytest.fixture(scope="module")
def cedar_bend(demo_built: Callable[[str], Prescription]) -> Prescription:
    """The demo field, built once."""
    return demo_built("cedar_bend")


def test_next_readings_of_a_field(cedar_bend: Prescription) -> None:
    """Five places on open ground, each with a gain and ground whose rate may change, in walking order."""
    plan = plan_next(cedar_bend, 5)
    found = plan.next
    assert found is not None
    assert [place.name for place in plan.places] == ["N01", "N02", "N03", "N04", "N05"]
    assert not found.enough
    savings = [reading.saving_usd or 0.0 for reading in found.readings]
    assert savings == sorted(savings, reverse=True)
    assert min(savings) > 0
    assert min(reading.gain_lb for reading in found.readings) > 0
    assert all(reading.moved_ac >= 0.5 for reading in found.readings)
    apart = np.hypot(*(plan.coordinates_m()[:, None] - cedar_bend.field.samples.coordinates_m[None]).transpose(2, 0, 1))
    assert apart.min() > 15
    again = plan_next(cedar_bend, 5)
    np.testing.assert_array_equal(plan.coordinates_m(), again.coordinates_m())


def test_a_reading_that_costs_more_than_it_saves_is_not_asked_for(cedar_bend: Prescription) -> None:
    """At the price of the third best, two are asked for; above the best, none, and what it would save is known."""
    found = plan_next(cedar_bend, 5).next
    assert found is not None
    savings = [reading.saving_usd or 0.0 for reading in found.readings]
    settings = cedar_bend.field.settings
    for price, count in ((savings[2], 2), (savings[0] * 1.01, 0)):
        prices = dataclasses.replace(settings.prices, per_reading=price)
        field = dataclasses.replace(cedar_bend.field, settings=dataclasses.replace(settings, prices=prices))
        priced = plan_next(dataclasses.replace(cedar_bend, field=field), 5).next
        assert priced is not None
        assert (len(priced.readings), priced.enough) == (count, count == 0)
        assert priced.best_usd == pytest.approx(savings[0])


def _with_step(prescription: Prescription, step: float) -> Prescription:
    settings = prescription.field.settings
    machine = dataclasses.replace(settings.machine, rate_step_n_lb_ac=step)
    field = dataclasses.replace(prescription.field, settings=dataclasses.replace(settings, machine=machine))
    return dataclasses.replace(prescription, field=field)


def test_enough_is_said_when_no_rate_would_move(cedar_bend: Prescription) -> None:
    """With rates 40 lb apart no further reading moves one; the plan is empty and says so."""
    plan = plan_next(_with_step(cedar_bend, 40.0), 5)
    assert plan.places == ()
    assert plan.next is not None
    assert plan.next.enough
    assert (plan.next.step_lb_ac, plan.next.patch_ac) == (40.0, 0.5)


def test_second_foot_can_be_asked_for(cedar_bend: Prescription) -> None:
    """Every one of the next readings is pulled at both depths when that is asked for."""
    plan = plan_next(cedar_bend, 2, PlanOptions(second_foot="all"))
    assert all(place.second_foot for place in plan.places)


def _edited(change: Callable[[Field], Field]) -> Prescription:
    return build(change(read_field(DEMO / "mill_race" / "field.toml")))


def test_composites_have_no_next_place(demo_built: Callable[[str], Prescription]) -> None:
    """Composites of areas say nothing of places inside them."""
    prescription = demo_built("mill_race")
    samples = dataclasses.replace(
        prescription.field.samples, areas={"A": prescription.field.boundary},
        area_id=("A",) * len(prescription.field.samples),
    )  # fmt: skip
    composites = dataclasses.replace(prescription, field=dataclasses.replace(prescription.field, samples=samples))
    with pytest.raises(InputFileError, match="composites of areas"):
        plan_next(composites, 3)
    assert causes_of_error(composites) is None


def test_causes_add_up_to_the_error_of_the_need() -> None:
    """The squares of the causes add up to the need's own standard error, by zone and for the field."""

    def given(field: Field) -> Field:
        settings = field.settings
        samples = dataclasses.replace(
            field.samples, handling=tuple(Handling(cores=8) for _ in range(len(field.samples)))
        )
        section = dataclasses.replace(settings.samples, instrument_sd_ppm=0.8)
        return dataclasses.replace(field, samples=samples, settings=dataclasses.replace(settings, samples=section))

    prescription = _edited(given)
    found = causes_of_error(prescription)
    assert found is not None
    for part in (found.field, *found.zones.values()):
        squares = sum(getattr(part, f"{name}_lb_ac") ** 2 for name in ("instrument", "cores", "ground", "other"))
        assert squares == pytest.approx(part.total_lb_ac**2, rel=1e-9)
        assert part.instrument_lb_ac is not None
        assert part.instrument_lb_ac > 0
    se = prescription.surfaces["need_lb_ac"].se
    assert se is not None
    weights = np.where(np.isfinite(se), prescription.share, 0.0)
    assert found.field.total_lb_ac**2 == pytest.approx(np.average(np.nan_to_num(se) ** 2, weights=weights), rel=1e-6)
    assert list(found.zones) == [rate.zone for rate in prescription.rates]


def test_a_cause_nothing_is_known_of_stays_unknown(cedar_bend: Prescription) -> None:
    """Without duplicates, standards and cores the instrument's and the cores' part are None, not 0."""
    found = causes_of_error(cedar_bend)
    assert found is not None
    assert found.field.instrument_lb_ac is None
    assert found.field.cores_lb_ac is None
    assert found.field.ground_lb_ac > 0


def test_saving_by_monte_carlo() -> None:
    """The loss that a known half leaves is what 200,000 drawn levels give under the response, to 3 %."""
    payoff = Payoff(corn_per_bu=4.40, n_per_lb=0.55, method_sd_lb_ac=35.0)  # ratio 0.125: rates are needs
    random = np.random.default_rng(5)
    need, sd, rates = 96.0, 24.0, np.array([60.0, 80.0, 100.0, 120.0, 140.0])
    lost = remaining_usd_ac(np.array([need]), np.array([sd**2]), rates, payoff)[[0, 6, 12], 0]
    assert lost[0] > lost[1] > lost[2]
    drawn: list[float] = []
    here, level, blur = random.standard_normal((3, 400_000))
    true = need + sd * here + 35.0 * level
    for share in (0.0, 0.5, 1.0):  # the same fields, known so well
        known = need + sd * (share * here + np.sqrt(share * (1 - share)) * blur)
        rate = rates[np.argmin(np.abs(known[:, None] - rates), axis=1)]
        below = np.maximum(true + payoff.response._shift(35.0) - rate, 0.0)
        drawn.append(4.40 * np.mean(0.85 * 0.0024 * below**2 + 0.15 * 0.75 * below) + 0.55 * rate.mean())
    np.testing.assert_allclose(-np.diff(lost), -np.diff(drawn), rtol=0.06)

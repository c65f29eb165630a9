"""Standards, duplicates, blanks, storage and neighbours: each finding on readings made to deserve it, and no other."""

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from vrn.model.samples import Handling, SoilSamples
from vrn.model.settings import SampleSection
from vrn.sampling.error import error_of_readings
from vrn.sampling.quality import assess_readings, corrected, suspects
from vrn.sampling.standards import blanks, instrument_differences, repeatability, standard_runs, unsettled

Row = dict[str, Any]


def samples_of(rows: list[Row]) -> SoilSamples:
    """Samples from rows that say only what differs from a plain field reading."""

    def column(name: str, default: Any) -> list[Any]:
        return [row.get(name, default) for row in rows]

    places = [row.get("at", (np.nan, np.nan) if row.get("kind") in ("standard", "blank") else (40.0 * i, 0.0))
              for i, row in enumerate(rows)]  # fmt: skip
    return SoilSamples(
        sample_id=tuple(row.get("id", f"S{i + 1:02d}") for i, row in enumerate(rows)), crs="EPSG:32615",
        coordinates_m=np.array(places, dtype=float).reshape(-1, 2), top_in=np.array(column("top", 0.0)),
        bottom_in=np.array(column("bottom", 12.0)), nitrate_ppm=np.array(column("ppm", 15.0), dtype=float),
        kind=tuple(column("kind", "field")), sampled_on=tuple(column("pulled", None)),
        nominal_ppm=np.array(column("nominal", np.nan), dtype=float),
        below_detection=np.array(column("below", False), dtype=bool), area_id=tuple(column("area", "")), areas={},
        row=np.arange(2, 2 + len(rows)), source="samples.csv",
        handling=tuple(Handling(cores=row.get("cores"), instrument=row.get("by", ""), read_at=row.get("read"),
                                stored=row.get("stored", "")) for row in rows),
    )  # fmt: skip


def standard(ppm: float, nominal: float = 20.0, **more: Any) -> Row:
    """A check standard."""
    return {"kind": "standard", "ppm": ppm, "nominal": nominal, **more}


def field(*ppm: float, **more: Any) -> list[Row]:
    """Plain readings."""
    return [{"ppm": value, **more} for value in ppm]


def _warned(samples: SoilSamples, section: SampleSection | None = None) -> dict[str, dict[str, Any]]:
    """Codes of the warnings with their quantities."""
    return {
        finding.code.removeprefix("samples."): {name: one.value for name, one in finding.quantities.items()}
        for finding in assess_readings(samples, section=section).findings
        if finding.level == "warning"
    }


def test_samples_behind_the_last_good_standard_are_named() -> None:
    """A standard off by 15 % throws doubt on the samples before and after it, up to the nearest good ones."""
    rows = [standard(20.3), *field(12, 13), standard(19.5), *field(14, 15), standard(23.0), *field(16), standard(20.1),
            *field(17)]  # fmt: skip
    (run,) = standard_runs(samples_of(rows))
    assert run.good.tolist() == [True, True, False, True]
    assert [samples_of(rows).sample_id[row] for row in run.doubtful] == ["S05", "S06", "S08"]
    assert [samples_of(rows).sample_id[row] for row in run.open_ended] == ["S10"]
    assert _warned(samples_of(rows)) == {
        "standards-off": {"bad": 1, "count": 4, "allowed": 10.0, "row": "8", "read": 23.0, "nominal": 20.0,
                          "samples": "S05, S06, S08"},
    }  # fmt: skip


def test_allowed_band_is_never_less_than_half_a_ppm() -> None:
    """Of a standard of 2 ppm a tenth is 0.2 ppm, but it may read 2.5; 2.6 is too much."""
    assert standard_runs(samples_of([standard(2.5, 2.0), standard(2.6, 2.0)]))[0].good.tolist() == [True, False]


def test_order_of_reading_is_that_of_the_clock() -> None:
    """Where every reading has its time, that is the order; a standard read last speaks for what was read before it."""
    start = datetime(2026, 6, 16, 8)
    at = [start + timedelta(minutes=10 * m) for m in (0, 3, 1, 2)]
    rows = [standard(20), standard(25), *field(11, 12)]
    samples = samples_of([{**row, "read": time} for row, time in zip(rows, at, strict=True)])
    (run,) = standard_runs(samples)
    assert run.order.tolist() == [0, 2, 3, 1]
    assert run.doubtful.tolist() == [2, 3]


def _drifting(count: int = 8) -> list[Row]:
    """An instrument that gains 1 % from one standard to the next; the soil holds 10 ppm throughout."""
    rows: list[Row] = []
    for i in range(count):
        rows += [standard(20 * (1 + 0.01 * i)), *field(10 * (1 + 0.01 * (i + 0.5)))]
    return [*rows, standard(20 * (1 + 0.01 * count))]


def test_drift_is_told_and_corrected_only_on_request() -> None:
    """A gain of 8 % within the allowed band is told; asked for, the correction gives back the 10 ppm of the soil."""
    samples = samples_of(_drifting())
    (run,) = standard_runs(samples)
    assert run.drift_pct == pytest.approx(8.0, abs=1e-9)
    assert _warned(samples)["standards-drift"]["drift"] == pytest.approx(8.0, abs=1e-9)
    kept = SampleSection(file="samples.csv")
    assert corrected(samples, kept) is samples
    asked = SampleSection(file="samples.csv", correct_drift=True)
    fixed = corrected(samples, asked)
    soil = [i for i, kind in enumerate(samples.kind) if kind == "field"]
    np.testing.assert_allclose(fixed.nitrate_ppm[soil], 10.0, rtol=2e-5)
    np.testing.assert_array_equal(np.delete(fixed.nitrate_ppm, soil), np.delete(samples.nitrate_ppm, soil))
    quality = assess_readings(samples, section=asked)
    codes = {finding.code: finding for finding in quality.findings}
    assert "samples.standards-drift" not in codes
    assert quality.corrections is not None
    assert len(quality.corrections) == codes["samples.corrected"].quantities["count"].value == 8


@pytest.mark.parametrize("failed", [0.0, 2.0, 45.0])
def test_a_standard_that_failed_corrects_nothing(failed: float) -> None:
    """A standard of 20 ppm read as 0, 2 or 45 tells no drift: readings follow the others, and a person is told."""
    asked = SampleSection(file="samples.csv", correct_drift=True)
    rows = [*field(12.0), standard(failed), standard(20.0), *field(12.0), standard(failed)]
    samples = samples_of(rows)
    assert corrected(samples, asked).nitrate_ppm[[0, 3]].tolist() == [12.0, 12.0]
    assert _warned(samples, asked)["standards-failed"]["samples"] == "S02, S05"
    alone = samples_of([*field(12.0), standard(failed)])
    assert corrected(alone, asked).nitrate_ppm[0] == 12.0


def test_repeatability_by_hand() -> None:
    """Pairs 10/11, 20/18 and 15/15: √((0.5 + 2 + 0) ÷ 3) = 0.913 ppm, limit 2.8 times that (ISO 5725-6)."""
    rows = [r for i, (a, b) in enumerate([(10, 11), (20, 18), (15, 15)])
            for r in ({"id": f"P{i}", "ppm": a}, {"id": f"P{i}", "ppm": b, "kind": "duplicate"})]  # fmt: skip
    found = repeatability(samples_of(rows))
    assert found is not None
    assert found.sd_ppm == pytest.approx(np.sqrt(2.5 / 3))
    assert (found.freedom, found.samples) == (3, 3)
    assert found.limit_ppm == pytest.approx(2.8 * np.sqrt(2.5 / 3))
    # chi-square quantiles 9.348 and 0.216 with 3 degrees of freedom (NIST/SEMATECH e-Handbook § 1.3.6.7.4)
    assert found.low_ppm == pytest.approx(np.sqrt(2.5 / 9.348), rel=1e-3)
    assert found.high_ppm == pytest.approx(np.sqrt(2.5 / 0.216), rel=2e-3)


def test_duplicates_find_their_sample_by_id_or_by_place() -> None:
    """A duplicate belongs to the reading with its id, or to the one at its place; another depth is another sample."""
    rows = [{"id": "A", "ppm": 10, "at": (0, 0)}, {"id": "A dup", "ppm": 12, "at": (0, 0), "kind": "duplicate"},
            {"id": "B", "ppm": 20, "at": (50, 0)}, {"id": "B", "ppm": 22, "at": (50.4, 0), "kind": "duplicate"},
            {"id": "A", "ppm": 4, "at": (0, 0), "top": 12.0, "bottom": 24.0}]  # fmt: skip
    found = repeatability(samples_of(rows))
    assert found is not None
    assert (found.samples, found.sd_ppm) == (2, pytest.approx(np.sqrt(2)))
    assert repeatability(samples_of(field(10, 11))) is None


def test_reading_still_on_the_move_is_told() -> None:
    """10, 12, 13.5 had not settled; 10, 12, 12.2 had; 10, 12, 11 scatters."""
    for ppm, moving in (((10, 12, 13.5), True), ((10, 12, 12.2), False), ((10, 12, 11), False), ((14, 12, 11), True)):
        rows = [{"id": "A", "ppm": ppm[0]}, *({"id": "A", "ppm": p, "kind": "duplicate"} for p in ppm[1:])]
        assert bool(unsettled(samples_of(rows))) is moving
    assert _warned(samples_of(rows))["not-settled"] == {"sample": "A", "first": 14.0, "last": 11.0}


def test_two_instruments_on_split_samples() -> None:
    """Differences 2, 3, 4: mean 3, and with Student's t = 4.303 (2 degrees) 3 ± 4.303 ÷ √3 leaves out 0."""
    rows = []
    for i, gap in enumerate((2.0, 3.0, 4.0)):
        rows += [{"id": f"P{i}", "ppm": 10.0 + gap, "by": "A"},
                 {"id": f"P{i}", "ppm": 10.0, "by": "B", "kind": "duplicate"}]  # fmt: skip
    (pair,) = instrument_differences(samples_of(rows))
    assert (pair.instruments, pair.samples, pair.mean_ppm) == (("A", "B"), 3, 3.0)
    assert pair.low_ppm == pytest.approx(3 - 4.303 / np.sqrt(3), abs=1e-3)
    assert _warned(samples_of(rows))["instruments-differ"] == {"one": "A", "other": "B", "gap": 3.0, "count": 3}
    assert repeatability(samples_of(rows)) is None


def test_blanks_give_the_limit_of_detection() -> None:
    """Blanks 0.2, 0.4, 0.3: mean 0.3 + 3 × 0.1 = 0.6 ppm (IUPAC, Currie 1995); 1.4 ppm in a blank is told."""
    rows = [{"kind": "blank", "ppm": ppm} for ppm in (0.2, 0.4, 0.3)]
    found = blanks(samples_of(rows))
    assert found is not None
    assert found.detection_ppm == pytest.approx(0.6)
    assert _warned(samples_of([*field(12), {"kind": "blank", "ppm": 1.4}])) == {"blank-high": {"most": 1.4}}


def test_old_samples_are_told() -> None:
    """Two days warm are too long, two days cool are not, a month frozen is not (UNL G1740)."""
    pulled, read = date(2026, 6, 16), datetime(2026, 6, 18, 9)
    rows = [{"pulled": pulled, "read": read, "stored": how} for how in ("warm", "", "cool", "frozen")]
    assert _warned(samples_of(rows)) == {"kept-too-long": {"count": 2, "days": 2, "samples": "S01, S02"}}
    before = samples_of([{"pulled": pulled, "read": datetime(2026, 6, 15)}])
    assert "read-before-pulled" in _warned(before)


def test_many_readings_below_detection_are_told() -> None:
    """Three of ten hidden readings are told; one of ten is not."""
    many = [{"ppm": 0.5, "below": i < 3} for i in range(10)]
    assert _warned(samples_of(many)) == {"below-detection": {"hidden": 3, "count": 10}}
    assert not _warned(samples_of([{"ppm": 0.5, "below": i < 1} for i in range(10)]))


def _smooth_field(slip: float = 1.0) -> SoilSamples:
    places = [(60.0 * x, 60.0 * y) for y in range(7) for x in range(7)]
    random = np.random.default_rng(11)
    ppm = [np.exp(2.5 + 0.4 * np.sin(x / 120) * np.cos(y / 150) + 0.04 * random.standard_normal()) for x, y in places]
    ppm[24] *= slip
    return samples_of([{"at": at, "ppm": value} for at, value in zip(places, ppm, strict=True)])


def test_a_slip_of_the_pen_is_shown_and_kept() -> None:
    """A reading ten times its neighbours is the one that is told; without it none is; it stays in the readings."""
    assert suspects(_smooth_field()) == ()
    samples = _smooth_field(slip=10.0)
    (one,) = suspects(samples)
    assert one.row == 24
    assert one.read_ppm / one.expected_ppm == pytest.approx(10.0, rel=0.15)
    (told,) = (one for one in assess_readings(samples).findings if one.code == "samples.unlike-neighbors")
    assert (told.about, told.quantities["sample"].value) == ("samples.csv row 26", "S25")
    assert len(samples.field_readings()) == 49


def test_few_or_equal_readings_are_not_judged_by_neighbours() -> None:
    """Nine readings say too little, and equal readings have no outlier."""
    assert suspects(samples_of(field(*range(1, 10)))) == ()
    assert suspects(samples_of(field(*[12.0] * 20))) == ()


def test_error_variance_takes_the_best_source() -> None:
    """The user's figure goes before duplicates, those before standards; nothing known gives no variance."""
    rows = [*field(10, 12)]
    assert error_of_readings(samples_of(rows)).variance_ppm2 is None
    checks = [standard(20 + gap) for gap in (-1, 0, 1, 0)]
    from_standards = error_of_readings(samples_of(rows), of_all=samples_of([*rows, *checks]))
    assert from_standards.instrument_sd_ppm == pytest.approx(np.sqrt(2 / 3))
    twins = [
        r for i in range(3) for r in ({"id": f"P{i}", "ppm": 10.0}, {"id": f"P{i}", "ppm": 11.0, "kind": "duplicate"})
    ]
    both = error_of_readings(samples_of(rows), of_all=samples_of([*twins, *checks]))
    assert both.instrument_sd_ppm == pytest.approx(np.sqrt(0.5))
    given = error_of_readings(samples_of(rows), of_all=samples_of([*twins, *checks]), instrument_sd_ppm=0.4)
    assert given.variance_ppm2 is not None
    assert given.variance_ppm2.tolist() == pytest.approx([0.16, 0.16])


def test_only_what_differs_between_composites_goes_to_the_surface() -> None:
    """Cores of 50 % at a median of 20 ppm: 100/16 with 16 cores, 100/4 with 4; what all share is the nugget's."""
    alike = error_of_readings(samples_of([{"ppm": 20, "cores": 16}, {"ppm": 20, "cores": 16}]))
    np.testing.assert_allclose(alike.composite_ppm2, 100 / 16)
    assert alike.variance_ppm2 is None
    mixed = error_of_readings(samples_of([{"ppm": 10, "cores": 16}, {"ppm": 20, "cores": 4}, {"ppm": 30}]))
    np.testing.assert_allclose(mixed.composite_ppm2, [100 / 16, 25, 25])
    assert mixed.variance_ppm2 is not None
    np.testing.assert_allclose(mixed.variance_ppm2, [0, 25 - 100 / 16, 25 - 100 / 16])


def test_close_pairs_tell_the_variation_between_cores() -> None:
    """Composites of eight cores with 40 % between cores: 200 close pairs give 40 % back, less the instrument's part."""
    random, rows = np.random.default_rng(3), []
    for i in range(200):
        for step in (0.0, 6.0):
            cores = 15 * (1 + 0.4 * random.standard_normal(8)).mean() + 0.5 * random.standard_normal()
            rows.append({"at": (100.0 * i, step), "ppm": max(cores, 0.1), "cores": 8})
    error = error_of_readings(samples_of(rows), instrument_sd_ppm=0.5)
    assert error.core_cv_pct == pytest.approx(40.0, rel=0.1)
    assert (error.cores_from, error.core_pairs) == ("pairs", 200)


def test_clean_readings_have_nothing_to_decide() -> None:
    """Good standards, tight duplicates and fresh samples leave only notes."""
    samples = samples_of([standard(20.2), *field(12, 13, 14), {"id": "S02", "ppm": 12.3, "kind": "duplicate"},
                          standard(19.9), {"kind": "blank", "ppm": 0.1}])  # fmt: skip
    quality = assess_readings(samples, section=SampleSection(file="samples.csv", moisture_basis="dry"))
    assert {finding.level for finding in quality.findings} == {"note"}
    assert quality.runs[0].recovery_pct == pytest.approx([101, 99.5])
    assert quality.runs[0].after_readings.tolist() == [0, 5]


def test_no_readings_at_all() -> None:
    """An empty file, and one of standards only, are checked without stumbling."""
    assert assess_readings(samples_of([])).findings == ()
    quality = assess_readings(samples_of([standard(20.0)]))
    assert quality.findings == ()
    assert len(quality.runs) == 1

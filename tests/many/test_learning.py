"""From a trial laid into the pass to the next build: harvest, book, learned lines, and what is refused on the way."""

import json
import os
import re
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import vrn
from tests.golden.test_golden_pages import _text, _words
from tests.many.farm import TRIAL, MadeField
from vrn.cli import main
from vrn.desk.zones import _sketch_of
from vrn.errors import InputFileError
from vrn.files.summary import summary_of
from vrn.ingest.read import read_ground
from vrn.ingest.season_tables import trials_in
from vrn.many.book import Entry, latest
from vrn.many.book_events import record_trials
from vrn.many.harvest import read_trial_harvest
from vrn.many.season import due
from vrn.model.field import Field
from vrn.model.samples import profile_of
from vrn.model.trials import LearnedReport, PastTrial
from vrn.pages.compared import harvest_page
from vrn.pages.map_page import _zone_texts, totals_of
from vrn.pages.report_grower import _advised, grower_page
from vrn.pages.report_machine import _level
from vrn.pages.report_nitrogen import ledgers_part
from vrn.pages.report_parts import Table, Text
from vrn.pages.season_page import season_page
from vrn.pages.tables import learned_lines, learned_rows
from vrn.pipeline.learning import learned_in, learned_of, typical_of, with_learning
from vrn.pipeline.need import Need, need_of_field
from vrn.pipeline.order import ground_of
from vrn.pipeline.reading import reader_of
from vrn.pipeline.soil import soil_surfaces
from vrn.response import ZoneNeed
from vrn.response.learn import usual_anchor_lb_ac
from vrn.response.trial import likelihood_of
from vrn.words import UnitFormat

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own

MORE = 40.0  # lb/ac that the corn of the made farm wants beyond the budget


def _signed(out: Path) -> None:
    """As ``vrn sign`` would leave it; it builds again, which the whole run of five seasons does."""
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    (out / "summary.json").write_text(json.dumps(summary | {"approved": True}), encoding="utf-8")


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season with two blocks, driven and harvested, and a book with both: ``f``, ``rx``, ``applied.csv``, …"""
    root = tmp_path_factory.mktemp("farm")
    made = MadeField(name="North 40", folder=root / "f", seed=3)
    with pytest.MonkeyPatch.context() as patched:
        for page in ("vrn.pages.map_page.write_map", "vrn.pages.report_page.write_reports"):
            patched.setattr(page, _short)
        out = vrn.write(vrn.build(vrn.read_field(made.write(2025, TRIAL))), root / "rx")
    _signed(out)
    needs = [
        block["need_lb_ac"] for block in json.loads((out / "summary.json").read_text(encoding="utf-8"))["trial"]["each"]
    ]
    anchor = usual_anchor_lb_ac()
    made.drive(out, root / "applied.csv")
    top = (max(needs) + anchor + MORE, min(needs) + anchor + MORE)
    made.harvest(out, root / "harvest.csv", 2025, top=top)
    made.harvest(out, root / "across.csv", 2025, top=top, heading="across")
    made.harvest(out, root / "late.csv", 2026, top=top)
    found = read_trial_harvest(out, root / "harvest.csv", root / "applied.csv")
    record_trials(root / "season.db", "", *found.trials)
    return root


def _short(_prescription: object, *paths: Path, **_made: object) -> None:
    for path in paths:
        path.write_text("short for this test\n", encoding="utf-8")


@pytest.fixture(scope="module")
def needed(farm: Path) -> tuple[Field, Need, np.ndarray]:
    """Field, need and share of ground of the next season, before anything is learned."""
    field = vrn.read_field(_field_file(farm, ""))
    grid, share = ground_of(field)
    profile = profile_of(field.samples.field_readings())
    known, _ = soil_surfaces(field, profile, grid, share, extra={})
    return field, need_of_field(field, profile, known, share), share


@pytest.fixture
def teach(farm: Path, needed: tuple[Field, Need, np.ndarray]) -> Callable[..., tuple[Need, LearnedReport | None, set]]:
    """Need, report and codes of what is said, under a table ``[learning]``."""
    _, need, share = needed

    def made(table: str, season: int = 2026) -> tuple[Need, LearnedReport | None, set[str]]:
        taught, report, said = with_learning(vrn.read_field(_field_file(farm, table, season)), need, share)
        return taught, report, {one.code for one in said}

    return made


def _field_file(farm: Path, table: str, season: int = 2026) -> Path:
    source = (farm / "f" / "field_2025.toml").read_text(encoding="utf-8")
    path = farm / "f" / "next.toml"
    source = source.replace(TRIAL, "").replace("season = 2025", f"season = {season}")
    path.write_text(source + table, encoding="utf-8")
    return path


US = UnitFormat(metric=False)
LEARNING = '[learning]\nbook = "../season.db"\n'


def test_plots_are_measured_where_they_lie(farm: Path) -> None:
    """Every plot gets its rate to 1 lb and its yield to what was made; the trial says what the farm answers to."""
    found = read_trial_harvest(farm / "rx", farm / "harvest.csv", farm / "applied.csv")
    assert [trial.name for trial in found.trials] == ["North 40 2025 block 1", "North 40 2025 block 2"]
    for trial, (budget, said, low, high) in zip(found.trials, found.tops, strict=True):
        assert len(trial.plots) == 20
        assert all(not plot.why and plot.points >= 20 for plot in trial.plots)
        assert max(abs(plot.n_lb_ac - plot.planned_n_lb_ac) for plot in trial.plots) < 2.5
        assert budget == pytest.approx(trial.need_lb_ac + usual_anchor_lb_ac())
        assert low < budget + MORE < high
        assert budget + 20 < said < budget + 60
    east, west = found.trials
    assert west.supplies["soil_nitrate"] < west.typical["soil_nitrate"] < east.supplies["soil_nitrate"]
    assert {one.code for one in found.says} <= {"season.trial-bounded", "season.trial-or-more"}
    assert not any(one.level == "warning" for one in found.findings)


def test_the_book_keeps_plots_and_grid(farm: Path) -> None:
    """What is read back is what was written, and the grid made again from the plots is the one kept, to 1e-9."""
    found = read_trial_harvest(farm / "rx", farm / "harvest.csv", farm / "applied.csv").trials
    kept = trials_in(farm / "season.db")
    assert kept == found
    with sqlite3.connect(farm / "season.db") as book:
        rows = book.execute(
            "SELECT form, top_count, log_count, log_likelihood FROM likelihood WHERE trial = 1"
        ).fetchall()
    again = likelihood_of(learned_of(kept[:1]).trials[0])
    for form, tops, logs, data in rows:
        grid = np.frombuffer(data, "<f8").reshape(tops, logs)
        assert np.abs(grid - getattr(again, form)).max() < 1e-9
    with pytest.raises(InputFileError, match="already"):
        record_trials(farm / "season.db", "", *found)


def test_learned_lines_add_up_and_say_what_it_would_be_without(farm: Path, needed: tuple[Field, Need, object]) -> None:
    """The budget's lines stay; the learned ones add to the need; supplies count where they differ from the usual."""
    taught = vrn.build(vrn.read_field(_field_file(farm, LEARNING)))
    assert taught.learned is not None
    before = {line.key: line.lb_ac for line in needed[1].ledger.lines}
    for line in taught.ledger.lines:
        if line.key in before:
            np.testing.assert_array_equal(line.lb_ac, before.pop(line.key))
    assert not before
    added = [line.key for line in taught.ledger.lines if line.key.startswith("learned_")]
    assert added == ["learned_level", "learned_soil_nitrate", "learned_shape"]
    for rate in taught.rates:
        assert float(sum(line.lb_ac for line in rate.ledger.lines)) == pytest.approx(rate.need_lb_ac, abs=1e-9)
    report = taught.learned
    assert (len(report.trials), report.seasons, report.more, report.less) == (2, 1, 2, 0)
    assert 5 < report.together[0] < MORE
    assert report.together[1] < report.together[0] < report.together[2]
    codes = {one.code for one in taught.findings}
    assert {"season.learned", "season.learned-range", "season.learned-one-season"} <= codes
    assert "season.learned-no-mineralization" in codes
    for rate, plain in zip(taught.rates, report.without_n_lb_ac, strict=True):
        learned = sum(line.lb_ac for line in rate.ledger.lines if line.key.startswith("learned_"))
        assert rate.rate_n_lb_ac - plain == pytest.approx(learned, abs=5.0)  # the machine's step
    acres = [rate.acres for rate in taught.rates]
    page_1 = " ".join(_advised(taught, US))
    for rates in ([rate.rate_n_lb_ac for rate in taught.rates], report.without_n_lb_ac):
        assert f"{np.average(rates, weights=acres):.0f} lb N/ac" in page_1
    (shown,) = (
        piece for piece in ledgers_part(taught, US).pieces if isinstance(piece, Table) and len(piece.header) == 3
    )
    assert [tuple(map(float, row)) for row in shown.rows] == [
        (rate.zone, rate.rate_n_lb_ac, plain) for rate, plain in zip(taught.rates, report.without_n_lb_ac, strict=True)
    ]


def test_learned_is_the_learner_s_own_rate(farm: Path, teach: Callable[..., tuple], needed: tuple) -> None:
    """On mean ground need and learned lines are the rate that the trials together give at ordinary prices."""
    _, need, share = needed
    taught, report, _ = teach(LEARNING)
    used = trials_in(farm / "season.db")
    weights = share.ravel()[need.cells]

    def mean(values: object) -> float:
        return float(np.average(np.broadcast_to(values, share.size)[need.cells], weights=weights))

    nitrate = -sum(mean(line.lb_ac) for line in need.ledger.lines if line.key in ("soil_nitrate", "deep_nitrate"))
    place = ZoneNeed(field="North 40", zone="", season=2026, need_lb_ac=mean(need.ledger.unclipped_lb_ac),
                     supplies={"soil_nitrate": nitrate}, typical=typical_of(used))  # fmt: skip
    learned = learned_of(used)
    assert mean(taught.ledger.unclipped_lb_ac) == pytest.approx(learned.rate(place), abs=1e-4)
    assert report.top[0] == pytest.approx(learned.top(place).mean, abs=1e-6)


def test_parts_and_trials_can_be_refused(teach: Callable[..., tuple], needed: tuple) -> None:
    """``use`` takes parts, false nothing; a trial left out is as one never laid; without a book nothing changes."""
    need = needed[1]
    assert teach("") == (need, None, set())
    both = 'leave_out = ["North 40 2025 block 1: hail", "North 40 2025 block 2: hail"]\n'
    assert teach(f"{LEARNING}use = false\n") == (need, None, {"season.learned-off"})
    assert teach(LEARNING + both) == (need, None, {"season.learned-left-out", "season.learned-nothing"})
    level = teach(f'{LEARNING}use = ["level"]\n')[0]
    assert [line.key for line in level.ledger.lines if "learned" in line.key] == ["learned_level"]
    for wrong in ("North 40 2025 block 9: hail", "North 40 2025 block 1", "North 40 2025 block 1:"):
        with pytest.raises(InputFileError, match="leave_out"):
            teach(f'{LEARNING}leave_out = ["{wrong}"]\n')


def test_nothing_is_learned_from_the_same_season_a_draft_or_another_method(
    farm: Path, tmp_path: Path, teach: Callable[..., tuple], needed: tuple
) -> None:
    """Trials of the season that is built are not even read; drafts and other methods are told and left out."""
    assert teach(LEARNING, 2025) == (needed[1], None, {"season.learned-nothing"})
    one, other = trials_in(farm / "season.db")
    record_trials(tmp_path / "season.db", "", replace(one, approved=False), replace(other, method="nebraska"))
    _, report, codes = teach(f'[learning]\nbook = "{tmp_path / "season.db"}"\n')
    assert report is None
    assert codes == {"season.learned-draft", "season.learned-method", "season.learned-nothing"}


def test_a_farm_far_off_is_held(farm: Path, tmp_path: Path, teach: Callable[..., tuple], needed: tuple) -> None:
    """Six seasons that want 200 lb more move no cell by more than 60, and the pages say so."""
    trial = trials_in(farm / "season.db")[0]
    more = [_moved(trial, season=2019 + year, by=200.0) for year in range(6)]
    record_trials(tmp_path / "far.db", "", *more)
    taught, report, codes = teach(f'[learning]\nbook = "{tmp_path / "far.db"}"\n')
    moved = (taught.ledger.unclipped_lb_ac - needed[1].ledger.unclipped_lb_ac)[needed[1].cells]
    assert moved.max() == pytest.approx(60.0)
    assert report.held_share > 0.5
    assert "season.learned-held" in codes


def _moved(trial: PastTrial, *, season: int, by: float) -> PastTrial:
    """The same trial in another season, all its rates higher by as much: so its best rate is too."""
    plots = tuple(replace(plot, n_lb_ac=plot.n_lb_ac + by) for plot in trial.plots)
    return replace(trial, season=season, plots=plots)


def test_what_is_no_trial_is_refused(farm: Path, tmp_path: Path) -> None:
    """Another year, across the passes, no record, a reason left out, too few plots, no trial at all: each by itself."""
    rx, log, applied = farm / "rx", farm / "harvest.csv", farm / "applied.csv"
    late = tmp_path / "late.csv"
    rows = (farm / "late.csv").read_text(encoding="utf-8").splitlines()
    late.write_text("\n".join([f"{rows[0]},season", *(f"{row},2026" for row in rows[1:])]), encoding="utf-8")
    few = [f"block 1 plot {k}: wet" for k in range(1, 11)]
    other = tmp_path / "rx"
    shutil.copytree(rx, other)
    (other / "trial_plots.geojson").unlink()
    for expected, call in (
        ("2026", lambda: read_trial_harvest(rx, late, applied)),
        ("across", lambda: read_trial_harvest(rx, farm / "across.csv", applied)),
        ("too few", lambda: read_trial_harvest(rx, log, applied, leave_out=few)),
        ("names no plot", lambda: read_trial_harvest(rx, log, applied, leave_out=["block 1 plot 3"])),
        ("holds no trial", lambda: read_trial_harvest(other, log, applied)),
    ):
        with pytest.raises(InputFileError, match=expected):
            call()
    assert main(["harvest", str(rx), str(log)]) == 2
    assert main(["harvest", str(rx), str(log), "--as-planned", "--applied", str(applied)]) == 2


def test_what_was_learned_before_is_no_supply(farm: Path, tmp_path: Path) -> None:
    """Plots of a build that had learned: its lines are taken out of the need, and none of them counts as a supply."""
    plain = read_trial_harvest(farm / "rx", farm / "harvest.csv", None).trials
    shutil.copytree(farm / "rx", tmp_path / "rx")
    laid = json.loads((tmp_path / "rx" / "trial_plots.geojson").read_text(encoding="utf-8"))
    for one in laid["features"]:
        one["properties"]["need_lb_ac"] -= 12.0
        one["properties"]["supplies"]["learned_shape"] = 12.0
    (tmp_path / "rx" / "trial_plots.geojson").write_text(json.dumps(laid), encoding="utf-8")
    summary = json.loads((tmp_path / "rx" / "summary.json").read_text(encoding="utf-8"))
    for zone in summary["zones"]:
        zone["ledger"]["learned_shape"] = -12.0
    (tmp_path / "rx" / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    taught = read_trial_harvest(tmp_path / "rx", farm / "harvest.csv", None).trials
    for one, other in zip(plain, taught, strict=True):
        assert other.supplies == one.supplies
        assert other.typical == one.typical
        assert other.need_lb_ac == pytest.approx(one.need_lb_ac, abs=1e-6)


def test_rates_that_follow_the_need_are_no_trial(farm: Path, tmp_path: Path) -> None:
    """Plots whose rates rise with their zone's nitrate, and plots with rates too near each other."""
    for name, expected in (("follow", "followed"), ("near", "differ by")):
        other = tmp_path / name
        shutil.copytree(farm / "rx", other)
        laid = json.loads((other / "trial_plots.geojson").read_text(encoding="utf-8"))
        zones = json.loads((other / "summary.json").read_text(encoding="utf-8"))["zones"]
        ends = [zones[0]["zone"], zones[-1]["zone"]]
        for k, one in enumerate(laid["features"]):
            said = one["properties"]
            said["zone"] = ends[k % 2]
            del said["need_lb_ac"], said["supplies"]  # as a strip: its zone's
            step = 10 * (k % 4)
            said["rate_n_lb_ac"] = (60 + 80 * (k % 2) + step) if name == "follow" else 100 + step
        (other / "trial_plots.geojson").write_text(json.dumps(laid), encoding="utf-8")
        with pytest.raises(InputFileError, match=expected):
            read_trial_harvest(other, farm / "harvest.csv", None)


def test_the_plan_for_what_was_applied_is_told(farm: Path) -> None:
    """Without a record the plan counts, with a warning; a record that is a copy of the plan is found out."""
    found = read_trial_harvest(farm / "rx", farm / "harvest.csv", None)
    assert [one.code for one in found.findings if one.level == "warning"] == ["season.as-planned"]
    assert all(trial.applied_sha256 == "" for trial in found.trials)
    made = MadeField(name="North 40", folder=farm / "f", seed=9)
    made.drive(farm / "rx", farm / "copied.csv", off=0.0)
    copied = read_trial_harvest(farm / "rx", farm / "harvest.csv", farm / "copied.csv")
    assert [one.code for one in copied.findings if one.level == "warning"] == ["season.copied-plan"]


def test_commands_keep_and_tell(farm: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``vrn harvest`` writes its page and keeps the trials; ``vrn learned`` tells them, and without one of them."""
    book = tmp_path / "season.db"
    run = ["harvest", str(farm / "rx"), str(farm / "harvest.csv"), "--applied", str(farm / "applied.csv")]
    assert main([*run, "--book", str(book), "--out", str(tmp_path / "page")]) == 0
    assert (tmp_path / "page" / "harvest.html").read_text(encoding="utf-8").count("data:image/png") == 3
    capsys.readouterr()
    assert main(["learned", str(book), "--without", "North 40 2025 block 2", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [row["trial"] for row in said["trials"]] == ["North 40 2025 block 1", "North 40 2025 block 2"]
    assert said["without"]["trials"] == ["North 40 2025 block 1"]
    assert said["learned"]["level"][0] > 5
    assert main(["learned", str(book)]) == 0
    assert main(["learned", str(book), "--without", "North 41"]) == 2
    whole, rows = learned_in(trials_in(book))
    assert whole is not None
    assert rows[1].first_season  # nothing of an earlier season: the budget is what was expected
    assert rows[1].expected_lb_ac == pytest.approx(rows[1].budget_lb_ac)
    assert rows[1].low_lb_ac < rows[1].said_lb_ac < rows[1].high_lb_ac
    assert main(["season", str(book), "--html", str(tmp_path / "season.html")]) == 0
    assert (tmp_path / "season.html").read_text(encoding="utf-8").count('<figure class="chart"') == 1


def test_pages_of_blocks_say_what_was_read_by_eye(farm: Path) -> None:
    """Load sheet of a prescription with blocks, harvest page and learned lines, word for word, in both unit systems."""
    found = read_trial_harvest(farm / "rx", farm / "harvest.csv", farm / "applied.csv")
    first = trials_in(farm / "season.db")
    whole, rows = learned_in((*first, *(replace(one, season=2026) for one in first)))
    assert whole is not None
    copies = Path(__file__).parents[1] / "golden"
    for shown in (US, UnitFormat(metric=True)):
        system = "metric" if shown.metric else "us"
        page = farm / f"harvest.{system}.html"
        page.write_text(harvest_page(replace(found, units=system)), encoding="utf-8")
        table = [", ".join(row) for row in learned_rows(rows, shown)]
        pages = {"harvest_page": _text(page), "learned": "\n".join([*learned_lines(whole, rows, shown), *table]) + "\n"}
        if not shown.metric:
            pages["blocks_load_sheet"] = (farm / "rx" / "load_sheet.txt").read_text(encoding="utf-8")
        for name, text in pages.items():
            copy = copies / f"{name}.{system}.txt"
            if os.environ.get("VRN_WRITE_GOLDEN"):
                copy.write_text(text, encoding="utf-8", newline="\n")
            assert _words(text) == _words(copy.read_text(encoding="utf-8"))


def test_the_terminals_own_log_says_what_was_applied(farm: Path, tmp_path: Path) -> None:
    """The same pass as an ISO 11783-10 log: the rate by volume comes back as nitrogen, and the trial with it."""
    made = MadeField(name="North 40", folder=farm / "f", seed=5)
    made.drive_iso(farm / "rx", tmp_path / "TASKDATA")
    by_log = read_trial_harvest(farm / "rx", farm / "harvest.csv", tmp_path / "TASKDATA")
    by_table = read_trial_harvest(farm / "rx", farm / "harvest.csv", farm / "applied.csv")
    for one, other in zip(by_log.trials, by_table.trials, strict=True):
        assert not any(plot.why for plot in one.plots)
        assert max(abs(plot.n_lb_ac - plot.planned_n_lb_ac) for plot in one.plots) < 2.5
        assert [plot.yield_bu_ac for plot in one.plots] == [plot.yield_bu_ac for plot in other.plots]
        assert one.applied_sha256 != other.applied_sha256
    for one, other in zip(by_log.tops, by_table.tops, strict=True):
        assert one[1] == pytest.approx(other[1], abs=4.0)


def _with_column(path: Path, source: Path, name: str, values: tuple[str, ...]) -> Path:
    """A table with one more column, its values in turn."""
    head, *rows = source.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([f"{head},{name}", *(f"{row},{values[k % len(values)]}" for k, row in enumerate(rows))]),
                    encoding="utf-8")  # fmt: skip
    return path


def test_another_fields_name_and_several_products(farm: Path, tmp_path: Path) -> None:
    """A log that names another field is a warning; rates of two products are refused unless they are nitrogen."""
    rx, log, applied = farm / "rx", farm / "harvest.csv", farm / "applied.csv"
    for name, codes in (("South 80", {"season.other-field"}), ("north 40", set())):
        found = read_trial_harvest(rx, _with_column(tmp_path / "named.csv", log, "field", (name,)), applied)
        assert {one.code for one in found.findings if one.level == "warning"} == codes
    two = _with_column(tmp_path / "two.csv", applied, "product", ("UAN 32", "ATS"))
    gallons = tmp_path / "gallons.csv"
    gallons.write_text(two.read_text(encoding="utf-8").replace("rate_n_lb_ac", "rate_gal_ac"), encoding="utf-8")
    with pytest.raises(InputFileError, match=r"2 products \(ATS, UAN 32\)"):
        read_trial_harvest(rx, log, gallons)
    wet = tmp_path / "wet.csv"
    wet.write_text(log.read_text(encoding="utf-8").replace("yield_bu_ac", "wet yield bu/ac"), encoding="utf-8")
    for column in (None, "wet yield bu/ac"):
        with pytest.raises(InputFileError, match="wet yield bu/ac"):
            read_trial_harvest(rx, wet, applied, column=column)
    with pytest.raises(InputFileError, match=r"0, at 0 different rates.*rate uneven \(20\)"):
        read_trial_harvest(rx, log, _jumpy(tmp_path / "jumpy.csv", applied))


def _jumpy(path: Path, source: Path) -> Path:
    """An as-applied table whose rate jumps by 40 lb from record to record."""
    head, *rows = (row.split(",") for row in source.read_text(encoding="utf-8").splitlines())
    at = head.index("rate_n_lb_ac")
    for k, row in enumerate(rows):
        row[at] = str(float(row[at]) + 40 * (k % 2))
    path.write_text("\n".join(",".join(row) for row in [head, *rows]), encoding="utf-8")
    return path


def test_one_harvest_is_kept_once(farm: Path, tmp_path: Path) -> None:
    """The same yield log under another field's name is refused, and nothing of it is written."""
    one, other = trials_in(farm / "season.db")
    record_trials(tmp_path / "season.db", "", one)
    record_trials(tmp_path / "season.db", "", other)  # another block of the same harvest
    with pytest.raises(InputFileError, match="this yield log already"):
        record_trials(tmp_path / "season.db", "", replace(one, field="South 80", rx="b" * 64))
    assert len(trials_in(tmp_path / "season.db")) == 2


def test_a_book_from_before_trials_opens_and_is_raised(farm: Path, tmp_path: Path) -> None:
    """Version 4 has no trials: it is read as it lies, and has them once one is recorded."""
    book = tmp_path / "season.db"
    record_trials(book, "")
    with sqlite3.connect(book) as connection:
        for table in ("likelihood", "plot", "trial"):
            connection.execute(f"DROP TABLE {table}")
        connection.execute("PRAGMA user_version = 4")
    connection.close()
    before = book.read_bytes()
    assert trials_in(book) == ()
    assert latest(book) == ()
    assert book.read_bytes() == before
    kept = trials_in(farm / "season.db")
    record_trials(book, "", *kept)
    assert trials_in(book) == kept
    with sqlite3.connect(book) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (6,)
        with pytest.raises(sqlite3.IntegrityError):
            connection.execute("DELETE FROM trial")
    connection.close()


def _preplant(farm: Path) -> Path:
    """The field by a yield goal's own method, on cores of two feet pulled before planting."""
    source = _field_file(farm, '[nitrogen]\nmethod = "nebraska"\n').read_text(encoding="utf-8")
    rows = (farm / "f" / "samples.csv").read_text(encoding="utf-8").replace(",0,12,", ",0,24,")
    (farm / "f" / "preplant.csv").write_text(rows, encoding="utf-8")
    path = farm / "f" / "preplant.toml"
    source = source.replace("samples.csv", "preplant.csv").replace('"V7"', '"preplant"')
    path.write_text(f'applications = "none"\n{source}', encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("field_file", "before"),
    [(lambda farm: _field_file(farm, ""), 35.0), (_preplant, 40.0), (lambda farm: _field_file(farm, LEARNING), 35.0),
     (lambda farm: _field_file(farm, f"{LEARNING}[nitrogen]\nmethod_sd_lb_ac = 50\n"), 50.0)],
    ids=["in season", "yield goal", "trials", "trials, own figure"],
)  # fmt: skip
def test_one_doubt_on_every_page(
    farm: Path, capsys: pytest.CaptureFixture[str], field_file: Callable[[Path], Path], before: float
) -> None:
    """Page 1, its parts, map, desk, summary, season page and ``vrn need`` print the doubt of one object."""
    path = field_file(farm)
    built = vrn.build(vrn.read_field(path))
    doubt, learned = built.doubt, built.learned
    assert doubt.now_and_before[1] == before
    if learned is None:
        assert doubt.untaught_sd_lb_ac is None
        assert doubt.sd_lb_ac == before
    else:
        assert 0.7 * before < doubt.sd_lb_ac < 0.97 * before  # one season of two blocks
        assert doubt.sd_lb_ac == pytest.approx(learned.doubt_share * before)
        assert learned.top[2] - learned.top[1] == pytest.approx(2 * 1.645 * doubt.sd_lb_ac, rel=1e-3)
    if doubt.parts:
        assert sum(one.sd_lb_ac**2 for one in doubt.parts) == pytest.approx(doubt.sd_lb_ac**2)
    printed = f"{doubt.sd_lb_ac:.0f} lb/ac"
    first = grower_page(built, US)[0].pieces
    assert f"within {printed}" in " ".join(piece.text for piece in first if isinstance(piece, Text))
    shown = {key: value for key, _, value in totals_of(built, US)}
    assert shown["doubt"] == f"± {printed}"
    assert all(f"within {printed}" in zone.sure for zone in _zone_texts(built, [], US))
    assert f"± {printed}" in dict(_sketch_of(built).totals).values()
    table = next((one for one in _level(built, US) if isinstance(one, Table)), None)
    if table is not None:
        assert float(table.rows[-1][1]) == pytest.approx(doubt.sd_lb_ac, abs=0.05)
    summary = json.loads(json.dumps(summary_of(built)))
    assert summary["doubt"]["sd_lb_ac"] == doubt.sd_lb_ac
    assert summary["doubt"].get("untaught_sd_lb_ac") == doubt.untaught_sd_lb_ac
    entry = Entry(field_file="f/next.toml", folder="rx", status="built", field="North 40", season=2026,
                  summary=summary, key="f/next.toml")  # fmt: skip
    (one,) = due((entry,), (), date(2026, 6, 10), 2026)
    assert one.doubt_sd_lb_ac == doubt.sd_lb_ac
    assert f">± {doubt.sd_lb_ac:.0f}</td>" in season_page((one,), (), (), date(2026, 6, 10), {})
    ppm = built.surfaces["nitrate_ppm"].values[built.share > 0]
    more = ["--allow-outside"] if before == 40.0 else []
    capsys.readouterr()
    main(["need", "--field", str(path), "--ppm", f"{np.nanmean(ppm):.3f}", "--json", *more])
    answer = json.loads(capsys.readouterr().out)
    assert answer["doubt_sd_lb_ac"] == pytest.approx(doubt.sd_lb_ac, abs=0.1)
    assert (answer["doubt_untaught_sd_lb_ac"] is None) is (learned is None)


def test_need_of_a_reading_has_the_learned_lines_of_the_build(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``vrn need --field`` at the field's mean reading, and the page for the phone, say what the build says."""
    path = _field_file(farm, LEARNING)
    built = vrn.build(vrn.read_field(path))
    inside = built.share.ravel() > 0
    ppm = float(np.average(built.surfaces["nitrate_ppm"].values.ravel()[inside], weights=built.share.ravel()[inside]))
    main(["need", "--field", str(path), "--ppm", f"{ppm:.4f}", "--json"])
    told = json.loads(capsys.readouterr().out)["lines"]
    lines = {one["key"]: one["lb_ac"] for one in told}
    (basis,) = (one["basis"] for one in told if one["key"] == "learned_soil_nitrate")
    worth, here, usual = map(float, re.findall(r"\d+(?:\.\d+)?", basis)[1:])  # as on a pocket calculator
    assert (1 - worth) * (here - usual) == pytest.approx(lines["learned_soil_nitrate"], abs=0.05)
    weights = built.share.ravel()[inside]
    for line in built.ledger.lines:
        mean = float(np.average(np.broadcast_to(line.lb_ac, inside.shape)[inside], weights=weights))
        assert lines.pop(line.key) == pytest.approx(mean, abs=0.2)
    assert not lines
    reader = reader_of(read_ground(path), np.array([[0.0, 0.0]]))
    table = reader.tables()[0]["V7"]
    of_page = float(np.interp(ppm, table.ppm, table.need_lb_ac[0]))
    mean = float(np.average(np.asarray(built.ledger.unclipped_lb_ac)[inside], weights=weights))
    assert of_page == pytest.approx(mean, abs=1.0)

"""Report and GeoPackage made by a second process: the same bytes, and whatever happens to that process, both."""

import pickle
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from vrn.files.tables import write_geopackage
from vrn.many import sign
from vrn.many.sign import ReportBeside
from vrn.pages.report_page import reports_of
from vrn.pipeline.order import with_export_findings, write
from vrn.prescription.model import Prescription

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(autouse=True)
def two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a machine of one processor no second process is started; here there are two."""
    monkeypatch.setattr(sign, "usable_processors", lambda: 2)


@pytest.fixture(scope="module")
def set_here(make: Callable[..., Prescription]) -> tuple[bytes, bytes, bytes]:
    """Page, paper and ticket of the small prescription, set by this process."""
    return reports_of(with_export_findings(make()))


def test_a_built_prescription_is_handed_over(demo_built: Callable[[str], Prescription]) -> None:
    """What a build makes goes to another process and comes back whole, the published methods beside it too."""
    built = demo_built("mill_race")
    again = pickle.loads(pickle.dumps(built))
    assert [result.method.key for result in again.methods] == [result.method.key for result in built.methods]
    assert len(again.methods) > 1
    assert again.rates[0].rate_n_lb_ac == built.rates[0].rate_n_lb_ac


def test_second_process_sets_the_same_bytes(
    made: Prescription, set_here: tuple[bytes, bytes, bytes], tmp_path: Path
) -> None:
    """Page, paper, ticket and GeoPackage are those that this process makes, and they are what is written."""
    (tmp_path / "there").mkdir()
    with ReportBeside() as report:
        report.begin(with_export_findings(made), tmp_path / "there")
        assert report.finish() == set_here
        out = write(made, tmp_path / "rx", report=report)
    assert (out / "layers.gpkg").read_bytes() == (tmp_path / "there" / "layers.gpkg").read_bytes()
    names = ("report.html", "report.pdf", "load_sheet.pdf")
    assert tuple((out / name).read_bytes() for name in names) == set_here


def test_report_is_set_here_when_no_process_starts(
    made: Prescription, set_here: tuple[bytes, bytes, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the machine starts no second process the report is written all the same."""
    monkeypatch.setattr(sys, "executable", str(tmp_path / "no_such_program"))
    with ReportBeside() as report:
        report.begin(made, tmp_path)
        assert report.finish() is None
        out = write(made, tmp_path / "rx", report=report)
    assert (out / "report.html").read_bytes() == set_here[0]


@pytest.mark.parametrize(
    "code",
    [pytest.param("raise SystemExit(1)", marks=pytest.mark.long), "print('neither a page nor a paper')",
     pytest.param("import no_such_module", marks=pytest.mark.long),
     """
import pickle, sys
_, (_, folder) = pickle.load(sys.stdin.buffer), pickle.load(sys.stdin.buffer)
(folder / "layers.gpkg").write_bytes(b"half of it")"""],
)  # fmt: skip
def test_report_is_set_here_when_the_process_fails(
    made: Prescription, set_here: tuple[bytes, bytes, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    """A second process that ends early, or answers with something else, changes nothing of what is written."""
    monkeypatch.setattr("vrn.many.sign._CHILD", code)
    with ReportBeside() as report:
        out = write(made, tmp_path / "rx", report=report)
    write_geopackage(with_export_findings(made), tmp_path)
    assert (out / "report.html").read_bytes() == set_here[0]
    assert (out / "layers.gpkg").read_bytes() == (tmp_path / "layers.gpkg").read_bytes()


def test_process_ends_with_the_block(made: Prescription, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A block left early, or by an error, leaves no process behind, even one that never answers."""
    monkeypatch.setattr("vrn.many.sign._CHILD", "import time; time.sleep(600)")

    def leave(report: ReportBeside) -> None:
        report.begin(made, tmp_path)
        message = "stopped"
        raise KeyboardInterrupt(message)

    report = ReportBeside()
    with pytest.raises(KeyboardInterrupt, match="stopped"), report:
        leave(report)
    assert report._process is not None
    assert report._process.poll() is not None

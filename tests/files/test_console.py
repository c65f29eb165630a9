"""The console of a plain build: at most six lines of findings, decisions first, and its exit status."""

import pytest
import typer

from vrn.cli.app import leave_if_warned
from vrn.cli.build import _say_findings
from vrn.findings import note, warning
from vrn.words import UnitFormat

NOTE = note("files.name-one-line", "field.name", name="Ash", most=200)
DECISION = warning("audit.draft-applied", "review")


def _lines(
    decisions: int, notes: int, capsys: pytest.CaptureFixture[str], *, metric: bool = False, report: bool = True
) -> list[str]:
    found = (NOTE,) * notes + (DECISION,) * decisions
    _say_findings(found, UnitFormat(metric=metric), report=report)
    return [line for line in capsys.readouterr().out.splitlines() if line]


@pytest.mark.parametrize("metric", [False, True])
@pytest.mark.parametrize("report", [False, True])
@pytest.mark.parametrize(("decisions", "notes"), [(0, 0), (0, 7), (1, 0), (6, 0), (7, 0), (3, 4), (40, 40)])
def test_findings_take_six_lines_and_decisions_come_first(
    decisions: int, notes: int, metric: bool, report: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a person must decide stands first, one line each; what is not shown is counted."""
    lines = _lines(decisions, notes, capsys, metric=metric, report=report)
    shown = [line for line in lines if line.startswith("!")]
    assert len(lines) <= 6
    assert lines[: len(shown)] == shown
    assert min(decisions, 4) <= len(shown) <= decisions
    hidden = decisions + notes - len(shown)
    assert str(hidden) in lines[-1] if hidden else len(lines) == len(shown)


def test_a_warning_alone_asks_for_a_person() -> None:
    """Status 1 as soon as one finding must be decided; notes alone end as usual."""
    leave_if_warned(())
    leave_if_warned((NOTE,))
    with pytest.raises(typer.Exit) as left:
        leave_if_warned((NOTE, DECISION))
    assert left.value.exit_code == 1

"""The front door: what `dir` shows, what opens lazily, and cards short enough for a prompt."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import vrn
from vrn import door
from vrn.findings import note, warning
from vrn.model.layers import PointLayer
from vrn.nitrogen import methods
from vrn.prescription.model import Prescription

MOST_LINES, MOST_LETTERS = 8, 1200


def test_dir_shows_the_door() -> None:
    """Everything the door promises is listed, and everything listed opens."""
    assert set(vrn.__all__) <= set(dir(vrn))
    for name in dir(vrn):
        assert getattr(vrn, name) is not None


@pytest.mark.parametrize("room", ["nitrogen", "prescription", "surface", "zones"])
def test_a_room_opens_from_the_door_alone(room: str) -> None:
    """A room opens by its name after nothing but ``import vrn``."""
    code = f"import sys, vrn; assert 'vrn.{room}' not in sys.modules; print(vrn.{room}.__name__)"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == f"vrn.{room}"


def test_an_unknown_name_is_refused() -> None:
    """A name that is not at the door raises as Python does."""
    with pytest.raises(AttributeError, match="no_such_room"):
        _ = vrn.no_such_room


def test_cards_are_short(cedar_bend: Prescription) -> None:
    """No noun at a prompt fills the screen, however many cells it holds."""
    field = cedar_bend.field
    nouns = [
        field, field.samples, field.organic_matter, field.yield_potential, cedar_bend, cedar_bend.grid,
        cedar_bend.zones, cedar_bend.ledger, cedar_bend.ledger.lines[0], *cedar_bend.rates,
        *cedar_bend.surfaces.values(), *methods(),
    ]  # fmt: skip
    for noun in nouns:
        shown = repr(noun)
        assert shown.count("\n") < MOST_LINES
        assert len(shown) < MOST_LETTERS
        assert "array(" not in shown
        assert "POLYGON" not in shown


def test_cards_say_name_counts_and_range(cedar_bend: Prescription) -> None:
    """A card holds the numbers a person asks for first."""
    field, nitrate = cedar_bend.field, cedar_bend.surfaces["nitrate_ppm"]
    assert field.name in repr(field)
    assert f"{len(field.samples)} samples" in repr(field)
    assert f"{np.nanmin(nitrate.values):.4g} to {np.nanmax(nitrate.values):.4g}" in repr(nitrate)
    assert f"{nitrate.grid.rows} × {nitrate.grid.cols}" in repr(nitrate)
    assert f"{len(cedar_bend.rates)} zones" in repr(cedar_bend)
    assert f"{cedar_bend.total_n_lb:,.0f} lb N" in repr(cedar_bend)
    assert all(line.label in repr(cedar_bend.rates[0].ledger) for line in cedar_bend.ledger.lines)


def test_a_card_counts_what_is_unknown() -> None:
    """NaN is not passed over in silence."""
    values = np.array([1.0, np.nan, 3.0])
    layer = PointLayer(name="x", crs="EPSG:32615", coordinates_m=np.zeros((3, 2)), values=values, source="x.csv")
    assert "1 of 3 unknown" in repr(layer)
    assert door.span([float("nan")]) == "unknown"


def test_a_prescription_shows_what_to_decide(cedar_bend: Prescription) -> None:
    """Each warning stands in the notebook's view, no note does."""
    decide, noted = warning("own.need", "need", source="a"), note("own.surface", "nitrate_ppm", source="b")
    shown = replace(cedar_bend, findings=(decide, noted, decide))._repr_html_()
    assert shown.count("<li>") == 2
    assert "given by a" in shown
    assert "given by b" not in shown


def test_views_are_there_without_any_name_of_the_door(tmp_path: Path) -> None:
    """A noun made by a room itself shows itself in a notebook too."""
    code = (
        "from vrn.nitrogen.ledger import Ledger, Line; "
        "line = Line(label='Soil', lb_ac=-1.0, basis='', source='', key='soil'); "
        "print('<table>' in Ledger(lines=(line,), method='m')._repr_html_())"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert shown.stdout.strip() == "True"

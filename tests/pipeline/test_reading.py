"""Tables of the need for the field's edge: what straight lines between their entries say is what the ledger says."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vrn.errors import VrnError
from vrn.ingest.read import read_ground
from vrn.nitrogen import methods
from vrn.pipeline.reading import edge_need, reader_of
from vrn.sampling.make_plan import plan_samples
from vrn.sampling.plan import PlanOptions

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
EXTRA = {"b": 1.2, "c": -0.004, "base_rate_lb_ac": 160.0, "history_factor": 1.0}


@pytest.mark.parametrize("key", [one.key for one in methods() if one.takes("nitrate_ppm")])
def test_tables_are_the_ledger_to_a_tenth(key: str) -> None:
    """Two hundred readings with and without the core below, at three places, by every method of a reading."""
    field = read_ground(DEMO / "heron_flat" / "field.toml")
    middle = np.array(field.treated.representative_point().coords[0])
    reader = reader_of(field, middle + np.array([[0.0, 0.0], [60.0, 0.0], [0.0, -60.0]]))
    options = {**reader.options, **EXTRA, "method": key}
    reader = replace(reader, options=options, findings=())
    tables, why = reader.tables()
    assert not any(table.odd[:4, :4].any() for stage, table in tables.items() if stage <= "V8" and len(stage) == 2)
    if why is not None:
        pytest.skip(f"{key} answers at no stage here")
    random = np.random.default_rng(3)
    for stage in (min(tables), max(tables)):
        for ppm, deep in zip(np.round(random.gamma(2.0, 8.0, 100), 1), np.round(random.gamma(2.0, 5.0, 100), 1),
                             strict=True):  # fmt: skip
            for below in (None, float(deep)) if len(tables[stage].deep_ppm) else (None,):
                whole = np.ravel(reader.need(np.full(3, ppm), None if below is None else np.full(3, below),
                                             growth_stage=stage)[0].need_lb_ac)  # fmt: skip
                shown = [tables[stage].answer(place, float(ppm), below) for place in range(3)]
                if below is not None and tables[stage].odd[int(ppm // 5), int(below // 5)]:
                    assert shown == [None] * 3  # the ledger alone answers
                    continue
                np.testing.assert_allclose(shown, np.broadcast_to(whole, 3), atol=0.05)


def test_stages_outside_a_test_have_no_table() -> None:
    """Iowa's test holds from V4 to V6 here: other stages have no table, and a method without any says why."""
    reader = reader_of(read_ground(DEMO / "cedar_bend" / "field.toml"))
    iowa = replace(reader, options=reader.options | {"method": "iowa-lsnt"}, findings=())
    stages = list(iowa.tables()[0])
    assert stages
    assert "V9" not in stages
    bare = replace(reader, options=reader.options | {"method": "kansas"}, findings=())
    tables, why = bare.tables()
    assert tables or isinstance(why, VrnError)


def test_no_need_is_said_before_a_goal_is_given(tmp_path: Path) -> None:
    """Without a goal no ledger answers and the plan says why; a test that takes no goal answers; with one all do."""
    shutil.copytree(DEMO / "mill_race", tmp_path / "field")
    path = tmp_path / "field" / "field.toml"
    text = path.read_text(encoding="utf-8")
    given = next(line for line in text.splitlines() if line.startswith("yield_goal_bu_ac"))
    path.write_text(text.replace(given, ""), encoding="utf-8")
    field = read_ground(path)
    reader = reader_of(field)
    assert "yield_goal_bu_ac" not in reader.known
    assert reader.tables()[0] == {}
    asked = edge_need(plan_samples(field, PlanOptions(samples=8)))
    assert asked.tables == {}
    assert all(asked.why_not)
    iowa = replace(reader, options=reader.options | {"method": "iowa-lsnt"}, findings=())
    assert iowa.tables()[0]
    path.write_text(text, encoding="utf-8")
    assert edge_need(plan_samples(read_ground(path), PlanOptions(samples=8))).tables


def test_a_table_has_a_row_for_every_place(tmp_path: Path) -> None:
    """Also where nothing but the boundary is known, and the test takes no goal."""
    shutil.copy(DEMO / "mill_race" / "boundary.geojson", tmp_path)
    (tmp_path / "field.toml").write_text(
        '[field]\nname = "Bare"\nseason = 2026\nboundary = "boundary.geojson"\n[nitrogen]\nmethod = "iowa-lsnt"\n'
        '[crop]\ngrowth_stage = "V6"\n[product]\nname = "UAN 32"\n',
        encoding="utf-8",
    )
    plan = plan_samples(read_ground(tmp_path / "field.toml"), PlanOptions(samples=8))
    tables = edge_need(plan).tables
    assert tables
    assert {len(table.need_lb_ac) for table in tables.values()} == {len(plan.places)}

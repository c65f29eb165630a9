"""What a reader of a metric field is told: no trade unit in a sentence, and keys as the field file names them."""

from collections.abc import Callable, Iterator
from dataclasses import is_dataclass, replace
from pathlib import Path
from typing import cast, get_args, get_type_hints

from vrn.ingest.field_file import read_settings
from vrn.ingest.new_field import new_field_files
from vrn.model.settings import Settings
from vrn.pages.report_file import file_parts, setting_name
from vrn.pages.report_parts import Table
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat
from vrn.words.settings import SENTENCES


def test_settings_stand_as_the_metric_field_file_names_them(make: Callable[..., Prescription], tmp_path: Path) -> None:
    """Every key of a fresh metric field file stands in the report under a plain name with its own number and unit."""
    text = new_field_files(2026, metric=True)["field.toml"]
    for empty, full in (('name = ""', 'name = "A"'), ("yield_goal_t_ha = 0", "yield_goal_t_ha = 12.5"),
                        ('growth_stage = ""', 'growth_stage = "V8"'), ('reported_as = ""', 'reported_as = "NO3-N"'),
                        ('moisture_basis = ""', 'moisture_basis = "dry"'),
                        ("value_pct = -1", "value_pct = 3")):  # fmt: skip
        assert empty in text
        text = text.replace(empty, full)
    (tmp_path / "field.toml").write_text(text, encoding="utf-8")
    settings, made = read_settings(tmp_path / "field.toml"), make(units="metric")
    made = replace(made, field=replace(made.field, settings=settings))
    part = next(part for part in file_parts(made, UnitFormat(metric=True)) if part.title == "Every setting")
    table = next(piece for piece in part.pieces if isinstance(piece, Table))
    told = dict(table.rows)
    assert not [key for key in told if "_" in key]
    for key, number, unit in (("crop.yield_goal_bu_ac", "12.5", "t/ha"), ("machine.swath_ft", "18", "m"),
                              ("machine.min_rate_n_lb_ac", "35", "kg N/ha"),
                              ("limits.max_n_lb_ac", "200", "kg N/ha")):  # fmt: skip
        assert told[setting_name(key, UnitFormat(metric=True))] == f"{number} {unit}"


def _within(kind: object) -> Iterator[object]:
    """A type and all that it is made of."""
    yield kind
    for part in get_args(kind):
        yield from _within(part)


def _keys(section: type, path: str = "") -> Iterator[str]:
    """Every key of a section and of the sections in it."""
    for name, kind in get_type_hints(section).items():
        key = ("field" if name == "header" else name) if not path else f"{path}.{name}"
        inner = [one for one in _within(kind) if is_dataclass(one)]
        yield from _keys(cast("type", inner[0]), key) if inner else (key,)


def test_every_setting_has_a_plain_name() -> None:
    """Every key that a field file may hold, down to the last table, stands in the words; no word is left over."""
    keys, own = set(_keys(Settings)), {"setting", "value", "numbered", "of", "yes", "no"}
    assert keys == {key for key in SENTENCES if key not in own and not key.startswith("samples.columns.")}

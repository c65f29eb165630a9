"""What a reader of a metric field is told: no trade unit in a sentence, and keys as the field file names them."""

from collections.abc import Callable, Iterator
from dataclasses import is_dataclass, replace
from pathlib import Path
from typing import cast, get_args, get_type_hints

import pytest

from vrn.ingest.field_file import read_settings
from vrn.ingest.new_field import new_field_files
from vrn.model.settings import Settings
from vrn.pages.report_file import file_parts, setting_name
from vrn.pages.report_parts import Table
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat
from vrn.words.metric_words import in_metric
from vrn.words.settings import SENTENCES

# exact factors: NIST SP 811, appendix B.8 (ft, in, lb, acre, gal); bushel of 56 lb of corn: USDA grade standards
CASES = [
    ("The rate is 12 lb/ac above the need.", "The rate is 13.5 kg/ha above the need."),
    ("check strip 2, -30 lb N/ac in zone 3", "check strip 2, -33.6 kg N/ha in zone 3"),
    ("Nitrate in the soil, 12–24 in", "Nitrate in the soil, 30–61 cm"),
    ("a goal of 200 bu/ac", "a goal of 12.6 t/ha"),
    ("75.7 ac of 1,500 ac", "30.6 ha of 607 ha"),
    ("1,000 gal or 2,000 to 4,000 lb", "3,785 L or 907 to 1,814 kg"),
    ("slower than 5.0 mph", "slower than 8.05 km/h"),
    ("Sample 13 lies 100 ft outside", "Sample 13 lies 30.5 m outside"),
    ("limits.max_n_lb_ac = 151.67", "limits.max_n_kg_ha = 170"),
    ("machine.swath_ft = 39.3701", "machine.swath_m = 12"),
]


@pytest.mark.parametrize(("said", "told"), CASES)
def test_a_sentence_is_told_in_metric(said: str, told: str) -> None:
    """Numbers with a trade unit are converted with it, to the figures a person reads (NIST SP 811, appendix B.8)."""
    assert in_metric(said) == told


@pytest.mark.parametrize("sentence", ["zone 5 in 2 parts", "about 1.1 lb/bu", "row 14 of 20",
                                      "29 CFR 1910.111", "15 % of it", "V6 to V8", "0–30 cm"])  # fmt: skip
def test_what_is_no_trade_quantity_stays(sentence: str) -> None:
    """A number without a unit, a rate per bushel and what is metric already are left alone."""
    assert in_metric(sentence) == sentence


def test_us_readers_get_the_sentence_as_it_is() -> None:
    """A field in trade units is told in them."""
    assert all(UnitFormat(metric=False).words(said) == said for said, _ in CASES)


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


def _keys(section: type, path: str = "") -> Iterator[str]:
    """Every key of a section and of the sections in it."""
    for name, kind in get_type_hints(section).items():
        key = ("field" if name == "header" else name) if not path else f"{path}.{name}"
        inner = [one for one in (kind, *get_args(kind)) if is_dataclass(one)]
        yield from _keys(cast("type", inner[0]), key) if inner else (key,)


def test_every_setting_has_a_plain_name() -> None:
    """Every key that a field file may hold, down to the last table, stands in the words; no word is left over."""
    keys, own = set(_keys(Settings)), {"setting", "value", "numbered", "of", "yes", "no"}
    assert keys == {key for key in SENTENCES if key not in own and not key.startswith("samples.columns.")}

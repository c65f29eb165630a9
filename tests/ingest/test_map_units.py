"""Soil map units: polygons with a table beside them, joined by a key; what can go wrong is told or refused."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sound

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.model.field import Field
from vrn.model.layers import PolygonLayer

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
KEYS = {"file": "units.geojson", "table": "units.csv", "key": "musym"}
ONE_EACH = "musym,name,om_pct\n27B,loam,3.4\n55,clay loam,4.6\n1507,muck,9.1\n"
SEVERAL = "musym,om_pct,percent\n27B,4.0,60\n27B,3.0,30\n27B,,10\n55,4.6,100\n"


def read(rewrite: Rewrite, put: Put, cells: str, symbols: tuple[Any, ...] = ("27B", "55"), **keys: Any) -> Field:
    """The field with its west half of one map unit and its east half of another, and a table beside them."""
    middle = (sound.WEST + sound.EAST) / 2
    halves = ((sound.WEST, middle), (middle, sound.EAST))
    units = [
        sound.polygon(sound.box(west, sound.SOUTH, east, sound.NORTH), musym=symbol)
        for (west, east), symbol in zip(halves, symbols, strict=True)
    ]
    put("units.geojson", sound.collection(*units))
    put("units.csv", cells)
    given = {**KEYS, "column": "om_pct", **keys}
    return read_field(rewrite(layers__organic_matter={key: value for key, value in given.items() if value is not None}))


def values(field: Field) -> list[float]:
    """Values of the two halves, or of those that are known."""
    assert isinstance(field.organic_matter, PolygonLayer)
    return field.organic_matter.values.tolist()


def test_each_polygon_takes_the_row_of_its_key(rewrite: Rewrite, put: Put) -> None:
    """In the order of the polygons; rows of other map units are told and left."""
    field = read(rewrite, put, ONE_EACH)
    assert values(field) == [3.4, 4.6]
    assert sound.one(field, "map-units-unused")["rows"] == 1
    assert "units.csv" in field.inputs


@pytest.mark.parametrize(("header", "cells", "percent"), [
    ("om_g_kg", ("34", "46"), (3.4, 4.6)),
    ("soil organic carbon (%)", ("2", "2.5"), (2 * 1.724, 2.5 * 1.724)),  # van Bemmelen
    ("org_c_g_kg", ("20", "25"), (2 * 1.724, 2.5 * 1.724)),
])  # fmt: skip
def test_the_columns_own_unit_is_read(
    rewrite: Rewrite, put: Put, header: str, cells: tuple[str, str], percent: tuple[float, float]
) -> None:
    """g/kg and carbon are converted as in any other file."""
    table = f"musym,{header}\n27B,{cells[0]}\n55,{cells[1]}\n"
    np.testing.assert_allclose(values(read(rewrite, put, table, column=header)), percent)
    np.testing.assert_allclose(values(read(rewrite, put, table, column=None)), percent)  # the only one that is left


def test_components_are_weighted_by_their_share(rewrite: Rewrite, put: Put) -> None:
    """(4.0 × 60 + 3.0 × 30) / 90 = 3.6667, the tenth without a value left out; shares of 1 are the same."""
    field = read(rewrite, put, SEVERAL, share="percent")
    np.testing.assert_allclose(values(field), [330 / 90, 4.6])
    assert sound.one(field, "map-units-weighted")["units"] == 1
    parts = SEVERAL.replace(",60", ",0.6").replace(",30", ",0.3").replace(",100", ",1").replace(",10", ",0.1")
    np.testing.assert_allclose(values(read(rewrite, put, parts, share="percent")), [330 / 90, 4.6])


def test_yield_potential_is_joined_too(rewrite: Rewrite, put: Put) -> None:
    """By the same keys."""
    read(rewrite, put, ONE_EACH)
    put("units.csv", "musym,yield_bu_ac\n27B,180\n55,211\n")
    layer = read_field(
        rewrite(layers__yield_potential={**KEYS, "kind": "bu_ac", "column": "yield_bu_ac"})
    ).yield_potential
    assert isinstance(layer, PolygonLayer)
    assert layer.values.tolist() == [180.0, 211.0]


def test_numbers_as_keys_are_the_same_with_a_point(rewrite: Rewrite, put: Put) -> None:
    """411027 of the polygons is 411027.0 of a table that kept numbers."""
    assert values(read(rewrite, put, "musym,om_pct\n411027.0,3.1\n55.0,2.2\n", (411027, 55))) == [3.1, 2.2]


def test_ground_without_a_row_is_a_warning(rewrite: Rewrite, put: Put) -> None:
    """A map unit in the field that the table has not is unknown ground that a person must hear of."""
    field = read(rewrite, put, ONE_EACH, ("27B", "999"))
    assert values(field) == [3.4]
    finding = sound.one(field, "map-units-missing")
    assert finding["level"] == "warning"
    assert finding["keys"] == "999"


def test_components_that_are_mostly_unknown_are_a_warning(rewrite: Rewrite, put: Put) -> None:
    """30 % of a map unit does not say what all of it holds."""
    field = read(rewrite, put, SEVERAL.replace("27B,4.0,60", "27B,,60"), share="percent")
    assert values(field) == [4.6]
    assert sound.one(field, "map-units-half-known")["level"] == "warning"


REFUSED = [
    (SEVERAL, ("27B", "55"), {}, "several rows with different values"),
    (SEVERAL.replace("60", "90"), ("27B", "55"), {"share": "percent"}, "130 in all"),
    (SEVERAL.replace(",60", ","), ("27B", "55"), {"share": "percent"}, "not given for each row"),
    (SEVERAL.replace(",30", ",-30"), ("27B", "55"), {"share": "percent"}, "shares of 27B"),
    (SEVERAL, ("27B", "55"), {"share": "pct"}, '"pct", and there is no such column'),
    (ONE_EACH, ("X", "Y"), {}, "no musym of the table"),
    (ONE_EACH, ("27B", "55"), {"key": "mukey"}, '"mukey", and there is no such column'),
    (ONE_EACH.replace("musym", "mukey"), ("27B", "55"), {}, '"musym", and there is no such column'),
    (ONE_EACH, ("27B", "55"), {"column": "om"}, '"om", and there is no such column'),
    (ONE_EACH, ("27B", "55"), {"key": None}, "without a key"),
    (ONE_EACH, ("27B", "55"), {"table": None}, "there is no table"),
    (ONE_EACH, ("27B", "55"), {"file": None, "value_pct": 3.0}, "without polygons"),
    (ONE_EACH.replace("om_pct", "ph"), ("27B", "55"), {"column": "ph"}, "says pH"),
    (ONE_EACH.replace("3.4", "340"), ("27B", "55"), {}, "340"),
    (ONE_EACH.replace("3.4", "about 3"), ("27B", "55"), {}, "about 3"),
]


@pytest.mark.parametrize(("table", "symbols", "keys", "named"), REFUSED, ids=[case[3] for case in REFUSED])
def test_what_does_not_join_is_refused(
    rewrite: Rewrite, put: Put, table: str, symbols: tuple[str, str], keys: dict[str, Any], named: str
) -> None:
    """With what is wrong in the message."""
    with pytest.raises(InputFileError, match=named):
        read(rewrite, put, table, symbols, **keys)


def test_harvest_logs_take_no_table(rewrite: Rewrite, put: Put) -> None:
    """A table is not passed over in silence."""
    read(rewrite, put, ONE_EACH)
    with pytest.raises(InputFileError, match="without polygons"):
        read_field(rewrite(layers__yield_potential={**KEYS, "kind": "yield_log"}))

"""Harvest logs without a yield: the flow of grain, seconds, distance or speed, width and moisture make one."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import sound
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.ingest.yield_log import log_columns
from vrn.model.layers import YieldLog, YieldLogLayer

Rewrite = Callable[..., Path]

# 24.2 lb/s for 2 s over 14 ft by 20 ft: 48.4 lb × 43,560 / 280 ft² / 56 lb = 134.4579 bu/ac of wet grain; at 20 %
# moisture × 80 / 84.5 (worked by hand from the equation of University of Nebraska-Lincoln Extension EC2004)
WORKED = 24.2 * 2 / (14 * 20) * 43560 / 56 * 80 / 84.5
RAW: dict[str, Any] = {
    "Mass Flow (lb/s)": 24.2, "Seconds": 2.0, "Distance (ft)": 14.0, "Swath Width (ft)": 20.0, "Moisture (%)": 20.0,
}  # fmt: skip


def read(rewrite: Rewrite, folder: Path, values: dict[str, Any], **section: Any) -> YieldLog:
    """The log of forty records with these columns beside their place."""
    place = np.arange(40)
    frame = pd.DataFrame({"longitude": sound.WEST + 0.001 + 0.00004 * place, "latitude": sound.SOUTH + 0.002, **values})
    frame.to_csv(folder / "harvest.csv", index=False)
    layer = read_field(
        rewrite(layers__yield_potential={"file": "harvest.csv", "kind": "yield_log", **section})
    ).yield_potential
    assert isinstance(layer, YieldLogLayer)
    return layer.logs[0]


def test_worked_example(rewrite: Rewrite, field_folder: Path) -> None:
    """127.297 bu/ac, by hand."""
    assert pytest.approx(127.297, abs=1e-3) == WORKED
    np.testing.assert_allclose(read(rewrite, field_folder, RAW).yield_bu_ac, WORKED)


ALIKE = [  # the same records in other words and units
    ({"Mass Flow (lb/s)": None, "flow_kg_s": 24.2 * 0.45359237}, {}),
    ({"Mass Flow (lb/s)": None, "Grain Flow, t/h": 24.2 * 0.45359237 * 3.6}, {}),
    ({"Distance (ft)": None, "Dist_m": 14 * 0.3048}, {}),
    ({"Distance (ft)": None, "distance traveled in": 14 * 12.0}, {}),
    ({"Swath Width (ft)": None, "SwathWidth_in": 240.0}, {}),
    ({"Swath Width (ft)": None, "Header width [m]": 6.096}, {}),
    ({"Seconds": None, "Logging interval (ms)": 2000.0}, {}),
    ({"Seconds": None, "time_s": 2.0 * np.arange(40)}, {}),
    ({"Seconds": None, "Distance (ft)": None, "Ground Speed (mph)": 7 / 5280 * 3600}, {}),
    ({"Seconds": None, "Distance (ft)": None, "speed_km_h": 7 * 0.3048 * 3.6}, {}),
    ({"Moisture (%)": None, "Grain Moisture": 20.0}, {}),
    ({"Mass Flow (lb/s)": None, "F": 24.2, "Swath Width (ft)": None, "W": 20.0},
     {"columns": {"flow_lb_s": "F", "swath_ft": "W"}}),
    ({"Distance (m)": 14 * 0.3048}, {}),  # beside the feet, and the same
    ({"Crop": "Corn"}, {}),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "section"), ALIKE, ids=[str(list(case[0])) for case in ALIKE])
def test_words_and_units_of_the_same_log(
    rewrite: Rewrite, field_folder: Path, changes: dict[str, Any], section: dict[str, Any]
) -> None:
    """Every way to write the worked example is the worked example, but for a first record without an interval."""
    columns = {name: values for name, values in {**RAW, **changes}.items() if values is not None}
    found = read(rewrite, field_folder, columns, **section).yield_bu_ac
    np.testing.assert_allclose(found[1:], WORKED, rtol=1e-9)


SPOILED = [  # what is spoiled, and what the refusal names
    ({"Swath Width (ft)": None}, {}, "the width that was cut"),
    ({"Moisture (%)": None}, {}, "the moisture of the grain"),
    ({"Seconds": None}, {}, "the seconds between records"),
    ({"Distance (ft)": None}, {}, "the speed"),
    ({"Mass Flow (lb/s)": None, "Flow": 24.2}, {}, "No unit is said by Flow"),
    ({"Swath Width (ft)": None, "Swath": 20.0}, {}, "No unit is said by Swath"),
    ({"Seconds": 2.0 * np.arange(40) + 3600}, {}, "usual interval"),
    ({"Seconds": 0.5 * np.arange(40)}, {}, "usual interval"),  # a clock that starts at 0
    ({"Swath Width (ft)": 240.0}, {}, "usual swath"),
    ({"Moisture (%)": 0.2}, {}, "usual moisture"),
    ({"Speed (mph)": 7 * 0.3048 * 3.6}, {}, "times the speed"),
    ({"Crop": "Soybeans"}, {}, "Soybeans"),
    ({"Header width (ft)": 30.0}, {}, "differ"),
    ({"Mass Flow (lb/s)": None, "Flow kg/s": 24.2}, {"columns": {"flow_lb_s": "Flow kg/s"}}, "says kg/s"),
    ({"Distance (ft)": 14 * 0.3048 * 0.3048}, {}, "Give yields of corn"),  # 1,370 bu/ac: beyond any corn
]


@pytest.mark.parametrize(("changes", "section", "named"), SPOILED, ids=[case[2] for case in SPOILED])
def test_spoiled_logs_are_refused(
    rewrite: Rewrite, field_folder: Path, changes: dict[str, Any], section: dict[str, Any], named: str
) -> None:
    """Never a yield in silence from a part that is missing, of no unit, of another unit, or of another crop."""
    columns = {name: values for name, values in {**RAW, **changes}.items() if values is not None}
    with pytest.raises(InputFileError, match=named):
        read(rewrite, field_folder, columns, **section)


def test_all_that_is_missing_is_asked_for_at_once(rewrite: Rewrite, field_folder: Path) -> None:
    """One error for a flow with nothing beside it."""
    with pytest.raises(InputFileError) as error:
        read(rewrite, field_folder, {"Mass Flow (lb/s)": 24.2})
    for part in ("width", "moisture", "speed"):
        assert part in error.value.problem


def test_records_that_stand_still_have_no_yield(rewrite: Rewrite, field_folder: Path) -> None:
    """No distance, no moisture or no width: unknown, not infinite and not 0."""
    distance, moisture, width = np.full(40, 14.0), np.full(40, 20.0), np.full(40, 20.0)
    distance[3], moisture[5], width[7] = 0.0, 0.0, np.nan
    found = read(rewrite, field_folder, {**RAW, "Distance (ft)": distance, "Moisture (%)": moisture,
                                         "Swath Width (ft)": width}).yield_bu_ac  # fmt: skip
    assert np.flatnonzero(np.isnan(found)).tolist() == [3, 5, 7]


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(quantity=st.sampled_from(["mass flow", "grain flow"]), unit=st.sampled_from(["lb/s", "lbs/sec", "kg/s", "t/h"]),
       form=st.sampled_from(["{q} ({u})", "{q}_{u}", "{q} [{u}]", "{q}, {u}", "{Q} in {u}"]))  # fmt: skip
def test_flow_is_known_however_it_is_written(quantity: str, unit: str, form: str) -> None:
    """Brackets, commas, capitals and underscores do not change what a header says."""
    header = form.format(q=quantity, Q=quantity.title(), u=unit)
    (column,) = log_columns([header])["flow"]
    assert column.factor == pytest.approx({"l": 1.0, "k": 1 / 0.45359237, "t": 1 / 0.45359237 / 3.6}[unit[0]])

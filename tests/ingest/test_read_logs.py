"""Harvest logs, trials, as-applied files and saved reviews: units, order, seasons, and what is told."""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pytest
import sound
from pyproj import Transformer

from vrn.errors import InputFileError
from vrn.ingest import read_field, read_settings
from vrn.model.layers import YieldLogLayer

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
TO_DEGREES = Transformer.from_crs("EPSG:32615", "EPSG:4326", always_xy=True)


def log_frame(count: int = 60) -> pd.DataFrame:
    """Records along one pass, one a second."""
    seconds = np.arange(count)
    return pd.DataFrame(
        {
            "longitude": sound.WEST + 0.001 + 0.00002 * seconds,
            "latitude": sound.SOUTH + 0.002,
            "yield_bu_ac": 200.0 + seconds % 7,
            "moisture_pct": 17.5,
            "speed_mph": 4.0,
            "swath_ft": 30.0,
            "time": [f"2024-10-04T14:{30 + s // 60}:{s % 60:02d}" for s in seconds],
            "header_down": (seconds > 4).astype(int),
            "pass_id": seconds // 30,
        }
    )


def layer_of(path: Path) -> YieldLogLayer:
    """The yield-log layer of a field."""
    layer = read_field(path).yield_potential
    assert isinstance(layer, YieldLogLayer)
    return layer


def test_log_arrives_in_the_nouns_units(rewrite: Rewrite, field_folder: Path) -> None:
    """4 mph are 1.78816 m/s and 30 ft are 9.144 m (international foot and mile, exact); order and passes stay."""
    log_frame().to_csv(field_folder / "harvest.csv", index=False)
    (log,) = layer_of(rewrite(layers__yield_potential={"file": "harvest.csv", "kind": "yield_log"})).logs
    assert log.season == 2024
    assert log.yield_bu_ac.tolist() == log_frame()["yield_bu_ac"].tolist()
    assert log.speed_m_s is not None
    assert log.swath_m is not None
    assert log.time_s is not None
    assert log.header_down is not None
    assert log.pass_id is not None
    np.testing.assert_allclose(log.speed_m_s, 1.78816)
    np.testing.assert_allclose(log.swath_m, 9.144)
    np.testing.assert_array_equal(np.diff(log.time_s), 1.0)
    assert log.header_down.sum() == 55
    assert np.unique(log.pass_id).tolist() == [0, 1]
    assert log.machine_id is None


def test_metric_log_is_the_same_log(rewrite: Rewrite, field_folder: Path) -> None:
    """t/ha at 56 lb a bushel (legal bushel of shelled corn), km/h and meters come to the same numbers."""
    frame = log_frame()
    metric = frame.assign(
        yield_t_ha=frame["yield_bu_ac"] * 56 * 0.45359237 / 1000 / 0.40468564224, speed_km_h=4 * 1.609344, swath_m=9.144
    ).drop(columns=["yield_bu_ac", "speed_mph", "swath_ft"])
    metric.to_csv(field_folder / "harvest.csv", index=False, sep=";", decimal=",")
    (log,) = layer_of(rewrite(layers__yield_potential={"file": "harvest.csv", "kind": "yield_log"})).logs
    np.testing.assert_allclose(log.yield_bu_ac, frame["yield_bu_ac"], rtol=1e-12)
    assert log.speed_m_s is not None
    np.testing.assert_allclose(log.speed_m_s, 1.78816)


def test_several_files_and_years_in_every_format(rewrite: Rewrite, field_folder: Path) -> None:
    """CSV, shapefile (whose column names are cut at ten letters) and GeoPackage are one layer of three harvests."""
    frame = log_frame().drop(columns="time")
    points = geopandas.GeoDataFrame(
        frame.drop(columns=["longitude", "latitude"]),
        geometry=geopandas.points_from_xy(frame["longitude"], frame["latitude"]), crs=4326,
    )  # fmt: skip
    frame.to_csv(field_folder / "harvest_2022.csv", index=False)
    cut = {name: name[:10] for name in points.columns}
    points.rename(columns=cut).to_file(field_folder / "harvest_2023.shp")
    points.to_file(field_folder / "harvest_2024.gpkg")
    files = ["harvest_2022.csv", "harvest_2023.shp", "harvest_2024.gpkg"]
    layer = layer_of(rewrite(layers__yield_potential={"files": files, "kind": "yield_log"}))
    assert [log.season for log in layer.logs] == [2022, 2023, 2024]
    for log in layer.logs[1:]:
        np.testing.assert_allclose(log.coordinates_m, layer.logs[0].coordinates_m, atol=1e-3)
        np.testing.assert_allclose(log.yield_bu_ac, layer.logs[0].yield_bu_ac)
        assert log.header_down is not None
        assert log.header_down.sum() == 55


def test_names_of_another_make_are_mapped(rewrite: Rewrite, field_folder: Path) -> None:
    """``column`` names the yield, ``columns`` the rest."""
    frame = log_frame().rename(columns={"yield_bu_ac": "Dry bushels", "speed_mph": "Ground speed"})
    frame.to_csv(field_folder / "harvest.csv", index=False)
    keys = {
        "file": "harvest.csv",
        "kind": "yield_log",
        "column": "Dry bushels",
        "columns": {"speed_mph": "Ground speed"},
    }
    (log,) = layer_of(rewrite(layers__yield_potential=keys)).logs
    assert log.speed_m_s is not None
    np.testing.assert_allclose(log.yield_bu_ac, log_frame()["yield_bu_ac"])


def test_one_mapping_serves_files_of_two_makes(rewrite: Rewrite, field_folder: Path) -> None:
    """A file with our own names needs no mapping beside one that does; a name that neither has is refused."""
    frame = log_frame()
    frame.to_csv(field_folder / "harvest_2023.csv", index=False)
    frame.rename(columns={"yield_bu_ac": "Dry bushels"}).to_csv(field_folder / "harvest_2024.csv", index=False)
    keys = {"files": ["harvest_2023.csv", "harvest_2024.csv"], "kind": "yield_log"}
    ours, theirs = layer_of(rewrite(layers__yield_potential={**keys, "columns": {"yield_bu_ac": "Dry bushels"}})).logs
    np.testing.assert_array_equal(ours.yield_bu_ac, theirs.yield_bu_ac)
    with pytest.raises(InputFileError, match=r'harvest_2024\.csv: .* is "Wet bushels", and there is no such column'):
        layer_of(rewrite(layers__yield_potential={**keys, "columns": {"yield_bu_ac": "Wet bushels"}}))


def test_files_of_two_makes_each_have_their_own_name_for_the_yield(rewrite: Rewrite, field_folder: Path) -> None:
    """Two names of theirs may be one of ours; a file with both is asked which is meant, one with neither is told."""
    frame = log_frame()
    names = ("Dry bushels", "Vol, dry")
    for year, name in zip((2023, 2024), names, strict=True):
        frame.rename(columns={"yield_bu_ac": name}).to_csv(field_folder / f"harvest_{year}.csv", index=False)
    keys = {"files": ["harvest_2023.csv", "harvest_2024.csv"], "kind": "yield_log"}

    def path_of(*theirs: str) -> Path:
        path = rewrite(layers__yield_potential=keys)
        lines = [f'"{name}" = "yield_bu_ac"' for name in theirs]
        text = path.read_text(encoding="utf-8") + "\n[layers.yield_potential.columns]\n" + "\n".join(lines)
        path.write_text(text, encoding="utf-8")
        return path

    one, other = layer_of(path_of(*names)).logs
    np.testing.assert_array_equal(one.yield_bu_ac, other.yield_bu_ac)
    with pytest.raises(InputFileError, match=r"harvest_2024\.csv: .* no such column") as raised:
        layer_of(path_of(names[0]))
    assert raised.value.remedy.endswith('name its column, too: "their name" = "yield_bu_ac".')
    frame.assign(**dict.fromkeys(names, 1.0)).to_csv(field_folder / "harvest_2024.csv", index=False)
    with pytest.raises(InputFileError, match="Dry bushels and Vol, dry are both named for yield_bu_ac"):
        layer_of(path_of(*names))


def test_one_harvest_in_degrees_beside_one_in_feet(rewrite: Rewrite, field_folder: Path) -> None:
    """A crs for the file in feet of a state plane (EPSG:3417, Iowa North) does not put degrees into its origin."""
    frame = log_frame()
    frame.to_csv(field_folder / "harvest_2023.csv", index=False)
    change = Transformer.from_crs("EPSG:4326", "EPSG:3417", always_xy=True)
    frame["longitude"], frame["latitude"] = change.transform(frame["longitude"], frame["latitude"])
    frame.to_csv(field_folder / "harvest_2024.csv", index=False)
    keys = {"files": ["harvest_2023.csv", "harvest_2024.csv"], "kind": "yield_log", "crs": "EPSG:3417"}
    field = read_field(rewrite(layers__yield_potential=keys))
    assert isinstance(field.yield_potential, YieldLogLayer)
    degrees, feet = field.yield_potential.logs
    np.testing.assert_allclose(degrees.coordinates_m, feet.coordinates_m, atol=0.1)
    systems = {"level": "warning", "about": "harvest_2023.csv", "found": "EPSG:4326", "given": "EPSG:3417"}
    assert sound.one(field, "two-systems") == systems


def test_single_bad_records_are_told_and_many_refuse_the_file(rewrite: Rewrite, field_folder: Path) -> None:
    """One record without a fix and one without a number are passed over; a file full of them is refused."""
    frame = log_frame().astype({"yield_bu_ac": object})
    frame.loc[7, ["longitude", "latitude"]] = 0.0
    frame.loc[9, "yield_bu_ac"] = "---"
    frame.to_csv(field_folder / "harvest.csv", index=False)
    path = rewrite(layers__yield_potential={"file": "harvest.csv", "kind": "yield_log"})
    field = read_field(path)
    assert sound.one(field, "records-without-place")["records"] == 1
    unreadable = sound.one(field, "cells-unreadable")
    assert (unreadable["records"], unreadable["row"]) == (1, "11")
    frame["yield_bu_ac"] = "---"
    frame.to_csv(field_folder / "harvest.csv", index=False)
    with pytest.raises(InputFileError, match="row 2: yield_bu_ac"):
        read_field(path)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda frame: frame.drop(columns="yield_bu_ac"), "no column yield_bu_ac"),
        (lambda frame: frame.assign(yield_bu_ac=""), "no record has a yield"),
        (lambda frame: frame.assign(longitude=-95.0), "no record lies near the field"),
        (lambda frame: frame.assign(longitude=0.0, latitude=0.0), "0, 0 is not a place"),
        (lambda frame: frame.assign(time="yesterday"), 'time is "yesterday", which is not an ISO time'),
    ],
)
def test_log_that_says_nothing_is_refused(
    rewrite: Rewrite, field_folder: Path, change: Callable[[pd.DataFrame], pd.DataFrame], says: str
) -> None:
    """Each with the reason."""
    change(log_frame()).to_csv(field_folder / "harvest.csv", index=False)
    with pytest.raises(InputFileError, match=says):
        read_field(rewrite(layers__yield_potential={"file": "harvest.csv", "kind": "yield_log"}))


def test_trial_is_read_in_trade_units(rewrite: Rewrite, put: Put) -> None:
    """Plots with rate, yield and block; a plot that was not harvested is left out and told."""
    put("trial.csv", "block,n_lb_ac,yield_bu_ac\nA,0,112\nA,90,190\nA,180,214\nB,0,\nB,90,183\n")
    field = read_field(rewrite(nitrogen__response_trial="trial.csv"))
    assert field.trial is not None
    assert field.trial.n_lb_ac.tolist() == [0, 90, 180, 90]
    assert field.trial.block == ("A", "A", "A", "B")
    assert sound.one(field, "plots-left-out")["plots"] == 1
    put("trial.csv", "n_kg_ha;yield_t_ha\n112,0851156;12,5535414\n")
    metric = read_field(rewrite(nitrogen__response_trial="trial.csv")).trial
    assert metric is not None
    # 100 lb/ac are 112.0851 kg/ha; 200 bu/ac of 56 lb are 12.5535 t/ha
    np.testing.assert_allclose(metric.n_lb_ac, 100.0, rtol=1e-8)
    np.testing.assert_allclose(metric.yield_bu_ac, 200.0, rtol=1e-6)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("rate,yield_bu_ac\n0,112\n", "no column n_lb_ac or n_kg_ha"),
        ("n_lb_ac,yield_bu_ac\n-5,112\n", "row 2: n_lb_ac is -5"),
        ("n_lb_ac,yield_bu_ac\n50,11200\n", "row 2: yield_bu_ac is 11200"),
        ("n_lb_ac,yield_bu_ac\n50,\n", "no plot has both"),
    ],
)
def test_spoiled_trial_is_refused(rewrite: Rewrite, put: Put, text: str, says: str) -> None:
    """Each with file and row."""
    put("trial.csv", text)
    with pytest.raises(InputFileError, match=says):
        read_field(rewrite(nitrogen__response_trial="trial.csv"))


def test_trial_columns_are_mapped_as_the_samples_are(rewrite: Rewrite, put: Put) -> None:
    """By our names, by the unit of their own header, and with every other name still refused."""
    put("trial.csv", "Rep,N applied (lb/ac),Corn yield (bu/ac)\nA,0,112\nA,90,190\n")
    mapping = {"n_lb_ac": "N applied (lb/ac)", "yield_bu_ac": "Corn yield (bu/ac)", "block": "Rep"}
    trial = read_field(rewrite(nitrogen={"response_trial": "trial.csv", "response_columns": mapping})).trial
    assert trial is not None
    assert (trial.n_lb_ac.tolist(), trial.yield_bu_ac.tolist(), trial.block) == ([0, 90], [112, 190], ("A", "A"))
    put("trial.csv", "N applied (kg/ha),Corn yield (t/ha)\n112.0851156,12.5535414\n")
    mapping = {"n_lb_ac": "N applied (kg/ha)", "yield_bu_ac": "Corn yield (t/ha)"}
    metric = read_field(rewrite(nitrogen={"response_trial": "trial.csv", "response_columns": mapping})).trial
    assert metric is not None
    assert (metric.n_lb_ac[0], metric.yield_bu_ac[0]) == pytest.approx((100.0, 200.0), rel=1e-6)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"response_trial": "trial.csv", "response_columns": {"n_lb_ac": "N aplied"}}, "no such column"),
        ({"response_trial": "trial.csv", "response_columns": {"n_lbs": "N applied"}}, "neither"),
        ({"response_trial": "trial.csv", "response_columns": {"n_lb_ac": "P2O5 (lb/ac)"}}, "phosphorus"),
        ({"response_trial": "trial.csv", "response_columns": {"n_lb_ac": "UAN gal/ac"}}, "gal/ac"),
        ({"response_columns": {"n_lb_ac": "N applied"}}, "there is no trial"),
    ],
)
def test_spoiled_mapping_of_a_trial_is_refused(rewrite: Rewrite, put: Put, keys: dict[str, Any], says: str) -> None:
    """A name that is not there, not ours, or of something else than nitrogen."""
    put("trial.csv", "N applied,P2O5 (lb/ac),UAN gal/ac,yield_bu_ac\n0,10,30,112\n90,20,30,190\n")
    with pytest.raises(InputFileError, match=says):
        read_field(rewrite(nitrogen=keys))


REVIEW = """[review]
approved_by = "A. Person"
approved_on = 2026-06-17

[[review.override]]
zone = 2
rate_n_lb_ac = 90
reason = "sand"
"""


def test_saved_review_goes_before_the_field_file(rewrite: Rewrite, put: Put) -> None:
    """Its keys win, what it does not say stays, and its hash is among the inputs."""
    path = rewrite(review={"note": "walked on Tuesday"})
    saved = put("cedar_review.toml", REVIEW)
    settings = read_settings(path, review=saved)
    assert settings.approved
    assert settings.review.note == "walked on Tuesday"
    assert settings.review.override[0].rate_n_lb_ac == 90.0
    field = read_field(path, review=saved)
    assert field.settings == settings
    assert field.inputs["cedar_review.toml"] == hashlib.sha256(saved.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[review]\napproved_by = "A"\n', "r.toml: review needs both approved_by and approved_on"),
        ("[review]\n[[review.override]]\nzone = 2\nrate_n_lb_ac = 90\n", r"review.override\[1\].reason is missing"),
        ("[crop]\nyield_goal_bu_ac = 300\n", "more or other than a table"),
        ("review = 3\n", "more or other than a table"),
        (
            "[review]\n[[review.override]]\nzone = 0\nrate_n_lb_ac = 9\nreason = 'x'\n",
            "zone is 0, which",
        ),
    ],
)
def test_spoiled_review_is_refused(rewrite: Rewrite, put: Put, text: str, says: str) -> None:
    """The fault names the review file, not the field file."""
    with pytest.raises(InputFileError, match=says):
        read_settings(rewrite(), review=put("r.toml", text))

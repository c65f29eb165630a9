"""`vrn need`, `vrn methods` and `vrn rain` as a person or a machine reads them."""

import io
import json
import re
import shutil
from pathlib import Path

import pytest

from vrn.cli import main
from vrn.nitrogen import methods

READING = ["--ppm", "13", "--depth-in", "12", "--yield-goal", "210", "--stage", "V7", "--om", "2.6"]
DEEP = ["--ppm-deep", "7", "--deep-bottom-in", "24"]
FIELDS = Path(__file__).resolve().parents[2] / "demo_fields"


def _numbers(text):
    """Printed pounds of the lines, and of the sum below them."""
    lines = text.splitlines()
    rule = next(i for i, line in enumerate(lines) if line.strip().startswith("---"))
    values = [float(line.split()[0]) for line in lines[2:rule:2]]
    return values, float(lines[rule + 1].split()[0]), float(lines[rule + 2].split()[0])


def test_printed_lines_add_up(capsys):
    """What is printed adds up to the printed sum, and the need is that sum, never below 0."""
    assert main(["need", *READING, *DEEP]) == 0
    values, total, need = _numbers(capsys.readouterr().out)
    assert round(sum(values), 1) == total == need
    assert values == [204.4, -47.7, -12.9, -37.4]


def test_bands_are_printed(capsys):
    """± 1.5 ppm is 1.5 × 12 × 1.35 × 0.2266 = 5.5 lb/ac; the uptake band is printed beside it."""
    main(["need", *READING, *DEEP])
    out = capsys.readouterr().out
    assert "100.9 to 111.9" in out
    assert "94.9 to 115.7" in out


def test_a_second_foot_that_was_not_pulled_is_printed(capsys):
    """The zero stands in the ledger with its reason."""
    main(["need", *READING, "--json"])
    answer = json.loads(capsys.readouterr().out)
    (line,) = (line for line in answer["lines"] if line["key"] == "deep_nitrate")
    assert (line["lb_ac"], line["basis"]) == (0.0, "not measured, 0 counted")
    (told,) = (found for found in answer["notes"] if found["code"] == "nitrogen.depth-not-sampled-likely")
    assert f"{0.43 * 13 * 12 * 1.35 * 0.226613:.0f} lb/ac" in told["problem"]


def test_json_holds_the_same(capsys):
    """The machine's answer: lines with key, label, pounds, basis and source, adding up to the need."""
    assert main(["need", *READING, *DEEP, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert sum(line["lb_ac"] for line in answer["lines"]) == pytest.approx(answer["unclipped_lb_ac"], abs=1e-9)
    assert answer["need_lb_ac"] == pytest.approx(106.42, abs=0.01)
    assert {"key", "label", "lb_ac", "basis", "source"} <= set(answer["lines"][0])


def test_shares_and_factors_can_be_set(capsys):
    """Second-foot share and pounds for a bushel are the user's."""
    main(["need", *READING, *DEEP, "--second-foot-share", "1", "--n-per-bushel", "1.0", "--json"])
    lines = {line["key"]: line["lb_ac"] for line in json.loads(capsys.readouterr().out)["lines"]}
    assert lines["crop"] == pytest.approx(210 * (1 - 0.115))
    assert lines["deep_nitrate"] == pytest.approx(-7 * 12 * 1.35 * 0.226613, abs=1e-3)


def test_another_method(capsys):
    """(25 − 13) × 8 = 96."""
    assert main(["need", "--ppm", "13", "--stage", "V5", "--method", "iowa-lsnt", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["need_lb_ac"] == 96


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--ppm", "13", "--stage", "V9", "--method", "iowa-lsnt"], "the crop is at V9"),
        (["--ppm", "13", "--stage", "V9", "--yield-goal", "200"], "needs organic_matter_pct"),
        (["--ppm", "-2", *READING[2:]], "nitrate_ppm is -2"),
        (["--ppm", "nan", *READING[2:]], "ppm is nan"),
        ([*READING, "--method", "iowa"], "There is no method 'iowa'"),
        ([*READING, "--stage", "knee high"], "is not one of corn"),
    ],
)
def test_refusals_name_problem_and_remedy(capsys, words, problem):
    """Exit 2, the problem and what to do about it on standard error, nothing on standard output."""
    assert main(["need", *words]) == 2
    shown = capsys.readouterr()
    assert problem in shown.err
    assert len(shown.err.strip().splitlines()) >= 2
    assert shown.out == ""


def test_outside_its_calibration_on_request(capsys):
    """With --allow-outside the answer comes, and says that it is outside."""
    assert main(["need", "--ppm", "13", "--stage", "V9", "--method", "iowa-lsnt", "--allow-outside", "--json"]) == 0
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert ("warning", "methods.outside-stage") in {(found["level"], found["code"]) for found in notes}


def test_all_methods(capsys):
    """Every method is there: answered, outside and why, or what it wants."""
    assert main(["need", *READING, *DEEP, "--all-methods"]) == 0
    out = capsys.readouterr().out
    for item in methods():
        assert item.key in out
    main(["need", *READING, *DEEP, "--all-methods", "--json"])
    answers = json.loads(capsys.readouterr().out)
    assert {answer["key"] for answer in answers} == {item.key for item in methods()}
    assert all(answer["why"] for answer in answers if answer["status"] != "applies")


def test_methods_are_listed_and_printed_in_full(capsys):
    """Formula, source, range and the worked example, for each."""
    assert main(["methods"]) == 0
    listed = capsys.readouterr().out
    assert all(item.key in listed for item in methods())
    for item in methods():
        assert main(["methods", item.key]) == 0
        out = capsys.readouterr().out
        for part in (item.formula, item.source, item.region, f"{item.example.need_lb_ac:,.6g} lb/ac"):
            assert part in out
        if any(one.from_memory for one in item.inputs):
            assert "from memory" in out


def test_methods_as_json(capsys):
    """A machine reads the same catalogue."""
    assert main(["methods", "--json"]) == 0
    assert [item["key"] for item in json.loads(capsys.readouterr().out)] == [item.key for item in methods()]


def test_rain_on_a_demo_field(capsys):
    """The field whose nitrate rain moved: every application, and the daily series for a machine."""
    assert main(["rain", str(FIELDS / "heron_flat" / "field.toml")]) == 0
    out = capsys.readouterr().out
    assert "70 lb N/ac of UAN 28" in out
    assert main(["rain", str(FIELDS / "heron_flat" / "field.toml"), "--json"]) == 0
    story = json.loads(capsys.readouterr().out)
    assert story["applications"][0]["n_lb_ac"] == 70
    assert len(story["days"]) == len(story["rain_in"]) == len(story["top_foot_high_lb_ac"])


def test_rain_without_weather_is_refused(capsys):
    """A field without a record or a list of applications cannot be followed."""
    assert main(["rain", str(FIELDS / "cedar_bend" / "field.toml")]) == 2
    assert "has no [weather]" in capsys.readouterr().err


def test_rain_in_the_units_of_the_field_file(capsys, tmp_path):
    """A metric field file is answered in kg/ha, mm and cm, and in no trade unit."""
    copy = tmp_path / "field"
    shutil.copytree(FIELDS / "heron_flat", copy)
    path = copy / "field.toml"
    text = path.read_text(encoding="utf-8").replace('units = "us"', 'units = "metric"')
    for trade, metric in (("yield_goal_bu_ac = 210", "yield_goal_t_ha = 13.2"), ("n_lb_ac = 70", "n_kg_ha = 78"),
                          ("swath_ft = 90", "swath_m = 27"), ("rate_n_lb_ac = ", "rate_n_kg_ha = "),
                          ("rate_step_n_lb_ac", "rate_step_n_kg_ha"), ("max_n_lb_ac", "max_n_kg_ha"),
                          ("max_season_n_lb_ac", "max_season_n_kg_ha"), ("corn_per_bu = 4.20", "corn_per_t = 165"),
                          ("n_per_lb = 0.55", "n_per_kg = 1.2")):  # fmt: skip
        text = text.replace(trade, metric)
    path.write_text(text, encoding="utf-8")
    assert main(["rain", str(path)]) == 0
    out = capsys.readouterr().out
    assert "78 kg N/ha of UAN 28" in out
    assert not re.search(r"\blb/ac\b|\d in\b", out.split("4–5 % a day (")[0])


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        ([*READING, "--yield-goal", "12.5"], "--yield-goal is 12.5"),
        ([*READING, "--set", "yield=3"], "has no input 'yield'"),
        ([*READING, "--set", "recovery_share=much"], "'much' is not a number"),
    ],
    ids=["tonnes", "unknown input", "no number"],
)
def test_guesses_are_refused(capsys, words, problem):
    """A goal in tonnes, an input the method has not, a number that is none."""
    assert main(["need", *words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert problem in said.err


def test_any_input_can_be_set_by_name(capsys):
    """Kansas's cap from memory gives way to the user's: 1.6 × 330 − 52 − 61.2 = 414.8, held to 300."""
    words = ["--ppm", "13", "--ppm-deep", "4", "--yield-goal", "330", "--stage", "V3", "--om", "2.6", "--method",
             "kansas", "--json"]  # fmt: skip
    for more, need in (([], 230.0), (["--set", "cap_lb_ac=300"], 300.0)):
        assert main(["need", *words, *more]) == 0
        assert json.loads(capsys.readouterr().out)["need_lb_ac"] == pytest.approx(need)


CEDAR = Path(__file__).resolve().parents[2] / "demo_fields" / "cedar_bend" / "field.toml"


def test_field_file_gives_what_does_not_change(capsys: pytest.CaptureFixture[str]) -> None:
    """The same reading by the field file and by its values as options; an option outranks the field file."""
    assert main(["need", "--field", str(CEDAR), "--ppm", "13", "--json"]) == 0
    by_field = json.loads(capsys.readouterr().out)
    inputs = by_field["inputs"]
    given = ["--yield-goal", str(inputs["yield_goal_bu_ac"]), "--om", str(inputs["organic_matter_pct"])]
    assert main(["need", "--ppm", "13", "--stage", "V8", *given, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["need_lb_ac"] == pytest.approx(by_field["need_lb_ac"])
    assert main(["need", "--field", str(CEDAR), "--ppm", "13", "--yield-goal", "190", "--json"]) == 0
    less = by_field["need_lb_ac"] - json.loads(capsys.readouterr().out)["need_lb_ac"]
    assert less == pytest.approx(30 * 1.1 * 0.85)  # 30 bu less, 1.1 lb/bu, 15 % taken up at V8


def test_many_readings_with_their_mean(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Each line is answered, a place read twice counts once, bad lines are named and the others stand."""
    monkeypatch.setattr("sys.stdin", io.StringIO("01 13\n\n02 9.5 7\nab\n03 12,1\n01 11\n"))
    assert main(["need", "--field", str(CEDAR), "--many", "--json"]) == 2
    told = capsys.readouterr()
    assert "line 4" in told.err
    assert "line 5" in told.err
    lines = [json.loads(line) for line in told.out.splitlines()]
    assert [line["places"] for line in lines] == [1, 2, 2]
    of_one = (lines[0]["need_lb_ac"] + lines[2]["need_lb_ac"]) / 2
    mean = (of_one + lines[1]["need_lb_ac"]) / 2
    assert lines[2]["mean_need_lb_ac"] == pytest.approx(mean)
    # t(1) = 12.706 × |a − b| ÷ √2 ÷ √2
    half = 12.706 * abs(of_one - lines[1]["need_lb_ac"]) / 2
    assert lines[2]["mean_half_interval_lb_ac"] == pytest.approx(half, rel=1e-4)
    metric = tmp_path / "field.toml"
    boundary = (CEDAR.parent / "boundary.geojson").as_posix()
    metric.write_text(
        f'units = "metric"\n[field]\nname = "Ash"\nseason = 2026\nboundary = "{boundary}"\n[crop]\n'
        'yield_goal_t_ha = 12\ngrowth_stage = "V7"\n[samples]\nfile = "samples.csv"\n'
        "[layers.organic_matter]\nvalue_pct = 2.6\n"
    )
    monkeypatch.setattr("sys.stdin", io.StringIO("01 13\n"))
    assert main(["need", "--field", str(metric), "--many"]) == 0
    shown = capsys.readouterr().out
    main(["need", "--field", str(metric), "--ppm", "13", "--json"])
    need_lb_ac = json.loads(capsys.readouterr().out)["need_lb_ac"]
    assert f"{need_lb_ac * 1.12085:.1f} kg/ha" in shown
    monkeypatch.setattr("sys.stdin", io.StringIO("\n"))
    assert main(["need", "--field", str(metric), "--many"]) == 2

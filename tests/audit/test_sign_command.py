"""The way from a draft to a signed prescription on a small field, and every turn at which it must not be signed."""

import importlib.util
import json
import re
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from vrn.audit import verify
from vrn.cli import main
from vrn.model.field import Field
from vrn.model.surface import Surface


def _sound() -> ModuleType:
    path = Path(__file__).parents[1] / "ingest" / "sound.py"
    spec = importlib.util.spec_from_file_location("sound_inputs", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _summary(folder: Path) -> dict[str, object]:
    told: dict[str, object] = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    return told


@pytest.fixture
def surfaces_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The surfaces of one set of readings are made once: that the same come again is tried elsewhere."""
    from vrn.pipeline import order

    kept: dict[str, tuple[dict[str, Surface], ...]] = {}
    real = order.soil_surfaces

    def once(field: Field, *given: Any, **more: Any) -> tuple[dict[str, Surface], ...]:
        of = str(field.samples.nitrate_ppm.tolist())
        if of not in kept:
            kept[of] = real(field, *given, **more)
        return tuple(dict(surfaces) for surfaces in kept[of])

    monkeypatch.setattr(order, "soil_surfaces", once)


def test_from_draft_to_signature(
    tmp_path: Path, quick_reports: None, surfaces_once: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """Draft; warnings refused, then taken on; approved by id; with a changed reading a draft that is not signed."""
    sound = _sound()
    field = sound.write_field(tmp_path / "field") / "field.toml"
    samples, out, key = tmp_path / "field" / "samples.csv", tmp_path / "rx", tmp_path / "own.key"
    assert main(["build", str(field), "--out", str(out)]) in (0, 1)
    draft = _summary(out)
    assert draft["approved"] is False
    warned = any(one["level"] == "warning" for one in draft["findings"])
    assert main(["key", "--out", str(key)]) == 0
    before = (out / "summary.json").read_bytes()
    sheet = out / "load_sheet.txt"
    whole = sheet.read_text(encoding="utf-8")
    sheet.write_text(whole.replace("DRAFT: not approved", "Approved by me"), encoding="utf-8")
    assert main(["sign", str(out), "--by", "A. Marsh", "--accept-warnings"]) == 2
    sheet.write_text(whole, encoding="utf-8")
    if warned:
        assert main(["sign", str(out), "--by", "A. Marsh", "--key", str(key)]) == 2
        assert (out / "summary.json").read_bytes() == before
    sign = ["sign", str(out), "--by", "A. Marsh", "--on", "2026-06-16", "--note", "Go.", "--accept-warnings"]
    book = tmp_path / "season.db"
    assert main([*sign, "--key", str(key), "--book", str(book)]) == 0
    signed = _summary(out)
    assumed = sum(one["level"] == "note" and one["code"] != "methods.from-memory" for one in signed["findings"])
    assert int(re.findall(r"(\d+) assumptions?\.", capsys.readouterr().out)[-1]) == assumed
    assert signed["approved"] is True
    assert signed["id"] == draft["id"]
    assert verify(out, public_key=tmp_path / "own.key.pub").ok
    entry = json.loads((out / "signature.json").read_text(encoding="utf-8"))
    assert (entry["id"], entry["name"], entry["date"], entry["note"]) == (draft["id"], "A. Marsh", "2026-06-16", "Go.")
    assert bool(entry["warnings"]) == warned
    assert entry["entered_on"] >= "2026-06-16"
    for name in ("load_sheet.txt", "TASKDATA/TASKDATA.XML", "prescription.geojson", "map.html", "zones.csv"):
        assert "DRAFT" not in (out / name).read_text(encoding="utf-8"), name

    approval = f'\n[review]\napproved_by = "A. Marsh"\napproved_on = 2026-06-16\napproved_id = "{draft["id"]}"\n'
    text = field.read_text(encoding="utf-8")
    field.write_text(text + approval, encoding="utf-8")
    assert main(["build", str(field), "--out", str(out)]) == (1 if warned else 0)
    assert _summary(out)["approved"] is True
    assert json.loads((out / "signature.json").read_text(encoding="utf-8"))["public_key"] is None
    assert verify(out).ok

    rows = samples.read_text(encoding="utf-8")
    changed = re.sub(r",18\.5,", ",28.5,", rows)
    assert changed != rows
    samples.write_text(changed, encoding="utf-8")
    capsys.readouterr()
    assert main(["sign", str(out), "--by", "A. Marsh", "--accept-warnings"]) == 2  # the readings are others now
    assert "samples.file" in capsys.readouterr().err
    assert main(["build", str(field), "--out", str(out)]) == 1
    told = capsys.readouterr().out
    again = _summary(out)
    assert again["approved"] is False
    assert again["id"] != draft["id"]
    noted = json.loads((out / ".built_from.json").read_text(encoding="utf-8"))
    assert noted["replaces"] == draft["id"]
    codes = {one["code"] for one in again["findings"]}
    assert {"review.other-id", "review.differs-input", "review.differs"} <= codes
    assert "samples.file" in told
    assert not (out / "signature.json").exists()

    assert main([*sign, "--key", str(key), "--book", str(book)]) == 0
    capsys.readouterr()
    assert main(["season", str(book), "--json"]) == 0
    ((name, chain),) = json.loads(capsys.readouterr().out)["chains"].items()
    assert name == again["field"]
    assert [(link["id"], link["replaces"]) for link in chain] == [(draft["id"], None), (again["id"], draft["id"])]
    assert {(link["signed_by"], link["signed_on"]) for link in chain} == {("A. Marsh", "2026-06-16")}
    assert main(["season", str(book)]) == 0
    first, second = draft["id"][:10], again["id"][:10]
    assert re.search(rf"^ +A. Marsh .*{first}.*2026-06-16.*\n +A. Marsh .*{second}.*2026-06-16.*{first}",
                     capsys.readouterr().out, re.MULTILINE)  # fmt: skip
    (mark,) = re.findall(r"(?:[0-9a-f]{4}-){7}[0-9a-f]{4}", _said(["key", "--pin", f"{key}.pub"], book, capsys))
    assert main(["verify", str(out), "--book", str(book)]) == 0
    assert mark in _said(["key", "--revoke", mark], book, capsys)
    assert main(["verify", str(out), "--book", str(book)]) == 0  # signed before, or on the day
    assert main([*sign, "--key", str(key), "--book", str(book)]) == 2
    assert main(["key", "--pin", f"{key}.pub", "--book", str(book)]) == 2  # revoked is revoked
    for bad in (["--revoke", mark], ["--book", str(book)], ["--revoke", "no mark", "--book", str(book)]):
        assert main(["key", *bad]) == 2


def _said(words: list[str], book: Path, capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    assert main([*words, "--book", str(book)]) == 0
    return capsys.readouterr().out


@pytest.mark.long
def test_a_moved_field_file_is_asked_for(
    tmp_path: Path, quick_reports: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not where it was: exit 2; signed once --field says where it is."""
    field = _sound().write_field(tmp_path / "field") / "field.toml"
    out = tmp_path / "rx"
    assert main(["build", str(field), "--out", str(out)]) in (0, 1)
    (tmp_path / "field").rename(tmp_path / "elsewhere")
    sign = ["sign", str(out), "--by", "A. Marsh", "--accept-warnings"]
    assert main(sign) == 2
    assert "--field" in capsys.readouterr().err
    assert main([*sign, "--field", str(tmp_path / "elsewhere" / field.name)]) == 0
    assert _summary(out)["approved"] is True

"""``vrn show`` opens the page that was written, or says what is missing."""

import webbrowser
from pathlib import Path

import pytest

from vrn.cli import main


def test_show_opens_the_map(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The browser is given the map's own address, the report's with --report; exit 0."""
    for name in ("map.html", "report.html"):
        (tmp_path / name).write_text("", encoding="utf-8")
    opened: list[str] = []
    monkeypatch.setattr(webbrowser, "open", lambda address: opened.append(address) or True)
    assert main(["show", str(tmp_path)]) == 0
    assert main(["show", str(tmp_path), "--report"]) == 0
    assert opened == [(tmp_path / "map.html").as_uri(), (tmp_path / "report.html").as_uri()]
    assert capsys.readouterr().out.startswith("Opened ")


def test_show_says_where_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --path, or where no browser starts, the path is printed."""
    (tmp_path / "map.html").write_text("", encoding="utf-8")
    monkeypatch.setattr(webbrowser, "open", lambda _address: False)
    assert main(["show", str(tmp_path), "--path"]) == 0
    assert capsys.readouterr().out == f"{tmp_path / 'map.html'}\n"
    assert main(["show", str(tmp_path)]) == 0
    assert str(tmp_path / "map.html") in capsys.readouterr().out


def test_show_refuses_another_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder without a map is refused with the remedy; exit 2."""
    assert main(["show", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "holds no map.html" in told
    assert "vrn build" in told

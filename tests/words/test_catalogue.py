"""The catalogue of words: every code in both unit systems, filled in whole, in the reader's units, in plain English."""

import ast
import functools
import re
from collections.abc import Iterator
from datetime import date
from importlib import import_module
from pathlib import Path
from typing import Any, get_args

import pytest

from vrn.findings import Kind, Quantity
from vrn.words import UnitFormat, say
from vrn.words.catalogue import _filled

PACKAGE = Path(__file__).resolve().parents[2] / "vrn"
MACHINERY = {"__init__", "catalogue", "units"}
ROOMS = sorted(path.stem for path in (PACKAGE / "words").glob("*.py") if path.stem not in MACHINERY)
PLACE = re.compile(r"\{(\w+)(?:([:=])([^{}]*))?\}")
SAMPLES: dict[str, Any] = {"text": "B4", "date": date(2026, 6, 12), "count": 3}
TRADE = re.compile(
    r"\b(lbs?|ac|gal|bu|ft|mph|ppm|acres?|bushels?|pounds?|gallons?|inch|inches|feet|foot|miles?)\b"
    r"|°F|\d–\d+ in\b|\d in\."
)
KEY_NAME = re.compile(r"\b[a-z]+(?:\.[a-z]+)?_[a-z_]+\b(?!\.\w)")


def _entries(kind: str) -> Iterator[tuple[str, Any]]:
    for room in ROOMS:
        for name, entry in getattr(import_module(f"vrn.words.{room}"), kind, {}).items():
            yield f"{room}.{name}", entry


def syllables(word: str) -> int:
    """Syllables of an English word by its groups of vowels, a silent e at the end left out; a number counts as one."""
    letters = re.sub(r"[^a-z]", "", word.lower())
    count = len(re.findall(r"[aeiouy]+", letters))
    silent = letters.endswith("e") and not letters.endswith(("le", "ee"))
    quiet_ed = letters.endswith("ed") and not letters.endswith(("ted", "ded"))
    return max(count - (1 if count > 1 and (silent or quiet_ed) else 0), 1)


def reading_grade(text: str) -> float:
    """Flesch-Kincaid grade (Kincaid et al. 1975): 0.39 × words a sentence + 11.8 × syllables a word − 15.59."""
    joined = re.sub(r"(?<=\d)[.,](?=\d)", "", text)
    sentences = [part for part in re.split(r"[.!?:;]+(?:\s|$)", joined) if re.search(r"\w", part)]
    words = re.findall(r"[A-Za-z0-9'’\-]+", joined)
    if not words:
        return 0.0
    return 0.39 * len(words) / max(len(sentences), 1) + 11.8 * sum(map(syllables, words)) / len(words) - 15.59


FINDINGS = dict(_entries("FINDINGS"))
SENTENCES = dict(_entries("SENTENCES"))


@functools.cache
def _nodes() -> list[tuple[str, ast.Call | ast.JoinedStr]]:
    """Every call and every text with places of the code, and the file that it stands in."""
    return [
        (path.name, node)
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, (ast.Call, ast.JoinedStr))
    ]


def _calls() -> Iterator[tuple[str, ast.Call, ast.expr]]:
    """Every call of the code that names a code of the catalogue, and the argument that names it."""
    for place, node in _nodes():
        if isinstance(node, ast.Call):
            for given in node.args[:2]:
                yield place, node, given


def _starts() -> set[str]:
    """Prefixes, at least a room long, of codes that the code puts together."""
    return {
        str(node.values[0].value)
        for _, node in _nodes()
        if isinstance(node, ast.JoinedStr) and node.values and isinstance(node.values[0], ast.Constant)
        and re.fullmatch(rf"({'|'.join(ROOMS)})\.[a-z-]*", str(node.values[0].value))
    }  # fmt: skip


@functools.cache
def _used() -> tuple[dict[str, dict[str, str]], set[str], list[str]]:
    """Codes written out in the code with the kinds of their quantities; prefixes of codes that are put together."""
    kinds: dict[str, dict[str, str]] = {}
    incomplete = []
    known = {*FINDINGS, *SENTENCES}
    for place, call, given in _calls():
        if not (isinstance(given, ast.Constant) and given.value in known):
            continue
        code = str(given.value)
        found = kinds.setdefault(code, {})
        for word in call.keywords:
            if word.arg is not None:
                found[word.arg] = _kind_of(word.value)
        spread = any(word.arg is None for word in call.keywords)
        missing = _places(code) - {word.arg for word in call.keywords}
        if missing and not spread and _is_maker(call):
            incomplete.append(f"{place}:{call.lineno} {code} lacks {sorted(missing)}")
    return kinds, _starts(), incomplete


def _is_maker(call: ast.Call) -> bool:
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    return name in {"note", "warning", "warn", "say", "tell", "passed", "failed"}


def _kind_of(value: ast.expr) -> str:
    if isinstance(value, ast.Call) and value.args and isinstance(value.args[0], ast.Constant):
        first = value.args[0].value
        if first in get_args(Kind):
            return str(first)
    return "text" if isinstance(value, (ast.Constant, ast.JoinedStr)) else ""


def _templates(code: str) -> tuple[str, ...]:
    return tuple(FINDINGS[code]) if code in FINDINGS else (SENTENCES[code],)


def _places(code: str) -> set[str]:
    return {name for text in _templates(code) for name, mark, _ in PLACE.findall(text) if mark != "=" and name != "key"}


def _sample(code: str, name: str) -> Quantity:
    """A quantity such as the code gives; where the kind is only known at run time, a count for nouns, else a text."""
    specs = {spec for text in _templates(code) for found, _, spec in PLACE.findall(text) if found == name}
    kind = _used()[0].get(code, {}).get(name, "") or ("count" if any("|" in spec for spec in specs) else "text")
    if kind == "text" and any("|" in spec for spec in specs):
        kind = "count"
    return Quantity(kind, SAMPLES.get(kind, 0.4 if kind == "share" else 12.0))  # type: ignore[arg-type]


def _rendered(code: str, *, metric: bool) -> tuple[str, ...]:
    given = {name: _sample(code, name) for name in _places(code)}
    return tuple(_filled(text, given, UnitFormat(metric=metric)) for text in _templates(code))


@pytest.mark.parametrize("metric", [False, True], ids=["trade", "metric"])
def test_every_code_is_whole_in_both_systems(metric: bool) -> None:
    """No brace is left, no trade unit in metric, and no key name outside the line to paste."""
    rendered = {code: _rendered(code, metric=metric) for code in sorted({*FINDINGS, *SENTENCES})}
    texts = [(code, text) for code, all_three in rendered.items() for text in all_three]
    assert not [one for one in texts if re.search(r"[{}]", one[1])]
    assert not [one for one in texts if metric and TRADE.search(one[1])]
    assert not [text for all_three in rendered.values() for text in all_three[:2] if KEY_NAME.search(text)]


def test_findings_read_at_grade_nine() -> None:
    """Problem and remedy together."""
    whole = {code: " ".join(_rendered(code, metric=False)[:2]) for code in sorted(FINDINGS)}
    assert not {code: text for code, text in whole.items() if reading_grade(text) > 9.0}


def test_the_growers_page_reads_at_grade_eight() -> None:
    """All its sentences together."""
    sentences = [_rendered(code, metric=False)[0] for code in SENTENCES if code.startswith("grower.")]
    whole = [text for text in sentences if text.rstrip().endswith((".", "?", "!"))]
    if whole:
        assert reading_grade(" ".join(whole)) <= 8.0


def test_codes_and_catalogue_agree() -> None:
    """Every quantity a sentence names is given where it is said, and no sentence stands unused."""
    kinds, starts, incomplete = _used()
    assert not incomplete
    unused = {
        code for code in {*FINDINGS, *SENTENCES} - set(kinds) if not any(code.startswith(start) for start in starts)
    }
    text = "\n".join(
        path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*") if path.suffix in {".py", ".html", ".js"}
    )
    unused = {code for code in unused if f'"{code}"' not in text and f"'{code}'" not in text}
    assert not unused, sorted(unused)


def test_reading_grade_of_a_known_text() -> None:
    """Worked by hand: 6 words, 1 sentence, 6 syllables: 0.39 × 6 + 11.8 × 1 − 15.59 = −1.45."""
    assert reading_grade("The cat sat on the mat.") == pytest.approx(-1.45)


def test_a_missing_code_is_an_error() -> None:
    """A sentence that is not in the catalogue is never made up."""
    with pytest.raises((KeyError, ModuleNotFoundError)):
        say(UnitFormat(metric=False), "nowhere.nothing")

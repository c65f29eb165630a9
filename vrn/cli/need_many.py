"""Readings on standard input, one a line, each answered with its need and the mean of all so far."""

import math
from collections.abc import Callable, Iterable
from statistics import stdev

import typer

from vrn.cli.app import REFUSED, complain, say_json, tell
from vrn.errors import OutOfRangeError, VrnError
from vrn.findings import Quantity
from vrn.sampling.error import student_t
from vrn.words import UnitFormat

_SURE = 0.95


def answer_lines(
    lines: Iterable[str], need_of: Callable[[float, float | None], float], shown: UnitFormat, json_: bool
) -> None:
    """Answer each line at once; a line that is no reading is named and passed over, and the exit status says so.

    A place that comes again counts once, with the mean of its needs.
    """
    by_place: dict[str, list[float]] = {}
    refused = False
    for number, line in enumerate(lines, start=1):
        words = line.replace(";", " ").split()
        if not words or words[0].startswith("#"):
            continue
        try:
            place, ppm, deep_ppm = _reading(words)
            need = need_of(ppm, deep_ppm)
        except VrnError as error:
            refused = True
            complain(f"vrn: line {number}: {error.problem}\n     {error.remedy}")
            continue
        by_place.setdefault(place, []).append(need)
        needs = [sum(own) / len(own) for own in by_place.values()]
        mean, half = sum(needs) / len(needs), _half_interval(needs)
        if json_:
            say_json(
                {"place": place, "nitrate_ppm": ppm, "deep_nitrate_ppm": deep_ppm, "need_lb_ac": need,
                 "places": len(needs), "mean_need_lb_ac": mean, "mean_half_interval_lb_ac": half},
                indent=None,
            )  # fmt: skip
            continue
        again = "-again" if len(by_place[place]) > 1 else ""
        tell(shown, f"methods.many-one{again}", place=place, nitrate=Quantity("concentration", ppm),
             need=Quantity("amount", need), times=len(by_place[place]))  # fmt: skip
        if half is not None:
            tell(shown, "methods.many-mean", places=len(needs), mean=Quantity("amount", mean),
                 half=Quantity("amount", half), sure=Quantity("share", _SURE))  # fmt: skip
    if not by_place and not refused:
        problem = "Standard input holds no reading."
        raise OutOfRangeError(problem, "Write one a line: place ppm, as 07 13.2; ppm of the core below may follow.")
    if refused:
        raise typer.Exit(REFUSED)


def _half_interval(needs: list[float]) -> float | None:
    """Half the interval of their mean, by Student's t; None of fewer than two."""
    count = len(needs)
    return None if count < 2 else student_t(_SURE, count - 1) * stdev(needs) / math.sqrt(count)


def _reading(words: list[str]) -> tuple[str, float, float | None]:
    if not 2 <= len(words) <= 3:
        problem = f"{' '.join(words)[:40]!r} is not a place with one or two readings."
        raise OutOfRangeError(problem, "Write place and ppm, as 07 13.2; ppm of the core below may follow.")
    numbers = []
    for word in words[1:]:
        try:
            value = float(word)
        except ValueError:
            value = math.nan
        if not 0 <= value <= 1000:
            problem = f"{word[:20]!r} is no reading in ppm."
            raise OutOfRangeError(problem, "Write a number from 0 to 1,000 with a point, as 13.2.")
        numbers.append(value)
    return words[0], numbers[0], numbers[1] if len(numbers) > 1 else None

"""A rate that a person sets moves no other zone, so that a saved review gives what the page showed."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vrn.model.settings import Override, ReviewSection
from vrn.nitrogen.ledger import Ledger, Line
from vrn.prescription import prescribe
from vrn.prescription.model import Prescription


def _prescribed(small: Prescription, *overrides: Override) -> list[float]:
    needs = np.array([0.0, 102.0, 102.0, 107.4])[small.zones.labels].ravel()
    settings = replace(small.field.settings, review=ReviewSection(override=overrides))
    line = Line(label="Need", lb_ac=needs, basis="", source="", key="need")
    made = prescribe(
        field=replace(small.field, settings=settings), grid=small.grid, share=small.share, surfaces=small.surfaces,
        ledger=Ledger(lines=(line,), method="remaining-need"), zones=small.zones,
    )  # fmt: skip
    return [rate.rate_n_lb_ac for rate in made.rates]


def test_override_moves_no_other_zone(make: Callable[..., Prescription]) -> None:
    """102, 102 and 107.4 in steps of 5 round to 100, 100, 110; with the last set to 120 the first two stay at 100."""
    small = make()
    plain = _prescribed(small)
    for zone in (1, 2, 3):
        for rate in (60.0, 120.0, 121.0):
            expected = list(plain)
            expected[zone - 1] = round(rate / 5) * 5.0
            assert _prescribed(small, Override(zone=zone, rate_n_lb_ac=rate, reason="sand")) == expected

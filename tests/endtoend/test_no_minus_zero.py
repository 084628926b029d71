"""A returns beam may read a little under its empty share: what rounds to nothing is told as 0, never as -0."""

from __future__ import annotations

import pytest

from edge.commands.calc.keys import show as calc_show
from edge.evidence.report.words import rounded
from edge.judge.advice.rules import show as advice_show


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        (rounded(-0.3, 0), "0"), (rounded(-0.0), "0.00"), (rounded(-0.04, 1), "0.0"), (rounded(-0.6, 0), "\u22121"),
        (calc_show(-0.0, "mm"), "0 mm"), (calc_show(-0.25), "-0.250"),
        (advice_show("returns_pct", -0.3, {}), "0"), (advice_show("speed_kmh", -0.04, {}), "0.0"),
        (advice_show("loss_rise", -0.001, {}), "0.00"), (advice_show("returns_pct", -0.6, {}), "-1"),
    ],
)  # fmt: skip
def test_what_rounds_to_nothing_has_no_sign(said: str, wanted: str) -> None:
    assert said == wanted

"""A replay's summary in words: metric by default, US customary by `[units] show`."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from edge.commands.summary_words import in_words

SUMMARY: dict[str, Any] = {
    "seconds": {"working": 600, "idle": 0}, "distance_m": 1000.0, "area_ha": 4.0,
    "loss": {"kg_ha": 50.0, "low": 40.0, "high": 65.0, "pct": 1.64},
    "value": {"loss_ha": 12.5, "quality_ha": 18.75, "total_ha": 31.25},
    "calibration": {"state": "good", "why": "3 used tests"}, "returns_pct": 34.0,
    "tests": [{"at": "T", "used": True, "why": None}, {"at": "U", "used": False, "why": "speed changed"}],
    "lines": {"good": 5, "bad_crc": 1, "malformed": 0, "missing": 2, "restarts": 0, "entries": 3},
}  # fmt: skip


def test_metric() -> None:
    lines = in_words(SUMMARY)
    assert "Distance 1000.0 m, area 4.000 ha" in lines
    assert "Machine loss 50.0 kg/ha (90 % interval 40.0 to 65.0), 1.64 % of the crop;" in lines
    assert "Worth of the lost grain: 12.50 a hectare" in lines
    assert "Taken off for trash and cracked grain: 18.75 a hectare (mean of the tank samples)" in lines
    assert lines[0] == "Time: working 600 s"
    assert "Tray test U: not used, speed changed" in lines


def test_us_customary_by_exact_factors() -> None:
    """1 lb/ac = 1.120851 kg/ha, 1 ac = 0.40468564224 ha, 1 ft = 0.3048 m."""
    text = "\n".join(in_words(SUMMARY, us=True))
    assert "Distance 3280.8 ft, area 9.884 ac" in text
    assert "Machine loss 44.6 lb/ac (90 % interval 35.7 to 58.0), 1.64 % of the crop;" in text
    assert "Worth of the lost grain: 5.06 an acre" in text
    assert "Taken off for trash and cracked grain: 7.59 an acre" in text
    assert not any(unit in text for unit in ("kg/ha", " ha", " m,", "hectare"))


@pytest.mark.parametrize("us", [False, True])
def test_unknown_is_told_as_unknown(us: bool) -> None:
    summary = copy.deepcopy(SUMMARY)
    summary["loss"] = dict.fromkeys(("kg_ha", "low", "high", "pct"))
    summary["value"] = dict.fromkeys(summary["value"])
    summary["returns_pct"] = None
    text = "\n".join(in_words(summary, us))
    assert f"lay a tray test to get {'lb/ac' if us else 'kg/ha'}" in text
    assert "None" not in text and "Worth" not in text and "Returns" not in text
    summary["loss"] = {"kg_ha": 50.0, "low": 40.0, "high": None, "pct": None}
    assert "to unknown)" in "\n".join(in_words(summary, us))


def test_returns_a_little_under_their_empty_share_are_no_minus_zero():
    assert "Returns 0 % of full" in in_words({**SUMMARY, "returns_pct": -0.3})
    assert "Returns -1 % of full" in in_words({**SUMMARY, "returns_pct": -0.6})

"""Golden captures: the same lines give the same figures, to the last digits, whatever is rebuilt inside.

The captures in `tests/recordings/golden/` were made by `python -m sim_feed NAME --to capture:NAME.tgcap.gz --minutes 8`. Where a
figure is meant to change, `python -m tests.endtoend.test_golden` writes the expected ones, and the commit says why.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import pytest

from edge.contract import settings
from edge.playback.replay import replay

GOLDEN = Path(__file__).parents[1] / "recordings" / "golden"
NAMES = ("paddock", "walkers", "bad_line")
EVERY = 20
DIGITS = 1e-12
"""Relative: sums of floats differ in their last two digits from one version of Python to the next."""


def played(name: str) -> dict[str, Any]:
    """The summary, and every twentieth `live` object."""
    seconds: list[dict[str, Any]] = []
    config = settings.load(GOLDEN / f"{name}.toml")
    summary = replay(GOLDEN / f"{name}.tgcap.gz", config, on_second=seconds.append)
    found: dict[str, Any] = json.loads(json.dumps({"summary": summary, "live": seconds[EVERY - 1 :: EVERY]}))
    return found


def expected_path(name: str) -> Path:
    return GOLDEN / f"{name}.expected.json.gz"


def differences(one: Any, other: Any, path: str = "") -> list[str]:
    """Places where two answers are not the same, with both values."""
    if isinstance(one, dict) and isinstance(other, dict) and list(one) == list(other):
        return [found for key in one for found in differences(one[key], other[key], f"{path}.{key}")]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        return [found for at, pair in enumerate(zip(one, other, strict=True)) for found in differences(*pair, f"{path}[{at}]")]
    if isinstance(one, float) and isinstance(other, float):
        return [] if one == pytest.approx(other, rel=DIGITS, abs=DIGITS) else [f"{path}: {one!r}, expected {other!r}"]
    return [] if one == other else [f"{path}: {one!r}, expected {other!r}"]


@pytest.mark.parametrize("name", NAMES)
def test_a_golden_capture_gives_the_same_figures(name: str) -> None:
    expected = json.loads(gzip.decompress(expected_path(name).read_bytes()))
    assert len(expected["live"]) >= 20
    assert differences(played(name), expected)[:10] == []


def test_a_difference_in_the_eleventh_digit_is_seen() -> None:
    expected = json.loads(gzip.decompress(expected_path("paddock").read_bytes()))
    changed = json.loads(json.dumps(expected))
    changed["summary"]["loss"]["kg_ha"] *= 1 + 1e-11
    assert len(differences(changed, expected)) == 1 and differences(expected, expected) == []


if __name__ == "__main__":
    for golden in NAMES:
        plain = json.dumps(played(golden), separators=(",", ":")).encode()
        expected_path(golden).write_bytes(gzip.compress(plain, 9, mtime=0))
        print(f"{golden}: written")

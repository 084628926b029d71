"""A pack in which entries were struck out: its figures are those without them, and it shows what was taken back and why."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path
from typing import Any

import pytest

from edge.contract import settings
from edge.evidence.verify import check
from edge.playback.replay import replay
from tests.kits.packs import EPOCH, Kept, figures_of, make

SLIP = {
    "entry": "tray", "residue_width_m": 9.1, "by": "Ann",
    "trays": [{"mass_g": 14.0, "length_m": 1.0, "width_m": 50.0}],
}  # fmt: skip
OWN = ("struck.", "proof.", "quality.records", "quality.withheld")
"""Figures that say so: what was taken back, and numbers of records."""


def told(kept: Kept, folder: Path, *more: tuple[float, dict[str, Any]]) -> Kept:
    """The same day with further entries, seconds after its begin."""
    lines = gzip.decompress(kept.capture.read_bytes()).split(b"\n")
    for after_s, entry in more:
        stamp = EPOCH + after_s
        at = next(at for at, line in enumerate(lines) if line and float(line.split(b" ", 1)[0]) > stamp)
        lines.insert(at, f"{stamp:.3f} !{json.dumps(entry)}".encode())
    folder.mkdir()
    capture, database = folder / "day.tgcap.gz", folder / "state" / "tailgrain.db"
    database.parent.mkdir()
    capture.write_bytes(gzip.compress(b"\n".join(lines)))
    refused: list[str] = []
    summary = replay(capture, settings.load(kept.config), database, on_refused=refused.append)
    assert refused == []
    return Kept(folder, database, kept.config, capture, summary)


def place_of(kept: Kept, entry: dict[str, Any]) -> int:
    """The place of an entry among the accepted ones of a capture."""
    lines = gzip.decompress(kept.capture.read_bytes()).split(b"\n")
    told_entries = [json.loads(line.split(b"!", 1)[1]) for line in lines if b" !" in line[:20]]
    return told_entries.index(entry) + 1


def by_name(figures: dict[str, str]) -> list[tuple[str, str]]:
    """Figures without those that say what was taken back; looks and samples are named by the number of their record."""
    kept = [(re.sub(r"seen\.\d+", "seen_", key), said) for key, said in figures.items()]
    return sorted(one for one in kept if not any(own in one[0] for own in OWN))


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return make(tmp_path_factory.mktemp("day"), seed=5)


def test_a_slip_struck_out_leaves_no_trace_in_the_figures(day: Kept, tmp_path: Path) -> None:
    slipped = told(day, tmp_path / "slip", (250.0, SLIP))
    n = place_of(slipped, SLIP)
    struck = told(day, tmp_path / "struck", (250.0, SLIP), (600.0, {"entry": "strike_out", "n": n, "why": "Width typed in cm."}))
    clean = figures_of(day.pack(tmp_path / "clean.html"))
    wrong = figures_of(slipped.pack(tmp_path / "wrong.html"))
    raw = struck.pack(tmp_path / "pack.html")
    mended = figures_of(raw)
    assert wrong["m1.loss.kg_ha"] != clean["m1.loss.kg_ha"]
    assert by_name(clean) == by_name(mended)
    assert mended["m1.struck.kg_ha"] == wrong["m1.loss.kg_ha"]
    text = raw.decode()
    assert "Width typed in cm." in text and "width 50" in text
    answer = check.check(raw)
    assert answer.fault is None, answer.fault

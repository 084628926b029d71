"""A pack in which entries were struck out: its figures are those without them, and it shows what was taken back and why."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path
from typing import Any

import pytest

from edge.contract import settings
from edge.evidence.report.struck import spoken
from edge.evidence.verify import check
from edge.playback.replay import replay
from tests.kits.packs import EPOCH, Kept, figures_of, make

SLIP = {
    "entry": "tray", "residue_width_m": 9.1, "by": "Ann",
    "trays": [{"mass_g": 14.0, "length_m": 1.0, "width_m": 50.0}],
}  # fmt: skip
OWN = ("struck.", "proof.", "quality.records", "quality.withheld", ".alert.", "m1.over")
"""Figures that say so: what was taken back, and numbers of records. Alerts, and the limit that kept seconds stood under, stay."""


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
    """Figures without those that say what was taken back; looks, samples and
    changes have numbers that count what was struck out."""
    kept = [(re.sub(r"(seen|change)\.\d+", r"\1_", key), said) for key, said in figures.items()]
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


def packed(kept: Kept, out: Path, job: int = 1) -> tuple[dict[str, str], str]:
    """Figures and text of a job's pack, which `verify` calls good."""
    raw = kept.pack(out, job)
    answer = check.check(raw)
    assert answer.fault is None, answer.fault
    return figures_of(raw), raw.decode()


@pytest.mark.parametrize(
    ("after_s", "slip", "seen"),
    [
        (250.0, {"entry": "crop", "name": "barley", "tgw_g": 44}, "tgw"),
        (180.0, {"entry": "setting", "what": "fan_rpm", "to": 500, "from": 900}, "factor.separator"),
        (250.0, {"entry": "crop", "price_per_t": 21}, "loss.money"),
        (250.0, {"entry": "limit", "loss_kg_ha": 5}, "loss.limit"),
    ],
)
def test_whatever_is_struck_out_leaves_the_figures_of_never_having_said_it(
    day: Kept, tmp_path: Path, after_s: float, slip: dict[str, Any], seen: str
) -> None:
    slipped = told(day, tmp_path / "slip", (after_s, slip))
    strike = {"entry": "strike_out", "n": place_of(slipped, slip), "why": "Not in this paddock."}
    struck = told(day, tmp_path / "struck", (after_s, slip), (600.0, strike))
    clean, _ = packed(day, tmp_path / "clean.html")
    wrong, _ = packed(slipped, tmp_path / "wrong.html")
    mended, text = packed(struck, tmp_path / "pack.html")
    assert wrong.get(f"m1.{seen}") != clean.get(f"m1.{seen}")
    assert by_name(clean) == by_name(mended)
    assert "Not in this paddock." in text and "m1.struck.kg_ha" not in mended


def test_a_slip_of_before_the_job_is_taken_back_in_it(day: Kept, tmp_path: Path) -> None:
    slip = {"entry": "crop", "price_per_t": 21}
    slipped = told(day, tmp_path / "slip", (1.0, slip))
    strike = {"entry": "strike_out", "n": place_of(slipped, slip), "why": "A price of another crop."}
    struck = told(day, tmp_path / "struck", (1.0, slip), (600.0, strike))
    clean, _ = packed(day, tmp_path / "clean.html")
    mended, text = packed(struck, tmp_path / "pack.html")
    assert mended["m1.loss.money"] == clean["m1.loss.money"] and mended["m1.loss.kg_ha"] == clean["m1.loss.kg_ha"]
    assert "A price of another crop." in text and "before this job" in text


def test_what_is_taken_back_in_a_job_taken_up_again_changes_its_verdicts_too(day: Kept, tmp_path: Path) -> None:
    ends = ((1030.0, {"entry": "job_reopen", "job": 1, "note": "a slip"}), (1040.0, {"entry": "job_finish", "note": "again"}))
    slip = (250.0, SLIP)
    slipped = told(day, tmp_path / "slip", slip, *ends)
    strike = (1035.0, {"entry": "strike_out", "n": place_of(slipped, slip[1]), "why": "Width typed in cm."})
    struck = told(day, tmp_path / "struck", slip, ends[0], strike, ends[1])
    never = told(day, tmp_path / "never", *ends)
    wrong, _ = packed(slipped, tmp_path / "wrong.html")
    clean, _ = packed(never, tmp_path / "clean.html")
    mended, _ = packed(struck, tmp_path / "pack.html")
    assert any(key.startswith("m1.change.") and key.endswith("kg_ha.before") for key in clean)
    assert by_name(wrong) != by_name(clean) == by_name(mended)


def test_a_job_taken_up_again_and_not_finished_is_whole(day: Kept, tmp_path: Path) -> None:
    again = told(day, tmp_path / "again", (1030.0, {"entry": "job_reopen", "job": 2, "note": "a ticket is missing"}))
    _, text = packed(again, tmp_path / "pack.html", 2)
    assert "Interim" in text


def test_a_change_that_no_longer_is_one_is_not_judged(day: Kept, tmp_path: Path) -> None:
    first, second = ({"entry": "setting", "what": "bottom_sieve_mm", "to": mm} for mm in (8, 20))
    both = told(day, tmp_path / "both", (200.0, first), (330.0, second))
    strike = (560.0, {"entry": "strike_out", "n": place_of(both, first), "why": "Of another machine."})
    struck = told(day, tmp_path / "struck", (200.0, first), (330.0, second), strike)
    never = told(day, tmp_path / "never", (330.0, second))
    clean, mended = packed(never, tmp_path / "clean.html")[0], packed(struck, tmp_path / "pack.html")[0]
    assert by_name(clean) == by_name(mended)


def test_a_tray_of_before_the_job_stands_in_the_headline_as_it_would_be_with_it(day: Kept, tmp_path: Path) -> None:
    """Nobody takes back unseen what a job began with."""
    early = {**SLIP, "at": EPOCH + 655}
    ends = ((1030.0, {"entry": "job_reopen", "job": 2, "note": "a slip"}), (1040.0, {"entry": "job_finish", "note": "again"}))
    before = told(day, tmp_path / "before", (657.0, early), *ends)
    n = place_of(before, early)
    strike = (1035.0, {"entry": "strike_out", "n": n, "why": "Width typed in cm."})
    struck = told(day, tmp_path / "struck", (657.0, early), ends[0], strike, ends[1])
    wrong, _ = packed(before, tmp_path / "wrong.html", 2)
    mended, text = packed(struck, tmp_path / "pack.html", 2)
    assert mended["m1.struck.kg_ha"] == wrong["m1.loss.kg_ha"] and "width 50" in text


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"entry": "crop", "tgw_g": 40, "yield_t_ha": 2.8, "price_per_t": 21}, "TGW 40 g; yield 2.8 t/ha; price 21 a tonne"),
        ({"entry": "setting", "what": "fan_rpm", "to": 860.0, "from": 800.0}, "the fan from 800 to 860 rpm"),
        ({"entry": "load", "volume_m3": 3.0, "bulk_kg_m3": 770}, "volume 3 m³; bulk 770 kg/m³"),
        ({"entry": "limit", "loss_kg_ha": None}, "loss none"),
    ],
)
def test_what_was_struck_out_is_said_in_words(body: dict[str, Any], words: str) -> None:
    assert spoken(body).replace("\u00a0", " ") == words

"""What a pack says besides its figures: its zone, that a job goes on, what no tray test checked, a verdict in few words."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import closing
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from edge.evidence import packs
from edge.evidence.pack.times import Zone
from edge.evidence.report.verdicts import effect_words, in_short
from edge.evidence.verify import check
from sim_feed.parameters.structs import Planned
from tests.kits.packs import EPOCH, PLAN, SECOND, Kept, Reader, figures_of, make, number


@pytest.mark.parametrize(("offset_min", "name"), [(0, "UTC"), (630, "UTC+10:30"), (-210, "UTC-03:30"), (60, "UTC+01:00")])
def test_times_are_those_of_the_zone(offset_min: int, name: str) -> None:
    """Against the calendar of the standard library."""
    zone = Zone(offset_min, EPOCH)
    assert zone.name == name
    for epoch_s in (0, EPOCH, EPOCH + 86_400 * 200 + 3_599):
        there = datetime.fromtimestamp(epoch_s, timezone(timedelta(minutes=offset_min)))
        assert zone.moment(epoch_s) == f"{there.day} {there:%b %Y %H:%M}"
    assert zone.clock(EPOCH) == f"{datetime.fromtimestamp(EPOCH, timezone(timedelta(minutes=offset_min))):%H:%M}"
    assert zone.clock(EPOCH + 86_400).startswith(" ".join(zone.day(EPOCH + 86_400).split()[:2]))


def test_a_pack_keeps_the_zone_it_was_made_in(kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "XYZ-10:30")  # POSIX counts the other way: ten and a half hours ahead
    time.tzset()
    try:
        raw = kept.pack(tmp_path / "ahead.html")
    finally:
        monkeypatch.undo()
        time.tzset()
    words = Reader(raw).words
    there = datetime.fromtimestamp(EPOCH, timezone(timedelta(hours=10, minutes=30)))
    assert f"{there.day} {there:%b %Y %H:}" in words and "UTC+10:30" in words
    assert check.check(raw).fault is None  # whatever zone it is checked in


def test_a_job_that_goes_on_says_so_at_the_top(kept: Kept, pack: bytes, tmp_path: Path) -> None:
    assert "Interim" not in Reader(pack).words
    earlier = tmp_path / "earlier.db"  # the same kit as it stood before the last finish
    with closing(sqlite3.connect(kept.database)) as source, closing(sqlite3.connect(earlier)) as into:
        source.backup(into)
        for (name,) in into.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            into.execute(f"DROP TRIGGER {name}")
        finish = "SELECT max(seq) FROM record WHERE kind = 'entry' AND body LIKE '%job_finish%'"
        into.execute(f"DELETE FROM record WHERE seq >= ({finish})")
        into.commit()
    raw = packs.pack_of(earlier, 2, "exact", kept.key, EPOCH * 1000)
    head = Reader(raw).words.split("How much was lost?")[0]
    assert "Interim: the job was still open when this pack was made" in head
    assert check.check(raw).fault is None


@pytest.fixture(scope="module")
def crops(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """Barley is cut from 500 s on; the first job ends by the start of the second, of a crop without a tray test."""
    plan = [one for one in PLAN if one.at_s < 450]
    plan += [
        Planned(500, entry={"entry": "crop", "name": "barley", "tgw_g": 44, "yield_t_ha": 3.0}),
        Planned(660, entry={"entry": "job_start", "client": SECOND, "paddock": "South block"}),
        Planned(1020, finish={}),
    ]
    return make(tmp_path_factory.mktemp("crops"), seed=7, operator=tuple(plan))


def test_a_job_names_every_crop_it_cut_and_ends_with_the_start_of_another(crops: Kept, tmp_path: Path) -> None:
    raw = crops.pack(tmp_path / "both.html", job=1)
    head = Reader(raw).words.split("How much was lost?")[0]
    assert "wheat and barley" in head and "Interim" not in head
    assert check.check(raw).fault is None


def test_factors_from_before_a_change_of_crop_are_called_stale(crops: Kept, tmp_path: Path) -> None:
    raw = crops.pack(tmp_path / "second.html", job=2)
    figures, words = figures_of(raw), Reader(raw).words
    assert figures["m1.calibration"] == "stale" and "the crop has changed since the last tray test" in words
    with closing(sqlite3.connect(crops.database)) as db:
        kept = json.loads(db.execute("SELECT body FROM record WHERE kind = 'job figures' ORDER BY seq DESC").fetchone()[0])
    assert number(figures["m1.loss.kg_ha"]) == pytest.approx(kept["loss"]["kg_ha"], rel=0.01)  # as the page Job says it
    assert check.check(raw).fault is None


def test_ground_that_no_tray_test_checked_is_named_first(kept: Kept, pack: bytes) -> None:
    """All trays lay before the fan was changed at 300 s: the share of the ground cut since, from the database itself."""
    with closing(sqlite3.connect(kept.database)) as db:
        first = "SELECT min(at_ms) FROM record WHERE kind = 'entry' AND json_extract(body, '$.entry') = ?"
        changed_ms, finished_ms = (db.execute(first, (entry,)).fetchone()[0] for entry in ("setting", "job_finish"))
        sql = "SELECT sum(area_m2) FILTER (WHERE t > ?), sum(area_m2) FROM second WHERE t <= ?"
        after, whole = db.execute(sql, (changed_ms / 1000, finished_ms / 1000)).fetchone()
    said = figures_of(pack)["m1.untested"]
    assert int(said.split("\u00a0")[0]) == pytest.approx(100 * after / whole, abs=1)
    sure = Reader(pack).words.split("How sure is that?")[1].split("What was changed?")[0]
    assert "All tray tests were made before the fan was changed" in sure


@pytest.fixture(scope="module")
def stands(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """Beside the fan's change at 300 s it was told where rotor and fan stand."""
    plan = [one for one in PLAN if one.at_s < 450]
    plan += [
        Planned(90, entry={"entry": "setting", "what": "rotor_rpm", "to": 800}),
        Planned(330, entry={"entry": "setting", "what": "fan_rpm", "from": 860, "to": 860}),
        Planned(660, finish={}),
    ]
    return make(tmp_path_factory.mktemp("stands"), seed=7, operator=tuple(plan))


def test_what_a_setting_stands_at_is_told_as_no_change(stands: Kept, tmp_path: Path) -> None:
    raw = stands.pack(tmp_path / "stands.html")
    assert check.check(raw).fault is None
    page, figures = Reader(raw), figures_of(raw)
    assert figures["m1.changes"] == "1" and "1 setting changes" in raw.decode()
    answers = page.words.split("What was changed?")[1].split("Did it help?")[0]
    assert "Fan" in answers and "Rotor" not in answers
    assert page.words.count("no change: taken as what it stood at") == 2 and "at 800 rpm" in page.words
    told = [one for one in stands.summary["tests"] if one["used"]]
    assert len(told) == 3, "the tray at 100 s lies 10 s behind the first value of the rotor, and counts"


def test_a_verdict_that_trays_and_pulses_deny_each_other_is_said_to_be_that() -> None:
    found = {**BASE, "basis": "grain", "verdict": "not enough data", "ratio": None, "low": None, "high": None}
    assert in_short(found) == "Trays and pulses contradict each other"
    assert in_short({**found, "basis": "pulses"}) == "Too little data to say"
    assert in_short({**found, "verdict": "worse", "low": 2.0}) == "More loss", "kernels where there were none have no ratio"


BASE = {"basis": "pulses", "before": {"returns_pct": 23.5}, "after": {"returns_pct": 27.9}}


@pytest.mark.parametrize(
    ("verdict", "ratio", "low", "high", "short", "effect"),
    [
        ("mixed", 0.65, 0.54, 0.80, "Less loss, more returns", "35\u00a0% fewer loss pulses (range 20 to 46\u00a0% fewer)"),
        ("better", 0.65, 0.54, 0.80, "Less loss", "35\u00a0% fewer loss pulses (range 20 to 46\u00a0% fewer)"),
        ("worse", 1.3, 1.1, 1.6, "More loss", "30\u00a0% more loss pulses (range 10 to 60\u00a0% more)"),
        (
            "no detectable change", 0.95, 0.8, 1.12, "No change seen",
            "5\u00a0% fewer loss pulses (range 20\u00a0% fewer to 12\u00a0% more)",
        ),
        (
            "no detectable change", 1.0, 0.8, None, "No change seen",
            "as many loss pulses as before (range from 20\u00a0% fewer, no upper end)",
        ),
        (
            "not enough data", 1.0, 0.8, 1.3, "Too little data to say",
            "as many loss pulses as before (range 20\u00a0% fewer to 30\u00a0% more)",
        ),
    ],
)  # fmt: skip
def test_a_verdict_in_few_words(verdict: str, ratio: float, low: float, high: float | None, short: str, effect: str) -> None:
    found = {**BASE, "verdict": verdict, "ratio": ratio, "low": low, "high": high}
    assert (in_short(found), effect_words(found)) == (short, effect)

"""Packs of jobs with a life: over a restart of the kit, past midnight, reopened after another client's job, still open."""

from __future__ import annotations

from pathlib import Path

import pytest

from edge.evidence import packs
from edge.evidence.recount import facts
from edge.evidence.verify import check
from edge.keep.store import FILE_NAME
from tests.kits.engines import NOON, EngineKit, job_toml
from tests.kits.packs import data_of, everything

BEFORE_MIDNIGHT = NOON + 12 * 3600 - 300 - NOON % 86_400 + (0 if NOON % 86_400 < 43_200 else 43_200)
OTHERS = ("Second client", "Far block", "their own affair")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / FILE_NAME


def packed(path: Path, job: int = 1) -> bytes:
    out = path.with_name(f"job-{job}.html")
    packs.write_pack(path, job, out, "exact")
    raw = out.read_bytes()
    found = check.check(raw, redraw=True)
    assert found.fault is None, found.fault
    return raw


def test_a_job_over_a_crash_of_the_kit_is_one_pack(path: Path) -> None:
    kit = EngineKit(path)
    kit.enter(entry="job_start", client="First client", paddock="Near block")
    kit.calibrate()
    kit.work(200)
    kit.drop()
    later = EngineKit(path, at_s=kit.at_s + 3600)
    later.work(240)
    later.enter(entry="job_finish", harvested_t=2.0, area_ha=0.75)
    figures = later.engine.reckoner
    later.end()
    found = facts.facts(data_of(packed(path)))
    assert {run.run for run in found.document.runs} == {1, 2} and found.quality["broken_off"] == 1
    assert found.seconds["working"] > 380 and found.job["finished"]
    assert found.stated_area_ha == 0.75 and found.harvested_t == 2.0
    assert found.crop["yield_t_ha"] == pytest.approx(2.0 / 0.75) and not found.crop["typed"]
    assert {name: k for name, k, _, _ in found.factors} == pytest.approx(
        {name: fit.k for name, fit in figures.calibration.factors.points.items()}, rel=1e-6
    )
    # 30 and 20 pulses/s (1 ms dead time) at 2 m/s over 9 m, all seconds alike; each run leaves the ground of its last lag out.
    k, seconds = found.factors[0][1], sum(found.seconds.values())
    pulses_m2 = (30 / (1 - 0.030) + 20 / (1 - 0.020)) / 18
    assert found.loss.value == pytest.approx(pulses_m2 * k / 100 * seconds / (seconds - 20), rel=0.005)


def test_a_reopened_job_withholds_the_other_clients_job_between(path: Path) -> None:
    kit = EngineKit(path)
    kit.enter(entry="job_start", client="First client", paddock="Near block")
    kit.calibrate()
    kit.work(120)
    kit.enter(entry="job_finish")
    kit.enter(entry="job_start", client=OTHERS[0], paddock=OTHERS[1])
    kit.work(120)
    kit.enter(entry="setting", what="fan_rpm", to=900)
    kit.enter(entry="note", note=OTHERS[2])
    kit.work(60)
    kit.enter(entry="job_finish")
    kit.enter(entry="job_reopen", job=1, note="a strip was left standing")
    kit.work(90)
    kit.enter(entry="setting", what="fan_rpm", to=860)
    kit.work(90)
    kit.enter(entry="job_finish", harvested_t=3.0, area_ha=1.0)
    kit.end()
    raw = packed(path)
    whole = everything(raw)
    assert [word for word in OTHERS if word in whole] == []
    found = facts.facts(data_of(raw))
    assert found.quality["withheld"] > 5 and [why for _, why in found.job["reopened"]] == ["a strip was left standing"]
    # The other job's change counts in the numbering, and its value is what this one's began from.
    assert [(one.n, one.was, one.to) for one in found.changes] == [(2, "900 rpm", "860 rpm")]
    assert len(found.tests) == 3
    other = everything(packed(path, job=2))
    assert "First client" not in other and "a strip was left" not in other and OTHERS[2] in other


def test_an_open_job_past_midnight_reaches_to_its_last_closed_minute(path: Path) -> None:
    kit = EngineKit(path, at_s=BEFORE_MIDNIGHT)
    kit.enter(entry="job_start", client="First client")
    kit.calibrate()
    kit.work(330)
    kit.store.settle()
    try:
        found = facts.facts(data_of(packed(path)))
    finally:
        kit.drop()
    assert not found.job["finished"] and found.end_s is not None and found.start_s is not None
    assert found.start_s // 86_400 < found.end_s // 86_400 and found.end_s % 60 == 0
    assert "not finished" in everything(packed(path))


def test_a_wiring_change_within_a_job_is_worked_out_by_each_runs_own_settings(path: Path) -> None:
    kit = EngineKit(path)
    kit.enter(entry="job_start", client="First client")
    kit.calibrate()
    kit.work(120)
    kit.end()
    narrow = EngineKit(path, kit.at_s + 600, job_toml(cut_width_m=6.0))
    narrow.work(120)
    narrow.enter(entry="job_finish")
    narrow.end()
    found = facts.facts(data_of(packed(path)))
    assert [run.settings["machine"]["cut_width_m"] for run in found.document.runs] == [9.0, 6.0]
    assert len(found.tests) == 3 and found.loss.value is not None

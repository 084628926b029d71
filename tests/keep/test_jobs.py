"""Job life: start, finish with weighed grain, reopen; over stops, restarts and midnight; what the record says about each."""

from __future__ import annotations

import math
import random
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from edge.contract.errors import EntryError, WrongInput
from edge.engine import jobrecords
from edge.keep import chain, jobs, readonly
from edge.keep.records import check_database, proof_line
from edge.keep.store import FILE_NAME, Store
from edge.reckon.totals import Totals
from tests.kits.engines import NOON, EngineKit


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / FILE_NAME


@pytest.fixture
def kit(path: Path) -> Iterator[EngineKit]:
    made = EngineKit(path)
    yield made
    made.drop()


def all_jobs(path: Path) -> list[jobs.Job]:
    with readonly.opened(path) as db:
        return jobs.jobs(db)


def totals(path: Path, number: int) -> dict[str, Any]:
    with readonly.opened(path) as db:
        return jobs.totals(db, jobs.job(db, number))


def records(path: Path, kind: str) -> list[dict[str, Any]]:
    store = Store(path)
    try:
        return [body for _, _, body, _ in store.earlier_records((kind,))]
    finally:
        store.close()


def test_a_job_has_the_seconds_between_its_start_and_its_finish_and_no_others(kit, path):
    kit.work(30)
    answer = kit.enter(entry="job_start", client="one", paddock="north", operator="D")
    assert answer["job"] == 1 and answer["proof"] == {"seq": answer["seq"], "hash": kit.store.proof(answer["seq"])["hash"]}
    kit.work(100)
    kit.enter(entry="job_finish")
    kit.work(50)
    kit.end()
    [job] = all_jobs(path)
    assert (job.number, job.client, job.paddock, job.operator, job.is_open) == (1, "one", "north", "D", False)
    assert (job.started_ms, job.ended_ms) == ((NOON + 30) * 1000, (NOON + 130) * 1000)
    # The second in which it was started is still open then: it is the job's, and the one before is closed by the entry.
    assert job.stretches == [jobs.Stretch(1, 30, 129)]
    found = totals(path, 1)
    assert sum(found["seconds"].values()) == 100 and found["missing_s"] == 0
    assert found["distance_m"] == pytest.approx(200.0) and found["area_ha"] == pytest.approx(200 * 9 / 10_000)


def test_time_without_work_is_in_the_job_and_is_no_work(kit, path):
    kit.enter(entry="job_start", client="one")
    kit.work(60)
    kit.work(40, levels=0)
    kit.work(60)
    kit.enter(entry="job_finish")
    kit.end()
    found = totals(path, 1)
    assert found["seconds"]["working"] < 120 and found["seconds"]["idle"] >= 35
    assert found["area_ha"] == pytest.approx(2 * 120 * 9 / 10_000, rel=0.03)


def test_a_start_while_a_job_is_open_finishes_that_one_and_says_so(kit, path):
    kit.enter(entry="job_start", client="one")
    kit.work(70)
    answer = kit.enter(entry="job_start", client="two")
    assert answer["job"] == 2 and "job 1 was open and is finished" in answer["note"]
    kit.work(70)
    kit.end()
    one, two = all_jobs(path)
    assert not one.is_open and two.is_open
    assert one.stretches[-1].last + 1 == two.stretches[0].first
    assert not one.holds(answer["seq"]) and two.holds(answer["seq"])


def test_a_reopened_job_goes_on_where_it_left_off_with_the_reason(kit, path):
    kit.enter(entry="job_start", client="one")
    kit.work(60)
    kit.enter(entry="job_finish")
    kit.enter(entry="job_start", client="two")
    kit.work(60)
    with pytest.raises(EntryError, match="job_reopen: job: 2 is open"):
        kit.enter(entry="job_reopen", job=2, note="x")
    answer = kit.enter(entry="job_reopen", job=1, note="a strip was left")
    assert answer["job"] == 1 and "job 2 was open" in answer["note"]
    kit.work(60)
    kit.enter(entry="job_finish")
    kit.end()
    one, two = all_jobs(path)
    assert len(one.periods) == len(one.stretches) == 2 and one.reopened == ["a strip was left"]
    assert len(two.periods) == 1 and not two.is_open
    spans = sorted([*one.stretches, *two.stretches])
    assert [b.first - a.last for a, b in zip(spans, spans[1:], strict=False)] == [1, 1]


@pytest.mark.parametrize("how", ["end", "drop"])
def test_a_job_goes_on_over_midnight_and_over_restarts(path, how):
    midnight = (NOON // 86_400 + 1) * 86_400
    kit = EngineKit(path, midnight - 90)
    kit.calibrate()
    kit.enter(entry="job_start", client="one")
    kit.work(200)
    getattr(kit, how)()
    kit = EngineKit(path, midnight + 3600)
    assert kit.engine.reckoner.now.job == 1
    kit.work(100)
    answer = kit.enter(entry="job_finish")
    assert answer["job"] == 1 and "note" not in answer
    kit.end()
    [job] = all_jobs(path)
    assert [one.run for one in job.stretches] == [1, 2]
    found = totals(path, 1)
    assert sum(found["seconds"].values()) == pytest.approx(300, abs=2)
    [figures] = records(path, "job figures")
    assert figures["loss"]["kg_ha"] > 0
    if how == "end":  # a lost process loses the sums of its last minute, never its seconds
        assert figures["area_ha"] == pytest.approx(found["area_ha"])
        assert figures["seconds"] == found["seconds"]


def test_weighed_grain_corrects_yield_and_percent_and_the_correction_is_on_record(kit, path):
    kit.calibrate()
    kit.enter(entry="job_start", client="one")
    kit.work(600)
    kit.enter(entry="job_finish", harvested_t=4.4, area_ha=1.1)
    kit.end()
    [figures], [correction] = records(path, "job figures"), records(path, "job correction")
    kg_ha = figures["loss"]["kg_ha"]
    # Percent of the crop: loss over tank plus loss (measurement: machine / (tank + machine)).
    assert figures["loss"]["pct"] == pytest.approx(100 * kg_ha / (4000 + kg_ha))
    assert correction["before"]["loss_pct"] == pytest.approx(100 * kg_ha / (5000 + kg_ha))
    assert correction["after"] == {"yield_t_ha": 4.0, "yield_is_typed": False, "loss_pct": figures["loss"]["pct"]}
    assert correction["before"]["yield_t_ha"] == 5.0 and correction["before"]["yield_is_typed"]
    assert correction["measured_area_ha"] == pytest.approx(600 * 2 * 9 / 10_000, rel=0.01)
    assert correction["area_off_pct"] == pytest.approx(100 * (correction["measured_area_ha"] / 1.1 - 1))
    [job] = all_jobs(path)
    assert (job.harvested_t, job.area_ha) == (4.4, 1.1)


def test_an_area_far_from_the_measured_one_is_said_in_the_answer(kit):
    kit.enter(entry="job_start", client="one")
    kit.work(600)  # 600 s at 2 m/s and 9 m: 1.08 ha
    assert "note" not in kit.enter(entry="job_finish", harvested_t=4.4, area_ha=1.1)
    note = kit.enter(entry="job_finish", harvested_t=4.4, area_ha=2.0)["note"]
    assert "correction of job 1" in note and "the kit measured 1.08 ha, 46 % less than the area given" in note


def test_a_late_ticket_corrects_the_job_that_was_finished_last(kit, path):
    kit.calibrate()
    kit.enter(entry="job_start", client="one")
    kit.work(120)
    kit.enter(entry="job_finish")
    kit.work(120)
    answer = kit.enter(entry="job_finish", harvested_t=1.0, area_ha=0.2)
    assert answer["job"] == 1 and answer["note"] == "no job was open: taken as a correction of job 1"
    kit.end()
    [job] = all_jobs(path)
    assert (job.harvested_t, job.area_ha) == (1.0, 0.2) and len(job.periods) == 1
    assert job.holds(answer["seq"]) and sum(one.last - one.first + 1 for one in job.stretches) == 120
    assert [one["job"] for one in records(path, "job correction")] == [1]
    assert len(records(path, "job figures")) == 2


@pytest.mark.parametrize(("t", "ha", "why"), [(500, 0.5, "would be 1,000 t/ha"), (3, 0.001, "too little ground for a yield")])
def test_an_impossible_ticket_is_kept_and_not_used(kit, path, t, ha, why):
    """40 t/ha is the most the settings file and the crop entry take; it would stand in the live percent at once."""
    kit.calibrate()
    kit.enter(entry="job_start", client="one")
    kit.work(120)
    answer = kit.enter(entry="job_finish", harvested_t=t, area_ha=ha)
    assert f"tonnes and area kept, not used: {t:.3g} t" in answer["note"] and why in answer["note"]
    assert kit.engine.reckoner.now.yield_t_ha == 5.0
    kit.end()
    assert records(path, "job correction") == []
    assert all_jobs(path)[0].harvested_t == t  # on record all the same


def test_the_next_client_begins_with_the_typed_yield(kit):
    """What was weighed for one client is neither the next one's crop nor the next one's business."""
    kit.enter(entry="job_start", client="one")
    kit.work(600)
    kit.enter(entry="job_finish", harvested_t=4.4, area_ha=1.1)
    assert kit.engine.reckoner.now.yield_t_ha == 4.0
    kit.enter(entry="job_start", client="one", paddock="next")
    assert kit.engine.reckoner.now.yield_t_ha == 4.0
    kit.enter(entry="job_start", client="two")
    assert (kit.engine.reckoner.now.yield_t_ha, kit.engine.reckoner.now.yield_is_typed) == (5.0, True)


def test_a_late_ticket_of_another_crop_leaves_the_yield_in_force_alone(kit):
    kit.enter(entry="job_start")
    kit.work(30)
    kit.enter(entry="job_finish")
    kit.enter(entry="crop", name="canola", tgw_g=3.5, yield_t_ha=2.0)
    kit.enter(entry="job_finish", harvested_t=100, area_ha=20)
    assert kit.engine.reckoner.now.yield_t_ha == 2.0


def test_a_finish_without_any_job_says_what_it_did(kit):
    assert kit.enter(entry="job_finish")["note"] == "no job was open: it corrects the yield only"


def test_an_opening_holds_what_a_pack_needs_and_nobody_else_s_words(kit, path):
    kit.calibrate()
    kit.enter(entry="limit", loss_kg_ha=60)
    kit.enter(entry="setting", what="fan_rpm", to=900, **{"from": 850})
    kit.enter(entry="width_used", part=0.9)
    kit.enter(entry="job_start", client="one", note="private")
    kit.work(60)
    kit.end()
    [opening] = records(path, "job opening")
    assert opening["job"] == 1
    assert opening["crop"]["name"] == "wheat" and opening["crop"]["tgw_g"] == 40.0
    assert opening["limits"]["loss_kg_ha"] == 60 and opening["width"] == {"cut_width_m": 9.0, "width_used": 0.9}
    assert opening["settings"] == {"fan_rpm": 900.0} and opening["lag_s"] == 10.0
    assert len(opening["tests"]) == 3 and all("by" not in test["entry"] for test in opening["tests"])
    factors = jobrecords.factors(opening["calibration"])
    assert factors[1].points == kit.engine.reckoner.calibration.factors.points
    assert set(opening["machine"]) == {"machine", "input", "level", "crop_data"}
    assert "broker.example" not in chain.canonical(opening)


def test_the_figures_of_a_job_follow_from_its_minutes_and_the_factors_on_record(kit, path):
    kit.calibrate()
    kit.enter(entry="job_start", client="one")
    kit.work(300)
    kit.enter(entry="job_finish")
    kit.end()
    with readonly.opened(path) as db:
        minutes = jobs.minutes_of(db, 1)
    [figures] = records(path, "job figures")
    names = ("separator", "cleaning")
    whole = jobrecords.total(names, minutes)
    behind = figures["calibration"]
    again = whole.mean_loss(
        jobrecords.factors(behind),
        [behind["background"][name][0] for name in names],
        [behind["background"][name][1] for name in names],
        [behind["dispersion"][name] for name in names],
        behind["extra_u"],
        yield_t_ha=5.0,
    )
    assert again.kg_ha == pytest.approx(figures["loss"]["kg_ha"], rel=1e-12)
    assert (again.low, again.high, again.pct) == pytest.approx(
        (figures["loss"]["low"], figures["loss"]["high"], figures["loss"]["pct"]), rel=1e-12
    )
    assert math.isclose(whole.area_m2, sum(one["area_ha"] for one in minutes) * 10_000)


def test_sums_of_a_minute_survive_the_record(kit):
    kit.calibrate()
    before = kit.engine.reckoner.totals
    again = Totals(before.names)
    jobrecords.add_minute(again, {"seconds": before.seconds, "distance_m": before.distance_m,
                                  "area_ha": before.area_m2 / 10_000, "sums": jobrecords.sums(before, {})})  # fmt: skip
    assert again.crops == before.crops and again.seconds == before.seconds
    assert again.area_m2 == pytest.approx(before.area_m2) and again.returns_pct == before.returns_pct


def test_a_job_that_is_not_there_is_named(kit, path):
    with readonly.opened(path) as db, pytest.raises(WrongInput, match="no job was started"):
        jobs.job(db, 1)
    kit.enter(entry="job_start")
    with readonly.opened(path) as db, pytest.raises(WrongInput, match="found 2; allowed: 1 to 1"):
        jobs.job(db, 2)


def test_silence_is_one_record_however_long(kit, path):
    kit.work(10)
    kit.at_s += 30
    kit.seq += 30
    kit.work(10)
    kit.at_s += 5
    kit.seq += 5
    kit.work(5)
    kit.end()
    found = records(path, "no data")
    assert [one["seconds"] for one in found] == [30, 5]
    assert found[0]["from"] < found[0]["to"]


def test_a_whole_database_is_checked_and_the_first_bad_record_named(kit, path):
    kit.calibrate()
    kit.enter(entry="job_start", client="one")
    kit.work(200)
    answer = kit.enter(entry="job_finish")
    kit.end()
    held = chain.Proof(**answer["proof"])
    assert check_database(path, [held]) is None
    with readonly.opened(path) as db:
        assert proof_line(db).seq == db.execute("SELECT max(seq) FROM record").fetchone()[0]
    tamper(path, "DROP TRIGGER record_stays_as_it_is", "UPDATE record SET body = '{}' WHERE seq = 4")
    broken = check_database(path)
    assert broken is not None and broken.seq == 4


def test_a_changed_second_or_count_is_found_by_its_minute(kit, path):
    kit.enter(entry="job_start", client="one")
    kit.work(150)
    kit.end()
    assert check_database(path) is None
    tamper(path, "UPDATE second SET speed_kmh = 3 WHERE number = 100")
    broken = check_database(path)
    assert broken is not None and "figures" in broken.what and "run 1" in broken.what
    tamper(path, "UPDATE second SET speed_kmh = 7.2 WHERE number = 100")
    tamper(path, "UPDATE counts SET ms = ms + 1 WHERE number = 20")
    broken = check_database(path)
    assert broken is not None and "counts" in broken.what


def test_random_single_changes_anywhere_in_the_record_are_all_found(kit, path):
    """Cells of records, figures and counts; positions and the number of the run are bound by nothing (see `minutes`)."""
    kit.calibrate()
    kit.enter(entry="job_start", client="one", paddock="north")
    kit.work(130)
    kit.enter(entry="job_finish", harvested_t=1.0, area_ha=0.3)
    kit.end()
    tamper(path, "DROP TRIGGER record_stays_as_it_is")
    random_ = random.Random(3)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        places = []
        tables = (("record", "seq", ("ask_id",)), ("second", "number", ("run", "lat", "lon")), ("counts", "number", ("run",)))
        for table, key, left_out in tables:
            columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})") if row[1] not in (*left_out, key)]
            keys = [row[0] for row in db.execute(f"SELECT {key} FROM {table}")]
            places += [(table, key, column, at) for column in columns for at in keys]
        for table, key, column, at in random_.sample(places, 150):
            was = db.execute(f"SELECT {column} FROM {table} WHERE {key} = ?", (at,)).fetchone()[0]
            db.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (changed(was, random_), at))
            assert check_database(path) is not None, (table, column, at, was)
            db.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (was, at))
    assert check_database(path) is None


def changed(value: Any, random_: random.Random) -> Any:
    """Another value of the same kind, as near as can be."""
    if value is None:
        return 0
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return math.nextafter(value, math.inf)
    if not value:
        return "x"
    at = random_.randrange(len(value))
    return value[:at] + chr(ord(value[at]) ^ 1) + value[at + 1 :]


def test_seconds_given_up_to_a_full_disk_are_no_fault_but_some_of_a_minute_are(kit, path):
    kit.work(200)
    kit.end()
    tamper(path, "DELETE FROM second WHERE number <= 70", "DELETE FROM counts WHERE number <= 70")
    assert check_database(path) is None  # oldest first, as the upkeep does it
    tamper(path, "DELETE FROM second WHERE number = 150", "DELETE FROM counts WHERE number = 150")
    broken = check_database(path)
    assert broken is not None and "1 of its" in broken.what


def tamper(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for statement in statements:
            db.execute(statement)


def test_a_finish_says_why_the_mean_may_leave_what_the_screen_showed(path):
    kit = EngineKit(path)
    kit.enter(entry="job_start", client="one")
    kit.calibrate()
    kit.work(120)
    note = kit.enter(entry="job_finish")["note"]
    assert re.match(r"the job's mean loss is [\d.]+ kg/ha: all its tray tests count for the whole job", note)
    kit.enter(entry="job_start", client="two")
    kit.work(120)
    assert "note" not in kit.enter(entry="job_finish")  # no test came in it: nothing is weighed anew

"""What the screens read out of the database, against the record itself and published figures."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import msgspec
import pytest

from dashboard.read import jobs, judged, reading
from dashboard.read.asked import Question
from dashboard.server import FAILED
from edge.contract import settings as settings_module
from edge.contract.errors import StoreError, WrongInput
from edge.playback.replay import replay

RECORDING = Path(__file__).parents[2] / "recordings" / "worked_example.tgcap.gz"


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Question:
    """The worked example's database: a tray test and a setting change in eight minutes."""
    store = tmp_path_factory.mktemp("reading") / "tailgrain.db"
    settings = settings_module.load(RECORDING.with_name("worked_example.toml"))
    replay(RECORDING, settings, store=store)
    return Question(store, settings, {})


def records(question: Question, kind: str) -> list[dict[str, Any]]:
    with reading.opened(question.store) as connection:
        rows = connection.execute("SELECT body FROM record WHERE kind = ? ORDER BY seq", (kind,)).fetchall()
    return [msgspec.json.decode(row[0]) for row in rows]


def test_in_force_is_what_the_entries_say(example: Question) -> None:
    found = reading.in_force(example)
    settings = [entry for entry in records(example, "entry") if entry["entry"] == "setting"]
    assert len(found["changes"]) == len(settings) == 1
    assert found["changes"][0]["n"] == 1
    assert (found["changes"][0]["what"], found["changes"][0]["to"]) == (settings[0]["what"], settings[0]["to"])
    assert found["settings"] == {settings[0]["what"]: settings[0]["to"]}
    assert found["crop"] == example.settings.crop.name if example.settings.crop else None
    assert found["bushel_lb"] == 60.0  # wheat: 60 lb, 7 CFR 810 / the crop table's source
    assert found["limits"]["loss_kg_ha"] == example.settings.limits.loss_kg_ha


def test_a_tray_test_shows_its_factor_before_and_after(example: Question) -> None:
    found = judged.tests(example)
    kept = records(example, "calibration")
    assert [one["number"] for one in found["tests"]] == [one["number"] for one in kept]
    first = found["tests"][0]
    assert first["before"] is None
    for point, factor in first["after"].items():
        assert factor["k"] == kept[0]["after"]["factor_mg_per_pulse"][point]
        assert factor["low"] < factor["k"] < factor["high"]
    assert found["another"]["worth"] and found["another"]["why"] in ("few", "stale")


def test_the_interval_of_a_factor_is_students_t() -> None:
    """Two-sided 90 %: t = 2.920 for 2 degrees of freedom, 2.132 for 4 (tables of Student's t, e.g. NIST/SEMATECH 1.3.6.7.2)."""
    after = {"factor_mg_per_pulse": {"cleaning": 1000.0}, "u_relative": {"cleaning": 0.1}, "tests": 3, "dof": {"cleaning": 2.0}}
    found = judged.factors(after)["cleaning"]
    assert found["high"] / 1000 == pytest.approx(2.718281828**0.2920, rel=1e-4)
    assert found["low"] * found["high"] == pytest.approx(1e6)
    older = {**after, "tests": 5}
    del older["dof"]  # a record of an earlier version: n - 1
    assert judged.factors(older)["cleaning"]["high"] / 1000 == pytest.approx(2.718281828**0.2132, rel=1e-4)


def test_whether_another_test_is_worth_it() -> None:
    def of(n: int, u: float, state: str) -> dict[str, Any]:
        after = {"factor_mg_per_pulse": {"a": 1.0}, "u_relative": {"a": u}, "tests": n, "dof": {"a": n - 1.0}, "state": state}
        return judged.another(after)

    assert judged.another(None)["why"] == "none"
    assert of(2, 0.3, "rough")["why"] == "few"
    assert of(2, 0.3, "rough")["missing"] == 1
    three = of(3, 0.1, "good")  # exp(2.920 x 0.1) - 1 = 33.9 %, then exp(2.353 x 0.1 x sqrt(3/4)) - 1 = 22.6 %
    assert (three["worth"], three["why"]) == (True, "wide")
    assert (three["now_pct"], three["next_pct"]) == (34, 23)
    assert of(12, 0.05, "good")["worth"] is False
    assert of(12, 0.05, "stale")["why"] == "stale"


def test_verdicts_and_work_are_counted_as_the_database_has_them(example: Question) -> None:
    found = judged.verdicts(example)
    kept = records(example, "verdict")
    assert [one["verdict"] for one in found["verdicts"]] == [one["verdict"] for one in kept]
    assert judged.worked(example._replace(query={"since": "0"}))["seconds"] > 60
    assert judged.worked(example._replace(query={"since": "4e9"}))["seconds"] == 0


@pytest.mark.parametrize("since", ["", "soon", "-1", "nan", "1e99"])
def test_a_wrong_question_is_one_clear_line(example: Question, since: str) -> None:
    with pytest.raises(WrongInput, match="since: found .*; allowed: a number from 0"):
        judged.worked(example._replace(query={"since": since}))


def test_jobs_follow_their_entries(tmp_path: Path) -> None:
    """Start, finish, reopening; another start ends an open one."""
    said = [
        (0, {"entry": "job_start", "client": "A", "paddock": "East"}),
        (100, {"entry": "job_finish", "harvested_t": 30.0}),
        (200, {"entry": "job_start", "client": "B"}),
        (300, {"entry": "job_reopen", "job": 1, "note": "a corner was left"}),
        (400, {"entry": "job_finish", "area_ha": 9.0}),
    ]
    lines = [f"{1_780_000_000 + at}.000 !{msgspec.json.encode(entry).decode()}\n" for at, entry in said]
    capture = tmp_path / "jobs.tgcap"
    capture.write_text("".join(lines))
    settings = settings_module.load(RECORDING.with_name("worked_example.toml"))
    store = tmp_path / "tailgrain.db"
    replay(capture, settings, store=store)
    question = Question(store, settings, {})
    found = jobs.jobs(question)
    first, second = found["jobs"]
    t0 = 1_780_000_000
    assert first["periods"] == [[t0, t0 + 100], [t0 + 300, t0 + 400]]
    assert second["periods"] == [[t0 + 200, t0 + 300]]
    assert first["figures"]["loss"]["kg_ha"] is None  # nothing was measured
    assert (first["client"], first["paddock"], first["harvested_t"], first["area_ha"]) == ("A", "East", 30.0, 9.0)
    assert first["reopened"] == ["a corner was left"]
    assert found["open"] is None
    assert jobs.cut(question._replace(query={"job": "2"})) == {"job": 2, "area_ha": 0.0, "worked_s": 0, "loss_kg_ha": None}
    with pytest.raises(WrongInput, match="job: found 3; allowed: 1 to 2"):
        jobs.cut(question._replace(query={"job": "3"}))


def test_without_a_database_each_says_so(example: Question, tmp_path: Path) -> None:
    bare = example._replace(store=tmp_path / "none.db", query={"since": "0", "job": "1"})
    for read in (reading.in_force, judged.verdicts, judged.worked, judged.tests, jobs.jobs, jobs.cut):
        with pytest.raises(StoreError, match="no such database"):
            read(bare)
    shutil.rmtree(tmp_path)


def test_the_server_answers_them(server: Any) -> None:
    for path in ("/in-force", "/verdicts", "/tests", "/jobs", "/worked?since=0"):
        answer = server.ask("GET", path)
        assert (answer.status, answer.headers["cache-control"]) == (200, "no-store"), path
    assert server.ask("GET", "/worked?since=x").status == 400
    assert server.ask("GET", "/job-cut?job=0").status == 400
    assert server.ask("GET", "/pack/1?position=everywhere").status == 400
    assert server.ask("GET", "/pack/one").status == 404


def test_a_fault_of_ours_is_a_line_for_the_page_and_whole_in_the_log(bare: Any) -> None:
    """A record that this version can't read, as a damaged disk might leave it."""
    store = bare.database
    store.parent.mkdir()
    replay(RECORDING, settings_module.load(RECORDING.with_name("worked_example.toml")), store=store)
    with contextlib.closing(sqlite3.connect(store)) as connection, connection:
        for (guard,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {guard}")
        connection.execute("UPDATE record SET body = '{}' WHERE kind = 'calibration'")
    program = bare.dashboard()
    with pytest.raises(urllib.error.HTTPError) as found:
        urllib.request.urlopen(f"{bare.url}/tests", timeout=5)
    assert found.value.code == 500
    assert msgspec.json.decode(found.value.read())["why"] == FAILED
    found.value.close()
    assert "/tests: failed" in program.said() and "KeyError" in program.said()

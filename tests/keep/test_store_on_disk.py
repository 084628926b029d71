"""The store on a real disk: what is answered is there, numbers have no gaps, one writer, and a restart takes all up again."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from edge.contract import settings
from edge.contract.errors import EntryError, StoreError
from edge.keep import readonly
from edge.keep.schema import open_writer
from edge.keep.store import FILE_NAME, Store, canonical
from tests.kits.engines import EngineKit
from tests.kits.settings import WHEAT, WIRED, beam, kit_toml
from tests.kits.tools import wait_until

START = 1_790_000_000
SETTINGS = kit_toml([*WIRED, beam()], crop=WHEAT)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / FILE_NAME


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    made = Store(path)
    made.begin_run(START * 1000, {"machine": {"name": "one"}}, "test", "0")
    yield made
    made.close()


def look(path: Path, sql: str) -> list[tuple[Any, ...]]:
    """Through a connection of its own, opened for this one question."""
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def note(number: int) -> dict[str, Any]:
    return {"entry": "note", "note": f"note {number}"}


# ---------------------------------------------------------------- what is answered is on disk


def test_an_entry_is_readable_by_another_connection_the_moment_it_returns(store, path):
    for number in range(20):
        store.record("alert", START * 1000, {"number": number})  # waits for its commit; the entry behind it does not
        seq = store.entry(START * 1000, note(number), f"id-{number}")
        assert look(path, f"SELECT kind, body, ask_id FROM record WHERE seq = {seq}") == [
            ("entry", canonical(note(number)), f"id-{number}")
        ]
        assert look(path, "SELECT count(*) FROM record WHERE kind = 'alert'") == [(number + 1,)]  # order is kept on disk


def test_an_entry_is_on_disk_for_a_process_that_is_killed_right_after_it(path):
    """Kept means kept: the writer dies by kill -9 on the next line."""
    program = f"""
import os, signal, pathlib
from edge.keep.store import Store
store = Store(pathlib.Path({str(path)!r}))
store.begin_run(1, {{}}, "test", "0")
print(store.entry(2, {{"entry": "note", "note": "kept"}}, "id"), flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == -9, done.stderr
    again = Store(path)
    try:
        assert again.entry_seq("id") == int(done.stdout)
        assert [body for _, _, body, _ in again.earlier_records(("entry",))] == [{"entry": "note", "note": "kept"}]
    finally:
        again.close()
    assert look(path, "SELECT closed_cleanly FROM run") == [(0,)]


def test_numbers_have_no_gaps_however_many_threads_write_and_whatever_is_refused(store, path):
    def write(name: int) -> None:
        for number in range(25):
            store.record("minute", START * 1000, {"n": number}, tell="minute")
            store.entry(START * 1000, note(number), f"{name}-{number}")

    threads = [threading.Thread(target=write, args=(name,)) for name in range(4)]
    for thread in threads:
        thread.start()
    for _ in range(5):
        store.entry(START * 1000, note(0), None)
    for thread in threads:
        thread.join()
    for _ in range(3):
        with pytest.raises(StoreError):
            store.entry(START * 1000, note(0), "1-1")  # an id is kept once
    store.entry(START * 1000, note(1), "the last")
    numbers = [row[0] for row in look(path, "SELECT seq FROM record ORDER BY seq")]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) == 1 + 4 * 50 + 5 + 1


def test_numbers_go_on_over_restarts(store, path):
    last = store.entry(START * 1000, note(1), None)
    store.close()
    again = Store(path)
    try:
        assert again.begin_run((START + 60) * 1000, {}, "test", "0") == 2
        # The broken run's end and the new one's start lie between.
        assert again.entry((START + 60) * 1000, note(2), None) == last + 3
    finally:
        again.close()


def test_what_was_told_and_delivered_does_not_hide_what_comes_later(store):
    """The voice asks for what lies after the last row it sent: numbers may never begin anew in an emptied outbox."""
    sent = 0
    for number in range(5):
        store.entry(START * 1000, note(number), None)
        waiting = store.waiting(sent, 20)
        assert [json.loads(one.payload)["note"] for one in waiting] == [f"note {number}"]
        sent = waiting[-1].id
        store.delivered([sent])
        wait_until(lambda: not store.waiting(0, 20), 5, "the row delivered")


# ---------------------------------------------------------------- one writer


def test_a_second_writer_is_refused_from_another_process_and_from_this_one(store, path):
    program = f"import pathlib; from edge.keep.store import Store; Store(pathlib.Path({str(path)!r}))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.strip().splitlines()[-1].endswith(f"{path}: another program writes to this database; allowed: one writer")
    with pytest.raises(StoreError, match="one writer"):
        Store(path)
    assert store.entry(START * 1000, note(1), None) > 0  # the first one goes on


def test_the_lock_goes_with_the_process_not_with_the_file(store, path):
    store.close()
    assert path.with_name(path.name + ".lock").exists()
    Store(path).close()


def test_a_database_of_another_program_is_refused_and_left_as_it_is(tmp_path):
    path = tmp_path / "other.db"
    connection = sqlite3.connect(path)
    connection.executescript("PRAGMA application_id = 7; CREATE TABLE theirs (a); INSERT INTO theirs VALUES (1)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="another program"):
        Store(path)
    assert path.read_bytes() == before
    Store(tmp_path / "ours.db").close()  # the refused one holds no lock on anything else


# ---------------------------------------------------------------- migrations


def test_migrations_may_be_applied_again_and_again(path):
    path.parent.mkdir()
    schemas = []
    for _ in range(3):
        open_writer(path).close()
        schemas.append(look(path, "SELECT type, name, sql FROM sqlite_master ORDER BY name"))
    assert schemas[0] == schemas[1] == schemas[2]
    assert {"run", "record", "second", "counts", "answer", "outbox"} <= {row[1] for row in schemas[0]}


def test_rows_live_through_a_second_opening(store, path):
    seq = store.entry(START * 1000, note(1), "id")
    store.close()
    open_writer(path).close()
    assert look(path, f"SELECT ask_id FROM record WHERE seq = {seq}") == [("id",)]
    assert look(path, "PRAGMA journal_mode") == [("wal",)]
    assert look(path, "PRAGMA integrity_check") == [("ok",)]


# ---------------------------------------------------------------- reading beside the writer


def test_a_reader_beside_the_writer_sees_what_was_kept_and_may_not_write(store, path):
    first = store.entry(START * 1000, note(1), None)
    connection = readonly.connect(path)
    try:
        assert connection.execute("SELECT max(seq) FROM record").fetchone() == (first,)
        second = store.entry(START * 1000, note(2), None)  # the open reader hinders nobody
        assert connection.execute("SELECT max(seq) FROM record").fetchone() == (second,)
        with pytest.raises(sqlite3.OperationalError, match="readonly|query_only"):
            connection.execute("INSERT INTO outbox (topic, payload) VALUES ('a', 'b')")
    finally:
        connection.close()


def test_a_long_look_sees_one_state_while_the_writer_goes_on(store, path):
    store.entry(START * 1000, note(1), None)
    with readonly.opened(path) as connection:
        connection.execute("BEGIN")
        seen = connection.execute("SELECT count(*) FROM record").fetchone()
        for number in range(50):
            store.entry(START * 1000, note(number), None)
        assert connection.execute("SELECT count(*) FROM record").fetchone() == seen
        connection.rollback()
        assert connection.execute("SELECT count(*) FROM record").fetchone() == (seen[0] + 50,)


def test_a_closed_database_is_read_without_a_wal_and_without_leaving_a_trace(store, path):
    seq = store.entry(START * 1000, note(1), None)
    store.close()
    wal = path.with_name(path.name + "-wal")
    assert not wal.exists()
    copy = path.parent / "pack" / "copy.db"  # as it is handed on
    copy.parent.mkdir()
    copy.write_bytes(path.read_bytes())
    copy.chmod(0o444)
    copy.parent.chmod(0o555)
    before = copy.read_bytes()
    try:
        with readonly.opened(copy) as connection:
            assert connection.execute("SELECT max(seq) FROM record").fetchone() == (seq,)
            with pytest.raises(sqlite3.OperationalError):
                connection.execute("DELETE FROM record")
    finally:
        copy.parent.chmod(0o755)
    assert copy.read_bytes() == before


@pytest.mark.parametrize("content", [None, b"", b"no database at all " * 100])
def test_what_is_no_database_is_refused_in_one_line(tmp_path, content):
    path = tmp_path / "some.db"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises((StoreError, sqlite3.Error)) as caught, readonly.opened(path) as connection:
        connection.execute("SELECT * FROM record")
    assert "\n" not in str(caught.value)
    if content != b"":  # an empty file is an empty database to SQLite
        assert isinstance(caught.value, StoreError) and str(path) in str(caught.value)


# ---------------------------------------------------------------- canonical JSON


def test_canonical_json_is_that_of_rfc_8785():
    # RFC 8785, section 3.2.2 and 3.2.3: its sample input and the form printed for it (the control and quote escapes, the
    # numbers, and members sorted by their UTF-16 code units).
    sample = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    printed = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"\u20ac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert canonical(sample) == printed
    # RFC 8785, section 3.2.3: the order of these members.
    members = {"\u20ac": 1, "\r": 2, "\ufb33": 3, "1": 4, "\U0001f600": 5, "\u0080": 6, "\u00f6": 7}
    assert list(json.loads(canonical(members)).values()) == [2, 4, 6, 7, 1, 5, 3]


# RFC 8785, appendix B: IEEE-754 bits and their text.
@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"), (-0.0, "0"), (5e-324, "5e-324"), (1.7976931348623157e308, "1.7976931348623157e+308"),
        (9007199254740992.0, "9007199254740992"), (295147905179352830000.0, "295147905179352830000"),
        (9.999999999999997e22, "9.999999999999997e+22"), (1e23, "1e+23"), (999999999999999700000.0, "999999999999999700000"),
        (9.999999999999997e-7, "9.999999999999997e-7"), (0.000001, "0.000001"), (333333333.3333332, "333333333.3333332"),
    ],
)  # fmt: skip
def test_numbers_of_a_record_are_written_as_rfc_8785_does(value, text):
    assert canonical({"v": value}) == f'{{"v":{text}}}'


def test_records_are_kept_in_canonical_form_whatever_the_order_of_their_keys(store, path):
    store.entry(START * 1000, {"note": "b", "entry": "note", "by": "a"}, None)
    assert look(path, "SELECT body FROM record WHERE kind = 'entry'") == [('{"by":"a","entry":"note","note":"b"}',)]


# ---------------------------------------------------------------- a restart takes all up again


class Run(EngineKit):
    """One run; `end` is a clean stop, `drop` a lost process."""

    brought = (30, 20, 20, 400)

    def __init__(self, path: Path, at_s: int) -> None:
        super().__init__(path, at_s, SETTINGS)

    def tray(self, mass_g: float) -> None:
        self.enter(entry="tray", residue_width_m=9.0, trays=[{"mass_g": mass_g, "length_m": 1.0, "width_m": 3.0}])
        self.work(30)

    def force(self) -> dict[str, Any]:
        """Everything of this run that a restart must not lose."""
        reckoner = self.engine.reckoner
        now = reckoner.now
        kept = {
            name: getattr(now, name)
            for name in (
                "crop", "tgw_g", "yield_t_ha", "price_per_t", "loss_kg_ha", "loss_pct", "returns_pct", "width_used", "lag_s",
                "residue_width_m", "crop_number", "marks", "machine_settings", "jobs", "job_open", "pulses_per_m",
                "yield_is_typed",
            )
        }  # fmt: skip
        kept["changes"] = [(one.n, one.at_s, one.what, one.was, one.to) for one in now.changes]
        kept["tests"] = [(one.number, one.at_s, one.why, one.crop) for one in reckoner.calibration.tests]
        kept["factors"] = {
            name: (round(found.k, 9), round(found.u, 9), found.dof, found.n)
            for name, found in reckoner.calibration.factors.points.items()
        }
        kept["calibration"] = reckoner.calibration_figure(self.at_s + 100).state
        kept["full_t_h"] = reckoner.kit.returns.full_t_h
        return kept


def filled(path: Path) -> Run:
    run = Run(path, START)
    run.work(40)
    run.enter(entry="crop", name="barley", tgw_g=45, yield_t_ha=5.5, price_per_t=180)
    run.enter(entry="limit", loss_kg_ha=60, loss_pct=1.5, returns_pct=70)
    run.enter(entry="limit", loss_pct=None)
    run.enter(entry="residue", residue_width_m=7.5, spreader=True)
    run.enter(entry="width_used", part=0.9)
    run.enter(entry="ground_run", metres=100, pulses=1050)
    run.enter(entry="setting", what="fan_rpm", to=900, **{"from": 850})
    run.enter(entry="setting", what="lag_s", to=8)
    run.work(40)
    run.enter(entry="returns_catch", mass_kg=12, seconds=30)
    assert run.enter(entry="tray_mark")["mark"] == 1
    run.work(20)
    for mass_g in (9.0, 10.0, 11.5):
        run.tray(mass_g)
    run.enter(entry="job_start", client="a client", paddock="north")
    return run


@pytest.mark.parametrize("how", ["clean", "lost"])
def test_a_restart_restores_crop_limits_marks_tests_and_calibration(path, how):
    run = filled(path)
    before = run.force()
    assert before["calibration"] == "good" and len(before["tests"]) == 3 and before["marks"] and before["full_t_h"]
    assert before["crop"] == "barley" and before["loss_kg_ha"] == 60 and before["loss_pct"] is None
    if how == "clean":
        run.end()
    else:
        run.drop()  # what was told to keep is kept; nothing was said of an end
    again = Run(path, run.at_s + 3600)
    again.at_s = run.at_s
    assert again.force() == before
    again.at_s = run.at_s + 3600
    again.store.close()


def test_marks_are_numbered_on_and_a_mark_of_the_earlier_run_gets_its_window(path):
    run = filled(path)
    run.end()
    again = Run(path, run.at_s + 3600)
    again.work(30)
    trays = [{"mass_g": 10.0, "length_m": 1.0, "width_m": 3.0}]
    again.enter(entry="tray", residue_width_m=9.0, mark=1, trays=trays)
    again.work(2)
    late = again.engine.reckoner.calibration.tests[-1]
    assert late.used and late.number == 4 and late.at_s == again.engine.reckoner.now.marks[1]
    assert again.enter(entry="tray_mark")["mark"] == 2
    with pytest.raises(EntryError, match="mark"):
        again.enter(entry="tray", residue_width_m=9.0, mark=3, trays=trays)
    again.end()
    third = Run(path, again.at_s + 60)
    assert [test.number for test in third.engine.reckoner.calibration.tests] == [1, 2, 3, 4]
    assert third.force()["factors"] == again.force()["factors"]
    third.store.close()


def test_a_restarted_kit_gives_loss_in_kg_per_hectare_without_a_new_tray_test(path):
    run = filled(path)
    run.end()
    again = Run(path, run.at_s + 600)
    figures: list[Any] = []
    again.engine.on_figures.append(figures.append)
    again.work(60)
    assert figures[-1].state == "working" and figures[-1].loss.kg_ha > 0
    assert figures[-1].loss.low < figures[-1].loss.kg_ha < figures[-1].loss.high
    assert figures[-1].calibration.tests == 3 and figures[-1].limit_kg_ha == 60
    again.end()


def test_each_run_keeps_the_settings_it_ran_with_and_its_seconds(path):
    run = filled(path)
    run.end()
    closed = run.engine.reckoner.totals.seconds
    rows = look(path, "SELECT number FROM second WHERE run = 1 ORDER BY number")
    assert [row[0] for row in rows] == list(range(1, sum(closed.values()) + 1))
    kept = look(path, "SELECT settings, closed_cleanly FROM run")
    assert settings.from_plain(json.loads(kept[0][0])) == run.config and kept[0][1] == 1

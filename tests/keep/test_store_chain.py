"""The chain in the database: written with the row, append only, kept over restarts, versions and damage; what it binds."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlite_utils import Database

from edge.keep import chain, minutes, schema
from edge.keep.chain import Proof, Record
from edge.keep.records import check_database
from edge.keep.store import FILE_NAME, Store, canonical
from edge.keep.upkeep import Upkeep
from tests.kits.faults.stores import fill, one_second

START_MS = 1_790_000_000_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / FILE_NAME


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    made = Store(path)
    made.begin_run(START_MS, {}, "test", "1")
    yield made
    made.close()


def look(path: Path, sql: str, *values: object) -> list[tuple]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql, values).fetchall()
    finally:
        connection.close()


def records(path: Path) -> list[Record]:
    return [Record(*row) for row in look(path, "SELECT seq, run, at_ms, kind, body, salt, hash FROM record ORDER BY seq")]


def note(text: str) -> dict[str, str]:
    return {"entry": "note", "note": text}


def test_every_record_is_chained_in_the_commit_that_keeps_it(store, path):
    for number in range(30):
        store.record("alert", START_MS + number, {"n": number})
        seq = store.entry(START_MS + number, note(f"{number} é"), None)
        kept = records(path)
        assert kept[-1].seq == seq and chain.check(kept) is None
        assert store.proof(seq) == {"seq": seq, "hash": kept[-1].hash}
    assert len({one.salt for one in records(path)}) == 61
    assert store.proof(999) is None


def test_work_that_was_undone_leaves_the_chain_whole(store, path):
    store.entry(START_MS, note("1"), "id")
    for _ in range(3):
        with pytest.raises(Exception, match="UNIQUE"):
            store.entry(START_MS, note("again"), "id")
    store.entry(START_MS, note("2"), None)
    assert chain.check(records(path)) is None and len(records(path)) == 3


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE record SET body = '{}' WHERE seq = 1",
        "UPDATE record SET hash = '' WHERE seq = 1",
        "UPDATE record SET ask_id = 'x' WHERE seq = 1",
        "DELETE FROM record WHERE seq = 1",
        "DELETE FROM record",
    ],
)
def test_the_database_refuses_to_change_or_drop_a_record_whoever_asks(store, path, sql):
    store.entry(START_MS, note("1"), None)
    before = records(path)
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="a record stays"):
        connection.execute(sql)
    connection.close()
    assert records(path) == before


def test_a_replace_is_refused_too(store, path):
    store.entry(START_MS, note("1"), None)
    columns = "(seq, run, at_ms, kind, body, salt, hash)"
    sql = f"INSERT OR REPLACE INTO record {columns} VALUES (1, 1, 1, 'x', '{{}}', '', '')"
    with pytest.raises(Exception, match="a record stays"):
        store.ask(lambda db: db.execute(sql))
    assert chain.check(records(path)) is None


def test_the_chain_goes_on_over_restarts_and_from_any_stop(path):
    proofs = []
    for run in range(1, 5):
        store = Store(path)
        assert store.begin_run(START_MS + run, {}, "test", "1") == run
        seq = store.entry(START_MS + run, note(f"run {run}"), None)
        proofs.append(Proof(**store.proof(seq)))
        if run % 2:
            store.end_run(START_MS + run)
        store.close()
    kept = records(path)
    assert chain.check(kept, proofs=proofs) is None
    kinds = [one.kind for one in kept]
    assert kinds == ["run start", "entry", "run end", "run start", "entry", "run broken off", "run start", "entry", "run end",
                     "run start", "entry"]  # fmt: skip
    broken_off = kept[5]
    assert broken_off.run == 2 and json.loads(broken_off.body)["run"] == 2


def test_a_database_of_the_first_version_is_chained_when_it_is_opened(path):
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    schema.migrations.apply(Database(connection, execute_plugins=False), stop_before="m002_chain")
    connection.execute("INSERT INTO run VALUES (1, 1, NULL, 1, 'test', '0', '{}')")
    for seq in range(1, 41):
        connection.execute(
            "INSERT INTO record (run, at_ms, kind, body) VALUES (1, ?, 'entry', ?)", (seq, canonical(note(f"old {seq}")))
        )
    connection.close()
    assert "hash" not in [row[1] for row in look(path, "PRAGMA table_info(record)")]
    store = Store(path)
    store.begin_run(START_MS, {}, "test", "1")
    seq = store.entry(START_MS, note("new"), None)
    store.close()
    kept = records(path)
    assert seq == 42 and chain.check(kept) is None
    assert json.loads(kept[39].body) == note("old 40") and len(kept[39].salt) == 32


def test_messages_carry_the_proof_of_their_own_record(store, path):
    store.record("minute", START_MS, {"t": "x"}, tell="minute")
    store.entry(START_MS, {"entry": "job_start", "client": "one"}, None)
    store.entry(START_MS, note("no proof"), None)
    messages = [json.loads(told.payload) for told in store.waiting(0, 10)]
    hashes = {one.seq: one.hash for one in records(path)}
    for message in messages[:2]:
        assert message["proof"] == {"seq": message["seq"], "hash": hashes[message["seq"]]}
    assert "proof" not in messages[2]


def test_what_is_taken_over_from_a_damaged_file_keeps_its_chain_and_its_proof_lines(path):
    upkeep = Upkeep(path.parent, 400, 1)
    store = Store(path, upkeep=upkeep)
    store.begin_run(START_MS, {}, "test", "1")
    fill(store, 600, minutes=False)
    held = [Proof(**store.proof(store.entry(START_MS, note(f"{number}"), None))) for number in range(20)]
    store.close()
    [(root,)] = look(path, "SELECT rootpage FROM sqlite_master WHERE name = 'second'")
    raw = bytearray(path.read_bytes())
    size = int.from_bytes(raw[16:18], "big")
    raw[(root - 1) * size : (root - 1) * size + 64] = b"\xff" * 64
    path.write_bytes(raw)
    again = Store(path, upkeep=upkeep)
    again.begin_run(START_MS + 10**6, {}, "test", "1")
    seq = again.entry(START_MS, note("after"), None)
    again.close()
    assert again.moved is not None and seq > 20
    assert check_database(path, held) is None
    assert [one.kind for one in records(path)][-3:] == ["run start", "store moved", "entry"]


# ---------------------------------------------------------------- what a minute binds


def bodies(path: Path, kind: str) -> list[dict]:
    return [json.loads(body) for (body,) in look(path, "SELECT body FROM record WHERE kind = ? ORDER BY seq", kind)]


def as_dicts(path: Path, table: str) -> list[dict]:
    connection = sqlite3.connect(path)
    connection.row_factory = sqlite3.Row
    try:
        return [dict(row) for row in connection.execute(f"SELECT * FROM {table} ORDER BY run, number")]
    finally:
        connection.close()


def bind(store: Store) -> None:
    store.record("minute", START_MS, {"t": "x"}, tell="minute")
    store.settle()


def test_minutes_and_the_end_of_a_run_bind_every_second_once(store, path):
    for number in range(1, 151):
        one_second(store, number)
        if number % 60 == 0:
            bind(store)
    store.end_run(START_MS)
    store.close()
    bound = bodies(path, "minute") + bodies(path, "run end")
    assert [(one["seconds_from"], one["seconds_to"], one["seconds_kept"]) for one in bound] == [
        (1, 60, 60), (61, 120, 60), (121, 150, 30),
    ]  # fmt: skip
    seconds, counts = as_dicts(path, "second"), as_dicts(path, "counts")
    for one in bound:
        span = slice(one["seconds_from"] - 1, one["seconds_to"])
        assert minutes.seconds_sha256(seconds[span]) == one["seconds_sha256"]
        assert minutes.counts_sha256(counts[span]) == one["counts_sha256"]


def test_a_changed_dropped_or_swapped_second_shows_and_a_position_left_out_does_not(store, path):
    fill(store, 60, minutes=False)
    bind(store)
    [one] = bodies(path, "minute")
    seconds, counts = as_dicts(path, "second"), as_dicts(path, "counts")
    without = [{key: value for key, value in row.items() if key not in ("lat", "lon", "run")} for row in seconds]
    assert minutes.seconds_sha256(without) == one["seconds_sha256"]
    through_json = json.loads(json.dumps(without))
    assert minutes.seconds_sha256(through_json) == one["seconds_sha256"]
    for key, value in (("speed_kmh", 7.0), ("state", "idle"), ("area_m2", 1e-9), ("loss_kg_ha", None), ("flags", "x")):
        changed = [dict(row) for row in seconds]
        changed[30][key] = value if seconds[30][key] != value else "other"
        assert minutes.seconds_sha256(changed) != one["seconds_sha256"], key
    assert minutes.seconds_sha256(seconds[:-1]) != one["seconds_sha256"]
    assert minutes.seconds_sha256([seconds[1], seconds[0], *seconds[2:]]) != one["seconds_sha256"]
    counts[5]["parts"] = counts[5]["parts"].replace("1", "2", 1)
    assert minutes.counts_sha256(counts) != one["counts_sha256"]


def test_a_run_that_was_cut_off_is_ended_by_the_next_one_with_what_it_kept(path):
    store = Store(path)
    store.begin_run(START_MS, {}, "test", "1")
    fill(store, 60, minutes=False)
    bind(store)
    for number in range(61, 100):
        one_second(store, number)
    store.close()  # no end_run: as after a kill
    store = Store(path)
    store.begin_run(START_MS + 10**6, {}, "test", "1")
    store.close()
    [one] = bodies(path, "run broken off")
    assert (one["run"], one["seconds_from"], one["seconds_to"], one["seconds_kept"]) == (1, 61, 99, 39)
    assert minutes.seconds_sha256(as_dicts(path, "second")[60:]) == one["seconds_sha256"]


numbers = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**53) + 1, 2**53 - 1)


@given(st.lists(numbers | st.none() | st.text(max_size=8), min_size=1, max_size=6))
def test_a_row_is_written_in_canonical_json(row):
    import rfc8785

    columns = [f"c{at}" for at in range(len(row))]
    plain = {name: value for name, value in zip(columns, row, strict=True) if value is not None}
    assert minutes.row_text(columns, row) == rfc8785.dumps(plain)

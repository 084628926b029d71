"""Growing the record loses nothing: databases of earlier versions, streams that come later, and what can't be opened."""

from __future__ import annotations

import contextlib
import csv
import gzip
import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlite_utils import Database

from edge.contract.errors import StoreError
from edge.engine.streams import STREAMS, Stream
from edge.feed.assembler import Second
from edge.keep import chain, health, minutes, schema
from edge.keep import seconds as seconds_table
from edge.keep.chain import Proof, Record
from edge.keep.records import check_database
from edge.keep.store import Store
from tests.kits.faults.stores import START_S, fill
from tests.kits.kit import rows

RECORDINGS = Path(__file__).resolve().parent.parent / "recordings" / "databases"
MIGRATIONS = {
    "first_tables": ["m001_first_tables"],
    "chain": ["m001_first_tables", "m002_chain"],
    "work_digests": ["m001_first_tables", "m002_chain"],
    "positions": ["m001_first_tables", "m002_chain"],
    "tally": ["m001_first_tables", "m002_chain"],
}
"""What made each checked-in database; its README says more."""

OLD = sorted(MIGRATIONS)
FRESH = "none"
SECONDS = 269
KEYS = {"second": "run, number", "counts": "run, number", "record": "seq", "run": "run", "outbox": "id", "answer": "ask_id"}
STATE = "filling"
"""Of an ordinary second."""

WORDS = "words of a newcomer"
NEWCOMER = Stream("grain_words", "", "TEXT", "", lambda figures: f"{WORDS} {figures.state}")
MEASURED = Stream("grain_t", "t", "REAL", "", lambda figures: 0.125)


def unpacked(name: str, folder: Path) -> Path:
    """A copy of a checked-in database; of none: where a fresh one may come to be."""
    path = folder / "kit.db"
    if name != FRESH:
        with gzip.open(RECORDINGS / f"{name}.db.gz") as packed, path.open("wb") as file:
            shutil.copyfileobj(packed, file)
    return path


@pytest.fixture(params=OLD)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, Path]:
    return request.param, unpacked(request.param, tmp_path)


@pytest.fixture
def streams_are(monkeypatch: pytest.MonkeyPatch) -> Callable[[tuple[Stream, ...]], None]:
    """Another table of streams from here on, for what keeps seconds."""
    return lambda table: monkeypatch.setattr(seconds_table, "STREAMS", table)


def in_the_middle(*newcomers: Stream) -> tuple[Stream, ...]:
    """The table of streams with newcomers among their relatives, columns of numbers on both sides."""
    at = 1 + [stream.name for stream in STREAMS].index("loss_kg_ha")
    assert STREAMS[at - 1].sql == STREAMS[at].sql == "REAL"
    return (*STREAMS[:at], *newcomers, *STREAMS[at:])


def everything(path: Path) -> dict[str, list[dict[str, Any]]]:
    """Every row of every table of ours, by column name."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        db.row_factory = sqlite3.Row
        return {table: [dict(row) for row in db.execute(f"SELECT * FROM {table} ORDER BY {key}")] for table, key in KEYS.items()}


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return list(db.iterdump())


def keeps(before: dict[str, list[dict[str, Any]]], after: dict[str, list[dict[str, Any]]]) -> None:
    """Every row of before stands first, with the values it had; columns that came later hold nothing of their own."""
    for table, old_rows in before.items():
        for was, now in zip(old_rows, after[table][: len(old_rows)], strict=True):
            assert {name: now[name] for name in was} == was, table
            added = {name: value for name, value in now.items() if name not in was}
            assert set(added) <= {"salt", "hash"} if table == "record" else set(added.values()) <= {None}, table


def upgraded(path: Path) -> None:
    schema.open_writer(path).close()


def sha256_of(found: list[dict[str, Any]], left_out: tuple[str, ...] = ("run", "lat", "lon")) -> str:
    """A digest of rows as the house says it, by the library for canonical JSON alone."""
    plain = [{name: value for name, value in row.items() if value is not None and name not in left_out} for row in found]
    return sha256(b"".join(rfc8785.dumps(row) + b"\n" for row in plain)).hexdigest()


def old_digests_hold(path: Path) -> int:
    """Each record that binds seconds against the rows, by our reckoning and by one of its own; returns how many bind some."""
    kept, bound = everything(path), 0
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        for record in kept["record"]:
            body = json.loads(record["body"])
            if record["kind"] not in minutes.BINDING or "seconds_sha256" not in body:
                continue
            run, first, last = record["run"], body["seconds_from"], body["seconds_to"]
            found = minutes.digests(db, run, first - 1, last)
            assert {name: body[name] for name in found if name in body} == {name: found[name] for name in found if name in body}
            mine = {
                table: [row for row in kept[table] if row["run"] == run and first <= row["number"] <= last]
                for table in ("second", "counts")
            }
            assert sha256_of(mine["second"]) == body["seconds_sha256"]
            assert sha256_of(mine["counts"]) == body["counts_sha256"]
            bound += len(mine["second"])
    return bound


def work_on(path: Path, count: int = 90) -> None:
    """A run of the real store: seconds, minutes, an entry with its answer, an end."""
    store = Store(path)
    try:
        store.begin_run(START_S * 1000, {}, "test", "1")
        fill(store, count)
        store.entry((START_S + count) * 1000, {"entry": "note", "note": "later"}, "asked")
        store.answer("asked", (START_S + count) * 1000, b"{}")
        store.end_run((START_S + count) * 1000)
        store.settle()
    finally:
        store.close()


# ---------------------------------------------------------------- databases of earlier versions


def test_every_checked_in_database_is_tried():
    assert sorted(path.name for path in RECORDINGS.glob("*.db.gz")) == [f"{name}.db.gz" for name in OLD]


def test_the_migrations_make_today_what_they_made_then(old, tmp_path):
    """They are frozen: an old database and a fresh one go the same way."""
    name, path = old
    asked = "SELECT type, name, sql FROM sqlite_master ORDER BY name"
    layout = """SELECT m.name, c.cid, c.name, c.type, c."notnull", c.pk
        FROM sqlite_master m, pragma_table_info(m.name) c ORDER BY 1, 2"""
    with closing(sqlite3.connect(":memory:")) as empty:
        steps = [one.name for one in schema.migrations.pending(Database(empty, execute_plugins=False))]
    assert steps[: len(MIGRATIONS[name])] == MIGRATIONS[name]
    with closing(sqlite3.connect(tmp_path / "again.db", isolation_level=None)) as again:
        later = steps[len(MIGRATIONS[name]) :]
        schema.migrations.apply(Database(again, execute_plugins=False), stop_before=later)
        assert again.execute(layout).fetchall() == rows(path, layout)
        assert [_plain(*row) for row in again.execute(asked)] == [_plain(*row) for row in rows(path, asked)]


def _plain(kind: str, name: str, sql: str | None) -> tuple[str, str, str]:
    """Line ends and blanks of the statement don't count."""
    return kind, name, "".join((sql or "").split())


def test_an_upgrade_keeps_every_row_and_a_second_opening_changes_nothing(old):
    _, path = old
    before = everything(path)
    assert len(before["second"]) == len(before["counts"]) == SECONDS and len(before["record"]) > 10 and before["outbox"]
    upgraded(path)
    keeps(before, everything(path))
    after = dump(path)
    upgraded(path)
    assert dump(path) == after


def test_digests_of_old_minutes_hold_before_and_after_an_upgrade(old):
    name, path = old
    bound = 0 if name == "first_tables" else SECONDS
    assert old_digests_hold(path) == bound
    upgraded(path)
    assert old_digests_hold(path) == bound
    assert check_database(path) is None


def test_a_run_after_the_upgrade_is_kept_bound_and_whole(old):
    name, path = old
    before = everything(path)
    held = None if name == "first_tables" else before["record"][-1]
    work_on(path)
    after = everything(path)
    keeps(before, after)
    new = after["second"][SECONDS:]
    assert [(row["run"], row["number"]) for row in new] == [(2, number) for number in range(1, 91)]
    assert len(after["counts"]) == SECONDS + 90 and all(row["state"] and row["flags"] is not None for row in new)
    assert old_digests_hold(path) == (0 if held is None else SECONDS) + 90
    assert [row["ask_id"] for row in after["answer"]] == ["asked"]
    proofs = [] if held is None else [Proof(held["seq"], held["hash"])]
    assert check_database(path, proofs) is None


def test_a_run_that_an_earlier_version_broke_off_is_ended_with_what_it_kept(old):
    name, path = old
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE run SET closed_cleanly = 0, ended_ms = NULL")
        db.commit()
    work_on(path, 5)
    [end] = [json.loads(row["body"]) for row in everything(path)["record"] if row["kind"] == "run broken off"]
    assert (end["run"], end["seconds_to"]) == (1, SECONDS)
    assert end["seconds_kept"] == (SECONDS if name == "first_tables" else 0)
    assert old_digests_hold(path) == SECONDS + 5 and check_database(path) is None


def test_the_log_of_a_damaged_database_of_an_earlier_version_goes_on(old, streams_are):
    streams_are(in_the_middle(NEWCOMER))
    _, path = old
    before = everything(path)
    moved = health.renew(path, 1, "test")
    assert moved.records == len(before["record"])
    keeps({table: before[table] for table in ("run", "record", "outbox", "answer")}, everything(path))
    assert chain.check([Record(*(row[name] for name in Record._fields)) for row in everything(path)["record"]]) is None
    work_on(path, 60)
    assert check_database(path) is None


# ---------------------------------------------------------------- streams that come later


@pytest.mark.parametrize("name", [FRESH, *OLD])
def test_a_newcomer_among_its_relatives_is_kept_wherever_the_database_comes_from(name, tmp_path, streams_are):
    path = unpacked(name, tmp_path)
    before = everything(path) if name != FRESH else {table: [] for table in KEYS}
    streams_are(in_the_middle(NEWCOMER, MEASURED))
    work_on(path)
    after = everything(path)
    keeps(before, after)
    new = after["second"][len(before["second"]) :]
    assert len(new) == 90
    for row in new:
        assert (row["grain_words"], row["grain_t"]) == (f"{WORDS} {row['state']}", 0.125)
        assert row["calibration_state"] == "none" and isinstance(row["loss_over_limit_p"], (float, type(None)))
    assert old_digests_hold(path) == 90 + (0 if name in (FRESH, "first_tables") else SECONDS)
    assert check_database(path) is None
    kept = dump(path)
    upgraded(path)
    assert dump(path) == kept


def test_a_version_that_does_not_know_a_stream_goes_on_beside_it_and_finds_nothing_broken(tmp_path, monkeypatch):
    path = unpacked("tally", tmp_path)
    with monkeypatch.context() as newer:
        newer.setattr(seconds_table, "STREAMS", in_the_middle(NEWCOMER))
        work_on(path, 60)
    before = everything(path)
    assert check_database(path) is None
    store = Store(path)
    store.begin_run((START_S + 100) * 1000, {}, "test", "1")
    fill(store, 60, start_s=START_S + 100)
    store.close()
    after = everything(path)
    keeps(before, after)
    assert [row["grain_words"] for row in after["second"]] == [None] * SECONDS + [f"{WORDS} {STATE}"] * 60 + [None] * 60
    assert old_digests_hold(path) == SECONDS + 120 and check_database(path) is None


def test_a_value_of_a_stream_that_is_unknown_here_is_still_bound(tmp_path, monkeypatch):
    path = unpacked("tally", tmp_path)
    with monkeypatch.context() as newer:
        newer.setattr(seconds_table, "STREAMS", in_the_middle(NEWCOMER))
        work_on(path, 60)
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE second SET grain_words = 'other' WHERE run = 2 AND number = 7")
        db.commit()
    broken = check_database(path)
    assert broken is not None and "seconds 1 to 60 of run 2" in broken.what


CHILD = """
import sys
from pathlib import Path

from edge.engine import streams

at = 1 + [one.name for one in streams.STREAMS].index("loss_kg_ha")
newcomer = streams.Stream("grain_words", "", "TEXT", "", lambda figures: 'said "so", ' + figures.state)
streams.STREAMS = (*streams.STREAMS[:at], newcomer, *streams.STREAMS[at:])

from edge.commands.cli import run
from edge.keep.records import check_database
from tests.keep.test_upgrades import FRESH, old_digests_hold, unpacked, work_on

for name in sys.argv[2:]:
    folder = Path(sys.argv[1]) / name
    folder.mkdir()
    path = unpacked(name, folder)
    if name != FRESH:
        assert run(["export", str(path), "csv", "-o", str(folder / "before.csv")]) == 0
    work_on(path, 60)
    assert check_database(path) is None
    print(name, old_digests_hold(path))
    assert run(["export", str(path), "csv", "-o", str(folder / "after.csv")]) == 0
"""


def test_a_newcomer_added_in_the_table_of_streams_alone_is_kept_and_exported(tmp_path):
    """In a child, so that every module meets the longer table when it is imported."""
    names = [FRESH, "first_tables", "tally"]
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", CHILD, str(tmp_path), *names], cwd=root, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert [line for line in done.stdout.splitlines() if line.split()[0] in names] == [
        f"{FRESH} 60", "first_tables 60", f"tally {SECONDS + 60}",
    ]  # fmt: skip
    for name in names:
        with (tmp_path / name / "after.csv").open(newline="") as file:
            found = list(csv.DictReader(file))
        old_rows = 0 if name == FRESH else SECONDS
        assert [row["grain_words"] for row in found] == [""] * old_rows + [f'said "so", {STATE}'] * 60
        assert list(found[0]).index("grain_words") == list(found[0]).index("loss_kg_ha") + 1
        if name != FRESH:
            with (tmp_path / name / "before.csv").open(newline="") as file:
                assert list(csv.DictReader(file)) == found[:SECONDS]


numbers = st.floats(allow_nan=False, allow_infinity=False) | st.none()
texts = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=6) | st.none()


@st.composite
def tables(draw: st.DrawFn) -> tuple[Stream, ...]:
    """The streams and two newcomers in any order, each giving a value of its own."""
    order = draw(st.permutations([*STREAMS, NEWCOMER, MEASURED]))
    values = {one.name: draw(texts if one.sql == "TEXT" else numbers) for one in order}
    return tuple(one._replace(read=lambda figures, name=one.name: values[name]) for one in order)


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A new folder for each example."""
    base = tmp_path_factory.mktemp("orders")
    return (_made(base / str(number)) for number in range(1_000_000))


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


@settings(max_examples=15, deadline=None)
@given(here=tables(), there=st.randoms(use_true_random=False), name=st.sampled_from(OLD))
def test_in_whatever_order_streams_stand_a_second_has_one_digest(here, there, name, folders):
    """An upgraded database and a fresh one, each with an order of its own."""
    other = list(here)
    there.shuffle(other)
    found = []
    for table, path in ((here, unpacked(FRESH, next(folders))), (tuple(other), unpacked(name, next(folders)))):
        with pytest.MonkeyPatch.context() as patch, contextlib.ExitStack() as stack:
            patch.setattr(seconds_table, "STREAMS", table)
            db = stack.enter_context(closing(schema.open_writer(path)))
            for number in (1, 2):
                second = Second(number, START_S + number, [], 0, START_S * 1000, {}, None)
                db.execute(seconds_table.insert_sql(), seconds_table.row(7, second, None))
            db.row_factory = sqlite3.Row
            kept = [dict(row) for row in db.execute("SELECT * FROM second WHERE run = 7 ORDER BY number")]
            db.row_factory = None
            assert {one.name: kept[0][one.name] for one in here} == {one.name: one.read(None) for one in here}
            digest = minutes.digests(db, 7, 0, 2)
            assert digest["seconds_kept"] == 2 and digest["seconds_sha256"] == sha256_of(kept) == minutes.seconds_sha256(kept)
            found.append(digest)
    assert found[0] == found[1]


# ---------------------------------------------------------------- what can't be opened


def test_a_column_of_another_type_is_refused_at_opening_in_one_line_and_nothing_is_changed(old, streams_are):
    _, path = old
    with closing(sqlite3.connect(path)) as db:
        db.execute("ALTER TABLE second ADD COLUMN grain_words REAL")
    before = path.read_bytes()
    streams_are(in_the_middle(NEWCOMER))
    for _ in range(2):
        with pytest.raises(StoreError) as refused:
            Store(path)
        line = str(refused.value)
        assert "\n" not in line and "grain_words" in line and "REAL" in line and "TEXT" in line and "allowed:" in line
    assert path.read_bytes() == before


def test_a_database_that_a_newer_version_changed_is_refused_in_one_line_and_left_as_it_is(old):
    _, path = old
    with closing(sqlite3.connect(path)) as db:
        db.execute("ALTER TABLE record ADD COLUMN seal TEXT NOT NULL DEFAULT 'x'")
        db.execute("INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('tailgrain', 'm900_seal', '')")
        db.commit()
    before = path.read_bytes()
    for _ in range(2):
        with pytest.raises(StoreError) as refused:
            Store(path)
        line = str(refused.value)
        assert "\n" not in line and "m900_seal" in line and "newer version" in line
    assert path.read_bytes() == before


def test_migrations_of_another_program_in_the_same_file_are_no_hindrance(tmp_path):
    path = unpacked("tally", tmp_path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('theirs', 'm1', '')")
        db.commit()
    work_on(path, 60)
    assert check_database(path) is None

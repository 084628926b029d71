"""A store in trouble: a full disk, work that fails, entries that can't be written; and what it leaves behind when closed."""

from __future__ import annotations

import contextlib
import sqlite3

import pytest

from edge.contract import entries, settings
from edge.contract.errors import EntryError, StoreError
from edge.engine.engine import Engine, Nowhere
from edge.keep.store import Store
from tests.kits.drive import KIT
from tests.kits.wire import START_MS, count_line


@pytest.fixture
def store(tmp_path):
    made = Store(tmp_path / "kit.db")
    made.begin_run(START_MS, {}, "test", "1")
    yield made
    made.close()


def note(store: Store, number: int, size: int = 1000) -> int | None:
    """Number of an entry as it was answered; None: it was answered that it is not kept."""
    with contextlib.suppress(StoreError):
        return store.entry(START_MS + number, {"entry": "note", "note": "x" * size}, f"id{number}")
    return None


def rows(store: Store, sql: str) -> list[tuple]:
    """What another connection sees on disk."""
    with sqlite3.connect(f"file:{store.path}?mode=ro", uri=True) as reader:
        found = reader.execute(sql).fetchall()
    reader.close()
    return found


def room(store: Store, pages: int) -> None:
    """Let the database grow to so many pages: what a full disk is to SQLite (SQLITE_FULL)."""
    store.ask(lambda db: db.execute(f"PRAGMA max_page_count = {pages}").fetchone())


def test_a_full_disk_refuses_in_words_keeps_what_it_answered_and_leaves_no_gap(store):
    now = store.ask(lambda db: db.execute("PRAGMA page_count").fetchone()[0])
    room(store, now + 3)
    answered = {f"id{number}": note(store, number) for number in range(20)}
    assert None in answered.values() and any(answered.values())
    assert store.fault is not None and "full" in store.fault
    room(store, 1_000_000)
    answered |= {f"id{number}": note(store, number) for number in range(20, 24)}
    kept = dict(rows(store, "SELECT ask_id, seq FROM record WHERE ask_id IS NOT NULL"))
    assert kept == {ask_id: seq for ask_id, seq in answered.items() if seq is not None}
    seqs = [seq for (seq,) in rows(store, "SELECT seq FROM record ORDER BY seq")]
    assert seqs == list(range(1, len(seqs) + 1))
    assert all(answered[f"id{number}"] for number in range(20, 24)) and store.fault is None


def test_the_same_ask_id_is_never_kept_twice(store):
    assert note(store, 1) == 2
    assert note(store, 1) is None
    assert note(store, 2) == 3


@pytest.mark.parametrize("mark", [2**53, 2**60, 2**63, 10**30])
def test_an_entry_with_a_number_too_large_to_write_is_refused_and_not_the_end_of_the_run(store, mark):
    engine = Engine(settings.parse(KIT), store, Nowhere())
    engine.take_line(START_MS, count_line(1, 100, *[0] * 7))
    tray = {"entry": "tray", "trays": [{"length_m": 1, "width_m": 1, "mass_g": 2}], "residue_width_m": 5}
    with pytest.raises(EntryError, match="mark"):
        engine.take_entry(START_MS + 100, entries.from_plain({**tray, "at": START_MS / 1000, "mark": mark}))
    assert engine.take_entry(START_MS + 200, entries.from_plain(tray))["seq"] == 2


def test_an_entry_is_whole_on_disk_when_its_number_is_known(store):
    engine = Engine(settings.parse(KIT), store, Nowhere())
    for plain in ({"entry": "note", "note": "Müll 收割 😀"}, {"entry": "width_used", "part": 0.5}):
        seq = engine.take_entry(START_MS + 100, entries.from_plain(plain), None)["seq"]
        [(body, kind, at_ms)] = rows(store, f"SELECT body, kind, at_ms FROM record WHERE seq = {seq}")
        assert (kind, at_ms) == ("entry", START_MS + 100)
        assert entries.decode(body) == entries.from_plain(plain)


def test_a_refused_entry_leaves_no_trace(store):
    engine = Engine(settings.parse(KIT), store, Nowhere())
    before = rows(store, "SELECT count(*) FROM record")
    for plain in ({"entry": "ack", "alert": "no-data"}, {"entry": "job_reopen", "job": 3, "note": "x"}):
        with pytest.raises(EntryError):
            engine.take_entry(START_MS, entries.from_plain(plain), "asked")
    assert rows(store, "SELECT count(*) FROM record") == before
    assert engine.assembler.lines.entries == 0


def test_closing_leaves_one_file_with_everything_in_it(tmp_path):
    path = tmp_path / "kit.db"
    store = Store(path)
    store.begin_run(START_MS, {}, "test", "1")
    for number in range(50):
        note(store, number)
    store.end_run(START_MS + 1000)
    store.close()
    wal = path.with_name("kit.db-wal")
    assert not wal.exists() or wal.stat().st_size == 0
    reader = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
    assert reader.execute("SELECT count(*), max(seq) FROM record").fetchone() == (52, 52)
    assert reader.execute("SELECT ended_ms, closed_cleanly FROM run").fetchone() == (START_MS + 1000, 1)
    assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    reader.close()


def test_every_table_is_strict(store):
    tables = rows(store, "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT GLOB '*sqlite*'")
    assert {"run", "record", "second", "counts", "answer", "outbox"} <= {name for name, _ in tables}
    assert all("STRICT" in sql for _, sql in tables)

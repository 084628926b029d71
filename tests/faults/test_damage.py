"""Power cuts in the middle of a write, and files that a bad card damaged: the log survives, recording goes on."""

from __future__ import annotations

import random
import sqlite3
import struct

import pytest

from edge.contract.errors import StoreError
from edge.keep import health, signing
from edge.keep.store import FILE_NAME, Store
from edge.keep.upkeep import Upkeep
from tests.kits.faults.stores import START_S, copied, fill, grow, one_second, opened, settle, sound
from tests.kits.kit import rows

FRAME = 24
"""Bytes of a frame's header in the write-ahead log; 32 of the log's own (sqlite.org/fileformat2.html, section 4)."""

ENTRIES = 24
SECOND_LEAF, RECORD_LEAF = 0x0A, 0x0D
"""First byte of a leaf page of a table without and with row ids (the same, section 1.6)."""


def test_a_log_cut_off_at_any_place_leaves_a_sound_database_and_a_record_without_gap(tmp_path):
    store = opened(tmp_path / "kit")
    seqs = []
    for number in range(1, ENTRIES + 1):
        fill(store, 1, number)
        seqs.append(store.entry((START_S + number) * 1000, {"entry": "note", "note": f"{number}"}, f"id{number}"))
    main = copied(store, tmp_path / "copy")
    store.close()
    log = (tmp_path / "copy" / f"{FILE_NAME}-wal").read_bytes()
    page = struct.unpack(">I", log[8:12])[0]
    frames = (len(log) - 32) // (FRAME + page)
    assert frames > 100
    places = {32 + frame * (FRAME + page) for frame in range(frames + 1)}
    chance = random.Random(3)
    places |= {32 + chance.randrange(frames) * (FRAME + page) + chance.randrange(FRAME + page) for _ in range(20)} | {0, 8, 31}
    kept = set()
    for number, place in enumerate(sorted(places)):
        folder = tmp_path / f"cut{number}"
        folder.mkdir()
        (folder / FILE_NAME).write_bytes(main.read_bytes())
        (folder / f"{FILE_NAME}-wal").write_bytes(log[:place])
        again = opened(folder)
        assert again.moved is None
        new = again.entry(START_S * 1000, {"entry": "note", "note": "after"}, None)
        again.close()
        assert sound(folder / FILE_NAME)
        numbers = [row[0] for row in rows(folder / FILE_NAME, "SELECT seq FROM record ORDER BY seq")]
        assert numbers == list(range(1, new + 1))
        before = [row[0] for row in rows(folder / FILE_NAME, "SELECT ask_id FROM record WHERE ask_id IS NOT NULL ORDER BY seq")]
        assert before == [f"id{one}" for one in range(1, len(before) + 1)]
        kept.add(len(before))
    assert kept == set(range(ENTRIES + 1))  # each entry was on disk at some cut, and the last cut kept all


def test_a_damaged_page_of_figures_moves_the_file_aside_and_takes_the_whole_log_over(tmp_path):
    store = opened(tmp_path)
    fill(store, 3000)
    last = store.entry(START_S * 1000, {"entry": "note", "note": "Würze"}, "asked")
    store.answer("asked", START_S * 1000, b'{"id":"asked","ok":true}')
    settle(store)
    _crash(store)
    path = tmp_path / FILE_NAME
    _overwrite(path, _leaves(path, SECOND_LEAF, b"none")[9])

    again = opened(tmp_path)
    try:
        assert again.moved is not None and again.moved.records >= last
        assert again.moved.to.exists() and again.moved.to.parent == tmp_path
        assert again.answered("asked") == b'{"id":"asked","ok":true}'
        assert again.entry_seq("asked") == last
        fill(again, 10, start_s=START_S + 5000)
        told = [one.topic for one in again.waiting(0, 100)]
        assert told.count("minute") == 50 and told.count("entry") == 1
    finally:
        again.close()
    assert sound(path)
    numbers = [row[0] for row in rows(path, "SELECT seq FROM record ORDER BY seq")]
    assert numbers == list(range(1, len(numbers) + 1))
    kinds = [row[0] for row in rows(path, "SELECT kind FROM record WHERE seq > ? ORDER BY seq", last)]
    assert kinds == ["run start", "store moved"]
    assert rows(path, "SELECT count(*), min(t) FROM second") == [(10, START_S + 5001)]
    assert not sound(again.moved.to)


def test_a_damaged_page_of_the_log_keeps_all_records_before_it(tmp_path):
    store = opened(tmp_path)
    for number in range(1, 400):
        store.record("minute", START_S * 1000, {"filler": "x" * 200, "n": number})
    settle(store)
    _crash(store)
    path = tmp_path / FILE_NAME
    leaves = _leaves(path, RECORD_LEAF, b'"filler"')
    _overwrite(path, leaves[len(leaves) // 2])
    again = opened(tmp_path)
    again.close()
    assert again.moved is not None and 100 < again.moved.records < 300
    numbers = [row[0] for row in rows(path, "SELECT seq FROM record ORDER BY seq")]
    assert numbers == list(range(1, again.moved.records + 3))  # and run start, store moved


@pytest.mark.parametrize("what", ["no database", "half", "header", "empty"])
def test_a_file_that_is_no_database_any_more_is_moved_and_its_side_files_with_it(tmp_path, what):
    store = opened(tmp_path)
    fill(store, 200)
    copied(store, tmp_path / "copy")
    store.close()
    path = tmp_path / FILE_NAME
    whole = path.read_bytes()
    made = {"no database": b"\xff" * 9000, "half": whole[: len(whole) // 2 + 100], "header": b"?" * 60 + whole[60:], "empty": b""}
    path.write_bytes(made[what])
    wal = path.with_name(FILE_NAME + "-wal")
    if what != "empty":
        wal.write_bytes((tmp_path / "copy" / f"{FILE_NAME}-wal").read_bytes()[:5000])
    again = opened(tmp_path)
    try:
        assert again.entry(START_S * 1000, {"entry": "note", "note": "goes on"}, None) > 1
    finally:
        again.close()
    assert sound(path)
    if what == "empty":
        assert again.moved is None  # a file that was made and never written: nothing to move
        return
    assert again.moved is not None
    moved = again.moved.to.with_name(again.moved.to.name + "-wal")
    assert again.moved.to.exists() and moved.exists()


def test_damage_found_beside_the_work_moves_the_file_while_recording_goes_on(tmp_path, eventually):
    store = opened(tmp_path)
    grow(store, 80_000)
    first = store.entry(START_S * 1000, {"entry": "note", "note": "before"}, "before")
    _crash(store)
    path = tmp_path / FILE_NAME
    assert path.stat().st_size > health.CHECKED_AT_START
    _overwrite(path, _leaves(path, SECOND_LEAF, b"[[3,100,1000")[99])

    again = opened(tmp_path)
    try:
        assert again.moved is None  # a large file is checked beside the work
        fill(again, 5, start_s=START_S + 90_000)
        eventually(lambda: again.moved, within=20, what="the damaged file moved aside")
        assert again.entry_seq("before") == first
        fill(again, 5, first=6, start_s=START_S + 90_000)
        assert again.fault is None
    finally:
        again.close()
    assert sound(path)
    numbers = [row[0] for row in rows(path, "SELECT number FROM second WHERE run = 2 ORDER BY number")]
    assert numbers[-5:] == [6, 7, 8, 9, 10] and numbers == list(range(numbers[0], 11))
    body = rows(path, "SELECT body FROM record WHERE kind = 'store moved'")
    assert len(body) == 1 and again.moved.to.name in body[0][0]
    assert rows(path, "SELECT run, closed_cleanly FROM run") == [(1, 0), (2, 0)]


def test_a_renewal_that_fails_changes_nothing_and_is_tried_again(tmp_path, eventually):
    """As on a full disk; here something that can't be removed lies where the fresh file is made."""
    store = opened(tmp_path)
    first = store.entry(START_S * 1000, {"entry": "note", "note": "before"}, "before")
    fill(store, 5)
    obstacle = tmp_path / "tailgrain.fresh.db"
    obstacle.mkdir()
    store._writer.renew("found by hand")
    eventually(lambda: store.fault, within=10, what="the fault said")
    assert store.moved is None and store.alive and not list(tmp_path.glob("*.damaged-*"))
    with pytest.raises(StoreError, match=r"^[^\n]*not kept[^\n]*$"):
        store.entry(START_S * 1000, {"entry": "note", "note": "refused"}, "refused")
    fill_later = range(6, 11)
    for number in fill_later:
        one_second(store, number)
    obstacle.rmdir()
    eventually(lambda: settled(store), within=15, what="kept again")
    assert store.moved is not None and store.fault is None
    second = store.entry(START_S * 1000, {"entry": "note", "note": "after"}, "after")
    assert store.entry_seq("before") == first and store.entry_seq("refused") is None
    store.close()
    assert sound(tmp_path / FILE_NAME)
    numbers = [row[0] for row in rows(tmp_path / FILE_NAME, "SELECT seq FROM record ORDER BY seq")]
    assert numbers == list(range(1, second + 1))
    kept = [row[0] for row in rows(tmp_path / FILE_NAME, "SELECT number FROM second ORDER BY number")]
    assert kept[-5:] == list(fill_later)
    assert rows(tmp_path / FILE_NAME, "SELECT run FROM run") == [(1,)]
    assert len(rows(tmp_path / FILE_NAME, "SELECT 1 FROM record WHERE kind = 'store moved'")) == 1


def settled(store: Store) -> bool:
    try:
        settle(store)
    except StoreError:
        return False
    return True


def test_a_cut_between_moving_the_damaged_file_and_its_replacement_is_ended_at_the_next_start(tmp_path):
    store = opened(tmp_path)
    first = store.entry(START_S * 1000, {"entry": "note", "note": "before"}, "before")
    store.close()
    path = tmp_path / FILE_NAME
    path.rename(tmp_path / "tailgrain.fresh.db")  # whole and on disk before the damaged one makes room
    again = opened(tmp_path)
    assert again.entry_seq("before") == first
    again.close()
    assert not (tmp_path / "tailgrain.fresh.db").exists()


class Stumbling(Upkeep):
    """Has a fault of its own, as any program may."""

    stumbles = 0

    def step(self, db: sqlite3.Connection, run: int, kept_since: int) -> int:
        if self.stumbles < 2:
            self.stumbles += 1
            raise TypeError("a fault of ours")
        return super().step(db, run, kept_since)


def test_a_fault_of_the_writer_s_own_ends_nothing_and_loses_nothing(tmp_path, eventually, caplog):
    rules = Stumbling(tmp_path, disk_floor_mb=0.0)
    store = Store(tmp_path / FILE_NAME, None, rules)
    store.begin_run(START_S * 1000, {}, "test", "0")
    try:
        for number in range(1, 4):
            fill(store, 1, number)
            store._writer._kept_at = -1e9  # the next look is due
            one_second(store, number + 100)
            eventually(lambda number=number: rules.stumbles >= min(number, 2), within=10, what="stumbled")
            assert store.alive
        seq = store.entry(START_S * 1000, {"entry": "note", "note": "after"}, "after")
        assert store.entry_seq("after") == seq
        eventually(lambda: store.fault is None, within=10, what="well again")
    finally:
        store.close()
    assert rows(tmp_path / FILE_NAME, "SELECT number FROM second ORDER BY number") == [(n,) for n in (1, 2, 3, 101, 102, 103)]
    assert "TypeError: a fault of ours" in caplog.text and "a fault of the writer itself" in caplog.text


def test_a_fault_of_whoever_hears_of_a_commit_is_said_and_the_writer_goes_on(tmp_path, eventually):
    heard = []

    def on_told() -> None:
        heard.append(1)
        raise RuntimeError("nobody listens")

    store = Store(tmp_path / FILE_NAME, on_told, Upkeep(tmp_path, disk_floor_mb=0.0))
    store.begin_run(START_S * 1000, {}, "test", "0")
    try:
        store.record("minute", START_S * 1000, {}, tell="minute")
        eventually(lambda: heard and store.fault, within=10, what="the fault said")
        assert "RuntimeError: nobody listens" in str(store.fault)
        one_second(store, 1)
        eventually(lambda: store.fault is None, within=10, what="well again")
        assert store.alive
    finally:
        store.close()
    assert rows(tmp_path / FILE_NAME, "SELECT count(*) FROM record WHERE kind = 'minute'") == [(1,)]


def test_without_upkeep_a_damaged_file_is_refused_in_one_line_and_left_alone(tmp_path):
    path = tmp_path / "other.db"
    path.write_bytes(b"no database at all, but something that somebody wants to keep" * 100)
    before = path.read_bytes()
    with pytest.raises(StoreError) as fault:
        Store(path)
    assert "\n" not in str(fault.value) and str(path) in str(fault.value)
    assert path.read_bytes() == before


def test_a_database_of_another_program_is_refused_and_not_changed(tmp_path):
    path = tmp_path / FILE_NAME
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE theirs (a)")
    other.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="another program"):
        Store(path, None, Upkeep(tmp_path))
    assert path.read_bytes() == before


def test_a_clean_end_asks_for_no_check_and_moves_nothing(tmp_path):
    store = opened(tmp_path)
    fill(store, 100)
    store.end_run(START_S * 1000)
    store.close()
    again = opened(tmp_path)
    again.close()
    assert again.moved is None
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([FILE_NAME, FILE_NAME + ".lock", signing.FILE_NAME])


def _crash(store: Store) -> None:
    """Let go of the files without ending the run; the log is folded in, so that the file itself can be damaged."""
    store.close()


def _leaves(path, kind: int, holds: bytes) -> list[int]:
    """Numbers of the leaf pages of one kind that hold some bytes, in the order of the file."""
    size = rows(path, "PRAGMA page_size")[0][0]
    raw = path.read_bytes()
    pages = range(2, len(raw) // size + 1)
    return [page for page in pages if raw[(page - 1) * size] == kind and holds in raw[(page - 1) * size : page * size]]


def _overwrite(path, page: int) -> None:
    size = rows(path, "PRAGMA page_size")[0][0]
    with path.open("r+b") as file:
        file.seek((page - 1) * size + 16)
        file.write(b"\x5a" * (size - 32))

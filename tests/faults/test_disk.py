"""A disk that is full, nearly full or read-only, on a real small file system; and readers that hold the log up."""

from __future__ import annotations

import ctypes
import os
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from edge.contract.errors import StoreAway, StoreError
from edge.feed import capture
from edge.keep import readonly, upkeep
from edge.keep.schema import LARGEST_WAL_BYTES
from edge.keep.store import FILE_NAME, Store
from edge.keep.upkeep import Upkeep
from edge.keep.writer import MOST_OWED
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.faults.forked import ForkedKit
from tests.kits.faults.stores import START_S, fill, grow, one_second, opened, settle, sound
from tests.kits.kit import rows
from tests.kits.tools import wait_until

MS_RDONLY, MS_REMOUNT = 1, 32
"""linux/mount.h"""


def mount(folder: Path, flags: int = 0, options: str = "size=4m") -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(b"tmpfs", str(folder).encode(), b"tmpfs", flags, options.encode()) != 0:
        pytest.skip(f"a file system can't be mounted here ({os.strerror(ctypes.get_errno())}); root may")


@pytest.fixture
def small(tmp_path) -> Iterator[Path]:
    """A file system of 4 MB."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount(folder)
    yield folder
    assert ctypes.CDLL(None).umount2(str(folder).encode(), 2) == 0


def fill_up(folder: Path) -> Path:
    """Take all the space that is left."""
    hog = folder / "hog"
    with hog.open("wb", buffering=0) as file:
        for size in (65_536, 512):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue
    return hog


def test_a_full_disk_refuses_entries_and_owes_everything_else_until_there_is_room(small, eventually):
    store = opened(small)
    try:
        fill(store, 60)
        first = store.entry(START_S * 1000, {"entry": "note", "note": "before"}, "before")
        hog = fill_up(small)
        number, refused, last_kept = 60, 0, first
        while store.fault is None:  # the log still has room of its own
            number += 1
            one_second(store, number)
            try:
                last_kept = store.entry(START_S * 1000, {"entry": "note", "note": "x" * 1500}, f"try{number}")
            except StoreError:
                refused = number
        assert refused
        for _ in range(200):
            number += 1
            one_second(store, number)
        with pytest.raises(StoreError, match=r"^[^\n]*not kept[^\n]*$"):
            store.entry(START_S * 1000, {"entry": "note", "note": "no room"}, "no room")
        assert store.entry_seq("before") == first  # what was kept can still be read

        hog.unlink()
        eventually(lambda: kept(store), within=15, what="kept again")
        settle(store)
        assert store.entry_seq("no room") is None and store.entry_seq(f"try{refused}") is None
        after = store.entry(START_S * 1000, {"entry": "note", "note": "after"}, "after")
        assert after == last_kept + 1
    finally:
        store.close()
    path = small / FILE_NAME
    assert sound(path)
    assert [row[0] for row in rows(path, "SELECT number FROM second ORDER BY number")] == list(range(1, number + 1))


def kept(store: Store) -> bool:
    try:
        settle(store)
    except StoreError:
        return False
    return store.fault is None


def test_what_is_owed_too_long_goes_oldest_first_and_the_record_says_so(small, eventually):
    store = opened(small)
    try:
        fill(store, 5)
        hog = fill_up(small)
        number = 5
        while store.fault is None:
            number += 1
            one_second(store, number)
            store.record("minute", START_S * 1000, {"filler": "y" * 1500})
            if number % 20 == 0:
                kept(store)
        for _ in range(MOST_OWED + 50):
            number += 1
            one_second(store, number)
        hog.unlink()
        eventually(lambda: kept(store), within=20, what="kept again")
    finally:
        store.close()
    path = small / FILE_NAME
    gap = rows(path, "SELECT body FROM record WHERE kind = 'gap'")
    lost = number - rows(path, "SELECT count(*) FROM second")[0][0]
    assert lost > 0 and gap == [(f'{{"seconds":{lost}}}',)]
    numbers = [row[0] for row in rows(path, "SELECT number FROM second ORDER BY number")]
    assert numbers[-MOST_OWED + 100 :] == list(range(numbers[-MOST_OWED + 100], number + 1))  # the newest are all there
    seqs = [row[0] for row in rows(path, "SELECT seq FROM record ORDER BY seq")]
    assert seqs == list(range(1, len(seqs) + 1))


def test_a_recording_that_fills_its_disk_ends_and_the_kit_goes_on(small, tmp_path, mosquitto, nursery):
    (small / "others").write_bytes(b"x" * 3_600_000)
    paddock = load("paddock").with_(seed=1, minutes=15, operator=())
    with PtyFeed(Simulation(paddock), "max") as feed:
        text = paddock.settings_toml(port=feed.port, mqtt_port=mosquitto.port, store=str(tmp_path / "kit" / "state"))
        kit = ForkedKit(nursery, tmp_path / "kit", text)
        try:
            kit.start(START_S, record=small / "day.tgcap")
            wait_until(lambda: ": open" in kit.log, 15, "the line open")
            feed.start()
            assert feed.join(50)
            wait_until(lambda: kit.query("SELECT count(*) FROM second")[0][0] >= 898, 20, "every second kept")
            assert kit.log.count("the recording ends here") == 1
            kit.stop()
            assert "ended cleanly" in kit.log
        finally:
            kit.kill()
    lines = list(capture.read(small / "day.tgcap"))
    assert len(lines) > 4000 and all(line.stamp_ms is not None for line in lines[:-1])


def test_a_read_only_disk_is_one_line_at_the_start(small):
    store = opened(small)
    fill(store, 10)
    store.close()
    mount(small, MS_REMOUNT | MS_RDONLY)
    with pytest.raises(StoreAway) as fault:  # not a fault of the settings: a service manager tries again
        Store(small / FILE_NAME, None, Upkeep(small))
    assert str(small) in str(fault.value) and "\n" not in str(fault.value) and fault.value.exit_status == 1
    with closing(readonly.connect(small / FILE_NAME)) as connection:  # looking at what there is still works
        assert connection.execute("SELECT count(*) FROM second").fetchone() == (10,)


def test_under_the_floor_the_oldest_seconds_go_first_and_never_a_record(tmp_path):
    store = opened(tmp_path)
    grow(store, 4000)
    store.close()
    store = opened(tmp_path, floor_mb=1e6)
    try:
        grow(store, upkeep.NEWEST_KEPT + 2000)
        settle(store)
        before = rows(store.path, "SELECT count(*) FROM record")[0][0]
        rules = Upkeep(tmp_path, 400, 1e6)
        assert rules.disk.low and store.disk is not None and store.disk.low
        gone = store.ask(lambda db: rules.step(db, store.run, 0))
        assert gone == upkeep.SECONDS_AT_ONCE
        assert rows(store.path, "SELECT min(number) FROM second WHERE run = 1") == [(upkeep.SECONDS_AT_ONCE + 1,)]
        assert rows(store.path, "SELECT min(number) FROM counts WHERE run = 1") == [(upkeep.SECONDS_AT_ONCE + 1,)]
        for _ in range(40):
            store.ask(lambda db: rules.step(db, store.run, 0))
        left = rows(store.path, "SELECT run, count(*), max(number) - min(number) FROM second GROUP BY run")
        assert left == [(2, upkeep.NEWEST_KEPT, upkeep.NEWEST_KEPT - 1)]
        assert rows(store.path, "SELECT count(*) FROM record")[0][0] == before
        pages = rows(store.path, "PRAGMA page_count")[0][0]
        store._writer.ask(rules.shrink, reads=True)
        given_back = pages - rows(store.path, "PRAGMA page_count")[0][0]
        assert 0 <= given_back - upkeep.PAGES_AT_ONCE <= 2  # the map of pages shrinks with them
    finally:
        store.close()
    assert sound(store.path)


@pytest.mark.parametrize("year", [2027, 2038, 2100])
def test_days_kept_go_slowly_so_that_a_clock_in_a_wrong_year_empties_nothing(tmp_path, year):
    store = opened(tmp_path, keep_days=1.0)
    rules = Upkeep(tmp_path, keep_days=1.0, disk_floor_mb=0.0)
    try:
        grow(store, 4000)
        store.close()
        store = opened(tmp_path, keep_days=1.0)
        wrong_s = START_S + (year - 2026) * 31_556_952
        fill(store, 30, first=5001, start_s=wrong_s - 5001, minutes=False)
        assert store.ask(lambda db: rules.step(db, store.run, 30)) == 60
        assert rows(store.path, "SELECT min(number), count(*) FROM second WHERE run = 1") == [(61, 3940)]
        fill(store, 30, first=5031, start_s=START_S - 1000, minutes=False)  # the clock is right again
        assert store.ask(lambda db: rules.step(db, store.run, 30)) == 0
    finally:
        store.close()


def test_the_outbox_keeps_its_newest_rows_only(tmp_path):
    store = opened(tmp_path)
    rules = Upkeep(tmp_path, disk_floor_mb=0.0)
    try:
        most = upkeep.OUTBOX_LONGEST
        many = ((number, "minute", b"{}") for number in range(10, most + 60))
        store.ask(lambda db: db.executemany("INSERT INTO outbox VALUES (?, ?, ?)", many))
        store.ask(lambda db: rules.step(db, store.run, 0))
        assert rows(store.path, "SELECT count(*), max(id) FROM outbox") == [(most, most + 59)]
    finally:
        store.close()


def test_the_log_stays_bounded_under_readers_that_follow_each_other_and_checkpoints_are_the_writer_s(tmp_path):
    store = opened(tmp_path)
    over = threading.Event()
    faults: list[BaseException] = []
    wal = store.path.with_name(FILE_NAME + "-wal")

    def read() -> None:
        try:
            while not over.is_set():
                with closing(readonly.connect(store.path)) as connection:
                    connection.execute("SELECT sum(t) FROM second WHERE number > 100").fetchone()
                    with pytest.raises(Exception, match="readonly|read-only|locked"):
                        connection.execute("DELETE FROM second")
        except BaseException as fault:  # noqa: BLE001 - looked at below
            faults.append(fault)

    fill(store, 200)
    readers = [threading.Thread(target=read) for _ in range(3)]
    for reader in readers:
        reader.start()
    largest = 0
    try:
        began, number = time.monotonic(), 200
        while time.monotonic() - began < 4:
            for _ in range(10):
                number += 1
                one_second(store, number)
            store.entry(START_S * 1000, {"entry": "note", "note": "z" * 2000}, None)
            largest = max(largest, wal.stat().st_size)
        begun_anew = int.from_bytes(wal.read_bytes()[12:16], "big")  # sqlite.org/fileformat2.html, section 4.1
    finally:
        over.set()
        for reader in readers:
            reader.join()
        store.close()
    assert not faults
    assert begun_anew > 0
    assert largest < 4 * LARGEST_WAL_BYTES  # at some 4 MB a second; a kit writes 14 kB a second
    assert not wal.exists() or wal.stat().st_size == 0
    assert sound(store.path)


def test_a_reader_that_holds_an_old_view_delays_nothing_and_the_log_shrinks_when_it_ends(tmp_path, eventually):
    store = opened(tmp_path)
    wal = store.path.with_name(FILE_NAME + "-wal")
    try:
        fill(store, 100)
        with closing(readonly.connect(store.path)) as connection:
            view = connection.execute("SELECT number FROM second ORDER BY number")
            view.fetchone()
            slowest = 0.0
            number = 100
            while wal.stat().st_size < LARGEST_WAL_BYTES + 100_000:
                number += 1
                one_second(store, number)
                before = time.monotonic()
                store.entry(START_S * 1000, {"entry": "note", "note": "z" * 2000}, None)
                slowest = max(slowest, time.monotonic() - before)
            assert slowest < 3.0
            assert len(view.fetchall()) == 99  # its view is whole

        def shrunk() -> bool:
            store.entry(START_S * 1000, {"entry": "note", "note": "after"}, None)
            return wal.stat().st_size <= LARGEST_WAL_BYTES

        eventually(shrunk, within=10, what="the log shrunk")
    finally:
        store.close()

"""What evidence costs: a record's hash, a minute's digests, the check of a whole database, an export's rows.

Processor time, median of three: other programs on the machine count less so. The seconds are those of a simulated
half hour with tray tests, doubled inside the database; the position receiver works.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from edge.contract import settings
from edge.export import write
from edge.keep import chain, minutes
from edge.keep.chain import Record
from edge.keep.records import check_database
from edge.keep.store import Store
from edge.playback.replay import replay
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import write_capture
from tests.bench import results

COMMAND = "make bench ARGS='-k bench_evidence'"
ROWS = 400_000
RECORDS = 20_000
CSV_ROWS_PER_S = 200_000
pytestmark = pytest.mark.timeout(900)


def cost_s(work: Callable[[], object], runs: int = 3) -> float:
    times = []
    for _ in range(runs):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return statistics.median(times)


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine days of twelve hours of work, in one run."""
    folder = tmp_path_factory.mktemp("evidence")
    scenario = load("walkers").with_(seed=3, minutes=30)
    capture, path = folder / "half.tgcap", folder / "season.db"
    write_capture(Simulation(scenario), capture, 1_790_000_000)
    replay(capture, settings.parse(scenario.settings_toml()), store=path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        count = db.execute("SELECT max(number) FROM second").fetchone()[0]
        for table in ("second", "counts"):
            names = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            size = count
            while size < ROWS:
                moved = [f"{name} + {size}" if name in ("number", "t") else name for name in names]
                db.execute(f"INSERT INTO {table} SELECT {', '.join(moved)} FROM {table} ORDER BY number")
                size *= 2
        db.execute("VACUUM")
    return path


def test_export_writes_csv_fast_enough(database, tmp_path):
    rows, table, fastest = counted(database), [], 0.0
    for kind in write.KINDS:
        out = tmp_path / f"x.{kind}"
        tries = [both(lambda kind=kind, out=out: write.export(database, kind, out)) for _ in range(3 if kind == "csv" else 1)]
        wall, processor = min(wall for wall, _ in tries), min(spent for _, spent in tries)
        fastest = max(fastest, rows / processor)
        target = f"{CSV_ROWS_PER_S:,}" if kind == "csv" else ""
        size = f"{out.stat().st_size / 1e6:.0f} MB"
        table.append((kind, f"{rows:,}", f"{rows / wall:,.0f}", target, f"{rows / processor:,.0f}", size))
    head = ("export", "seconds", "rows/s", "target", "rows for a second of one processor", "file")
    busy = f"{os.cpu_count()} processors; load of the machine (one minute) when it was done: {os.getloadavg()[0]:.1f}."
    results.write("Export", COMMAND, [results.table(head, table), busy])
    assert fastest > CSV_ROWS_PER_S / 4


def both(work: Callable[[], object]) -> tuple[float, float]:
    """Wall time and processor time, helpers included, in s."""
    before, began = os.times(), time.perf_counter()
    work()
    wall, after = time.perf_counter() - began, os.times()
    return wall, sum(after[:4]) - sum(before[:4])


def counted(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        number: int = db.execute("SELECT count(*) FROM second").fetchone()[0]
        return number


def test_the_chain_costs_little(database, tmp_path):
    with closing(sqlite3.connect(database)) as db:
        body = db.execute("SELECT body FROM record WHERE kind = 'minute' ORDER BY seq DESC LIMIT 1").fetchone()[0]
        run = db.execute("SELECT max(run) FROM second").fetchone()[0]
        record = Record(1, 1, 1, "minute", body, chain.new_salt())
        one_record = cost_s(lambda: [chain.link(chain.FIRST, chain.digest(record)) for _ in range(10_000)]) / 10_000
        one_minute = cost_s(lambda: [minutes.digests(db, run, 600, 660) for _ in range(100)]) / 100
    long_one = tmp_path / "long.db"
    store = Store(long_one)
    store.begin_run(1, {}, "bench", "0")
    plain = {"entry": "note", "note": "x" * 200}

    def many(db: sqlite3.Connection) -> None:
        for number in range(RECORDS):
            store._insert(db, 1, number, "entry", chain.canonical(plain), None)

    began = time.process_time()
    store.ask(many)
    kept = (time.process_time() - began) / RECORDS
    store.close()
    checked = cost_s(lambda: check_database(long_one))
    whole = cost_s(lambda: check_database(database), 1)

    def start() -> None:
        again = Store(long_one)
        again.close()

    rows = [
        ("hash of one `minute` record", f"{1e6 * one_record:.1f} us"),
        ("digests of a minute's 60 seconds and counts", f"{1e3 * one_minute:.2f} ms ({1e6 * one_minute / 60:.0f} us a second)"),
        ("one record written, canonical JSON and hash included", f"{1e6 * kept:.0f} us"),
        (f"check of a database with {RECORDS:,} records", f"{checked:.2f} s"),
        ("check of half an hour's records, each second against its minute", f"{whole:.2f} s"),
        (f"opening a store with {RECORDS:,} records, key and chain included", f"{1e3 * cost_s(start):.0f} ms"),
    ]
    results.write("Chain", COMMAND, [results.table(("what", "processor time"), rows)])
    assert one_minute / 60 < 0.000_5 and one_record < 0.000_5

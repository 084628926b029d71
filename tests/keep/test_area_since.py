"""Hectares cut after a time, from minutes and the seconds at their ends, are those of the plain sum over all seconds."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.keep.store import Store
from tests.kits.settings import FRONT, FULL, THRESHING
from tests.kits.wire import START_MS, count_line


class Run:
    """A run of the engine into a database; `seconds` of work at 2 m/s, entries as they come."""

    def __init__(self, path: Path, second: int = 0) -> None:
        self.store, self.second = Store(path), second
        self.store.begin_run(START_MS + second * 1000, {}, "test", "0")
        self.engine = Engine(settings.parse(FULL), self.store, Nowhere())

    def work(self, seconds: int) -> None:
        for _ in range(seconds):
            self.second += 1
            counts = [self.second * step for step in (16, 14, 20, 20, 400, 14, 12)]
            line = count_line(self.second, self.second * 1000, *counts, levels=FRONT | THRESHING)
            self.engine.take_line(START_MS + self.second * 1000, line)

    def tell(self, **entry: object) -> None:
        self.engine.take_entry(START_MS + self.second * 1000, entries.from_plain(entry))


@pytest.mark.parametrize("clean", [True, False])
def test_minutes_and_ends_are_the_seconds(tmp_path: Path, clean: bool) -> None:
    path = tmp_path / "kit.db"
    run = Run(path)
    run.work(130)
    run.tell(entry="load", t=3.0)
    run.work(155)
    run.tell(entry="job_start")  # ends a minute early
    run.work(97)
    if clean:
        run.engine.finish()
    run.store.settle()
    run.store.close()
    again = Run(path, run.second)
    try:
        for ago in (*range(0, 400, 17), 1_000):
            since = (START_MS / 1000) + run.second - ago
            with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
                (plain,) = db.execute("SELECT coalesce(sum(area_m2), 0) / 10000 FROM second WHERE t > ?", (since,)).fetchone()
            assert again.store.area_ha_since(since) == pytest.approx(plain, abs=1e-9), ago
        assert plain == pytest.approx(382 * 18 / 10_000, rel=0.02)
    finally:
        again.store.close()


def test_nothing_kept_is_no_area(tmp_path: Path) -> None:
    store = Store(tmp_path / "kit.db")
    assert store.area_ha_since(0.0) == 0.0
    store.close()

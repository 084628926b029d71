"""Ribbon and marks out of a database of the worked example, against sums made here from its rows."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import sync_playwright

from dashboard.read import history
from edge.contract.errors import StoreError


def seconds(database: Path) -> list[sqlite3.Row]:
    connection = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    connection.row_factory = sqlite3.Row
    try:
        return connection.execute("SELECT * FROM second ORDER BY number").fetchall()
    finally:
        connection.close()


def test_ten_minutes_are_the_seconds_themselves(server: Any) -> None:
    rows = seconds(server.kit.database)
    found = server.ask("GET", "/ribbon?minutes=10").json()
    assert (found["step_s"], found["filled"], found["until"]) == (1, 1, rows[-1]["t"])
    assert found["t"] == [row["t"] for row in rows]
    assert found["kg_ha"] == [None if row["loss_kg_ha"] is None else pytest.approx(row["loss_kg_ha"], abs=6e-4) for row in rows]
    assert sum(value is not None for value in found["kg_ha"]) > 100
    working = [row for row in rows if row["state"] == "working"]
    at = dict(zip(found["t"], found["pulses_per_s"], strict=True))
    assert all(at[row["t"]] is None for row in rows if row["state"] != "working")
    assert [at[row["t"]] for row in working] == [
        pytest.approx(row["separator_per_s"] + row["cleaning_per_s"], abs=6e-4) for row in working
    ]


@pytest.mark.parametrize(("minutes", "step_s"), [(30, 2), (120, 8)])
def test_longer_spans_are_means_of_equal_bins(server: Any, minutes: int, step_s: int) -> None:
    rows = seconds(server.kit.database)
    found = server.ask("GET", f"/ribbon?minutes={minutes}").json()
    assert found["step_s"] == step_s
    assert len(found["t"]) <= history.MOST_BINS
    for end, kg_ha, low, high in zip(found["t"], found["kg_ha"], found["low"], found["high"], strict=True):
        inside = [row for row in rows if end - step_s < row["t"] <= end and row["loss_kg_ha"] is not None]
        if not inside:
            assert kg_ha is low is high is None
            continue
        assert kg_ha == pytest.approx(sum(row["loss_kg_ha"] for row in inside) / len(inside), abs=6e-4)
        assert low == pytest.approx(sum(row["loss_low"] for row in inside) / len(inside), abs=6e-4)
        assert (high is None) == any(row["loss_high"] is None for row in inside)
    assert found["filled"] == sum(found["t"][-1] - step_s < row["t"] for row in rows)


def test_marks_are_the_setting_changes_the_tray_tests_and_the_alerts(server: Any) -> None:
    found = server.ask("GET", "/marks?minutes=30").json()
    kinds = [mark["kind"] for mark in found["marks"]]
    assert kinds.count("tray") == 1 and kinds.count("setting") == 1
    assert [mark["at"] for mark in found["marks"]] == sorted(mark["at"] for mark in found["marks"])
    tray = next(mark for mark in found["marks"] if mark["kind"] == "tray")
    assert (tray["number"], tray["used"]) == (1, True)
    assert server.ask("GET", "/marks?minutes=10").status == 200


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """An empty database with the tables that history reads."""
    from edge.keep.schema import open_writer

    path = tmp_path / "tailgrain.db"
    open_writer(path).close()
    return path


def add(path: Path, *rows: tuple[int, int, int, float | None]) -> None:
    """Seconds: run, number, t, loss."""
    with sqlite3.connect(path) as connection:
        connection.executemany("INSERT INTO second (run, number, t, state, loss_kg_ha) VALUES (?, ?, ?, 'working', ?)", rows)
    connection.close()


def test_an_empty_database_gives_an_empty_ribbon(database: Path) -> None:
    found = history.ribbon(database, 10)
    assert (found["t"], found["until"], found["filled"]) == ([], None, 0)
    assert history.marks(database, 10) == {"marks": []}


def test_the_newest_second_is_that_of_the_newest_run_though_the_clock_went_back(database: Path) -> None:
    add(database, *((1, n, 10_000 + n, 1.0) for n in range(100)), *((2, n, 5_000 + n, 2.0) for n in range(50)))
    found = history.ribbon(database, 10)
    assert found["until"] == 5_049
    assert set(found["kg_ha"]) == {2.0}


def test_of_two_seconds_of_one_time_the_later_row_stands(database: Path) -> None:
    add(database, (1, 1, 1_000, 7.0), (1, 2, 1_001, 7.0), (1, 3, 1_000, 9.0), (1, 4, 1_001, 9.0))
    assert history.ribbon(database, 10)["kg_ha"] == [9.0, 9.0]


def test_no_line_crosses_an_outage(database: Path) -> None:
    """One bin of nulls on the ribbon where seconds are missing for longer than a bin, in every span."""
    add(database, *((1, n, 10_000 + n, 5.0) for n in range(1, 41)), *((2, n, 10_300 + n, 7.0) for n in range(1, 41)))
    for minutes, step_s in ((10, 1), (30, 2), (120, 8)):
        found = history.ribbon(database, minutes)
        assert found["t"] == sorted(set(found["t"])) and found["filled"] > 0
        holes = [at for at, value in zip(found["t"], found["kg_ha"], strict=True) if value is None]
        assert holes == [10_040 + step_s]
        assert all(found[name][found["t"].index(holes[0])] is None for name in ("low", "high", "limit_kg_ha", "pulses_per_s"))
        assert all(value in (5.0, 7.0, None) for value in found["kg_ha"])


def test_a_single_missing_bin_is_a_hole_and_a_missing_second_in_a_bin_is_none(database: Path) -> None:
    add(database, (1, 1, 1_001, 1.0), (1, 2, 1_003, 3.0), (1, 3, 1_004, 3.0))
    assert history.ribbon(database, 10)["kg_ha"] == [1.0, None, 3.0, 3.0]
    assert history.ribbon(database, 30)["kg_ha"] == [1.0, 3.0]


SERIES = """async ([base, history, seconds]) => {
  const { Series } = await import(`${base}/screens/now/series.js`);
  const series = new Series();
  series.load(history);
  for (const [t, kg_ha] of seconds) {
    const loss = { kg_ha, low: kg_ha, high: kg_ha };
    series.take({ t: new Date(t * 1000).toISOString(), loss, state: 'working', pulses_per_s: { separator: 9 } });
  }
  return [series.t, series.kg_ha, series.pulses_per_s];
}"""


def test_live_seconds_after_an_outage_leave_a_hole_too(server: Any, need: Callable[[str], str]) -> None:
    """The page's own module in a browser, put on top of a history that ended a while ago."""
    history_of = {"minutes": 30, "step_s": 2, "until": 1_000, "filled": 2, "t": [998, 1_000]}
    names = ("kg_ha", "low", "high", "limit_kg_ha", "pulses_per_s")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=need("chromium"), args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{server.port}/")
        base = page.evaluate("() => new URL(document.querySelector('script[type=module]').src).pathname.replace('/app.js', '')")
        asked = [base, history_of | {name: [5.0, 5.0] for name in names}]
        held = page.evaluate(SERIES, [*asked, [[1_001, 6], [1_002, 8], [1_061, 7], [1_062, 9]]])
        empty = page.evaluate(SERIES, [base, history_of | {name: [] for name in ("t", *names)}, [[1_061, 7]]])
        browser.close()
    assert held[0] == [998, 1_000, 1_002, 1_004, 1_062]
    assert held[1] == [5, 5, 7, None, 8]
    assert held[2] == [5, 5, 9, None, 9]
    assert empty[0] == [1_062]  # nothing before it, nothing missing


def test_no_database_and_no_database_of_ours_are_one_line(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no such database"):
        history.ribbon(tmp_path / "tailgrain.db", 10)
    (tmp_path / "other.db").write_bytes(b"x" * 5000)
    with pytest.raises(StoreError, match="can't be read"):
        history.marks(tmp_path / "other.db", 10)


def test_two_hours_are_read_in_time_while_the_writer_writes(database: Path, eventually: Callable[..., Any]) -> None:
    add(database, *((1, n, 1_000_000 + n, 40.0 + n % 7) for n in range(8_000)))
    stop = threading.Event()
    written = [0]

    def write() -> None:
        connection = sqlite3.connect(database, isolation_level=None)
        while not stop.is_set():
            row = (9_000 + written[0], 1_009_000)
            connection.execute("INSERT INTO second (run, number, t, state) VALUES (1, ?, ?, 'idle')", row)
            written[0] += 1
        connection.close()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        eventually(lambda: written[0] > 5)
        began = time.monotonic()
        found = history.ribbon(database, 120)
        assert time.monotonic() - began < history.LIMIT_S
        assert len(found["t"]) > 700
    finally:
        stop.set()
        writer.join()

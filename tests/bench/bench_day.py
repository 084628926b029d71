"""A 12-hour day (432,000 count sentences) replayed, beside the bare reading of the same file."""

from __future__ import annotations

import statistics
import time
from binascii import crc_hqx
from collections.abc import Callable
from pathlib import Path

import pytest

from edge.contract import settings
from edge.feed import capture
from edge.feed.assembler import Assembler
from edge.playback.replay import replay
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import write_capture
from tests.bench import results

COMMAND = "make bench ARGS='-k bench_day'"
RUNS = 3
pytestmark = pytest.mark.timeout(600)


def bare(path: Path) -> int:
    """Split, CRC, int: the least that any reader of the file must do."""
    good = 0
    with path.open("rb") as stream:
        for line in stream:
            _, _, text = line.partition(b" ")
            if text[:1] == b"!":
                continue
            body, _, crc = text[1:-1].rpartition(b"*")
            if crc_hqx(body, 0xFFFF) != int(crc, 16):
                continue
            fields = body.split(b",")
            if fields[0] == b"TGC":
                [int(field) for field in fields[5:]]
                int(fields[2]), int(fields[3]), int(fields[4], 16)
                good += 1
    return good


def feed_alone(path: Path) -> int:
    assembler = Assembler(frozenset([4]))
    seconds = 0
    for stamp_ms, text in capture.read(path):
        closed = assembler.advance(stamp_ms)[1] if text[:1] == b"!" else assembler.take(stamp_ms, text)
        seconds += len(closed)
    return seconds


def cost_s(work: Callable[[], object]) -> float:
    """Median processor seconds of a few runs; other programs on the machine count less so."""
    times = []
    for _ in range(RUNS):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return statistics.median(times)


def test_a_day_replayed(tmp_path):
    scenario = load("paddock").with_(seed=1, minutes=720)
    path = tmp_path / "day.tgcap"
    lines = write_capture(Simulation(scenario), path, 1_790_000_000)
    config = settings.parse(scenario.settings_toml())
    sentences = bare(path)
    assert sentences >= 432_000
    least, feed, whole = cost_s(lambda: bare(path)), cost_s(lambda: feed_alone(path)), cost_s(lambda: replay(path, config))
    rows = [
        ("bare reading (split, crc_hqx, int)", f"{least:.2f}", "1"),
        ("feed alone (closed seconds)", f"{feed:.2f}", f"{feed / least:.1f}"),
        ("replay (figures with intervals, alerts, summary)", f"{whole:.2f}", f"{whole / least:.1f}"),
    ]
    table = results.table(("what", "processor seconds", "times the bare reading"), rows)
    text = f"{lines:,} lines, {sentences:,} count sentences; median of {RUNS} runs each."
    results.write("A 12-hour day replayed", COMMAND, [text, table])

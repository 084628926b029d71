"""How fast a kit is back after a cut, as its own process, with a large database; how much it writes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from edge.keep import health
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.daemons import Ear, Kit, eventually_online
from tests.kits.stores import START_S, grow, opened, rows, settle
from tests.kits.tools import wait_until

BACK_WITHIN_S = 3.0
MOST_MB_AN_HOUR = 100.0
"""Measured: 50 MB handed to the system, 70 MB in whole pages of the disk (tests/bench/bench_survival.py)."""


def written_bytes(pid: int) -> int:
    """What a process made the disk write (proc(5), io)."""
    fields = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    return int(fields["write_bytes"])


def waited_s(pid: int) -> float:
    """How long a process was ready but other programs had the processors (proc(5), schedstat, second field); 0: not told."""
    try:
        return int(Path(f"/proc/{pid}/schedstat").read_text().split()[1]) / 1e9
    except OSError:
        return 0.0


@pytest.mark.slow_ok
def test_a_kit_is_back_within_three_seconds_of_a_cut_with_weeks_in_its_database(tmp_path, mosquitto):
    store = opened(tmp_path / "state")
    grow(store, 250_000)
    for number in range(2000):
        store.record("minute", START_S * 1000, {"filler": "x" * 600, "n": number})
        store.record("entry", START_S * 1000, {"entry": "note", "note": f"{number}"})
    settle(store)
    store.close()  # without the end of its run: as a cut leaves it
    assert store.path.stat().st_size > 3 * health.CHECKED_AT_START
    paddock = load("paddock").with_(seed=2, minutes=None, operator=())
    feed = PtyFeed(Simulation(paddock), 1.0)
    config = tmp_path / "kit.toml"
    config.write_text(paddock.settings_toml(port=feed.port, mqtt_port=mosquitto.port, store=str(tmp_path / "state")))
    ear = Ear(mosquitto.port)
    assert ear.connected.wait(10)
    took = []
    try:
        with feed:
            feed.start()
            for _ in range(2):
                began = time.monotonic()
                with (tmp_path / "log").open("ab") as log:
                    process = subprocess.Popen(
                        [sys.executable, "-m", "edge", "run", "--config", str(config)],
                        stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                    )  # fmt: skip
                try:
                    took.append(eventually_online(ear, "kit1", began, within=20) - began)
                    wait_until(lambda began=began: ear.heard("kit1/live", began), 10, "figures")
                finally:
                    os.kill(process.pid, signal.SIGKILL)
                    process.wait()
    finally:
        ear.close()
    assert min(took) < BACK_WITHIN_S
    assert rows(store.path, "SELECT count(*) FROM run") == [(3,)]
    assert not list(store.path.parent.glob("*.damaged-*"))


def test_a_kit_at_ten_lines_a_second_and_seven_inputs_writes_little(tmp_path, mosquitto, nursery):
    paddock = load("paddock").with_(seed=3, minutes=None, operator=())
    feed = PtyFeed(Simulation(paddock), 1.0)
    toml = paddock.settings_toml(port=feed.port, mqtt_port=mosquitto.port, store=str(tmp_path / "state"))
    kit = Kit(nursery, tmp_path / "kit", toml.replace(str(tmp_path / "state"), str(tmp_path / "kit" / "state")))
    try:
        kit.start()
        with feed:
            feed.start()
            wait_until(lambda: kit.query("SELECT count(*) FROM second") not in ([], [(0,)], [(1,)]), 15, "measuring")
            assert kit.pid is not None
            began, before = kit.query("SELECT count(*) FROM second")[0][0], written_bytes(kit.pid)
            wait_until(lambda: kit.query("SELECT count(*) FROM second")[0][0] >= began + 6, 20, "six more seconds")
            seconds, wrote = kit.query("SELECT count(*) FROM second")[0][0] - began, written_bytes(kit.pid) - before
        if wrote == 0:
            pytest.skip("this file system does not count what is written")
        assert wrote / seconds * 3600 / 1e6 < MOST_MB_AN_HOUR
    finally:
        kit.kill()

"""How fast a kit is back after a cut, as its own process, with a large database; how much it writes."""

from __future__ import annotations

import time

import pytest

from edge.keep import health
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.ears import Ear, eventually_online
from tests.kits.faults.forked import ForkedKit
from tests.kits.faults.proc import written_bytes
from tests.kits.faults.stores import START_S, grow, opened, settle
from tests.kits.kit import Program, rows
from tests.kits.tools import wait_until

BACK_WITHIN_S = 3.0
MOST_MB_AN_HOUR = 100.0
"""Measured: 50 MB handed to the system, 70 MB in whole pages of the disk (tests/bench/bench_survival.py)."""


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
                program = Program("run", "--config", str(config), log=tmp_path / "log")
                try:
                    took.append(eventually_online(ear, "kit1", began, within=20) - began)
                    wait_until(lambda began=began: ear.heard("kit1/live", began), 10, "figures")
                finally:
                    program.stop(kill=True)
    finally:
        ear.close()
    assert min(took) < BACK_WITHIN_S
    assert rows(store.path, "SELECT count(*) FROM run") == [(3,)]
    assert not list(store.path.parent.glob("*.damaged-*"))


def test_a_kit_at_ten_lines_a_second_and_seven_inputs_writes_little(tmp_path, mosquitto, nursery):
    paddock = load("paddock").with_(seed=3, minutes=None, operator=())
    feed = PtyFeed(Simulation(paddock), 1.0)
    toml = paddock.settings_toml(port=feed.port, mqtt_port=mosquitto.port, store=str(tmp_path / "state"))
    kit = ForkedKit(nursery, tmp_path / "kit", toml.replace(str(tmp_path / "state"), str(tmp_path / "kit" / "state")))
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

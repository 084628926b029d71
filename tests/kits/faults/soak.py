"""Simulated hours through a real kit at full speed: a clean line, and the same hours with faults on every scale."""

from __future__ import annotations

import dataclasses
import os
import threading
import time
from pathlib import Path
from typing import Any, NamedTuple

from edge.contract.settings import MqttSettings
from edge.tell.ask import Asker
from sim_feed.parameters.structs import Restart
from sim_feed.run.scenario import Scenario, Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.faults.forked import ForkedKit, Nursery
from tests.kits.faults.proc import resident_kb
from tests.kits.tools import wait_until

EPOCH_S = 1_793_600_000


class PatientFeed(PtyFeed):
    """The kernel moves what was written to the reader's side a little later: an empty line must stay empty for a while,
    or an entry overtakes counts that were sent before it."""

    def _drained(self) -> bool:
        pause = threading.Event()
        for _ in range(10):
            if not super()._drained():
                return False
            pause.wait(0.002)
        return True


class Soaked(NamedTuple):
    """What came out: hectares, grain on the ground in kg, resident kB and open files seen along the way."""

    area_ha: float
    loss_kg: float
    seconds: int
    resident_kb: list[int]
    files: list[int]
    took_s: float
    restarts: int


def scenario(seed: int, minutes: float, faulty: bool) -> Scenario:
    """A paddock with its tray tests; with faults: lines lost, damaged, cut, doubled, foreign ones, silences, restarts."""
    paddock = load("paddock").with_(seed=seed, minutes=minutes)
    paddock = dataclasses.replace(paddock, sensors=dataclasses.replace(paddock.sensors, nmea=True))
    if not faulty:
        return paddock
    total_s = 60 * minutes
    restarts = tuple(Restart(at_s=float(at), down_s=1.2) for at in range(700, int(total_s), 900))
    silent = tuple((float(at), float(at) + 3.0) for at in range(1000, int(total_s), 1300))
    gps = tuple((float(at), float(at) + 60.0) for at in range(500, int(total_s), 600))
    faults = dataclasses.replace(
        paddock.faults, lost=0.03, damaged=0.01, cut_short=0.003, duplicated=0.01, foreign=0.002, overlong=0.001,
        restarts=restarts, line_silent=silent, gps_silent=gps, counters_start=4_294_966_000, uptime_start_ms=4_294_667_296,
        seq_start=65_000,
    )  # fmt: skip
    return dataclasses.replace(paddock, faults=faults)


def soak(nursery: Nursery, folder: Path, broker_port: int, one: Scenario, within_s: float) -> Soaked:
    """Play a scenario through a kit and look at its memory and files ten times on the way."""
    feed = PatientFeed(Simulation(one), "max")
    kit = ForkedKit(nursery, folder, one.settings_toml(port=feed.port, mqtt_port=broker_port, store=str(folder / "state")))
    refused: list[dict[str, Any]] = []
    asker = Asker(MqttSettings(port=broker_port), "kit1")

    def enter(entry: dict[str, Any], _: int) -> None:
        answer = asker.ask(entry)
        if not answer["ok"]:
            refused.append(answer)

    kit.start(EPOCH_S)
    began = time.monotonic()
    resident, files = [], []
    total_ms = round(60_000 * (one.minutes or 0))
    try:
        wait_until(lambda: ": open" in kit.log, 15, "the line open")
        wait_until(lambda: "connected" in kit.log, 15, "the broker reached")
        feed.on_entry = enter
        feed.start()
        for part in range(1, 11):
            wait_until(lambda part=part: feed.ms >= part * total_ms / 10 - 100, within_s, f"part {part} of ten")
            resident.append(resident_kb(kit.pid))
            files.append(len(os.listdir(f"/proc/{kit.pid}/fd")))
        assert feed.join(within_s)
        down_s = 2 * len(one.faults.restarts)  # stamps by the board's time stand still while it is down
        last = EPOCH_S + (total_ms + one.faults.uptime_start_ms) // 1000 - 3 - down_s
        wait_until(lambda: kit.query("SELECT max(t) FROM second")[0][0] >= last, 30, "the last seconds kept")
        took = time.monotonic() - began
        kit.stop()
        assert "ended cleanly" in kit.log and "Traceback" not in kit.log
    finally:
        kit.kill()
        feed.close()
        asker.close()
    assert refused == []
    area, loss, seconds = 0.0, 0.0, 0
    for kg_ha, m2 in kit.query("SELECT loss_kg_ha, area_m2 FROM second"):
        seconds += 1
        area += m2 / 10_000
        loss += (kg_ha or 0.0) * m2 / 10_000
    restarts = kit.query("SELECT count(*) FROM record WHERE kind = 'restart'")[0][0]
    return Soaked(area, loss, seconds, resident, files, took, restarts)

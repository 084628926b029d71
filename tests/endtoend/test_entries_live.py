"""Gauge checks, guard rails, samples, loads and part widths told to a running kit by `tailgrain entry`: what the answer says,
what the figures do, and the same again by `replay` of the recording. Real broker, real pty, real database."""

from __future__ import annotations

import json
import queue
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.contract import settings
from edge.keep.store import FILE_NAME
from edge.playback.replay import replay
from tests.kits.broker import Broker
from tests.kits.settings import WHEAT, WIRED, kit_toml, places
from tests.kits.tools import wait_until
from tests.tell.test_broker_road import Board

EPOCH = 1_790_000_000
KIT = kit_toml(
    WIRED, cut_width_m=10.0, kit="kit7", fan="cross-flow", sieve_guards=["bottom-6-cross-flow"],
    crop={**WHEAT, "yield_t_ha": 2.5, "price_per_t": 240, "trash_discount": 3.0, "cracked_discount": 1.5},
)  # fmt: skip


class Kit:
    """`tailgrain run` on a board that sends as fast as it is read, with a person at the command line."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        self.folder, self.board = folder, Board()
        self.config, self.log, self.database = folder / "kit.toml", folder / "run.log", folder / "state" / FILE_NAME
        self.config.write_text(KIT + places(self.board.port, broker.port, folder / "state"))
        self.runs = 0
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def recording(self) -> Path:
        return self.folder / f"run{self.runs}.tgcap"

    def start(self) -> None:
        self.runs += 1
        options = ["--record", str(self.recording), "--stamps", f"board={EPOCH}"]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "edge", "run", "--config", str(self.config), *options],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        wait_until(lambda: "open" in self.log.read_text(), 20, "the port is open")

    def work(self, seconds: int) -> None:
        """So many seconds of work, read and kept."""
        for _ in range(0, seconds, 50):
            self.board.send(50)
            last = EPOCH + self.board.seq - 1
            wait_until(lambda last=last: self.query("SELECT coalesce(max(t), 0) FROM second")[0][0] >= last, 20, "work is kept")

    def told(self, **entry: Any) -> list[str]:
        """The lines that `tailgrain entry` prints."""
        done = subprocess.run(
            [sys.executable, "-m", "edge", "entry", json.dumps(entry), "--config", str(self.config)],
            capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=40, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        if not self.database.exists():
            return [(0,)]
        with closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)) as connection:
            return connection.execute(sql).fetchall()

    def learned(self) -> dict[str, Any]:
        found = self.query("SELECT body FROM record WHERE kind = 'learned' ORDER BY seq DESC LIMIT 1")
        return dict(json.loads(found[0][0]))

    def stop(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(timeout=20) == 0, self.log.read_text()

    def end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.board.close()


@pytest.fixture
def kit(tmp_path: Path, mosquitto: Broker) -> Iterator[Kit]:
    made = Kit(tmp_path, mosquitto)
    made.start()
    yield made
    made.end()


def retained(broker: Broker, topic: str) -> dict[str, Any]:
    """The retained message of a topic."""
    heard: queue.Queue[bytes] = queue.Queue()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: heard.put(message.payload)
    client.connect(broker.host, broker.port)
    client.subscribe(topic, 1)
    client.loop_start()
    try:
        return dict(json.loads(heard.get(timeout=10)))
    finally:
        client.loop_stop()
        client.disconnect()


def test_a_gauge_check_is_kept_used_and_answered_with_the_guard_rail(kit: Kit) -> None:
    kit.work(50)
    gauge = {"entry": "gauge", "sieve": "bottom", "readout_mm": 4, "measured_mm": [5.0, 5.4], "opened_to_mm": 20}
    lines = kit.told(**gauge)
    assert lines[0].startswith("kept as number ") and lines[1] == "  gap = readout + 1.2 mm"
    assert "guard rail: bottom sieve 6 mm or more over a cross-flow fan" in lines[2]
    assert "(common practice for some builds); the bottom sieve is at 5.2 mm" in lines[2]
    assert lines[2].endswith("to go on, say why in the note: override bottom-6-cross-flow: ...")

    overridden = kit.told(**gauge, note="override bottom-6-cross-flow: the manual allows 5 mm in this crop")
    assert overridden[2].endswith("overridden: the manual allows 5 mm in this crop")
    notes = kit.query("SELECT json_extract(body, '$.note') FROM record WHERE kind = 'entry' ORDER BY seq")
    assert notes == [(None,), ("override bottom-6-cross-flow: the manual allows 5 mm in this crop",)]

    # Used live: a readout set later stands for the gap that the gauge checks expect.
    assert kit.told(entry="setting", what="bottom_sieve_mm", to=7)[1] == "  gap expected by the gauge checks: 8.2 mm"
    kit.stop()
    kit.start()
    assert kit.told(entry="setting", what="bottom_sieve_mm", to=3)[1] == "  gap expected by the gauge checks: 4.2 mm"
    kit.stop()


def test_samples_loads_and_part_widths_live_are_those_of_the_replay(kit: Kit, mosquitto: Broker) -> None:
    kit.work(100)
    tray = {"entry": "tray", "trays": [{"mass_g": 2.0, "length_m": 1, "width_m": 5}], "residue_width_m": 5}
    kit.told(**tray, at=EPOCH + 60)
    kit.told(entry="sample", trash_pct=2.0, cracked_pct=1.0)
    kit.work(50)
    kit.told(entry="load", t=1.2)
    kit.told(entry="width_used", part=0.5)
    kit.work(100)
    kit.stop()
    live = retained(mosquitto, "tailgrain/kit7/live")
    seconds: list[dict[str, Any]] = []
    again = kit.folder / "again.db"
    summary = replay(kit.recording, settings.load(kit.config), again, seconds.append)
    assert seconds[-1] == live

    # 1.2 t from 150 s x 2 m/s x 10 m is 4 t/ha less the first and the still open second; half the width: 3.6 ha/h.
    (load_ha,) = kit.query(f"SELECT sum(area_m2) / 10000 FROM second WHERE t < {EPOCH + 150}")[0]
    tank_t_ha = 1.2 / load_ha
    assert live["area_rate_ha_h"] == pytest.approx(3.6)
    assert live["value"]["quality_h"] == pytest.approx((2 * 3 + 1 * 1.5) * tank_t_ha * 3.6, rel=0.01)
    assert live["value"]["loss_h"] == live["loss"]["value_h"] == pytest.approx(live["loss"]["t_h"] * 240)
    assert "pct from typed yield" not in live["flags"]
    lost = live["loss"]["kg_ha"]
    assert live["loss"]["pct"] == pytest.approx(100 * lost / (1000 * tank_t_ha + lost), rel=0.01)
    assert summary["value"]["total_ha"] == pytest.approx(7.5 * tank_t_ha + 0.24 * summary["loss"]["kg_ha"], rel=0.01)
    records = "SELECT kind, at_ms, body FROM record WHERE kind IN ('learned', 'minute') ORDER BY seq"
    for sql in ("SELECT * FROM second ORDER BY number", records):
        with closing(sqlite3.connect(again)) as connection:
            assert kit.query(sql) == connection.execute(sql).fetchall()


def test_a_load_after_a_restart_counts_the_ground_since_the_last_one(kit: Kit) -> None:
    kit.work(100)
    kit.told(entry="load", t=1.0)
    kit.work(50)
    kit.stop()
    kit.start()
    kit.work(50)
    kit.told(entry="load", t=0.9)
    kit.stop()
    (whole_ha,) = kit.query("SELECT sum(area_m2) / 10000 FROM second")[0]
    assert kit.learned()["loads"] == [pytest.approx(1.9), pytest.approx(whole_ha, rel=0.02)]
    assert kit.learned()["yield_t_ha"] == pytest.approx(1.9 / whole_ha, rel=0.02)

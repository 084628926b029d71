"""Gauge checks, guard rails, samples, loads and part widths told to a running kit by `tailgrain entry`: what the answer says,
what the figures do, and the same again by `replay` of the recording. Real broker, real pty, real database."""

from __future__ import annotations

import json
import queue
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.playback.replay import replay
from tests.kits.board import field_board
from tests.kits.broker import Broker
from tests.kits.kit import Kit
from tests.kits.settings import WHEAT, WIRED, kit_toml, places

EPOCH = 1_790_000_000
KIT = kit_toml(
    WIRED, cut_width_m=10.0, kit="kit7", fan="cross-flow", sieve_guards=["bottom-6-cross-flow"],
    crop={**WHEAT, "yield_t_ha": 2.5, "price_per_t": 240, "trash_discount": 3.0, "cracked_discount": 1.5},
)  # fmt: skip


class WorkedKit(Kit):
    """A kit on a board that sends as fast as it is read, with a person at the command line."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        board = field_board()
        super().__init__(folder, KIT + places(board.port, broker.port, folder / "state"), board)
        self.runs = 0

    @property
    def recording(self) -> Path:
        return self.folder / f"run{self.runs}.tgcap"

    def go(self) -> None:
        self.runs += 1
        self.start(EPOCH, self.recording)

    def work(self, seconds: int) -> None:
        """So many seconds of work, read and kept."""
        for _ in range(0, seconds, 50):
            self.board.send(50)
            self.until_kept(EPOCH + self.board.seq - 1)

    def entered(self, **entry: Any) -> list[str]:
        """The lines that `tailgrain entry` prints."""
        return self.command("entry", json.dumps(entry)).stdout.splitlines()

    def learned(self) -> dict[str, Any]:
        return self.bodies("learned")[-1]

    def halt(self) -> None:
        assert self.stop() == 0, self.log


@pytest.fixture
def kit(tmp_path: Path, mosquitto: Broker) -> Iterator[WorkedKit]:
    made = WorkedKit(tmp_path, mosquitto)
    made.go()
    yield made
    made.close()


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


def test_a_gauge_check_is_kept_used_and_answered_with_the_guard_rail(kit: WorkedKit) -> None:
    kit.work(50)
    gauge = {"entry": "gauge", "sieve": "bottom", "readout_mm": 4, "measured_mm": [5.0, 5.4], "opened_to_mm": 20}
    lines = kit.entered(**gauge)
    assert lines[0].startswith("kept as number ") and lines[1] == "  gap = readout + 1.2 mm"
    assert "guard rail: bottom sieve 6 mm or more over a cross-flow fan" in lines[2]
    assert "(common practice for some builds); the bottom sieve is at 5.2 mm" in lines[2]
    assert lines[2].endswith("to go on, say why in the note: override bottom-6-cross-flow: ...")

    overridden = kit.entered(**gauge, note="override bottom-6-cross-flow: the manual allows 5 mm in this crop")
    assert overridden[2].endswith("overridden: the manual allows 5 mm in this crop")
    notes = kit.query("SELECT json_extract(body, '$.note') FROM record WHERE kind = 'entry' ORDER BY seq")
    assert notes == [(None,), ("override bottom-6-cross-flow: the manual allows 5 mm in this crop",)]

    # Used live: a readout set later stands for the gap that the gauge checks expect.
    assert kit.entered(entry="setting", what="bottom_sieve_mm", to=7)[1] == "  gap expected by the gauge checks: 8.2 mm"
    kit.halt()
    kit.go()
    assert kit.entered(entry="setting", what="bottom_sieve_mm", to=3)[1] == "  gap expected by the gauge checks: 4.2 mm"
    kit.halt()


def test_samples_loads_and_part_widths_live_are_those_of_the_replay(kit: WorkedKit, mosquitto: Broker) -> None:
    kit.work(100)
    tray = {"entry": "tray", "trays": [{"mass_g": 2.0, "length_m": 1, "width_m": 5}], "residue_width_m": 5}
    kit.entered(**tray, at=EPOCH + 60)
    kit.entered(entry="sample", trash_pct=2.0, cracked_pct=1.0)
    kit.work(50)
    kit.entered(entry="load", t=1.2)
    kit.entered(entry="width_used", part=0.5)
    kit.work(100)
    kit.halt()
    live = retained(mosquitto, "tailgrain/kit7/live")
    seconds: list[dict[str, Any]] = []
    again = kit.folder / "again.db"
    summary = replay(kit.recording, kit.settings, again, seconds.append)
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


def test_a_load_after_a_restart_counts_the_ground_since_the_last_one(kit: WorkedKit) -> None:
    kit.work(100)
    kit.entered(entry="load", t=1.0)
    kit.work(50)
    kit.halt()
    kit.go()
    kit.work(50)
    kit.entered(entry="load", t=0.9)
    kit.halt()
    (whole_ha,) = kit.query("SELECT sum(area_m2) / 10000 FROM second")[0]
    assert kit.learned()["loads"] == [pytest.approx(1.9), pytest.approx(whole_ha, rel=0.02)]
    assert kit.learned()["yield_t_ha"] == pytest.approx(1.9 / whole_ha, rel=0.02)


def test_a_slip_is_taken_back_live_after_a_restart_and_in_the_replay_of_the_recording(kit: WorkedKit, mosquitto: Broker) -> None:
    tray = {"entry": "tray", "residue_width_m": 5, "trays": [{"mass_g": 2.0, "length_m": 1, "width_m": 1.0}]}
    kit.work(100)
    kit.entered(**tray, at=EPOCH + 60)
    kit.work(50)
    asked = kit.command("entry", json.dumps({**tray, "trays": [{"mass_g": 2.0, "length_m": 1, "width_m": 50}]}), check=False)
    assert asked.returncode == 2 and "50 m" in asked.stderr
    slip = {**tray, "trays": [{"mass_g": 2.0, "length_m": 1, "width_m": 50}], "sure": True}
    seq = int(kit.entered(**slip, at=EPOCH + 110)[0].removeprefix("kept as number ").split()[0].rstrip(".,"))
    kit.work(50)
    factor = retained(mosquitto, "tailgrain/kit7/live")["calibration"]["factor_mg_per_pulse"]
    refused = kit.command("entry", json.dumps({"entry": "strike_out", "seq": 9999, "why": "x"}), check=False)
    assert refused.returncode == 2 and "seq: found 9999" in refused.stderr
    kit.entered(entry="strike_out", seq=seq, why="50 was typed for 0.50")
    kit.work(50)
    live = retained(mosquitto, "tailgrain/kit7/live")
    assert live["calibration"]["tests"] == 1 and live["calibration"]["factor_mg_per_pulse"] != factor
    kit.halt()
    recorded = kit.recording.read_text().splitlines()
    [struck] = [json.loads(line.split("!", 1)[1]) for line in recorded if "strike_out" in line]
    assert struck["n"] == 2 and "seq" not in struck
    seconds: list[dict[str, Any]] = []
    replay(kit.recording, kit.settings, kit.folder / "again.db", seconds.append)
    assert seconds[-1]["calibration"]["factor_mg_per_pulse"] == live["calibration"]["factor_mg_per_pulse"]
    kit.go()
    kit.work(50)
    again = retained(mosquitto, "tailgrain/kit7/live")["calibration"]
    assert (again["factor_mg_per_pulse"], again["tests"]) == (live["calibration"]["factor_mg_per_pulse"], 1)
    kit.halt()

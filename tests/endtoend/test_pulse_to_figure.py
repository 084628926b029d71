"""The whole road on real parts: simulated harvester -> pty -> `run` -> SQLite on disk, equal to `replay` of its recording."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from edge.contract import settings
from edge.playback.replay import replay
from sim_feed.run.scenario import Scenario, Simulation, load
from sim_feed.sending.emit import PtyFeed, write_capture
from tests.kits.kit import Kit, rows
from tests.kits.tools import wait_until

EPOCH = 1_790_000_000
SAME = ("second", "counts")


def kit_of(folder: Path, port: str, broker_port: int, scenario: Scenario) -> Kit:
    return Kit(folder, scenario.settings_toml(port=port, mqtt_port=broker_port, store=str(folder / "state")))


def numbered(database: Path, table: str) -> list[tuple]:
    return rows(database, f"SELECT * FROM {table} ORDER BY run, number")


def records(database: Path, kinds: tuple[str, ...]) -> list[tuple]:
    marks = ",".join("?" * len(kinds))
    return rows(database, f"SELECT kind, at_ms, body FROM record WHERE kind IN ({marks}) ORDER BY seq", *kinds)


def test_live_from_a_pty_equals_the_replay_of_its_recording_digit_for_digit(tmp_path, mosquitto):
    scenario = load("paddock").with_(seed=11, minutes=16)
    sooner = tuple(replace(one, at_s=540.0) if one.setting is not None else one for one in scenario.operator if one.at_s < 1000)
    scenario = scenario.with_(operator=sooner)
    recording = tmp_path / "run.tgcap"
    answers: list[dict] = []
    kits: list[Kit] = []
    feed = PtyFeed(Simulation(scenario), "max", on_entry=lambda entry, ms: answers.append(kits[0].tell(entry)))
    kit = kit_of(tmp_path, feed.port, mosquitto.port, scenario)
    kits.append(kit)
    try:
        kit.start(EPOCH, recording)
        feed.start()
        assert feed.join(50)
        kit.until_kept(EPOCH + feed.ms // 1000 - 1)
        assert kit.stop() == 0, kit.log
    finally:
        feed.close()
        kit.kill()
    assert feed.error is None
    assert answers and all(answer["ok"] for answer in answers), answers

    again = tmp_path / "again.db"
    summary = replay(recording, kit.settings, store=again)
    for table in SAME:
        assert numbered(kit.database, table) == numbered(again, table)
    same = (
        "entry", "calibration", "tray window", "minute", "alert", "learned", "hello", "job opening", "job figures", "no data",
        "verdict", "advice", "good set",
    )  # fmt: skip
    assert records(kit.database, same) == records(again, same)
    assert {"verdict", "advice"} <= {kind for kind, _, _ in records(again, same)}
    assert summary["tests"] and all(test["used"] for test in summary["tests"])
    assert summary["calibration"]["state"] == "good"


def test_arrival_stamps_live_equal_the_replay_up_to_the_recording_s_end(tmp_path, mosquitto):
    scenario = load("paddock").with_(seed=12, minutes=1)
    recording = tmp_path / "run.tgcap.gz"
    feed = PtyFeed(Simulation(scenario), 12.0)
    kit = kit_of(tmp_path, feed.port, mosquitto.port, scenario)
    try:
        kit.start(record=recording)
        feed.start()
        assert feed.join(30)
        wait_until(lambda: len(kit.query("SELECT number FROM second")) >= 4, 10, "seconds kept")
        assert kit.stop() == 0
    finally:
        feed.close()
        kit.kill()
    again = tmp_path / "again.db"
    replay(recording, kit.settings, store=again)
    for table in SAME:
        replayed = numbered(again, table)
        assert len(replayed) >= 4
        assert numbered(kit.database, table)[: len(replayed)] == replayed


@pytest.mark.parametrize("block", range(2))
def test_truth_lies_in_the_90_percent_interval_in_at_least_17_of_20_seeds(tmp_path, block):
    """Twenty seeds in two blocks of ten, so that each stays under the time limit; 17 of 20 is 8 and 9, judged together."""
    inside = [_truth_is_inside(tmp_path, seed) for seed in range(100 + 10 * block, 110 + 10 * block)]
    results = Path(os.environ.get("PYTEST_TMP_SEEDS", tmp_path)) / f"seeds{block}"
    results.write_text(str(sum(inside)))
    assert sum(inside) >= (8, 9)[block]


def _truth_is_inside(folder: Path, seed: int) -> bool:
    scenario = load("paddock").with_(seed=seed, minutes=20)
    simulation = Simulation(scenario)
    path = folder / f"{seed}.tgcap"
    write_capture(simulation, path, EPOCH)
    config = settings.parse(scenario.settings_toml())
    loss = replay(path, config)["loss"]
    truth = simulation.truth_summary()["loss_kg_ha"]
    return bool(loss["low"] <= truth <= loss["high"])

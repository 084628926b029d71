"""Forty minutes over a bad line give the same area and loss as over a clean one."""

from __future__ import annotations

import dataclasses

import pytest

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.feed.capture import read
from edge.keep.store import Store
from edge.playback.replay import replay
from sim_feed.parameters.structs import Restart
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import write_capture


@pytest.mark.parametrize("seed", [1, 2])
def test_lost_and_damaged_sentences_and_a_restart_change_area_and_loss_by_less_than_one_percent(tmp_path, seed):
    clean = load("paddock").with_(seed=seed, minutes=40)
    bad = clean.with_(
        faults=dataclasses.replace(clean.faults, lost=0.05, damaged=0.02, restarts=(Restart(at_s=1500.0, down_s=1.2),))
    )
    results = []
    for name, scenario in (("clean", clean), ("bad", bad)):
        path = tmp_path / f"{name}.tgcap"
        write_capture(Simulation(scenario), path, 1_790_000_000)
        results.append(replay(path, settings.parse(scenario.settings_toml())))
    whole, broken = results
    assert broken["lines"]["bad_crc"] > 300 and broken["lines"]["missing"] > 1000 and broken["lines"]["restarts"] == 1
    assert broken["area_ha"] == pytest.approx(whole["area_ha"], rel=0.01)
    assert broken["loss"]["kg_ha"] == pytest.approx(whole["loss"]["kg_ha"], rel=0.01)
    assert broken["calibration"]["tests"] == whole["calibration"]["tests"] == 3


def test_a_tray_answered_before_the_power_went_is_judged_by_the_next_run(tmp_path):
    scenario = load("paddock").with_(seed=1, minutes=4)
    write_capture(Simulation(scenario), tmp_path / "run.tgcap", 1_790_000_000)
    config = settings.parse(scenario.settings_toml())
    store = Store(tmp_path / "kit.db")
    store.begin_run(0, settings.to_plain(config), "test", "0")
    engine = Engine(config, store, Nowhere())
    for stamp_ms, text in read(tmp_path / "run.tgcap"):
        if text[:1] != b"!":
            engine.take_line(stamp_ms, text)
        if stamp_ms == 1_790_000_150_000:
            engine.take_entry(stamp_ms, entries.from_plain({"entry": "tray_mark"}))
    tray = {"entry": "tray", "mark": 1, "trays": [{"length_m": 1, "width_m": 0.5, "mass_g": 3}], "residue_width_m": 9.1}
    engine.take_entry(stamp_ms, entries.from_plain(tray))
    again = Engine(config, Nowhere(), Nowhere())  # no second closed since: its judgement is not on record
    for kind, at_ms, body, seq in store.earlier_records(("entry", "tray window", "calibration", "learned")):
        again.restore(kind, at_ms, body, seq)
    store.close()
    again.reckoner.finish(stamp_ms)
    assert [test.used for test in again.reckoner.calibration.tests] == [True]

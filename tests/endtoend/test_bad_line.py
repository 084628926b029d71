"""Forty minutes over a bad line give the same area and loss as over a clean one."""

from __future__ import annotations

import dataclasses

import pytest

from edge import settings
from edge.replay import replay
from sim_feed.emit import write_capture
from sim_feed.parameters import Restart
from sim_feed.scenario import Simulation, load


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

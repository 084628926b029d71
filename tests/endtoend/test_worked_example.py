"""The contract's worked example, exact: lines by kind, pulses by input, distance."""

import json
from pathlib import Path

import pytest

from edge.contract import settings
from edge.playback.replay import replay

RECORDINGS = Path(__file__).parent.parent / "recordings"


@pytest.fixture(scope="module")
def played():
    loaded = settings.load(RECORDINGS / "worked_example.toml")
    seconds = []
    summary = replay(RECORDINGS / "worked_example.tgcap.gz", loaded, on_second=seconds.append)
    return summary, seconds


@pytest.fixture(scope="module")
def expected():
    return json.loads((RECORDINGS / "worked_example.expected.json").read_text())


def test_sentences_by_kind_are_exact(played, expected):
    assert played[0]["lines"] == expected["lines"]


def test_raw_pulses_by_input_are_exact(played, expected):
    assert played[0]["pulses"] == expected["pulses"]


def test_distance(played, expected):
    assert played[0]["distance_m"] == pytest.approx(expected["distance_m"], abs=0.05)


def test_time_with_the_front_down(played, expected):
    seconds = played[0]["seconds"]
    assert seconds["working"] + seconds["filling"] == pytest.approx(expected["seconds_front_down_about"], abs=2)


def test_area_follows_from_the_distance_with_the_front_down(played):
    # 9.1 m of cut at about 1.78 m/s for about 424 s
    assert played[0]["area_ha"] == pytest.approx(0.6865, abs=0.0005)


def test_fan_speed(played, expected):
    speeds = [second["shafts"]["fan"] for second in played[1][10:]]
    assert sorted(speeds)[len(speeds) // 2] == pytest.approx(expected["fan_rpm_about"], rel=0.01)


def test_one_tray_test_gives_a_rough_calibration_from_its_moment_on(played):
    seconds = played[1]
    by_time = {second["t"]: second for second in seconds}
    assert by_time["2026-05-28T20:29:15.000Z"]["loss"]["kg_ha"] is None
    after = by_time["2026-05-28T20:29:16.000Z"]
    assert after["calibration"]["state"] == "rough"
    assert after["loss"]["low"] < after["loss"]["kg_ha"] < after["loss"]["high"]


def test_loss_is_given_while_working_and_filling_only(played):
    for second in played[1]:
        assert (second["loss"] is not None) == (second["state"] in ("working", "filling"))


def test_every_second_is_output_once(played):
    times = [second["t"] for second in played[1]]
    assert len(times) == len(set(times)) == 479

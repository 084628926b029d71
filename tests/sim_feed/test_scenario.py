"""Scenario files are read strictly; the owner's settings file parses and describes the kit."""

from __future__ import annotations

import dataclasses
import tomllib

import pytest

from sim_feed.parameters.errors import ScenarioError
from sim_feed.parameters.structs import MachineParameters
from sim_feed.run.scenario import Scenario, load, names


def test_delivered_scenarios_load_by_name_and_are_frozen() -> None:
    assert names() == ["bad_line", "harvest", "paddock", "walkers"]
    for name in names():
        scenario = load(name)
        assert scenario.name == name
        with pytest.raises(dataclasses.FrozenInstanceError):
            scenario.seed = 5  # type: ignore[misc]


def test_with_changes_only_what_is_named() -> None:
    scenario = load("paddock")
    assert scenario.with_(seed=9).minutes == 30.0
    assert scenario.with_(seed=9).seed == 9
    assert scenario.with_(minutes=5).seed == scenario.seed
    assert scenario.with_(minutes=None).minutes is None
    assert scenario.with_() == scenario
    with pytest.raises(ScenarioError, match="minutes"):
        scenario.with_(minutes=0)


def test_a_file_is_loaded_by_path(tmp_path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('seed = 4\nminutes = 3\n[crop]\nname = "oats"\n')
    scenario = load(path)
    assert (scenario.name, scenario.seed, scenario.minutes, scenario.crop.name) == ("mine", 4, 3.0, "oats")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("sede = 1", r"unknown key 'sede'; did you mean 'seed'"),
        ("[crop]\nyeld_t_ha = 1.0", r"\.crop: unknown key 'yeld_t_ha'; did you mean 'yield_t_ha'"),
        ("seed = 'one'", r"\.seed: found 'one', int is wanted"),
        ("[crop]\ntgw_g = true", r"\.crop\.tgw_g: found True, float is wanted"),
        ("[crop]\ntgw_g = -3.0", r"crop\.tgw_g: found -3\.0, more than 0"),
        ("crop = 3", r"\.crop: found 3, a table is wanted"),
        ("[drive]\nturn_s = [1.0]", r"turn_s: found 1 values, 2 are wanted"),
        ("[sensors]\nplates = [{ side = 'left' }]", r"plates\[0\]: the key 'point' is missing"),
        ("[sensors]\nplates = [{ point = 'front', side = 'left' }]", "plates"),
        ("[sensors]\ndispersion = 0.5", "dispersion"),
        ("[faults]\nlost = 1.5", "chances"),
        ("[machine.start]\nfan = 900.0", "machine"),
        ("[machine]\nreturns_delay_s = 1.0", "returns_delay_s"),
        ("[[operator]]\nat_s = 5", "found nothing, exactly one of"),
        ("[[operator]]\nat_s = 5\nidle_run = 3\nload = {}", "found load, idle_run, exactly one of"),
        ("[[operator]]\nat_s = 5\nsetting = { what = 'fan_rpm' }", "setting"),
        ("[[operator]]\nat_s = 5\ntray = { catches = 'all' }", "catches"),
        ("minutes = ", "no valid TOML"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path, text: str, says: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError, match=says) as caught:
        load(path)
    assert "\n" not in str(caught.value).strip()
    assert "bad.toml" in str(caught.value)


def test_missing_files_and_names_are_said() -> None:
    with pytest.raises(ScenarioError, match="there are bad_line, harvest, paddock, walkers"):
        load("padock")
    with pytest.raises(ScenarioError, match="can't be read"):
        load("/nowhere/at_all.toml")


@pytest.mark.parametrize("name", ["bad_line", "harvest", "paddock", "walkers"])
def test_settings_parse_and_describe_the_kit(name: str) -> None:
    scenario = load(name)
    text = scenario.settings_toml(port="/dev/pts/7", mqtt_port=18830, store="/tmp/store", dashboard_port=8123)
    settings = tomllib.loads(text)
    assert settings["machine"]["cut_width_m"] == scenario.machine.cut_width_m
    assert settings["machine"]["separator"] == scenario.machine.separator
    assert settings["serial"] == {"port": "/dev/pts/7"}
    assert settings["mqtt"] == {"port": 18830}
    assert settings["store"] == {"path": "/tmp/store"}
    assert settings["dashboard"] == {"port": 8123}
    inputs = settings["input"]
    assert [each["at"] for each in inputs] == list(range(len(inputs)))
    losses = [each for each in inputs if each["reads"] == "loss"]
    assert [(each["point"], each["side"]) for each in losses] == [(p.point, p.side) for p in scenario.sensors.plates]
    assert all(each["dead_time_us"] == scenario.sensors.dead_time_us for each in losses)
    assert [each["reads"] for each in inputs][len(losses) :][:3] == ["beam", "ground", "shaft"]
    assert {(each["bit"], each["means"]) for each in settings["level"]} == {(0, "front down"), (1, "threshing on")}
    assert len(inputs) == (9 if name == "walkers" else 7)


def test_settings_leave_out_what_is_not_given() -> None:
    settings = tomllib.loads(load("paddock").settings_toml())
    assert not {"serial", "mqtt", "store", "dashboard"} & set(settings)


def test_settings_quote_any_text() -> None:
    name = 'An "older" \\ machine\u00e9\x7f\n'
    scenario = Scenario("x", machine=MachineParameters(name=name))
    assert tomllib.loads(scenario.settings_toml(store="C:\\x"))["machine"]["name"] == name

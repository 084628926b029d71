"""`tailgrain check` on a real pty: what arrives, input by input, and the guided tap test."""

from __future__ import annotations

import json

import pytest

from edge import check as check_module
from edge.errors import AnswerBad
from sim_feed.emit import PtyFeed
from sim_feed.scenario import Simulation, load


@pytest.fixture
def kit(tmp_path, monkeypatch):
    monkeypatch.setattr(check_module, "LISTEN_S", 1.5)
    monkeypatch.setattr(check_module, "TAP_S", 0.5)
    scenario = load("paddock").with_(seed=5, minutes=60)
    feed = PtyFeed(Simulation(scenario), 60.0)
    config = tmp_path / "kit.toml"
    config.write_text(scenario.settings_toml(port=feed.port, mqtt_port=1, store=str(tmp_path)))
    yield feed, config
    feed.close()


def test_every_input_is_shown_with_what_arrives(kit, capsys):
    feed, config = kit
    feed.start()
    assert check_module.check(config, as_json=True) == 0
    answer = json.loads(capsys.readouterr().out)
    assert [row["at"] for row in answer["inputs"]] == list(range(7))
    assert answer["lines"]["good"] > 100
    by_name = {row["reads"]: row for row in answer["inputs"]}
    assert 800 < by_name["shaft, fan"]["value"] < 1100
    assert {level["means"]: level["on"] for level in answer["levels"]}["threshing on"] is True


def test_the_tap_test_shows_its_cautions_first_and_each_sensor(kit, capsys):
    feed, config = kit
    feed.start()
    asked = []

    def yes(question: str) -> bool:
        asked.append((question, capsys.readouterr().out))
        return True

    check_module.check(config, as_json=False, ask=yes)
    assert len(asked) == 5  # whether to begin, then four loss sensors
    assert "engine off, key out" in asked[1][1]
    assert "separator sensor, left" in asked[1][0]


def test_a_silent_line_is_a_bad_answer(kit):
    _, config = kit
    with pytest.raises(AnswerBad, match="no good sentence"):
        check_module.check(config, as_json=True)

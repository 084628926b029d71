"""Advice on the whole road from pulses: a simulated machine, its counter's sentences, tray tests, entries, verdicts, advice."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from edge.contract import entries, settings
from edge.engine.engine import Earlier, Engine, Nowhere
from edge.judge.verdict.course import Course
from sim_feed.parameters.structs import Planned
from sim_feed.run.scenario import Simulation, load

EPOCH = 1_790_000_000
TESTED = (
    Planned(at_s=29, idle_run=20.0),
    Planned(at_s=100, tray={"catches": "both"}),
    Planned(at_s=220, tray={"catches": "both"}),
    Planned(at_s=340, tray={"catches": "both"}),
    Planned(at_s=420, entry={"entry": "sample", "cracked_pct": 0.8, "trash_pct": 0.3}),
)


class Heard(Nowhere):
    """Keeps what was recorded and what was told."""

    def __init__(self) -> None:
        super().__init__()
        self.advice: list[dict[str, Any]] = []
        self.verdicts: list[dict[str, Any]] = []
        self.records: list[tuple[str, int, dict[str, Any]]] = []

    def state(self, name: str, message: dict[str, Any] | None) -> None:
        if name in ("advice", "verdict") and message is not None:
            (self.advice if name == "advice" else self.verdicts).append(message)

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "", binds: bool = False) -> None:
        self.records.append((kind, at_ms, body))


def machine(minutes: float, fan_rpm: float, *plan: Planned, **losses: float) -> Simulation:
    """A simulated machine with its fan at so many rpm, calibrated in the first minutes, on an even piece of ground."""
    scenario = load("paddock").with_(seed=21, minutes=minutes, operator=(*TESTED, *plan))
    start = {"fan_rpm": fan_rpm}
    even = replace(scenario.crop, drift_log_sd=0.02, yield_log_sd=0.05, toughness_log_sd=0.05)
    return Simulation(replace(scenario, crop=even, machine=replace(scenario.machine, start=start, **losses)))


def drive(engine: Engine, simulation: Simulation) -> None:
    for tick in simulation:
        for line in tick.lines:
            engine.take_line(None, line.rstrip(b"\n"))
        for plain in tick.entries:
            engine.take_entry(None, entries.from_plain(plain))
    engine.finish()


def kit(heard: Heard, simulation: Simulation, epoch: int = EPOCH) -> Engine:
    return Engine(settings.parse(simulation.scenario.settings_toml()), heard, heard, epoch * 1000)


@pytest.fixture(scope="module")
def day() -> tuple[Heard, Engine]:
    """A fan that blows kernels out; slowed at a quarter of an hour, as advised."""
    heard = Heard()
    simulation = machine(45, 1000.0, Planned(at_s=900, setting={"what": "fan_rpm", "to": 930.0}))
    engine = kit(heard, simulation)
    drive(engine, simulation)
    return heard, engine


def test_a_fan_that_blows_out_is_named_with_the_figures_that_led_to_it(day: tuple[Heard, Engine]) -> None:
    first = day[0].advice[0]
    assert first["rule"] == "less-air-blowing-out" and first["kind"] == "step"
    assert (first["step"]["what"], first["step"]["direction"], first["step"]["size"]) == ("fan_rpm", "less", "first")
    assert first["data"]["cleaning_kg_ha"] > 30 and first["data"]["cleaning_share"] > 0.5
    assert first["data"]["trash_pct"] == 0.3 and "trash in the tank is 0.3 %" in first["seen"]
    assert first["worth_ha"] > 0 and first["caution"] and first["basis"] and "operator's manual" in first["caution"]


def test_a_step_is_waited_for_and_what_its_verdict_praised_is_not_asked_for_again(day: tuple[Heard, Engine]) -> None:
    heard, engine = day
    at = next(i for i, one in enumerate(heard.advice) if one["kind"] == "wait")
    assert at == 1 and "its verdict isn't in yet" in heard.advice[at]["seen"]
    assert heard.verdicts[-1]["verdict"] == "better" and heard.verdicts[-1]["setting"] == 1
    later = [one["step"] for one in heard.advice[at + 1 :] if one["step"] is not None]
    assert later and all((step["what"], step["direction"]) != ("fan_rpm", "more") for step in later)
    asked = engine.watch.compare(1)
    assert heard.verdicts[-1]["after"]["minutes"] == pytest.approx(asked["after"]["minutes"], abs=1.0)
    kept = [body for kind, _, body in heard.records if kind == "advice"]
    assert kept == heard.advice, "what is told is kept"


def test_a_step_that_showed_nothing_is_followed_by_the_larger_one() -> None:
    """The operator enters a step that the machine never made."""
    heard = Heard()
    told = {"entry": "setting", "what": "fan_rpm", "from": 1000, "to": 950}
    simulation = machine(45, 1000.0, Planned(at_s=900, entry=told))
    drive(kit(heard, simulation), simulation)
    assert heard.verdicts[-1]["verdict"] == "no detectable change"
    last = heard.advice[-1]
    assert (last["rule"], last["step"]["what"], last["step"]["size"]) == ("less-air-blowing-out", "fan_rpm", "larger")
    assert "The first step showed nothing: this is the larger one." in last["words"]


def test_a_step_that_made_it_worse_goes_back() -> None:
    heard = Heard()
    simulation = machine(30, 860.0, Planned(at_s=900, setting={"what": "fan_rpm", "to": 1000.0}))
    engine = kit(heard, simulation)
    drive(engine, simulation)
    assert heard.verdicts[-1]["verdict"] == "worse"
    over = [one for one in engine.alerts if one.rule == "loss-over-limit" and one.state == "raised"]
    assert over and "Leave the settings" in over[0].action, "no alert calls for a change while one waits for its verdict"
    last = heard.advice[-1]
    assert (last["kind"], last["step"]["what"], last["step"]["from"], last["step"]["to"]) == ("back", "fan_rpm", 1000.0, 860.0)
    assert last["data"]["verdict"] == "worse" and last["data"]["ratio"] > 1.2


def test_a_good_machine_is_left_alone_and_its_settings_are_offered_the_next_morning() -> None:
    heard = Heard()
    set_up = Planned(at_s=60, entry={"entry": "setting", "what": "concave_mm", "to": 18})
    simulation = machine(26, 870.0, set_up, separator_loss_pct=0.25, cleaning_loss_pct=0.15)
    drive(kit(heard, simulation), simulation)
    last = heard.advice[-1]
    assert (last["rule"], last["kind"], last["step"]) == ("nothing-to-chase", "hold", None)
    assert "Nothing is worth chasing now" in last["words"] and last["data"]["cost.loss"] > 0
    pages = [body for kind, _, body in heard.records if kind == "good set"]
    assert pages and pages[-1]["crop"] == "wheat" and pages[-1]["settings"]["concave_mm"] == 18
    assert pages[-1]["loss_kg_ha"] < 30 and pages[-1]["sample"] == {"cracked_pct": 0.8, "trash_pct": 0.3}

    for hours, kind in ((14, "book"), (0.5, None)):
        next_run, begun = Heard(), EPOCH + 26 * 60 + int(hours * 3600)
        simulation = machine(6, 870.0)
        engine = kit(next_run, simulation, begun)
        for one in heard.records:
            engine.restore(*one)
        nothing: list[dict[str, Any]] = []
        engine.take_up(Earlier(EPOCH + 1560, Course(engine.reckoner.names), EPOCH + 1550, 1400, nothing), begun * 1000)
        drive(engine, simulation)
        kinds = [one["kind"] for one in next_run.advice]
        assert ("book" in kinds) == (kind == "book"), f"{hours} h later: {kinds}"
        if kind == "book":
            offered = next_run.advice[0]
            assert offered["settings"]["concave_mm"] == 18 and "Start from:" in offered["words"]
            assert not np.isnan(offered["data"]["good.loss_kg_ha"])

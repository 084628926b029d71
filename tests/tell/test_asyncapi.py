"""The AsyncAPI file is what the code says, holds together, and describes the real messages of a running kit to the last key.

Structure by the AsyncAPI specification 3.0.0: what is required, how channels, messages and operations refer to each other.
Real messages come from `tailgrain run` on a pty through mosquitto; schemas are closed here, so that no key goes undescribed.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import paho.mqtt.client as paho
import pytest
import yaml

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.engine.streams import STREAMS
from edge.judge.advice.advise import advise
from edge.judge.advice.situation import Situation, Tried
from edge.judge.speed.guidance import guidance
from edge.judge.watch import Watch
from edge.tell import schemas, topics
from edge.tell.asyncapi import as_yaml, document
from edge.tell.client import new_client
from sim_feed.parameters.structs import Blind, Planned, Restart
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.ears import part_with
from tests.kits.kit import Kit
from tests.kits.tools import wait_until

FILE = Path(__file__).parents[2] / "edge" / "tell" / "asyncapi.yaml"
EPOCH = 1_790_000_000
DOCUMENT: dict[str, Any] = json.loads(json.dumps(document()))
REF = "#/components/schemas/"


def closed(schema: Any) -> Any:
    """The schema with every described object closed, and references turned to definitions of one file."""
    if isinstance(schema, list):
        return [closed(one) for one in schema]
    if not isinstance(schema, dict):
        return schema.replace(REF, "#/$defs/") if isinstance(schema, str) else schema
    found = {key: closed(one) for key, one in schema.items()}
    if isinstance(found.get("properties"), dict) and "additionalProperties" not in found and "type" in found:
        found["additionalProperties"] = False
    return found


DEFINITIONS = closed(DOCUMENT["components"]["schemas"])


def check(name: str, message: Any) -> None:
    """Raises for a message that a closed schema does not allow."""
    schema = {"$defs": DEFINITIONS, "$ref": f"#/$defs/{name}"}
    jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker()).validate(message)


def schema_of(topic: str) -> str:
    """The schema of a topic below the base, by the channels of the document."""
    for channel in DOCUMENT["channels"].values():
        pattern = re.sub(r"\\\{[a-z]+\\\}", "[^/]+", re.escape(channel["address"]))
        if re.fullmatch(pattern, topic):
            return next(iter(channel["messages"]))
    pytest.fail(f"no channel for the topic {topic}")


# ---------------------------------------------------------------------------------------- the document


def test_the_file_is_what_the_code_says() -> None:
    assert FILE.read_text(encoding="utf-8") == as_yaml(document()), "run: python -m edge.tell.asyncapi > edge/tell/asyncapi.yaml"


def test_the_file_is_yaml_of_the_same_document() -> None:
    assert yaml.safe_load(FILE.read_text(encoding="utf-8")) == DOCUMENT


def test_what_the_specification_requires_is_there() -> None:
    assert DOCUMENT["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= DOCUMENT["info"].keys()
    for server in DOCUMENT["servers"].values():
        assert {"host", "protocol"} <= server.keys()
        assert set(re.findall(r"\{(\w+)\}", server["host"])) == server["variables"].keys()
    for channel in DOCUMENT["channels"].values():
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == channel["parameters"].keys()
    for operation in DOCUMENT["operations"].values():
        assert operation["action"] in ("send", "receive")
        for message in operation["messages"]:
            assert message["$ref"].startswith(operation["channel"]["$ref"] + "/messages/")


def test_every_reference_leads_somewhere() -> None:
    def walk(value: Any) -> None:
        if isinstance(value, dict):
            if "$ref" in value:
                at: Any = DOCUMENT
                for step in value["$ref"].removeprefix("#/").split("/"):
                    at = at[step]
            for one in value.values():
                walk(one)
        elif isinstance(value, list):
            for one in value:
                walk(one)

    walk(DOCUMENT)


def test_every_topic_has_its_quality_of_service_and_retention() -> None:
    told = {name: one["bindings"]["mqtt"] for name, one in DOCUMENT["operations"].items()}
    assert {name for name, one in told.items() if not one["retain"]} == {"minute", "entry", "ask", "preview"}
    assert {name for name, one in told.items() if one["qos"] == 0} == {"live", "guidance"}
    assert DOCUMENT["operations"]["ask"]["action"] == "receive"
    for name, message in (("ask", "Answer"), ("preview", "Preview")):
        assert DOCUMENT["operations"][name]["reply"]["channel"] == {"$ref": "#/channels/answer"}
        assert DOCUMENT["operations"][name]["reply"]["messages"] == [{"$ref": f"#/channels/answer/messages/{message}"}]
    names = {one.name for one in vars(topics).values() if isinstance(one, topics.Topic)}
    described = {one["address"].removeprefix("tailgrain/{kit}/") for one in DOCUMENT["channels"].values()}
    assert {name for name in names if not any(one == name or one.startswith(f"{name}/") for one in described)} == set()


def test_the_schemas_are_schemas() -> None:
    jsonschema.Draft202012Validator.check_schema({"$defs": DEFINITIONS})


# the contract's own example of a live object, and messages spoilt in one place
LIVE = {
    "t": "2026-09-21T10:00:00.000Z", "state": "working", "speed_kmh": 7.2, "area_rate_ha_h": 6.5,
    "loss": {"kg_ha": 41.2, "low": 33.0, "high": 50.1, "pct": 1.4, "t_h": 0.27, "value_h": 81.0, "over_limit_p": 0.12},
    "points": {"separator": {"kg_ha": 25.0, "low": 19.0, "high": 31.5, "left_share": 0.52}},
    "pulses_per_s": {"separator": 31.0}, "returns": {"pct": 34.0, "t_h": None}, "shafts": {"fan": 862.0, "rotor": None},
    "calibration": {"state": "good", "factor_mg_per_pulse": {"separator": 1456.0}, "tests": 3, "age_s": 5400, "why": ""},
    "position": {"lat": None, "lon": None}, "flags": ["half-blind cleaning", "pct from typed yield"], "limit_kg_ha": 60.0,
    "width_used": 1.0, "lag": None,
}  # fmt: skip


def test_a_live_object_as_the_contract_has_it_passes() -> None:
    check("Live", LIVE)
    check("Live", {**LIVE, "loss": None, "state": "turning"})
    check("Live", {**LIVE, "limit_basis": "pct", "limit_pct": 1.1})
    check("Live", {**LIVE, "limit_basis": None, "limit_pct": None})


def test_messages_of_a_kit_without_a_stream_that_was_added_still_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    probe = STREAMS[1]._replace(name="probe_hz", published="probe.hz", unit="1/s", sql="REAL")
    monkeypatch.setattr(schemas, "STREAMS", (*STREAMS, probe))
    schema = schemas.all_schemas()["Live"]
    assert "probe" in schema["properties"]
    assert "probe" not in schema["required"]


@pytest.mark.parametrize(
    "spoilt",
    [
        {"state": "resting"}, {"speed_kmh": "7.2"}, {"loss": {"kg_ha": 41.2}}, {"flags": ["all is well"]}, {"extra": 1},
        {"limit_basis": "t_ha"}, {"limit_pct": "1.1"},
        {"points": {"front": {}}}, {"shafts": {"fan": "fast"}}, {"calibration": {**LIVE["calibration"], "tests": -1}},
    ],
)  # fmt: skip
def test_a_spoilt_live_object_is_refused(spoilt: dict[str, Any]) -> None:
    with pytest.raises(jsonschema.ValidationError):
        check("Live", {**LIVE, **spoilt})


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("Presence", {"online": True}),
        ("Question", {"id": "a b", "entry": {"entry": "note", "note": "x"}}),
        ("Question", {"id": "a", "entry": {"entry": "load"}, "more": 1}),
        ("KeptEntry", {"entry": "note", "note": "x"}),
        ("Entry", {"entry": "setting", "what": "fan_rpm"}),
        ("Answer", {"id": "a", "ok": False}),
        ("Alert", {"rule": "no-such-rule"}),
        ("Guidance", {"kmh": None}),
    ],
)
def test_messages_that_lack_what_is_required_are_refused(name: str, message: Any) -> None:
    with pytest.raises(jsonschema.ValidationError):
        check(name, message)


# ---------------------------------------------------------------------------------------- real messages


class Ear:
    """Hears every topic of one kit."""

    def __init__(self, config: settings.Settings) -> None:
        self.heard: dict[str, list[Any]] = defaultdict(list)
        self.client = new_client(config.mqtt, "tailgrain-test-ear")
        self.client.on_connect = lambda client, *_: client.subscribe("tailgrain/#", qos=1)
        self.client.on_message = self._on_message
        self.client.connect(config.mqtt.host, config.mqtt.port)
        self.client.loop_start()

    def _on_message(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        self.heard[message.topic].append(json.loads(message.payload))

    def kinds(self) -> set[str]:
        return {schema_of(topic) for topic in list(self.heard)}

    def close(self) -> None:
        part_with(self.client)


ENTRIES: list[dict[str, Any]] = [
    {"entry": "gauge", "sieve": "bottom", "readout_mm": 10, "measured_mm": [11.5, 12.0], "opened_to_mm": 16},
    {"entry": "tray_mark"},
    {"entry": "sample", "cracked_pct": 1.2, "trash_pct": 0.5},
    {"entry": "returns_look", "clean_grain": "some", "chaff": "none"},
    {"entry": "setting", "what": "bottom_sieve_mm", "from": 10, "to": 12},
    {"entry": "limit", "loss_kg_ha": 1, "returns_pct": None},
    {"entry": "limit", "loss_kg_ha": 1, "returns_pct": None, "sure": True},
    {"entry": "ack", "alert": "clock-stepped"},
]


def test_every_message_of_a_running_kit_is_described(tmp_path, mosquitto) -> None:
    """A kit with a blind plate, a board restart, tray tests and entries; presence, live, minutes, alerts, entries, answers."""
    scenario = load("paddock").with_(seed=5, minutes=12)
    faults = replace(scenario.faults, blind=(Blind("cleaning", "left", 200.0),), restarts=(Restart(300.0),))
    plan = (*scenario.operator, Planned(620.0, setting={"what": "fan_rpm", "to": 900.0}))
    scenario = scenario.with_(faults=faults, operator=plan)
    kits: list[Kit] = []
    answers: list[dict[str, Any]] = []

    def tell(entry: dict[str, Any]) -> None:
        answers.append(kits[0].tell(entry))

    feed = PtyFeed(Simulation(scenario), "max", on_entry=lambda entry, ms: tell(entry))
    kit = Kit(tmp_path, scenario.settings_toml(port=feed.port, mqtt_port=mosquitto.port, store=str(tmp_path / "state")))
    kits.append(kit)
    ears = [Ear(kit.settings)]
    ear = ears[0]
    try:
        kit.start(EPOCH)
        feed.start()
        assert feed.join(45), kit.log
        for entry in ENTRIES:
            tell(entry)
        wanted = {"Presence", "Live", "Minute", "Alert", "KeptEntry", "Question", "Answer", "Verdict", "Guidance", "Advice"}
        wait_until(lambda: wanted <= ear.kinds(), 10, f"all kinds of messages; heard {ear.kinds()}")
        base = topics.base(kit.settings.machine.kit)
        wait_until(lambda: len(ear.heard[f"{base}minute"]) >= 11, 10, "the minutes")
        open_ones = {topic for topic, said in ear.heard.items() if "/alert/" in topic and said[-1]["state"] != "cleared"}
        assert open_ones
        mosquitto.stop()  # it keeps nothing: what is retained afterwards the kit has said again
        mosquitto.start()
        late = Ear(kit.settings)
        ears.append(late)
        kept = {f"{base}presence", f"{base}live", *open_ones}
        wait_until(lambda: kept <= late.heard.keys(), 20, "all that is retained, after the broker's restart")
        assert all(late.heard[topic][-1] == ear.heard[topic][-1] for topic in open_ones)
        assert kit.stop() == 0, kit.log
        wait_until(lambda: late.heard[f"{base}presence"][-1] == {"online": False}, 5, "the goodbye")
    finally:
        feed.close()
        for each in ears:
            each.close()
        kit.kill()
    assert feed.error is None
    assert [answer["ask_again"] for answer in answers if "ask_again" in answer] == [True], "the limit, until it was meant"
    assert sum(answer["ok"] for answer in answers) >= len(answers) - 2, "but for that only the acknowledgement may be refused"
    heard = 0
    for topic, messages in [item for each in ears for item in each.heard.items()]:
        for message in messages:
            check(schema_of(topic), message)
            heard += 1
    assert heard > 50, "live keeps the newest second only, so their number varies"
    rules = {message["rule"] for topic, messages in ear.heard.items() if "/alert/" in topic for message in messages}
    assert {"input-silent", "half-blind"} <= rules


def test_verdicts_guidance_and_advice_as_they_are_made(tmp_path) -> None:
    """From a simulated hour with one setting change, and from situations that reach every kind of advice."""
    scenario = load("paddock").with_(seed=3, minutes=34)
    config = settings.parse(scenario.settings_toml())
    engine = Engine(config, Nowhere(), Nowhere(), EPOCH * 1000)
    watch = Watch(engine.reckoner)
    hear = engine.reckoner.step
    words: list[dict[str, Any]] = []

    def step(second):
        figures = hear(second)
        watch.step(second, figures)
        if second.t % 30 == 0:
            words.append(guidance(figures))
        return figures

    engine.reckoner.step = step
    for tick in Simulation(scenario):
        for line in tick.lines:
            engine.take_line(None, line.rstrip(b"\n"))
        for plain in tick.entries:
            entry = entries.from_plain(plain)
            engine.take_entry(None, entry)
            watch.learn(entry, engine.assembler.stamp_ms)
    due = watch.due()
    assert due is not None
    n, verdict = due
    check("Verdict", {**json.loads(json.dumps(verdict)), "setting": n})
    assert words
    for one in words:
        check("Guidance", json.loads(json.dumps(one)))


SEEN = Situation(
    crop="wheat", crop_kind="cereal", price_per_t=300.0, yield_t_ha=3.0, limit_kg_ha=60.0, loss_kg_ha=90.0, separator_kg_ha=20.0,
    cleaning_kg_ha=70.0, returns_pct=55.0, minutes=12.0, calibration="good", settings={"fan_rpm": 860.0, "rotor_rpm": 800.0},
    sample={"cracked_pct": 1.0, "trash_pct": 0.4},
)  # fmt: skip
GOOD = {
    "crop": "wheat", "at_s": 1.0, "settings": {"fan_rpm": 900.0}, "loss_kg_ha": 30.0, "returns_pct": None, "sample": {},
    "cost_ha": 9.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "changed"),
    [
        ("step", {}),
        ("back", {"tried": (Tried("fan_rpm", 800.0, 860.0, "worse", 9.0, None, 1.3),)}),
        ("wait", {"tried": (Tried("fan_rpm", 800.0, 860.0),), "minutes": 3.0}),
        ("look", {"alerts": frozenset({"shaft-low/fan"})}),
        ("hold", {"loss_kg_ha": 12.0, "separator_kg_ha": 6.0, "cleaning_kg_ha": 6.0, "returns_pct": 30.0}),
        ("book", {"first_load": True, "good_set": GOOD}),
    ],
)
def test_every_kind_of_advice_is_described(kind: str, changed: dict[str, Any]) -> None:
    advice = advise(replace(SEEN, **changed))
    assert advice is not None and advice.kind == kind
    plain = json.loads(json.dumps(advice.to_plain()))
    check("Advice", plain)
    check("Advice", {**plain, "t": "2026-09-21T10:00:00.000Z"})

"""A real daemon under questions that no dashboard would ask; and what is retained for whoever connects later."""

from __future__ import annotations

import gc
import json

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.contract.errors import TailgrainError
from edge.contract.settings import MqttSettings
from edge.tell.ask import Asker, ask
from tests.kits.board import Board
from tests.kits.drive import KIT
from tests.kits.ears import Listener, part_with
from tests.kits.kit import Kit
from tests.kits.settings import places

TRAY = {"entry": "tray", "trays": [{"length_m": 1, "width_m": 1, "mass_g": 2}], "residue_width_m": 5}
ODD = [
    b"", b"{", b"[]", b"null", b"5", b'"x"', b"{}", b'{"id":"a"}', b'{"id":5,"entry":{}}', b'{"id":"a b","entry":{}}',
    b'{"id":"' + b"x" * 65 + b'","entry":{}}', b'{"id":"a/b","entry":{"entry":"note","note":"x"}}', b"\xff\xfe", b"[" * 10_000,
    b'{"id":"z","entry":' + b"[" * 500 + b"]" * 500 + b"}", b'{"id":"nan","entry":{"entry":"width_used","part":NaN}}',
    b"x" * 30_000,
]  # fmt: skip
REFUSED = {
    "none": None, "text": "note", "list": [], "unknown": {"entry": "nothing"}, "key": {"entry": "note", "note": "x", "a": 1},
    "range": {"entry": "width_used", "part": 2}, "mark": {**TRAY, "mark": 9}, "ack": {"entry": "ack", "alert": "no-data/7"},
    "job": {"entry": "job_reopen", "job": 2**70, "note": "x"}, "deep": {"entry": "note", "note": "x", "by": [[[[[[]]]]]]},
    "moment": {"entry": "tray_mark", "at": "yesterday"},
}  # fmt: skip


@pytest.fixture
def kit(tmp_path, mosquitto, eventually):
    """A running kit on a board, its broker reached."""
    board = Board(brought=(1,) * 7, levels=3)
    made = Kit(tmp_path, KIT + places(board.port, mosquitto.port, tmp_path / "state"), board).start()
    eventually(lambda: "connected" in made.log, within=20, what="the kit at its broker")
    yield made
    made.close()


def answer(mqtt: MqttSettings, entry, ask_id: str, eventually) -> dict:
    """The kit's answer, asked again until the kit is up (the same id is kept once)."""

    def asked() -> dict | None:
        try:
            return ask(mqtt, "kit1", entry, ask_id)
        except TailgrainError:
            return None

    return eventually(asked, within=20, what=f"answer to {ask_id}")


def publish(mqtt: MqttSettings, payloads: list[bytes]) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect(mqtt.host, mqtt.port)
    client.loop_start()
    for payload in payloads:
        client.publish("tailgrain/kit1/ask/entry", payload, qos=1).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()


def test_odd_questions_are_passed_over_and_wrong_entries_refused_in_words(kit, eventually):
    mqtt = kit.settings.mqtt
    assert answer(mqtt, {"entry": "note", "note": "up"}, "up", eventually)["ok"] is True
    publish(mqtt, ODD)
    for ask_id, entry in REFUSED.items():
        said = answer(mqtt, entry, ask_id, eventually)
        assert set(said) == {"id", "ok", "why"} and said["id"] == ask_id and said["ok"] is False
        assert said["why"] and "\n" not in said["why"]
        assert answer(mqtt, entry, ask_id, eventually) == said
    first = answer(mqtt, {"entry": "note", "note": "still here"}, "end", eventually)
    assert first["ok"] is True and answer(mqtt, {"entry": "note", "note": "another"}, "end", eventually) == first
    assert kit.alive


def test_a_number_too_large_to_write_is_refused_and_not_the_end_of_the_daemon(kit, eventually):
    mqtt = kit.settings.mqtt
    assert answer(mqtt, {"entry": "note", "note": "up"}, "up", eventually)["ok"] is True
    publish(mqtt, [json.dumps({"id": "large", "entry": {**TRAY, "at": 1_790_000_000, "mark": 2**60}}).encode()])
    ended = eventually(lambda: not kit.alive or _answered(mqtt), within=10)
    assert ended == "answered"


def _answered(mqtt: MqttSettings) -> str:
    try:
        return "answered" if ask(mqtt, "kit1", {"entry": "note", "note": "x"}, "after")["ok"] else ""
    except TailgrainError:
        return ""


def test_who_comes_later_hears_presence_and_the_newest_second_at_once(kit, eventually):
    mqtt = kit.settings.mqtt
    answer(mqtt, {"entry": "note", "note": "up"}, "up", eventually)
    kit.board.send(30)
    heard: dict[str, tuple[dict, bool]] = {}

    def listen() -> bool:
        heard.clear()
        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.on_message = lambda _c, _u, message: heard.update({message.topic: (json.loads(message.payload), message.retain)})
        client.on_connect = lambda *_: client.subscribe("tailgrain/kit1/#", qos=1)
        client.connect(mqtt.host, mqtt.port)
        client.loop_start()
        try:
            eventually(lambda: "tailgrain/kit1/live" in heard, within=10, what="live")
        finally:
            part_with(client)
        return heard["tailgrain/kit1/live"][1]

    eventually(listen, within=20, what="a retained second")
    assert heard["tailgrain/kit1/presence"] == (heard["tailgrain/kit1/presence"][0], True)
    present, live = heard["tailgrain/kit1/presence"][0], heard["tailgrain/kit1/live"][0]
    assert present["online"] is True and set(present) == {"online", "since", "version"}
    assert live["pulses_per_s"] is not None and live["calibration"]["state"] == "none"
    assert not {"tailgrain/kit1/minute", "tailgrain/kit1/entry", "tailgrain/kit1/ask/entry"} & {
        topic for topic, (_, retained) in heard.items() if retained
    }


def test_nothing_of_a_finished_client_waits_for_the_collector(mosquitto):
    """Else its sockets stay open till a ring of references is collected."""

    def clients() -> int:
        return sum(isinstance(thing, paho.Client) for thing in gc.get_objects())

    gc.collect()
    gc.disable()
    try:
        before = clients()
        Listener(mosquitto).close()
        with Asker(MqttSettings(port=mosquitto.port), "kit1"):
            assert clients() == before + 1
        assert clients() == before
    finally:
        gc.enable()

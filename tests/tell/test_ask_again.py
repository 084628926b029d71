"""A slip on its way through a real daemon and broker: asked about, forgotten, meant and kept once; previews beside it."""

from __future__ import annotations

import json
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from edge.playback.replay import replay
from edge.tell import topics
from edge.tell.ask import ask
from edge.tell.asyncapi import document
from tests.kits.board import field_board
from tests.kits.broker import Broker
from tests.kits.kit import Kit
from tests.kits.settings import WHEAT, WIRED, kit_toml, places
from tests.kits.tools import wait_until

EPOCH = 1_790_000_000
SLIP = {"entry": "tray", "trays": [{"mass_g": 2.0, "length_m": 1.0, "width_m": 50}], "residue_width_m": 9.1}
WORDS = "50 m wide? The discharge is 9.1 m. Did you mean 0.50 m?"


class RecordedKit(Kit):
    """A kit on a board that sends as fast as it is read, its lines recorded."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        board = field_board()
        toml = kit_toml(WIRED, cut_width_m=9.1, crop={**WHEAT, "yield_t_ha": 3.0})
        super().__init__(folder, toml + places(board.port, broker.port, folder / "state"), board)
        self.config.write_text(self.config.read_text() + f"[dashboard]\nport = {self.page_port}\n")
        self.recording = folder / "day.tgcap"
        self.start(EPOCH, self.recording)
        wait_until(lambda: "connected" in self.log, 20, "the kit at its broker")
        self.board.send(60)
        self.until_kept(EPOCH + self.board.seq - 1)

    def page(self, path: str, entry: dict[str, Any], ask_id: str) -> dict[str, Any]:
        """An entry by the page's road."""
        body = json.dumps({"id": ask_id, "entry": entry, "waited_s": 0}).encode()
        headers = {"Content-Type": "application/json", "Origin": self.url}
        with urllib.request.urlopen(urllib.request.Request(self.url + path, body, headers), timeout=10) as answer:
            told: dict[str, Any] = json.loads(answer.read())
        return told

    def asked(self, entry: dict[str, Any], ask_id: str, topic: topics.Topic = topics.ASK) -> dict[str, Any]:
        return ask(self.settings.mqtt, "kit1", entry, ask_id, topic)


@pytest.fixture
def kit(tmp_path: Path, mosquitto: Broker) -> Iterator[RecordedKit]:
    made = RecordedKit(tmp_path, mosquitto)
    yield made
    made.close()


def test_a_slip_is_asked_about_as_often_as_it_comes_and_kept_once_when_it_is_meant(kit: RecordedKit) -> None:
    first = kit.asked(SLIP, "one")
    assert first == {
        "id": "one", "ok": False, "ask_again": True, "why": WORDS,
        "suggest": {"trays": [{"mass_g": 2.0, "length_m": 1.0, "width_m": 0.5}]},
    }  # fmt: skip
    assert kit.asked(SLIP, "one") == first
    assert kit.bodies("entry") == []
    kept = kit.asked({**SLIP, "sure": True}, "one")
    assert kept["ok"] is True
    for again in ({**SLIP, "sure": True}, SLIP):
        assert kit.asked(again, "one") == kept, "it is kept: a repeat asks nothing"
    assert kit.bodies("entry") == [{**SLIP, "sure": True}], "the record says that it was meant"
    mended = kit.asked({**SLIP, **first["suggest"]}, "two")
    assert mended["ok"] is True and mended["seq"] > kept["seq"]
    refused = kit.asked({"entry": "load"}, "three")
    assert refused["ok"] is False and "ask_again" not in refused
    assert kit.asked({"entry": "load", "t": 1.0}, "three") == refused, "a refusal is remembered as ever"


def test_a_preview_answers_at_the_same_address_keeps_nothing_and_is_not_remembered(kit: RecordedKit) -> None:
    limit = {"entry": "limit", "loss_kg_ha": 40}
    told = kit.asked(limit, "seen", topics.PREVIEW)
    assert told["ok"] is True and told["would"]["words"] == ["The limit would be 40 kg/ha."]
    assert told["would"]["in_force"] == {"loss_kg_ha": [None, 40.0]} and told["ask_again"] is False
    slip = kit.asked(SLIP, "seen", topics.PREVIEW)
    assert slip["ask_again"] is True and slip["why"] == WORDS
    refused = kit.asked({"entry": "load"}, "seen", topics.PREVIEW)
    assert set(refused) == {"id", "ok", "why"} and refused["ok"] is False
    schemas = document()["components"]["schemas"]
    for answer in (told, slip, refused):
        jsonschema.validate(answer, {**schemas["Preview"], "components": {"schemas": schemas}})
    assert kit.bodies("entry") == []
    assert kit.asked(limit, "seen")["ok"] is True, "the id is free for the entry itself"
    assert kit.asked(limit, "again", topics.PREVIEW)["would"]["words"] == []


def test_the_command_line_asks_in_one_line_and_keeps_with_sure(kit: RecordedKit) -> None:
    done = kit.command("entry", json.dumps(SLIP), check=False)
    assert done.returncode == 2 and done.stdout == ""
    assert done.stderr.count("\n") == 1 and WORDS in done.stderr and "--sure" in done.stderr
    shown = done.stderr[done.stderr.index("{") : done.stderr.rindex("}") + 1]
    assert json.loads(shown) == {"trays": [{"mass_g": 2.0, "length_m": 1.0, "width_m": 0.5}]}
    told = kit.command("entry", json.dumps(SLIP), "--json", check=False)
    assert told.returncode == 2 and json.loads(told.stdout)["ask_again"] is True
    zeros = kit.command("entry", json.dumps({"entry": "limit", "loss_kg_ha": 0}), check=False)
    assert zeros.returncode == 2 and "{" not in zeros.stderr, "nothing can be guessed"
    assert kit.bodies("entry") == []
    assert kit.command("entry", json.dumps(SLIP), "--sure").stdout.startswith("kept as number")
    assert kit.bodies("entry") == [{**SLIP, "sure": True}]


def test_a_recording_is_replayed_without_a_question_also_where_nobody_was_asked(kit: RecordedKit) -> None:
    kit.asked({**SLIP, "sure": True}, "one")
    kit.board.send(20)
    kit.until_kept(EPOCH + kit.board.seq - 1)
    live = kit.bodies("calibration")
    assert kit.stop() == 0, kit.log
    refused: list[str] = []
    summary = replay(kit.recording, kit.settings, on_refused=refused.append)
    assert refused == [] and summary["lines"]["entries"] == 1 and len(summary["tests"]) == len(live)
    unasked = kit.folder / "older.tgcap"
    unasked.write_bytes(kit.recording.read_bytes().replace(b',"sure":true', b""))
    assert unasked.read_bytes() != kit.recording.read_bytes()
    assert replay(unasked, kit.settings, on_refused=refused.append) == summary and refused == []


def test_the_page_hears_the_question_and_what_an_entry_would_do(kit: RecordedKit) -> None:
    kit.dashboard()
    told = kit.page("/preview", SLIP, "a")
    assert told["ok"] is True and told["ask_again"] is True and told["why"] == WORDS
    asked = kit.page("/ask", SLIP, "b")
    assert (asked["ok"], asked["ask_again"], asked["why"], asked["suggest"]) == (False, True, WORDS, told["suggest"])
    assert "again" not in asked, "the page must not send it again by itself"
    assert kit.bodies("entry") == []
    assert kit.page("/ask", {**SLIP, "sure": True}, "b")["ok"] is True
    assert kit.bodies("entry") == [{**SLIP, "sure": True}]

"""Section 5 of the contract over a real mosquitto, a real pty and a real daemon process."""

from __future__ import annotations

import json
import signal

import pytest

from edge.contract.settings import MqttSettings
from edge.tell.ask import Asker, ask
from tests.kits.board import field_board
from tests.kits.broker import Broker
from tests.kits.ears import BASE, OFFLINE, Listener, online
from tests.kits.kit import Kit
from tests.kits.tools import need_tool, wait_until
from tests.tell.kits import EPOCH, on_board, toml_of


@pytest.mark.parametrize("how", ["kill", "clean"])
def test_presence_is_online_and_turns_offline_at_once_however_the_kit_ends(kit, mosquitto, opened, how):
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    present = listener.last("presence")
    assert set(present) == {"online", "since", "version"} and present["since"].endswith("Z")
    assert listener.of("presence")[-1].qos == 1
    late = opened(Listener(mosquitto))
    wait_until(lambda: late.of("presence"), 5, "the retained presence")
    assert late.of("presence")[0].retain and late.last("presence") == present
    code = kit.end(signal.SIGKILL if how == "kill" else signal.SIGTERM)
    assert code == (-signal.SIGKILL if how == "kill" else 0), kit.log
    wait_until(lambda: listener.last("presence") == OFFLINE, 5, "presence offline")
    assert listener.of("presence")[-1].payload == b'{"online":false}'
    assert len([body for body in listener.bodies("presence") if body == OFFLINE]) == 1  # a clean end leaves no will behind
    after = opened(Listener(mosquitto))
    wait_until(lambda: after.of("presence"), 5, "the retained presence")
    assert after.last("presence") == OFFLINE and after.of("presence")[0].retain


def test_live_is_retained_and_minute_and_entry_carry_the_record_s_number(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    kit.board.send(125)
    wait_until(lambda: len(listener.of("minute")) >= 2, 10, "two minutes")
    first, second = (message for message in listener.of("minute")[:2])
    assert (first.qos, first.retain) == (1, False)
    body = json.loads(second.payload)
    assert set(body) >= {"t", "seq", "seconds", "distance_m", "area_ha", "loss", "points", "returns_pct", "lines"}
    assert sum(body["seconds"].values()) == 60 and body["lines"]["good"] == 60
    assert body["distance_m"] == pytest.approx(60 * 2.0) and body["area_ha"] == pytest.approx(60 * 2.0 * 9 / 10_000)
    answer = ask(MqttSettings(port=mosquitto.port), "kit7", {"entry": "limit", "loss_kg_ha": 60})
    wait_until(lambda: listener.of("entry"), 5, "the entry")
    assert listener.bodies("entry") == [{"entry": "limit", "loss_kg_ha": 60.0, "seq": answer["seq"]}]
    assert listener.of("entry")[0].qos == 1 and not listener.of("entry")[0].retain
    wait_until(lambda: (listener.last("live") or {}).get("t") == "2026-09-21T14:15:24.000Z", 5, "the last closed second")
    late = opened(Listener(mosquitto))
    wait_until(lambda: late.of("live"), 5, "the retained second")
    assert late.of("live")[0].retain and late.of("live")[0].qos == 0
    assert late.last("live") == listener.last("live") and late.last("live")["state"] == "working"
    assert not late.of("minute") and not late.of("entry")
    numbers = [body["seq"] for body in listener.bodies("minute")] + [answer["seq"]]
    assert numbers == kit.told()


def test_what_the_broker_missed_comes_in_order_and_nothing_comes_twice(tmp_path, opened):
    folder = tmp_path / "broker"
    lines = ["persistence true", f"persistence_location {folder}/"]  # so that it keeps the listener's session
    broker = opened(Broker(need_tool("mosquitto"), folder, lines=lines))
    broker.start()
    listener = opened(Listener(broker, session="listener"))
    kit = opened(on_board(tmp_path, field_board(), broker)).start(EPOCH)
    board = kit.board
    wait_until(lambda: online(listener), 10, "presence online")
    board.send(181)
    wait_until(lambda: len(listener.of("minute")) >= 3 and kit.waiting() == 0, 10, "the first minutes told")
    broker.stop()
    board.send(40 * 60)  # more than are sent at once
    wait_until(lambda: kit.waiting() >= 40, 20, "minutes in the outbox")
    broker.start()
    wait_until(lambda: kit.waiting() == 0, 30, "the outbox drained")
    wanted = kit.told()
    assert len(wanted) >= 43
    wait_until(lambda: len(listener.of("minute")) >= len(wanted), 10, "all minutes heard")
    answer = ask(MqttSettings(port=broker.port), "kit7", {"entry": "note", "note": "the broker is back"})
    wait_until(lambda: listener.of("entry"), 5, "an entry after the storm")
    assert [body["seq"] for body in listener.bodies("minute")] == wanted
    assert listener.last("entry")["seq"] == answer["seq"]
    assert listener.last("presence")["online"] is True


def test_what_waited_when_the_power_went_is_told_by_the_next_run(tmp_path, mosquitto, opened):
    kit = opened(on_board(tmp_path, field_board(), mosquitto))
    board = kit.board
    before = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: online(before), 10, "presence online")
    mosquitto.stop()
    board.send(5 * 60 + 1)
    wait_until(lambda: kit.waiting() >= 5, 20, "minutes in the outbox")
    kit.kill()
    wanted = kit.told()
    mosquitto.start()
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: kit.waiting() == 0, 10, "the outbox drained")
    wait_until(lambda: len(listener.of("minute")) >= len(wanted), 5, "all minutes heard")
    assert [body["seq"] for body in listener.bodies("minute")] == wanted


def test_the_same_id_gets_the_same_answer_and_is_kept_once_also_by_the_next_run(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    kit.board.send(3)
    question = {"entry": "tray_mark"}
    with Asker(MqttSettings(port=mosquitto.port), "kit7") as asker:
        first = asker.ask(question, "a-b_C9")
        assert first["ok"] is True and first["id"] == "a-b_C9" and first["mark"] == 1 and isinstance(first["seq"], int)
        assert asker.ask(question, "a-b_C9") == first
        assert asker.ask({"entry": "note", "note": "another entry, the same id"}, "a-b_C9") == first
        refused = asker.ask({"entry": "limit", "loss_kg": 5}, "refused")
        assert asker.ask({"entry": "limit", "loss_kg_ha": 5}, "refused") == refused and refused["ok"] is False
        assert asker.ask(question, "next")["mark"] == 2
    payloads = {bytes(message.payload) for message in listener.of("answer/a-b_C9")}
    assert len(payloads) == 1
    answer = listener.of("answer/a-b_C9")[0]
    assert answer.qos == 1 and not answer.retain
    assert kit.stop() == 0
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online again")
    assert ask(MqttSettings(port=mosquitto.port), "kit7", question, "a-b_C9") == first
    assert kit.query("SELECT count(*) FROM record WHERE kind = 'entry'") == [(2,)]
    wait_until(lambda: len(listener.of("entry")) >= 2, 5, "both entries")
    assert len(listener.of("entry")) == 2


REFUSED = {
    "unknown key": ({"entry": "limit", "loss_kg": 5}, ["loss_kg", "loss_kg_ha"]),
    "unknown kind": ({"entry": "trai"}, ["trai", "tray"]),
    "out of range": ({"entry": "width_used", "part": 1.5}, ["part", "1.5"]),
    "no such mark": (
        {"entry": "tray", "mark": 9, "residue_width_m": 9, "trays": [{"mass_g": 1, "length_m": 1, "width_m": 1}]},
        ["mark", "9"],
    ),
    "no object": ([1, 2], ["object"]),
    "nothing": (None, ["object"]),
}


def test_a_refused_entry_is_answered_in_words_and_nothing_is_kept(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    kit.board.send(3)
    bad_id = b'{"id":"bad id!","entry":{"entry":"tray_mark"}}'
    for odd in (b"no json", b"[]", b"{}", bad_id, b'{"id":7}', b"\xff\xfe", b"[" * 9000):
        listener.publish("ask/entry", odd)  # nobody can be answered; nothing may end
    with Asker(MqttSettings(port=mosquitto.port), "kit7") as asker:
        for name, (entry, words) in REFUSED.items():
            answer = asker.ask(entry, "r-" + name.replace(" ", "-"))
            assert set(answer) == {"id", "ok", "why"} and answer["ok"] is False, name
            assert "\n" not in answer["why"] and all(word in answer["why"] for word in words), answer
        assert kit.query("SELECT count(*) FROM record WHERE kind = 'entry'") == [(0,)]
        assert asker.ask({"entry": "note", "note": "still here"})["ok"] is True
    answered = {message.topic.removeprefix(BASE) for message in listener.heard if "/answer/" in message.topic}
    assert len(answered) <= len(REFUSED) + 1 and "answer/bad id!" not in answered


def test_a_retained_question_of_yesterday_is_not_asked_again(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    listener.publish("ask/entry", {"id": "old", "entry": {"entry": "tray_mark"}}, retain=True)
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    assert ask(MqttSettings(port=mosquitto.port), "kit7", {"entry": "tray_mark"}, "new")["mark"] == 1


def test_an_alert_left_by_an_earlier_run_is_cleared(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    old = {
        "rule": "input-silent", "object": "4", "state": "raised", "severity": "caution", "since": "2026-09-20T10:00:00.000Z",
        "text": "input 4 is silent", "cause": "", "action": "", "value": None, "limit": None,
    }  # fmt: skip
    listener.publish("alert/input-silent/4", old, retain=True)
    listener.publish("alert/loss-over-limit", {**old, "rule": "loss-over-limit", "object": None, "state": "cleared"}, retain=True)
    kit.start(EPOCH)
    wait_until(lambda: (listener.last("alert/input-silent/4") or {}).get("state") == "cleared", 10, "the leftover cleared")
    assert listener.last("alert/input-silent/4") == {**old, "state": "cleared"}
    late = opened(Listener(mosquitto))
    wait_until(lambda: late.of("alert/input-silent/4"), 5, "the retained alert")
    assert late.last("alert/input-silent/4")["state"] == "cleared" and late.of("alert/input-silent/4")[0].retain
    assert len(listener.of("alert/loss-over-limit")) == 1  # what was cleared already is left alone


@pytest.mark.parametrize("mosquitto", [{"username": "kit", "password": "s3cret: with # signs"}], indirect=True)
def test_a_closed_broker_lets_the_kit_in_by_name_and_password_file_only(tmp_path, mosquitto, opened):
    login = {"username": "kit", "password_file": str(mosquitto.password_file)}
    listener = opened(Listener(mosquitto, login=("kit", "s3cret: with # signs")))
    kit = opened(on_board(tmp_path, field_board(), mosquitto, login)).start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    known = MqttSettings(port=mosquitto.port, username="kit", password_file=str(mosquitto.password_file))
    assert ask(known, "kit7", {"entry": "note", "note": "let in"})["ok"] is True
    assert "s3cret" not in kit.log
    stranger = Kit(tmp_path / "stranger", toml_of(kit.board, mosquitto, kit.store))
    done = stranger.command("entry", '{"entry":"note","note":"stranger"}', check=False)
    assert done.returncode == 2 and done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1 and "refused" in done.stderr


def test_a_second_daemon_on_the_same_store_is_refused_with_one_line(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    done = kit.command("run", check=False)
    assert done.returncode == 2 and done.stdout == ""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1 and str(kit.database) in lines[0] and "allowed: one writer" in lines[0]
    assert online(listener) and len(listener.of("presence")) == 1  # the first one noticed nothing
    assert ask(MqttSettings(port=mosquitto.port), "kit7", {"entry": "note", "note": "still writing"})["ok"] is True

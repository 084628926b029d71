"""What stands on the retained topics, and what is judged, after the kit or the broker begins anew: real processes."""

from __future__ import annotations

import json
import signal

import pytest

from edge.playback.blocks import read_database
from tests.kits.ears import Listener, online
from tests.kits.kit import Kit
from tests.kits.tools import wait_until
from tests.tell.kits import EPOCH, on_board

WORKED = {"limits": {"loss_kg_ha": 60}, "alerts": {"tray_overdue_h": 0.15, "gauge_overdue_h": 0.2}}


def send_until(kit: Kit, seconds: int, separator: int) -> None:
    """Work for about so many seconds, so that the newest closed second ends a minute; waits until it is on disk."""
    last = EPOCH + kit.board.seq + seconds
    last -= last % 60
    kit.board.send(last + 1 - EPOCH - kit.board.seq, separator)
    kit.until_kept(last)
    assert kit.last_t() == last


def tell(kit: Kit, **entry: object) -> dict[str, object]:
    answer = kit.tell(entry)
    assert answer["ok"], answer
    return answer


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_an_open_change_goes_on_being_judged_after_a_restart(kit, mosquitto, opened, how):
    kit.start(EPOCH)
    send_until(kit, 600, 31)
    tell(kit, entry="setting", what="rotor_rpm", to=800)
    send_until(kit, 420, 31)
    tell(kit, entry="setting", **{"what": "fan_rpm", "from": 980, "to": 860})
    send_until(kit, 300, 12)
    early = opened(Listener(mosquitto))
    wait_until(lambda: (early.last("verdict") or {}).get("setting") == 2, 10, "the verdict")
    before = early.last("verdict")
    assert before["before"]["minutes"] >= 6 and before["after"]["minutes"] >= 4
    kit.end(how)
    kit.start(EPOCH)
    wait_until(lambda: online(early), 10, "presence")
    wait_until(lambda: early.of("verdict")[-1].payload and len(early.of("verdict")) > 1, 10, "the verdict told again")
    late = opened(Listener(mosquitto))
    wait_until(lambda: late.of("verdict"), 10, "the retained verdict")
    again = late.last("verdict")
    assert late.of("verdict")[0].retain and again["setting"] == 2
    assert again["before"]["minutes"] == pytest.approx(before["before"]["minutes"], abs=0.2)  # a kill may lose a second
    send_until(kit, 300, 12)
    wait_until(lambda: late.last("verdict")["after"]["minutes"] >= before["after"]["minutes"] + 3.5, 10, "more minutes")
    told = late.last("verdict")
    assert told["before"] == pytest.approx(again["before"], nan_ok=True) and told["verdict"] == "better"
    assert "0.6" in f"{told['ratio']:.2f}"  # 12 + 20 pulses after 31 + 20
    kept = json.loads(kit.query("SELECT body FROM record WHERE kind = 'verdict' ORDER BY seq DESC LIMIT 1")[0][0])
    assert kept == told
    asked = {**read_database(kit.database, kit.settings, 2).compare(2), "setting": 2}
    assert asked["words"] == told["words"] and asked["ratio"] == pytest.approx(told["ratio"], rel=1e-9)
    assert asked["high"] == pytest.approx(told["high"], rel=1e-9) and asked["after"] == pytest.approx(told["after"], nan_ok=True)


def test_what_was_acknowledged_or_shelved_stays_so_and_hours_of_work_go_on(tmp_path, kit, mosquitto, opened):
    kit = opened(on_board(tmp_path, kit.board, mosquitto, **WORKED))
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    kit.board.send(30)
    tell(kit, entry="setting", what="mill", to="bypassed")
    send_until(kit, 350, 31)
    wait_until(lambda: listener.last("alert/mill-bypassed"), 10, "the mill alert")
    assert not listener.of("alert/tray-overdue"), "0.15 h of work are not over"
    tell(kit, entry="ack", alert="mill-bypassed")
    kit.stop()
    kit.start(EPOCH)
    send_until(kit, 300, 31)
    wait_until(lambda: listener.last("alert/tray-overdue"), 10, "hours of work of both runs together")
    assert not listener.of("alert/gauge-overdue")
    tell(kit, entry="shelve", alert="tray-overdue", minutes=10)
    wait_until(lambda: listener.last("alert/tray-overdue")["state"] == "shelved", 5, "shelved")
    kit.kill()
    kit.start(EPOCH)
    late = opened(Listener(mosquitto))
    wait_until(lambda: late.of("alert/tray-overdue") and late.of("alert/mill-bypassed"), 10, "both are told again")
    send_until(kit, 180, 31)
    wait_until(lambda: late.last("alert/gauge-overdue"), 10, "hours of work of all three runs")
    assert late.last("alert/gauge-overdue")["state"] == "raised"
    assert {body["state"] for body in late.bodies("alert/mill-bypassed")} == {"acknowledged"}
    assert {body["state"] for body in late.bodies("alert/tray-overdue")} == {"shelved"}
    tell(kit, entry="setting", what="mill", to="engaged")
    send_until(kit, 180, 31)
    wait_until(lambda: late.last("alert/mill-bypassed")["state"] == "cleared", 10, "its condition ended")
    send_until(kit, 600, 31)
    wait_until(lambda: late.last("alert/tray-overdue")["state"] == "raised", 10, "the shelf is over and it still stands")


def test_verdict_and_advice_of_nobody_are_cleared_and_ours_outlive_the_broker(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    for topic in ("verdict", "advice"):
        listener.publish(topic, {"words": "of a kit whose card was changed"}, retain=True)
    kit.start(EPOCH)
    wait_until(lambda: all(not listener.of(topic)[-1].payload for topic in ("verdict", "advice")), 10, "leftovers cleared")
    late = opened(Listener(mosquitto))
    wait_until(lambda: online(late), 10, "presence")
    assert not late.of("verdict") and not late.of("advice")
    send_until(kit, 300, 31)
    tell(kit, entry="setting", **{"what": "fan_rpm", "from": 980, "to": 860})
    send_until(kit, 300, 12)
    wait_until(lambda: late.last("verdict"), 10, "a verdict")
    mosquitto.stop()  # it keeps nothing: what is retained afterwards the kit has said again
    mosquitto.start()
    after = opened(Listener(mosquitto))
    wait_until(lambda: after.of("verdict") and after.of("guidance"), 20, "told again after the broker's restart")
    assert after.last("verdict") == late.last("verdict")
    tell(kit, entry="crop", name="barley")
    send_until(kit, 120, 31)
    wait_until(lambda: not after.of("verdict")[-1].payload, 10, "another crop ends it")

"""From the broker to an open page: the newest value per topic, in time, whoever else is slow."""

from __future__ import annotations

import asyncio
import socket
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import Any

import msgspec
import pytest

from dashboard.serve.live import Hub, age_s

BASE = "tailgrain/kit1/"


class Listening:
    """One open event stream, read by hand."""

    def __init__(self, port: int, receive_bytes: int | None = None, last_id: str = "") -> None:
        self.line = socket.socket()
        if receive_bytes is not None:
            self.line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        self.line.settimeout(10)
        self.line.connect(("127.0.0.1", port))
        last = f"Last-Event-ID: {last_id}\r\n" if last_id else ""
        self.line.sendall(f"GET /events HTTP/1.1\r\nHost: localhost\r\n{last}\r\n".encode())
        self.raw = b""
        self.ready: deque[bytes] = deque()
        self.last_id = ""

    def close(self) -> None:
        self.line.close()

    def next(self) -> dict[str, Any]:
        """The next event (chunk lengths of HTTP/1.1 stand on lines of their own and are passed over)."""
        while not self.ready:
            part = self.line.recv(65536)
            assert part, "the stream has ended"
            *whole, self.raw = (self.raw + part).split(b"\n")
            self.ready.extend(row for row in whole if row.startswith((b"id: ", b"data: ")))
        row = self.ready.popleft()
        if row.startswith(b"id: "):
            self.last_id = row[4:].strip().decode()
            return self.next()
        found: dict[str, Any] = msgspec.json.decode(row[6:])
        return found

    def until(self, topic: str, wanted: Callable[[Any], bool] = lambda value: True) -> dict[str, Any]:
        """The next event of a topic whose value is wanted."""
        while True:
            event = self.next()
            if event["topic"] == topic and wanted(event["value"]):
                return event


@contextmanager
def speaking(server: Any) -> Iterator[Callable[..., None]]:
    client = server.speaker()

    def say(topic: str, value: Any, retain: bool = False) -> None:
        raw = value if isinstance(value, bytes) else msgspec.json.encode(value)
        client.publish(BASE + topic, raw, qos=1, retain=retain).wait_for_publish(5)

    try:
        yield say
    finally:
        client.disconnect()
        client.loop_stop()


def test_a_page_hears_of_the_kit_and_then_what_the_broker_says(server: Any) -> None:
    with closing(Listening(server.port)) as page, speaking(server) as say:
        about = page.until("kit")["value"]
        assert (about["kit"], about["cut_width_m"], about["points"]) == ("kit1", 9.1, ["separator", "cleaning"])
        assert page.until("broker", lambda value: value["connected"])
        say("presence", {"online": True})
        assert page.until("presence")["value"] == {"online": True}
        say("live", {"t": "2026-01-01T00:00:00.000Z", "n": 1.5})
        heard = page.until("live")
        assert heard["value"]["n"] == 1.5
        assert heard["age_s"] < 1  # news is new, whatever its clock says
        say("alert/input-silent/3", {"state": "raised"})
        assert page.until("alert/input-silent/3")["value"] == {"state": "raised"}
        say("answer/x", {"ok": True})
        say("live", b"no json")
        say("minute", {"seq": 4})
        assert page.until("minute")["value"] == {"seq": 4}  # neither of the two before came through


def test_after_a_break_a_page_hears_only_what_it_missed(server: Any) -> None:
    with speaking(server) as say:
        with closing(Listening(server.port)) as first:
            say("live", {"t": "x", "n": 2})
            first.until("live", lambda value: value["n"] == 2)
            seen = first.last_id
        say("presence", {"online": False})
        with closing(Listening(server.port, last_id=seen)) as again:
            assert again.next()["topic"] == "topics"
            assert again.next()["topic"] == "presence"
        with closing(Listening(server.port, last_id="another-boot-9")) as other:
            assert {other.next()["topic"] for _ in range(5)} >= {"kit", "broker", "live", "presence"}


def test_a_line_begins_with_the_topics_that_hold_something(server: Any) -> None:
    with speaking(server) as say:
        with closing(Listening(server.port)) as page:
            assert page.next()["topic"] == "topics"
            say("advice", {"kind": "wait"})
            page.until("advice")
            say("advice", b"")
            page.until("advice", lambda value: value is None)
        with closing(Listening(server.port)) as woken:
            first = woken.next()
            assert first["topic"] == "topics"
            assert {"kit", "broker"} <= set(first["value"]) and "advice" not in first["value"]
            assert woken.last_id == ""  # no number of its own: what was missed is counted from the last value


def test_a_kept_message_found_at_start_is_as_old_as_its_second(server: Any) -> None:
    old = time.time() - 5000
    stamp = time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(old))
    assert age_s({"t": stamp}) == pytest.approx(5000, abs=2)
    assert [age_s(odd) for odd in (None, {}, {"t": 5}, {"t": "soon"}, {"t": "9999-01-01T00:00:00.000Z"})] == [0.0] * 5
    hub = Hub()
    hub.heard("live", msgspec.json.encode({"t": stamp}), retained=True)
    assert age_of(hub, "live") == pytest.approx(5000, abs=2)
    hub.heard("live", msgspec.json.encode({"t": stamp, "n": 1}), retained=False)
    assert age_of(hub, "live") < 1
    hub.heard("live", msgspec.json.encode({"t": stamp, "n": 1}), retained=True)  # a broker may repeat what it keeps
    assert age_of(hub, "live") < 1


def age_of(hub: Hub, topic: str) -> float:
    client = hub.join("")
    raw = hub._event(topic).split(b"data: ")[1]
    hub.leave(client)
    return float(msgspec.json.decode(raw)["age_s"])


def test_a_silent_line_says_that_it_lives_and_pings() -> None:
    async def listen() -> bytes:
        hub = Hub(ping_s=0.05, line_s=0.03)
        client = hub.join("")
        heard = b""
        async with asyncio.timeout(5):
            async for part in hub.events(client):
                heard += part
                if heard.count(b": ping") == 2:
                    hub.close()
        return heard

    heard = asyncio.run(listen())
    assert heard.startswith(b'retry: 2000\n\ndata: {"topic":"topics","age_s":0,"value":[]}\n\n')
    assert b": ping\n\n" in heard
    assert b'"topic":"line"' in heard


def test_forgotten_alerts_are_taken_back_and_not_told_to_new_pages() -> None:
    hub = Hub()
    hub.put("alert/no-data", {"state": "raised"})
    client = hub.join("")
    client.pending.clear()
    hub.forget("alert/")
    assert list(client.pending) == ["alert/no-data"]
    assert b'"value":null' in hub._event("alert/no-data")
    assert "alert/no-data" not in hub.join("").pending


def test_an_emptied_topic_is_taken_back_at_once() -> None:
    hub = Hub()
    hub.heard("alert/no-data", b'{"state":"raised"}', True)
    client = hub.join("")
    client.pending.clear()
    hub.heard("alert/no-data", b"", False)
    hub.heard("alert/never-heard-of", b"", False)
    assert list(client.pending) == ["alert/no-data"]
    assert b'"value":null' in hub._event("alert/no-data")


def test_a_flood_of_topics_and_huge_messages_are_bounded() -> None:
    hub = Hub()
    for number in range(2000):
        hub.heard(f"alert/x/{number}", b"{}", retained=False)
    hub.heard("live", b'"' + b"x" * 100_000 + b'"', retained=False)
    assert len(hub.join("").pending) <= 300
    assert "live" not in hub.join("").pending


def memory_kb(pid: int) -> int:
    with open(f"/proc/{pid}/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))


def test_a_stalled_page_holds_nobody_and_reads_the_newest_when_it_wakes(server: Any) -> None:
    pid = server.kit.programs["dashboard"].process.pid
    filler = "x" * 40_000
    last = 400
    with speaking(server) as say, closing(Listening(server.port, receive_bytes=4096)) as stalled:
        with closing(Listening(server.port)) as awake:
            awake.until("broker")
            before = memory_kb(pid)
            worst = 0.0
            for number in range(last + 1):
                began = time.monotonic()
                say("live", {"t": "x", "n": number, "filler": filler})
                awake.until("live", lambda value, number=number: value.get("n") == number)
                worst = max(worst, time.monotonic() - began)
            assert worst < 2.0
            assert memory_kb(pid) - before < 8_000  # 16 MB went by
        seen: list[int] = []
        while last not in seen:
            seen.append(stalled.until("live", lambda value: "filler" in value)["value"]["n"])
        assert seen == sorted(set(seen))
        assert len(seen) < last  # the values between were never queued for it

"""From the broker to every open page: the latest value per topic, by server-sent events.

A page that is slow or stalled gets the newest value of each topic once it reads again, never a queue: it delays nobody
and costs no memory. Everything here runs in the loop's thread; the listener hands over with `call_soon_threadsafe`.
"""

from __future__ import annotations

import asyncio
import math
import secrets
import time
from collections.abc import AsyncIterator
from datetime import datetime
from typing import Any, NamedTuple

import msgspec
from starlette.types import Receive, Scope, Send

RETRY_MS = 2000
PING_S = 15.0
LINE_S = 5.0
MOST_TOPICS = 300
LARGEST_PAYLOAD = 64_000


class LatestValue(NamedTuple):
    """The newest of one topic. `payload` is compact JSON; `since`: when it was new, on the monotonic clock."""

    seq: int
    payload: bytes
    since: float


class Client:
    """One open page: the topics that held something when it came, and those it has still to hear."""

    def __init__(self) -> None:
        self.live: list[str] = []
        self.pending: dict[str, None] = {}
        self.wake = asyncio.Event()
        self.gone = False


class Hub:
    """The newest value of every topic, and who listens.

    `ping_s`: a comment keeps proxies from closing a silent line; `line_s`: after so much silence a page hears `line`, so
    that it can tell a dead line from a silent kit.
    """

    def __init__(self, ping_s: float = PING_S, line_s: float = LINE_S) -> None:
        self._ping_s, self._line_s = ping_s, line_s
        self.boot = secrets.token_hex(4)
        self.closed = False
        self.clients: set[Client] = set()
        self._seq = 0
        self._values: dict[str, LatestValue] = {}

    def put(self, topic: str, value: Any, age_s: float = 0.0) -> None:
        """A new value, `age_s` old already. None: the topic holds nothing any more."""
        if topic not in self._values and len(self._values) >= MOST_TOPICS:
            return
        self._seq += 1
        self._values[topic] = LatestValue(self._seq, msgspec.json.encode(value), time.monotonic() - age_s)
        for client in self.clients:
            client.pending[topic] = None
            client.wake.set()

    def heard(self, topic: str, raw: bytes, retained: bool) -> None:
        """A message of the broker; an empty one clears its topic. What is no JSON is left out, a repeat of a kept message is
        not news."""
        if len(raw) > LARGEST_PAYLOAD:
            return
        if not raw:
            if topic in self._values:
                self.put(topic, None)
            return
        try:
            value = msgspec.json.decode(raw)
        except msgspec.DecodeError:
            return
        known = self._values.get(topic)
        if retained and known is not None and known.payload == msgspec.json.encode(value):
            return
        self.put(topic, value, age_s(value) if retained and topic == "live" else 0.0)

    def latest(self, topic: str) -> tuple[Any, float]:
        """The newest value of a topic and its age in s; (None, inf) when there is none."""
        known = self._values.get(topic)
        if known is None:
            return None, math.inf
        return msgspec.json.decode(known.payload), time.monotonic() - known.since

    def forget(self, prefix: str) -> None:
        """The broker's kept messages below a prefix will be told anew: what it no longer holds is gone."""
        for topic in [name for name in self._values if name.startswith(prefix)]:
            self.put(topic, None)

    def close(self) -> None:
        """End all streams."""
        self.closed = True
        for client in self.clients:
            client.wake.set()

    def join(self, last_id: str) -> Client:
        """A page opens its stream; after a short break it hears only what it has missed. It hears first which topics hold
        something: a page that slept may know of others, which ended meanwhile."""
        boot, _, number = last_id.partition("-")
        seen = int(number) if boot == self.boot and number.isdecimal() else 0
        client = Client()
        client.live = [name for name, value in self._values.items() if value.payload != b"null"]
        newer = {name: value for name, value in self._values.items() if value.seq > seen}
        client.pending = {name: None for name, value in newer.items() if seen or value.payload != b"null"}
        client.wake.set()
        self.clients.add(client)
        return client

    def leave(self, client: Client) -> None:
        """The page is gone."""
        self.clients.discard(client)

    async def events(self, client: Client) -> AsyncIterator[bytes]:
        """The bytes of one stream, until the page goes or the server closes."""
        live = msgspec.json.encode(client.live)
        yield b'retry: %d\n\ndata: {"topic":"topics","age_s":0,"value":%s}\n\n' % (RETRY_MS, live)
        now = time.monotonic()
        ping_due, line_due = now + self._ping_s, now + self._line_s
        while not (self.closed or client.gone):
            now = time.monotonic()
            if client.pending:
                names, client.pending = list(client.pending), {}
                client.wake.clear()
                line_due = now + self._line_s
                yield b"".join(self._event(name) for name in names)
            elif now >= ping_due:
                ping_due = now + self._ping_s
                yield b": ping\n\n"
            elif now >= line_due:
                line_due = now + self._line_s
                yield b'data: {"topic":"line","age_s":0,"value":null}\n\n'
            else:
                try:
                    async with asyncio.timeout(min(ping_due, line_due) - now):
                        await client.wake.wait()
                except TimeoutError:
                    continue
                client.wake.clear()

    def _event(self, topic: str) -> bytes:
        value = self._values[topic]
        age = max(0.0, time.monotonic() - value.since)
        head = b'{"topic":%s,"age_s":%.3f,"value":' % (msgspec.json.encode(topic), age)
        return b"id: %s-%d\ndata: %s%s}\n\n" % (self.boot.encode(), value.seq, head, value.payload)


def age_s(live: Any) -> float:
    """How old a kept `live` message is by this board's wall clock, in s; 0 for one from the future or without a time."""
    try:
        return max(0.0, time.time() - datetime.fromisoformat(live["t"]).timestamp())
    except (TypeError, KeyError, ValueError):
        return 0.0


class EventStream:
    """The answer to `GET /events`."""

    def __init__(self, hub: Hub, last_id: str) -> None:
        self._hub, self._last_id = hub, last_id

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        client = self._hub.join(self._last_id)
        watcher = asyncio.create_task(self._watch(receive, client))
        headers = [
            (b"content-type", b"text/event-stream; charset=utf-8"),
            (b"cache-control", b"no-store"),
            (b"x-accel-buffering", b"no"),
        ]
        try:
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            async for part in self._hub.events(client):
                await send({"type": "http.response.body", "body": part, "more_body": True})
            await send({"type": "http.response.body", "body": b""})
        finally:
            self._hub.leave(client)
            watcher.cancel()

    async def _watch(self, receive: Receive, client: Client) -> None:
        while (await receive())["type"] != "http.disconnect":
            pass
        client.gone = True
        client.wake.set()

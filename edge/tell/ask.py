"""Asking the daemon through the broker: one entry, one answer. Used by the `entry` command and the demo."""

from __future__ import annotations

import queue
import secrets
import time
from types import TracebackType
from typing import Any, Self

import msgspec

from edge.contract.errors import BrokerError
from edge.contract.settings import MqttSettings
from edge.engine import messages
from edge.tell import topics
from edge.tell.client import new_client

ANSWER_LIMIT_S = 5.0


class Asker:
    """One connection for any number of questions; a context manager. Raises BrokerError when it can't be had."""

    def __init__(self, settings: MqttSettings, kit: str) -> None:
        self._base, self._kit = topics.base(kit), kit
        self._where = f"broker {settings.host}:{settings.port}"
        events: queue.Queue[tuple[str, Any]] = queue.Queue()
        self._events = events
        answers = f"{self._base}{topics.ANSWER.name}/"
        client = self._client = new_client(settings, f"tailgrain-asks-{secrets.token_hex(4)}")
        # Not `self`: paho closes its sockets when the client goes, and a ring of references would keep it for the collector.
        client.on_connect = lambda _c, _u, _f, reason, _p: events.put(("connected", reason))
        client.on_subscribe = lambda _c, _u, _m, _r, _p: events.put(("ready", None))
        client.message_callback_add(
            answers + "+",
            lambda _c, _u, message: events.put(("answer", (message.topic.removeprefix(answers), bytes(message.payload)))),
        )
        try:
            client.connect(settings.host, settings.port, keepalive=60)
        except (OSError, ValueError) as fault:
            raise BrokerError(f"{self._where}: can't be reached ({fault}); nothing was kept") from fault
        client.loop_start()
        try:
            self._subscribe(answers + "+")
        except BrokerError:
            self.close()
            raise

    def _subscribe(self, pattern: str) -> None:
        deadline = time.monotonic() + ANSWER_LIMIT_S
        while True:
            kind, detail = self._next(deadline, "no answer to the connection")
            if kind == "connected":
                if detail.is_failure:
                    raise BrokerError(f"{self._where}: refused ({detail}); nothing was kept")
                self._client.subscribe(pattern, qos=1)
            elif kind == "ready":
                return

    def _next(self, deadline: float, what: str) -> tuple[str, Any]:
        try:
            return self._events.get(timeout=max(0.0, deadline - time.monotonic()))
        except queue.Empty as fault:
            raise BrokerError(f"{self._where}: {what} in {ANSWER_LIMIT_S:.0f} s") from fault

    def ask(self, entry: dict[str, Any], ask_id: str | None = None, topic: topics.Topic = topics.ASK) -> dict[str, Any]:
        """Ask the daemon to keep an entry (or, by its topic, for a preview); returns its answer object. Raises BrokerError when
        none comes in 5 s."""
        ask_id = ask_id or secrets.token_urlsafe(12)
        self._client.publish(self._base + topic.name, messages.encode({"id": ask_id, "entry": entry}), qos=1)
        deadline = time.monotonic() + ANSWER_LIMIT_S
        while True:
            kind, detail = self._next(deadline, f"no answer from kit `{self._kit}` (is `run` running?)")
            if kind == "answer" and detail[0] == ask_id:
                answer = msgspec.json.decode(detail[1])
                if isinstance(answer, dict):
                    return answer

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def ask(
    settings: MqttSettings, kit: str, entry: dict[str, Any], ask_id: str | None = None, topic: topics.Topic = topics.ASK
) -> dict[str, Any]:
    """One question over a connection of its own. Raises BrokerError when no answer comes in 5 s."""
    with Asker(settings, kit) as asker:
        return asker.ask(entry, ask_id, topic)

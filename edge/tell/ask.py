"""Asking the daemon through the broker: one entry, one answer. Used by the `entry` command and the dashboard."""

from __future__ import annotations

import queue
import secrets
import time
from typing import Any

import msgspec

from edge import messages
from edge.errors import BrokerError
from edge.settings import Mqtt
from edge.tell import topics
from edge.tell.mqtt import new_client

ANSWER_LIMIT_S = 5.0


def ask(settings: Mqtt, kit: str, entry: dict[str, Any], ask_id: str | None = None) -> dict[str, Any]:
    """Ask the daemon to keep an entry; returns its answer object. Raises BrokerError when none comes in 5 s."""
    ask_id = ask_id or secrets.token_urlsafe(12)
    base = topics.base(kit)
    answers: queue.Queue[tuple[str, Any]] = queue.Queue()
    client = new_client(settings, f"tailgrain-asks-{secrets.token_hex(4)}")
    client.on_connect = lambda _c, _u, _f, reason, _p: answers.put(("connected", reason))
    client.on_subscribe = lambda _c, _u, _m, _r, _p: answers.put(("ready", None))
    client.message_callback_add(
        f"{base}{topics.ANSWER.name}/{ask_id}", lambda _c, _u, message: answers.put(("answer", bytes(message.payload)))
    )
    where = f"broker {settings.host}:{settings.port}"
    try:
        client.connect(settings.host, settings.port, keepalive=15)
    except (OSError, ValueError) as fault:
        raise BrokerError(f"{where}: can't be reached ({fault}); nothing was kept") from fault
    client.loop_start()
    try:
        deadline = time.monotonic() + ANSWER_LIMIT_S
        while True:
            try:
                kind, detail = answers.get(timeout=max(0.0, deadline - time.monotonic()))
            except queue.Empty as fault:
                raise BrokerError(f"{where}: no answer from kit `{kit}` in 5 s; is `run` running?") from fault
            if kind == "connected":
                if detail.is_failure:
                    raise BrokerError(f"{where}: refused ({detail}); nothing was kept")
                client.subscribe(f"{base}{topics.ANSWER.name}/{ask_id}", qos=1)
            elif kind == "ready":
                client.publish(base + topics.ASK.name, messages.encode({"id": ask_id, "entry": entry}), qos=1)
            else:
                answer = msgspec.json.decode(detail)
                if isinstance(answer, dict):
                    return answer
    finally:
        client.disconnect()
        client.loop_stop()

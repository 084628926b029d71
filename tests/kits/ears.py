"""Clients of the broker that hear what a kit tells."""

from __future__ import annotations

import json
import queue
import secrets
import threading
import time
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.kits.broker import Broker
from tests.kits.tools import wait_until

BASE = "tailgrain/kit7/"
OFFLINE = {"online": False}


class Heard(NamedTuple):
    """A message: monotonic and wall time of arrival, topic below `tailgrain/`, payload."""

    at: float
    wall: float
    topic: str
    payload: bytes
    retain: bool

    @property
    def plain(self) -> Any:
        return json.loads(self.payload)


def part_with(client: paho.Client) -> None:
    """Disconnect, and let go of what leads back to the client: paho closes its own pair of sockets only when the client goes."""
    client.disconnect()
    client.loop_stop()
    client.on_connect = client.on_subscribe = client.on_message = None


class Ear:
    """Hears everything below `tailgrain/` on a broker, and can speak."""

    def __init__(self, port: int, username: str | None = None, password: str | None = None) -> None:
        self.messages: list[Heard] = []
        self._by_topic: dict[str, list[Heard]] = {}
        self.connected = threading.Event()
        client = self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"ear-{secrets.token_hex(4)}")
        if username:
            client.username_pw_set(username, password)
        client.reconnect_delay_set(1, 1)
        client.on_connect = lambda *_: client.subscribe("tailgrain/#", qos=1)
        client.on_subscribe = lambda *_: self.connected.set()
        client.on_message = self._hear
        client.connect_async("127.0.0.1", port, keepalive=30)
        client.loop_start()

    def _hear(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        topic = message.topic.removeprefix("tailgrain/")
        heard = Heard(time.monotonic(), time.time(), topic, bytes(message.payload), bool(message.retain))
        self.messages.append(heard)
        self._by_topic.setdefault(topic, []).append(heard)

    def heard(self, topic: str, since: float = 0.0) -> list[Heard]:
        """Messages of one topic that arrived after a monotonic time."""
        return [one for one in list(self._by_topic.get(topic, ())) if one.at > since]

    def ask(self, kit: str, ask_id: str, entry: dict[str, Any]) -> None:
        """Put a question; its answer is heard like everything else."""
        self.client.publish(f"tailgrain/{kit}/ask/entry", json.dumps({"id": ask_id, "entry": entry}), qos=1)

    def answer(self, kit: str, ask_id: str, since: float = 0.0) -> dict[str, Any] | None:
        found = self.heard(f"{kit}/answer/{ask_id}", since)
        return found[0].plain if found else None

    def close(self) -> None:
        part_with(self.client)


def eventually_online(ear: Ear, kit: str, since: float, within: float = 15.0) -> float:
    """Wait for a kit's own word that it is there; returns the monotonic time of it."""

    def online() -> list[Heard]:
        return [one for one in ear.heard(f"{kit}/presence", since) if b'"online":true' in one.payload and not one.retain]

    return wait_until(online, within, f"{kit} online")[0].at


class Listener:
    """A client of the broker that hears everything of the kit. `session`: the broker keeps what it misses."""

    def __init__(self, broker: Broker, session: str = "", login: tuple[str, str] | None = None) -> None:
        self.heard: list[paho.MQTTMessage] = []
        self._ready: queue.Queue[str] = queue.Queue()
        client = self.client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=session or None, clean_session=not session, protocol=paho.MQTTv311
        )
        if login:
            client.username_pw_set(*login)
        client.on_connect = lambda *_: client.subscribe(BASE + "#", qos=1)
        client.on_subscribe = lambda *_: self._ready.put("ready")
        client.on_message = lambda _c, _u, message: self.heard.append(message)
        client.connect(broker.host, broker.port)
        client.loop_start()
        self._ready.get(timeout=10)

    def of(self, topic: str) -> list[paho.MQTTMessage]:
        return [message for message in list(self.heard) if message.topic == BASE + topic]

    def bodies(self, topic: str) -> list[Any]:
        return [json.loads(message.payload) for message in self.of(topic) if message.payload]

    def last(self, topic: str) -> Any:
        found = self.bodies(topic)
        return found[-1] if found else None

    def publish(self, topic: str, body: object, retain: bool = False) -> None:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        self.client.publish(BASE + topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        part_with(self.client)


def online(listener: Listener) -> bool:
    return bool((listener.last("presence") or OFFLINE)["online"])

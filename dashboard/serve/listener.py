"""The dashboard's ear at the broker: one thread connects and reconnects, paho's own does the network and only hands on."""

from __future__ import annotations

import logging
import queue
import random
import secrets
import threading
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho

from edge.contract.settings import MqttSettings
from edge.tell import topics
from edge.tell.client import CONNECT_LIMIT_S, KEEPALIVE_S, new_client

LOG = logging.getLogger("tailgrain.dashboard")

HEARD = (topics.LIVE, topics.ALERT, topics.PRESENCE, topics.ENTRY, topics.MINUTE, *topics.STATES.values())
FIRST_WAIT_S = 0.25
LONGEST_WAIT_S = 5.0
"""Somebody looks at the page: trying often is worth more than sparing a broker on the same board."""

STABLE_S = 10.0


class Listener:
    """Hears one kit. `on_message(topic below the base, payload, kept)` and `on_broker(connected, why)` are called from
    other threads and must only queue; `on_broker` comes before the first message of a connection."""

    def __init__(
        self,
        settings: MqttSettings,
        kit: str,
        on_message: Callable[[str, bytes, bool], None],
        on_broker: Callable[[bool, str], None],
    ) -> None:
        self._settings, self._base = settings, topics.base(kit)
        self._on_message, self._on_broker = on_message, on_broker
        self._events: queue.Queue[tuple[str, str]] = queue.Queue()
        self._stopping = threading.Event()
        self._client = new_client(settings, f"tailgrain-page-{kit}-{secrets.token_hex(4)}")
        self._client.on_connect = self._connected
        self._client.on_disconnect = self._disconnected
        self._client.on_subscribe = self._subscribed
        for topic in HEARD:
            # Only these: a broker may repeat kept messages of other clients' subscriptions.
            self._client.message_callback_add(self._filter(topic), self._heard)
        self._thread = threading.Thread(target=self._work, name="listener", daemon=True)

    def start(self) -> None:
        """Begin connecting; never blocks."""
        self._thread.start()

    def stop(self) -> None:
        """Leave the broker and end."""
        self._stopping.set()
        self._events.put(("stop", ""))
        self._thread.join(timeout=CONNECT_LIMIT_S + 2)

    def _filter(self, topic: topics.Topic) -> str:
        return f"{self._base}{topic.name}/#" if topic is topics.ALERT else self._base + topic.name

    # ------------------------------------------------------------------ our thread

    def _work(self) -> None:
        wait_s, said = FIRST_WAIT_S, ""
        where = f"broker {self._settings.host}:{self._settings.port}"
        while not self._stopping.is_set():
            began = time.monotonic()
            why = self._connect()
            if not why:
                LOG.info("%s: connected", where)
                why = self._wait_for_end()
            if why and not self._stopping.is_set():
                self._on_broker(False, why)
                if why != said:
                    LOG.warning("%s: %s; trying again", where, why)
            lasted = time.monotonic() - began >= STABLE_S
            said = "" if lasted else why
            wait_s = FIRST_WAIT_S if lasted else min(2 * wait_s, LONGEST_WAIT_S)
            self._client.loop_stop()
            self._stopping.wait(wait_s * random.uniform(0.8, 1.2))

    def _connect(self) -> str:
        """Connect, be accepted, subscribe; returns why not, or nothing."""
        while not self._events.empty():
            self._events.get_nowait()
        try:
            self._client.connect(self._settings.host, self._settings.port, KEEPALIVE_S)
        except (OSError, ValueError) as fault:
            return f"can't be reached: {getattr(fault, 'strerror', None) or fault}"
        self._client.loop_start()
        deadline = time.monotonic() + CONNECT_LIMIT_S
        while (left := deadline - time.monotonic()) > 0 and not self._stopping.is_set():
            try:
                kind, why = self._events.get(timeout=left)
            except queue.Empty:
                break
            if kind == "connected":
                if not why:
                    self._on_broker(True, "")
                    self._client.subscribe([(self._filter(topic), topic.qos) for topic in HEARD])
                return why
            if kind == "disconnected":
                return why
        return "no answer"

    def _wait_for_end(self) -> str:
        while True:
            kind, why = self._events.get()
            if kind == "disconnected":
                return why
            if kind == "refused":
                LOG.warning("the broker refused a subscription (%s)", why)
            elif kind == "stop":
                self._client.disconnect()
                return ""

    # ------------------------------------------------------------------ paho's thread: only queue

    def _connected(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._events.put(("connected", f"refused: {reason}" if reason.is_failure else ""))

    def _disconnected(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        # What paho can't name adds nothing.
        named = "" if str(reason) == "Unspecified error" else f": {reason}"
        self._events.put(("disconnected", f"connection lost{named}"))

    def _subscribed(self, client: Any, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        for reason in reasons:
            if reason.is_failure:
                self._events.put(("refused", str(reason)))

    def _heard(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        self._on_message(message.topic.removeprefix(self._base), bytes(message.payload), bool(message.retain))

"""The kit's voice: everything that goes to the broker, and the questions that come from it.

One thread of ours connects, publishes and waits; paho's own thread does the network. paho's callbacks only queue: an
exception there would end its thread. A broker that is away delays nothing: `live` keeps the newest second only, alerts
are state and published anew on every connect, minutes and entries wait in the store's outbox.
"""

from __future__ import annotations

import logging
import queue
import random
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

import paho.mqtt.client as paho

from edge.contract.errors import SettingsError, StoreError
from edge.contract.settings import MqttSettings
from edge.engine import messages
from edge.engine.messages import OutboxRow
from edge.feed.faultlog import FaultLog
from edge.judge.alerts.judge import AlertChange
from edge.reckon.figures import Figures
from edge.tell import topics
from edge.tell.client import CONNECT_LIMIT_S, KEEPALIVE_S, new_client
from edge.tell.payloads import CLEARS, alert, json_object

LOG = logging.getLogger("tailgrain.tell")

FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 5.0
STABLE_S = 10.0
"""A connection must last this long before the next wait starts small again: a broker may accept and kick at once."""

IN_FLIGHT = 20
LARGEST_QUESTION = 20_000
LOOK_AGAIN_S = 0.05
MOST_ANSWERS = 100
SAY_AGAIN_S = 60.0
QUESTIONS = (topics.ASK.name, topics.PREVIEW.name)
TWIN_S = 150.0
"""A kit of the same name that was not heard for this long is gone."""


class Outbox(Protocol):
    """What waits for the broker."""

    def waiting(self, after: int, most: int) -> list[OutboxRow]:
        """Rows after an id, oldest first."""

    def delivered(self, ids: list[int]) -> None:
        """The broker has these rows."""


class Voice:
    """Publishes for one kit. `on_question(topic, payload)` hears `ask/entry` and `ask/preview`, from paho's thread: it must only
    queue."""

    def __init__(
        self, settings: MqttSettings, kit: str, version: str, since_ms: int, on_question: Callable[[str, bytes], None]
    ) -> None:
        self._settings = settings
        self._base = topics.base(kit)
        self._kit = kit
        self._present = {"online": True, "since": messages.rfc3339_ms(since_ms), "version": version}
        self._on_question = on_question
        self._outbox: Outbox | None = None
        self._events: queue.Queue[tuple[str, Any]] = queue.Queue()
        self._live: bytes | None = None
        self._live_told = False
        self._alerts: dict[str, bytes] = {}
        self._retained: dict[str, bytes] = {}
        self._in_flight: dict[int, int] = {}
        self._live_sent: paho.MQTTMessageInfo | None = None
        self._live_waits = False
        self._answers: deque[tuple[str, Any]] = deque(maxlen=MOST_ANSWERS)
        self._twin_heard: float | None = None
        self._sayer = FaultLog(LOG)
        self._present_at = 0.0
        self._sent = 0
        self._lock = threading.Lock()
        self._client = self._new_client()
        self._thread = threading.Thread(target=self._work, name="voice", daemon=True)
        self._stopping = threading.Event()
        self.connected = threading.Event()
        self.away_since: float | None = time.monotonic()
        self.why_away = "not connected yet"

    def start(self, outbox: Outbox) -> None:
        """Begin connecting; never blocks."""
        self._outbox = outbox
        self._thread.start()

    # ------------------------------------------------------------------ what others call; none waits

    def live(self, figures: Figures) -> None:
        """The figures of one second: only the newest is kept for a slow broker."""
        payload = messages.encode(messages.live(figures))
        with self._lock:
            self._live = payload
            told, self._live_told = self._live_told, True
        if not told:
            self._events.put(("live", None))

    def alert(self, change: AlertChange) -> None:
        """An alert changed its state."""
        if change.rule == "broker-away":  # told on the board only: nobody could hear it, and then it is over
            return
        payload = messages.encode(alert(change))
        with self._lock:
            self._alerts[change.name] = payload
        self._events.put(("alert", change.name))

    def state(self, name: str, message: dict[str, Any] | None) -> None:
        """A retained state topic (verdict, advice, guidance); None: it is cleared."""
        topic = topics.STATES[name]
        with self._lock:
            self._retained[topic.name] = CLEARS if message is None else messages.encode(message)
        self._events.put(("state", topic))

    def told(self) -> None:
        """New rows wait in the outbox."""
        self._events.put(("told", None))

    def answer(self, ask_id: str, payload: bytes) -> None:
        """Answer one question."""
        self._events.put(("answer", (ask_id, payload)))

    def stop(self) -> None:
        """Say goodbye (the will does not speak after a clean end) and end."""
        self._stopping.set()
        self._events.put(("stop", None))
        if self._thread.is_alive():
            self._thread.join(timeout=10)

    @property
    def alive(self) -> bool:
        """Whether our thread works; it ends only when told to, or by a fault of ours."""
        return self._thread.is_alive()

    @property
    def away_s(self) -> float:
        """Seconds since the broker was last there; 0 while it is."""
        since = self.away_since
        return 0.0 if since is None else time.monotonic() - since

    @property
    def twin(self) -> bool:
        """Whether another kit of the same name speaks on this broker: what is asked would be kept by both."""
        heard = self._twin_heard
        return heard is not None and time.monotonic() - heard < TWIN_S

    # ------------------------------------------------------------------ our thread

    def _new_client(self) -> paho.Client:
        client = new_client(self._settings, f"tailgrain-{self._kit}-{secrets.token_hex(4)}")
        client.will_set(self._base + topics.PRESENCE.name, b'{"online":false}', qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        for name in QUESTIONS:
            client.message_callback_add(self._base + name, self._on_ask)
        client.message_callback_add(self._base + topics.PRESENCE.name, self._on_presence)
        for name in ("alert/#", *topics.STATES):
            client.message_callback_add(self._base + name, self._on_leftover)
        return client

    def _work(self) -> None:
        wait_s = FIRST_WAIT_S
        said = ""
        while not self._stopping.is_set():
            began = time.monotonic()
            why = self._connect()
            self.why_away = why or "connection lost"
            if not why:
                said = ""
                self._serve()
            elif why != said:
                LOG.warning("broker %s:%s: %s; trying again", self._settings.host, self._settings.port, why)
                said = why
            if why or time.monotonic() - began < STABLE_S:
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)
            else:
                wait_s = FIRST_WAIT_S
            self._client.loop_stop()
            self._stopping.wait(wait_s * random.uniform(0.8, 1.2))

    def _connect(self) -> str:
        """Connect and be accepted; returns why not, or nothing."""
        self._drop_events()
        try:
            # A new client each time: an old one would send again what it holds, beside our outbox and out of date.
            self._client = self._new_client()
            self._client.connect(self._settings.host, self._settings.port, KEEPALIVE_S)
        except (OSError, ValueError, SettingsError) as fault:
            return str(fault)
        self._client.loop_start()
        deadline = time.monotonic() + CONNECT_LIMIT_S
        while (left := deadline - time.monotonic()) > 0 and not self._stopping.is_set():
            try:
                kind, detail = self._events.get(timeout=left)
            except queue.Empty:
                break
            if kind == "connected":
                return str(detail)
            if kind == "disconnected":
                return "it closed the connection"
            if kind == "answer":
                self._answers.append(detail)
        return "no answer"

    def _drop_events(self) -> None:
        """What happened while the broker was away is state (published anew) or waits in the outbox; answers are kept."""
        while True:
            try:
                kind, detail = self._events.get_nowait()
            except queue.Empty:
                return
            if kind == "answer":
                self._answers.append(detail)

    def _serve(self) -> None:
        """Connected: publish all state, then whatever comes, until the connection ends."""
        LOG.info("broker %s:%s: connected", self._settings.host, self._settings.port)
        self._in_flight.clear()
        self._sent = 0
        self._live_sent, self._live_waits = None, False
        self._say_present()
        heard = (*QUESTIONS, topics.PRESENCE.name, "alert/#", *topics.STATES)
        self._client.subscribe([(self._base + name, 1) for name in heard])
        with self._lock:
            alerts, retained, live = dict(self._alerts), dict(self._retained), self._live
            self._live_told = False
        for name, payload in alerts.items():
            self._publish(topics.ALERT, payload, name)
        for name, payload in retained.items():
            self._client.publish(self._base + name, payload, qos=1, retain=True)
        if live is not None:
            self._publish(topics.LIVE, live)
        while self._answers:
            ask_id, payload = self._answers.popleft()
            self._publish(topics.ANSWER, payload, ask_id)
        self._drain()
        self.connected.set()
        self.away_since = None
        try:
            while self._handle(*self._next_event()):
                pass
        finally:
            self.connected.clear()
            self.away_since = time.monotonic()

    def _next_event(self) -> tuple[str, Any]:
        try:
            return self._events.get(timeout=LOOK_AGAIN_S if self._live_waits else None)
        except queue.Empty:
            return "live", None

    def _handle(self, kind: str, detail: Any) -> bool:
        """One event; False ends the connection."""
        if kind == "live":
            with self._lock:
                payload, self._live_told = self._live, False
            self._live_waits = _is_stuck(self._live_sent)
            if payload is not None and not self._live_waits:
                self._live_sent = self._publish(topics.LIVE, payload)
            if self.twin and time.monotonic() - self._present_at >= SAY_AGAIN_S:
                self._say_present()
        elif kind == "alert":
            with self._lock:
                payload = self._alerts[detail]
            self._publish(topics.ALERT, payload, detail)
        elif kind == "state":
            with self._lock:
                payload = self._retained[detail.name]
            self._publish(detail, payload)
        elif kind == "told":
            self._drain()
        elif kind == "published":
            row = self._in_flight.pop(detail, None)
            if row is not None and self._outbox is not None:
                self._outbox.delivered([row])
                self._drain()
        elif kind == "answer":
            ask_id, payload = detail
            self._publish(topics.ANSWER, payload, ask_id)
        elif kind == "presence":
            self._hear_presence(detail)
        elif kind == "leftover":
            self._clear_leftover(*detail)
        elif kind == "disconnected":
            LOG.warning("broker %s:%s: connection lost (%s)", self._settings.host, self._settings.port, detail)
            return False
        elif kind == "stop":
            self._say_goodbye()
            return False
        return True

    def _publish(self, topic: topics.Topic, payload: bytes, below: str = "") -> paho.MQTTMessageInfo:
        name = f"{self._base}{topic.name}/{below}" if below else self._base + topic.name
        return self._client.publish(name, payload, qos=topic.qos, retain=topic.retained)

    def _drain(self) -> None:
        """Send outbox rows in order, no more at a time than the broker has room for, half a window at once."""
        if self._outbox is None or len(self._in_flight) > IN_FLIGHT // 2:
            return
        try:
            rows = self._outbox.waiting(self._sent, IN_FLIGHT - len(self._in_flight))
        except StoreError as fault:  # a stalled or full disk: the next row told or delivered asks again
            LOG.warning("outbox: %s", fault)
            return
        for row in rows:
            info = self._client.publish(self._base + row.topic, row.payload, qos=1)
            if info.rc != paho.MQTT_ERR_SUCCESS:
                return  # the connection is ending; the row stays
            self._in_flight[info.mid] = row.id
            self._sent = row.id

    def _say_present(self) -> None:
        self._publish(topics.PRESENCE, messages.encode(self._present))
        self._present_at = time.monotonic()

    def _hear_presence(self, payload: bytes) -> None:
        """Our own presence topic: the late will of a dead connection says we are gone; a twin says it is we."""
        message = json_object(payload)
        if not message or message == self._present:
            return
        if message.get("online") is True:
            known, self._twin_heard = self.twin, time.monotonic()
            if not known:
                LOG.error("another kit named `%s` speaks on this broker; give each its own machine.kit", self._kit)
                self._say_present()  # so that the other one hears of it too
        else:
            self._twin_heard = None
            self._say_present()

    def _clear_leftover(self, name: str, payload: bytes) -> None:
        """A retained alert, verdict or advice that this run knows nothing of was left by an earlier one: it is not ours."""
        with self._lock:
            if name.removeprefix("alert/") in self._alerts or name in self._retained:
                return
        if name in topics.STATES:
            self._publish(topics.STATES[name], CLEARS)
            return
        name = name.removeprefix("alert/")
        message = json_object(payload)
        if message and message.get("state") != "cleared":
            self._publish(topics.ALERT, messages.encode({**message, "state": "cleared"}), name)

    def _say_goodbye(self) -> None:
        info = self._publish(topics.PRESENCE, b'{"online":false}')
        try:
            info.wait_for_publish(timeout=2)
        except (RuntimeError, ValueError) as fault:
            LOG.debug("goodbye not heard: %s", fault)
        self._client.disconnect()

    # ------------------------------------------------------------------ paho's thread: only queue

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._events.put(("connected", f"refused: {reason}" if reason.is_failure else ""))

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._events.put(("disconnected", str(reason)))

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason: Any, properties: Any) -> None:
        self._events.put(("published", mid))

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        """Anything else: a broker may repeat other clients' retained messages; they mean nothing here."""

    def _on_ask(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        if message.retain:
            return  # an old question, not one that somebody waits for
        name = message.topic.removeprefix(self._base)
        if len(message.payload) > LARGEST_QUESTION:
            self._sayer.say(f"{name}: {len(message.payload)} bytes; allowed: up to {LARGEST_QUESTION}", "too large")
            return
        self._on_question(name, bytes(message.payload))

    def _on_presence(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        # Retained or not: ours was published before this was subscribed to, so another word is newer than ours.
        self._events.put(("presence", bytes(message.payload)))

    def _on_leftover(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        if message.retain:
            self._events.put(("leftover", (message.topic.removeprefix(self._base), bytes(message.payload))))


def _is_stuck(sent: paho.MQTTMessageInfo | None) -> bool:
    """Whether a message still waits for its way out: the next would only queue behind it."""
    return sent is not None and sent.rc == paho.MQTT_ERR_SUCCESS and not sent.is_published()

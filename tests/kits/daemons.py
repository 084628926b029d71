"""Kits that can be started and killed in a moment, and an ear at the broker."""

from __future__ import annotations

import json
import os
import secrets
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from edge.keep.store import FILE_NAME
from tests.kits.tools import wait_until

ROOT = Path(__file__).resolve().parents[2]


class Nursery:
    """The process that kits are forked from; one for any number of kits."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.kits.nursery"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=ROOT,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )

    def fork(self, order: dict[str, Any]) -> int:
        assert self._process.stdin is not None and self._process.stdout is not None
        with self._lock:
            self._process.stdin.write(json.dumps(order) + "\n")
            self._process.stdin.flush()
            return int(self._process.stdout.readline())

    def close(self) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(timeout=10)


class Kit:
    """A kit in a folder of its own; `start` and `kill` any number of times."""

    def __init__(self, nursery: Nursery, folder: Path, toml: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.config, self.store, self.log_file = folder / "kit.toml", folder / "state", folder / "run.log"
        self.config.write_text(toml)
        self._nursery = nursery
        self.pid: int | None = None

    def start(self, epoch_ms: int | None = None, record: Path | None = None) -> None:
        assert not self.alive
        order = {"config": str(self.config), "log": str(self.log_file), "epoch_ms": epoch_ms}
        self.pid = self._nursery.fork({**order, "record": str(record) if record else None})

    @property
    def alive(self) -> bool:
        """Whether the process is there and still ours: it carries the nursery's name, or none any more while it ends."""
        if self.pid is None:
            return False
        try:
            name = Path(f"/proc/{self.pid}/cmdline").read_bytes()
        except OSError:
            return False
        return name == b"" or b"tests.kits.nursery" in name

    def kill(self, number: int = signal.SIGKILL, within: float = 20.0) -> None:
        """Signal the kit and wait until it is gone."""
        if self.pid is not None and self.alive:
            with suppress(ProcessLookupError):  # it ended this moment
                os.kill(self.pid, number)
            wait_until(lambda: not self.alive, within, f"the end of the kit by signal {number}")
        self.pid = None  # the number may soon be somebody else's

    def stop(self) -> None:
        self.kill(signal.SIGTERM)

    @property
    def log(self) -> str:
        return self.log_file.read_text(errors="replace") if self.log_file.exists() else ""

    @property
    def database(self) -> Path:
        return self.store / FILE_NAME

    def query(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows of the database, read only; none while there is no database yet."""
        if not self.database.exists():
            return []
        with closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True, timeout=10)) as connection:
            try:
                return connection.execute(sql, values).fetchall()
            except sqlite3.OperationalError as fault:
                if "no such table" in str(fault):
                    return []
                raise

    def bodies(self, kind: str) -> list[dict[str, Any]]:
        return [json.loads(row[0]) for row in self.query("SELECT body FROM record WHERE kind = ? ORDER BY seq", kind)]

    def alerts(self, rule: str) -> list[str]:
        """States that an alert went through, on record."""
        return [body["state"] for body in self.bodies("alert") if body["rule"] == rule]


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
        self.client.disconnect()
        self.client.loop_stop()


def eventually_online(ear: Ear, kit: str, since: float, within: float = 15.0) -> float:
    """Wait for a kit's own word that it is there; returns the monotonic time of it."""

    def online() -> list[Heard]:
        return [one for one in ear.heard(f"{kit}/presence", since) if b'"online":true' in one.payload and not one.retain]

    return wait_until(online, within, f"{kit} online")[0].at


def passing(check: Callable[[], Any], within: float, what: str | Callable[[], str]) -> float:
    """Seconds until a check came true."""
    began = time.monotonic()
    wait_until(check, within, what)
    return time.monotonic() - began

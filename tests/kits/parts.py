"""A counter on a pty, a kit as a process and a client of the broker, for tests of the topics."""

from __future__ import annotations

import json
import os
import queue
import sqlite3
import subprocess
import sys
import tempfile
import tty
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from edge.feed.sentences import frame
from edge.keep.store import FILE_NAME
from tests.kits.broker import Broker
from tests.kits.tools import wait_until

EPOCH = 1_790_000_000
BASE = "tailgrain/kit7/"
OFFLINE = {"online": False}


class Board:
    """A pulse counter on a pty: count sentences a second apart, 7.2 km/h in crop, as fast as they are written."""

    def __init__(self) -> None:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        # A name that ends with the board: the system gives its number to the next pty, which a kit left over would take.
        self._link = Path(tempfile.mkdtemp(prefix="tailgrain-board-")) / "counter"
        self._link.symlink_to(os.ttyname(self._theirs))
        self.port = str(self._link)
        self.seq = 0
        self._totals = [0, 0, 0]

    def send(self, seconds: int, separator: int = 31) -> None:
        """That many seconds of work, with so many pulses a second at the separator."""
        for _ in range(seconds):
            self.seq += 1
            counts = self._totals = [total + one for total, one in zip(self._totals, (separator, 20, 20), strict=True)]
            body = f"TGC,1,{self.seq},{self.seq * 1000},3," + ",".join(map(str, counts))
            os.write(self._ours, frame(body))

    def close(self) -> None:
        self._link.unlink()
        self._link.parent.rmdir()
        os.close(self._ours)
        os.close(self._theirs)


class Kit:
    """`tailgrain run` with board stamps on that board; `start` again is the next power-up."""

    def __init__(self, folder: Path, board: Board, broker_port: int, mqtt: str = "", tables: str = "") -> None:
        self.board = board
        self.config, self.log, self.database = folder / "kit.toml", folder / "run.log", folder / "state" / FILE_NAME
        self.config.write_text(
            f"""
            [machine]
            name = "machine one"
            cut_width_m = 9.0
            kit = "kit7"
            [crop]
            name = "wheat"
            tgw_g = 40.0
            [serial]
            port = "{board.port}"
            [mqtt]
            port = {broker_port}
            {mqtt}
            [store]
            path = "{folder / "state"}"
            [[input]]
            at = 0
            reads = "loss"
            point = "separator"
            side = "centre"
            [[input]]
            at = 1
            reads = "loss"
            point = "cleaning"
            side = "centre"
            [[input]]
            at = 2
            reads = "ground"
            pulses_per_m = 10.0
            [[level]]
            bit = 0
            means = "front down"
            [[level]]
            bit = 1
            means = "threshing on"
            {tables}
            """
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, epoch: int = EPOCH) -> Kit:
        self.log.write_bytes(b"")
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "edge", "run", "--config", str(self.config), "--stamps", f"board={epoch}"],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        wait_until(lambda: "open" in self.log.read_text(), 20, "the port is open")
        return self

    def end(self, number: int) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(timeout=20)

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        connection = sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)
        try:
            return connection.execute(sql).fetchall()
        finally:
            connection.close()

    def waiting(self) -> int:
        return int(self.query("SELECT count(*) FROM outbox")[0][0])

    def told(self) -> list[int]:
        """Numbers of the records that go through the outbox."""
        return [row[0] for row in self.query("SELECT seq FROM record WHERE kind IN ('minute', 'entry') ORDER BY seq")]


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
        self.client.disconnect()
        self.client.loop_stop()


def online(listener: Listener) -> bool:
    return bool((listener.last("presence") or OFFLINE)["online"])

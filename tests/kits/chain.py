"""The real chain for tests of the page: a feed on a real line, `tailgrain run`, a broker, SQLite on disk, `tailgrain dashboard`.

Not a test. `look.py`, the browser tests and the server tests use it; the broker is theirs.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from edge.keep import readonly
from edge.tell.client import new_client
from sim_feed.run.scenario import Scenario, Simulation
from sim_feed.sending.emit import Feed, PtyFeed
from tests.kits.kit import Kit
from tests.kits.tools import wait_until


class Chain(Kit):
    """A kit in `folder` whose broker listens on `broker_port`. Everything is started by its own method."""

    ready = "recording into"
    """Said once it has the line open and the broker's ear."""

    def __init__(self, folder: Path, broker_port: int, more: str = "") -> None:
        super().__init__(folder)
        self._more, self.broker_port = more, broker_port
        self.feed: Feed | None = None
        self.epoch = 0.0
        self.refused: list[str] = []
        self.also: dict[str, str] = {}
        """What is written instead of a text of the settings file."""

    def configure(self, scenario: Scenario, port: str) -> None:
        """Write the settings file."""
        text = scenario.settings_toml(port, self.broker_port, str(self.store), self.page_port)
        for old, new in self.also.items():
            assert old in text, old
            text = text.replace(old, new)
        self.config.write_text(text + self._more)

    def play(
        self, scenario: Scenario, back_minutes: float = 0.0, live: bool = False, kind: type[Feed] = PtyFeed
    ) -> None:
        """Make the feed and start `run`: the first `back_minutes` at full speed until the present, then at real pace;
        with `live` at real pace from the start, stamped by arrival."""
        self.epoch = float(int(time.time()) - round(back_minutes * 60))
        catch_up = None if live else self.epoch
        self.feed = kind(Simulation(scenario), 1.0, self._entry, catch_up)
        self.configure(scenario, self.feed.port)
        self.start(catch_up)
        self.feed.start()

    def say(self, topic: str, value: Any) -> None:
        """A kept message as the kit would send it; None takes it back."""
        client = new_client(self.settings.mqtt, "test-kit")
        client.connect("127.0.0.1", self.broker_port)
        client.loop_start()
        raw = b"" if value is None else msgspec.json.encode(value)
        client.publish(f"tailgrain/kit1/{topic}", raw, qos=1, retain=True).wait_for_publish(5)
        client.disconnect()
        client.loop_stop()

    def rows(self, sql: str, *values: Any) -> list[Any]:
        """A question to the database, read only."""
        with readonly.opened(self.database) as db:
            db.row_factory = sqlite3.Row
            return db.execute(sql, values).fetchall()

    def entries(self, kind: str) -> list[dict[str, Any]]:
        """Kept entries of one kind."""
        rows = self.rows("SELECT body FROM record WHERE kind = 'entry' ORDER BY seq")
        return [body for row in rows if (body := msgspec.json.decode(row["body"]))["entry"] == kind]

    def second(self, t: int) -> Any:
        """The row of one second, by its end."""
        found = self.rows("SELECT * FROM second WHERE t = ?", t)
        return found[0] if found else None

    def caught_up(self, within: float = 30.0) -> None:
        """Wait until the feed has reached the present."""
        wait_until(lambda: (self.rows("SELECT max(t) AS t FROM second")[0]["t"] or 0) > time.time() - 4, within, "the present")

    def close(self) -> None:
        """End everything, newest first."""
        if self.feed is not None:
            self.feed.close()
        super().close()

    def _entry(self, entry: dict[str, Any], ms: int) -> None:
        answer = self.tell(entry)
        if not answer.get("ok"):
            self.refused.append(f"{entry}: {answer.get('why')}")


@contextlib.contextmanager
def chain(folder: Path, broker_port: int, more: str = "") -> Iterator[Chain]:
    """A chain that ends with its block."""
    made = Chain(folder, broker_port, more)
    try:
        yield made
    finally:
        made.close()

"""The real chain for tests of the page: a feed on a real line, `tailgrain run`, a broker, SQLite on disk, `tailgrain dashboard`.

Not a test. `look.py`, the browser tests and the server tests use it; the broker is theirs.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from edge.contract import settings as settings_module
from edge.keep import readonly
from edge.tell.ask import ask
from edge.tell.client import new_client
from sim_feed.run.scenario import Scenario, Simulation
from sim_feed.sending.emit import Feed, PtyFeed
from tests.kits.tools import free_port, wait_until

START_LIMIT_S = 20.0
END_LIMIT_S = 15.0


class Program:
    """One `tailgrain` command as a child, its log in a file."""

    def __init__(self, verb: str, *arguments: str, log: Path, environment: dict[str, str] | None = None) -> None:
        self.log = log
        command = [sys.executable, "-m", "edge", verb, *arguments]
        with log.open("ab") as out:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=out, env={**os.environ, **(environment or {})}
            )

    def said(self) -> str:
        """Its log so far."""
        return self.log.read_text(errors="replace")

    def stop(self, kill: bool = False) -> int:
        """End it; returns its status."""
        if self.process.poll() is None:
            self.process.kill() if kill else self.process.terminate()
        try:
            return self.process.wait(timeout=END_LIMIT_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise AssertionError(f"did not end when asked:\n{self.said()}") from None


class Chain:
    """A kit in `folder` whose broker listens on `broker_port`. Everything is started by its own method."""

    def __init__(self, folder: Path, broker_port: int, more: str = "") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self._more = folder, more
        self.broker_port, self.page_port = broker_port, free_port()
        self.config = folder / "kit.toml"
        self.programs: dict[str, Program] = {}
        self.feed: Feed | None = None
        self.epoch = 0.0
        self.refused: list[str] = []
        self.also: dict[str, str] = {}
        """What is written instead of a text of the settings file."""

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.page_port}"

    @property
    def database(self) -> Path:
        return self.folder / "state" / "tailgrain.db"

    def configure(self, scenario: Scenario, port: str) -> None:
        """Write the settings file."""
        text = scenario.settings_toml(port, self.broker_port, str(self.folder / "state"), self.page_port)
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
        self.run(stamped_by_board=not live)
        self.feed.start()

    def run(self, stamped_by_board: bool = False) -> Program:
        """Start the daemon and wait until it has the line open and the broker's ear."""
        stamps = ["--stamps", f"board={self.epoch:.0f}"] if stamped_by_board else []
        log = self.folder / "run.log"
        before = log.read_text().count("recording into") if log.exists() else 0
        program = Program("run", "--config", str(self.config), *stamps, log=log)
        self.programs["run"] = program
        wait_until(lambda: program.said().count("recording into") > before or program.process.poll() is not None, START_LIMIT_S)
        assert program.process.poll() is None, program.said()
        return program

    def dashboard(self, environment: dict[str, str] | None = None) -> Program:
        """Start the page's server and wait until it answers."""
        program = Program("dashboard", "--config", str(self.config), log=self.folder / "dashboard.log", environment=environment)
        self.programs["dashboard"] = program
        wait_until(lambda: program.process.poll() is not None or self.answers(), START_LIMIT_S, what="the page")
        assert program.process.poll() is None, program.said()
        return program

    def answers(self) -> bool:
        """Whether the page's server answers."""
        try:
            with urllib.request.urlopen(f"{self.url}/", timeout=2) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def tell(self, entry: dict[str, Any]) -> dict[str, Any]:
        """An entry by the command line's road."""
        settings = settings_module.load(self.config)
        return ask(settings.mqtt, settings.machine.kit, entry)

    def say(self, topic: str, value: Any) -> None:
        """A kept message as the kit would send it; None takes it back."""
        client = new_client(settings_module.load(self.config).mqtt, "test-kit")
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
        for program in reversed(self.programs.values()):
            program.stop()

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

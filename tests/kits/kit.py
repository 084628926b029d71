"""The one kit that tests run: `tailgrain run`, and where asked `tailgrain dashboard`, as child processes in a folder."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import urllib.request
from contextlib import closing
from pathlib import Path
from typing import Any, Self

from edge.contract import settings as settings_module
from edge.contract.settings import Settings
from edge.keep.store import FILE_NAME
from edge.tell.ask import ask
from tests.kits.board import Board
from tests.kits.tools import free_port, wait_until

START_LIMIT_S = 20.0
END_LIMIT_S = 20.0


def rows(database: Path, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """A question to a database, through a connection of its own that can't write."""
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=10)) as connection:
        return connection.execute(sql, values).fetchall()


class Program:
    """One `tailgrain` command as a child, its log in a file."""

    def __init__(self, verb: str, *arguments: str, log: Path, environment: dict[str, str] | None = None) -> None:
        self.begin([sys.executable, "-m", "edge", verb, *arguments], log, environment)

    def begin(self, command: list[str], log: Path, environment: dict[str, str] | None = None) -> None:
        self.log = log
        with log.open("ab") as out:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=out, env={**os.environ, **(environment or {})}
            )

    @property
    def alive(self) -> bool:
        return self.process.poll() is None

    def said(self) -> str:
        """Its log so far."""
        return self.log.read_text(errors="replace")

    def stop(self, kill: bool = False) -> int:
        """End it; returns its status."""
        return self.end(signal.SIGKILL if kill else signal.SIGTERM)

    def end(self, number: int) -> int:
        """Signal it, unless it has ended, and wait; returns its status."""
        if self.alive:
            self.process.send_signal(number)
        try:
            return self.process.wait(timeout=END_LIMIT_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise AssertionError(f"did not end when asked:\n{self.said()}") from None


class Kit:
    """A kit in a folder of its own, on a `board` if the test has one; `start` again is the next power-up."""

    ready = ": open"
    """What the log says once the kit is up."""

    def __init__(self, folder: Path, toml: str = "", board: Board | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.board = folder, board
        self.config, self.store, self.log_file = folder / "kit.toml", folder / "state", folder / "run.log"
        if toml:
            self.config.write_text(toml)
        self.page_port = free_port()
        """For the settings of a kit whose dashboard is started."""
        self.programs: dict[str, Program] = {}

    # what runs

    def start(self, epoch_s: float | None = None, record: Path | None = None) -> Self:
        """Start the daemon and wait until it is up; `epoch_s` stamps by the board, `record` keeps the lines in a file."""
        assert not self.alive, "the kit already runs"
        before = len(self.log)
        self._launch(epoch_s, record)
        wait_until(lambda: self.ready in self.log[before:] or not self.alive, START_LIMIT_S, lambda: f"the kit up ({self.log})")
        assert self.alive, self.log
        return self

    def _launch(self, epoch_s: float | None, record: Path | None) -> None:
        options = [] if epoch_s is None else ["--stamps", f"board={epoch_s:.0f}"]
        options += [] if record is None else ["--record", str(record)]
        self.programs["run"] = Program("run", "--config", str(self.config), *options, log=self.log_file)

    @property
    def alive(self) -> bool:
        return "run" in self.programs and self.programs["run"].alive

    @property
    def pid(self) -> int | None:
        return self.programs["run"].process.pid if "run" in self.programs else None

    def end(self, number: int) -> int | None:
        """Signal the daemon and wait until it is gone; returns its status, if it has one."""
        return self.programs["run"].end(number) if "run" in self.programs else None

    def stop(self) -> int | None:
        """End it as a service manager does."""
        return self.end(signal.SIGTERM)

    def kill(self) -> int | None:
        """End it as a power cut does."""
        return self.end(signal.SIGKILL)

    def dashboard(self, environment: dict[str, str] | None = None) -> Program:
        """Start the page's server and wait until it answers."""
        program = Program("dashboard", "--config", str(self.config), log=self.folder / "dashboard.log", environment=environment)
        self.programs["dashboard"] = program
        wait_until(lambda: not program.alive or self.answers(), START_LIMIT_S, what="the page")
        assert program.alive, program.said()
        return program

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.page_port}"

    def answers(self) -> bool:
        """Whether the page's server answers."""
        try:
            with urllib.request.urlopen(f"{self.url}/", timeout=2) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def close(self) -> None:
        """End everything, newest first."""
        for program in reversed(self.programs.values()):
            program.stop()
        if self.board is not None:
            self.board.close()

    # what is told to it

    @property
    def settings(self) -> Settings:
        return settings_module.load(self.config)

    def tell(self, entry: dict[str, Any]) -> dict[str, Any]:
        """An entry by the command line's road; returns the answer."""
        settings = self.settings
        return ask(settings.mqtt, settings.machine.kit, entry)

    def command(self, *arguments: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        """A `tailgrain` command with this kit's settings, run to its end."""
        done = subprocess.run(
            [sys.executable, "-m", "edge", *arguments, "--config", str(self.config)],
            capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=40, check=False,
        )  # fmt: skip
        assert not check or done.returncode == 0, done.stderr
        return done

    # what came of it

    @property
    def log(self) -> str:
        return self.log_file.read_text(errors="replace") if self.log_file.exists() else ""

    @property
    def database(self) -> Path:
        return self.store / FILE_NAME

    def query(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows of the database, read only; none while there is no database or no table yet."""
        if not self.database.exists():
            return []
        try:
            return rows(self.database, sql, *values)
        except sqlite3.OperationalError as fault:
            if "no such table" in str(fault):
                return []
            raise

    def bodies(self, kind: str) -> list[dict[str, Any]]:
        return [json.loads(row[0]) for row in self.query("SELECT body FROM record WHERE kind = ? ORDER BY seq", kind)]

    def alerts(self, rule: str) -> list[str]:
        """States that an alert went through, on record."""
        return [body["state"] for body in self.bodies("alert") if body["rule"] == rule]

    def waiting(self) -> int:
        """Messages in the outbox."""
        return int(self.query("SELECT count(*) FROM outbox")[0][0])

    def told(self) -> list[int]:
        """Numbers of the records that go through the outbox."""
        return [row[0] for row in self.query("SELECT seq FROM record WHERE kind IN ('minute', 'entry') ORDER BY seq")]

    def last_t(self) -> int:
        """The end of the newest second kept (epoch seconds), 0 before the first."""
        found = self.query("SELECT max(t) FROM second")
        return found[0][0] or 0 if found else 0

    def until_kept(self, t: int, within: float = 20.0) -> None:
        """Wait until the second that ends then is on disk."""
        wait_until(lambda: self.last_t() >= t, within, lambda: f"the last second kept: {self.last_t()} instead of {t}")

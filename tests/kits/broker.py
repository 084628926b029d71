"""A real mosquitto on a loopback port."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kits.tools import free_port, need_tool, wait_until


class Broker:
    """A real mosquitto on a loopback port; `stop` and `start` again keep the port.

    `username` and `password` close it to everybody else; `lines` are further lines of its configuration file.
    """

    host = "127.0.0.1"

    def __init__(
        self,
        program: str,
        folder: Path,
        username: str | None = None,
        password: str | None = None,
        lines: list[str] | None = None,
    ) -> None:
        self.program = program
        self.folder = folder
        self.username = username
        self.password = password
        self.lines = lines or []
        self.port = 0
        self.password_file = folder / "password"  # as [mqtt] password_file of the settings wants it
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)

    @property
    def log(self) -> str:
        """What the broker has said so far."""
        path = self.folder / "mosquitto.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def _configure(self) -> Path:
        lines = [f"listener {self.port} {self.host}", "persistence false", "log_dest stderr", *self.lines]
        if os.geteuid() == 0:
            # As root it would drop to a user who can't read what root keeps in a 0600 file.
            lines.append("user root")
        if self.username is None:
            lines.append("allow_anonymous true")
        else:
            known = self.folder / "users"
            subprocess.run(
                [need_tool("mosquitto_passwd"), "-c", "-b", known, self.username, self.password or ""],
                check=True,
                capture_output=True,
            )
            self.password_file.write_text(f"{self.password or ''}\n")
            self.password_file.chmod(0o600)
            lines += ["allow_anonymous false", f"password_file {known}"]
        path = self.folder / "mosquitto.conf"
        path.write_text("\n".join(lines) + "\n")
        return path

    def start(self) -> None:
        """Start it and wait until it accepts connections."""
        assert self._process is None, "the broker already runs"
        wished = self.port
        for _ in range(5):
            self.port = wished or free_port()
            config = self._configure()
            with (self.folder / "mosquitto.log").open("ab") as log:
                self._process = subprocess.Popen(
                    [self.program, "-c", config], stdin=subprocess.DEVNULL, stdout=log, stderr=log
                )
            found = wait_until(lambda: self._accepts() or self._ended(), within=10.0, what="start of mosquitto")
            if found == "accepts":
                return
            self._process.wait()
            self._process = None  # somebody took the port between the look and the start: take another
        pytest.fail(f"mosquitto does not start:\n{self.log}")

    def _accepts(self) -> str:
        try:
            with socket.create_connection((self.host, self.port), timeout=1.0):
                return "" if self._ended() else "accepts"
        except OSError:
            return ""

    def _ended(self) -> str:
        assert self._process is not None
        return "ended" if self._process.poll() is not None else ""

    def stop(self) -> None:
        """End it as a service manager does; clients see a closed connection. Stopping twice does no harm."""
        self._end(kill=False)

    def kill(self) -> None:
        """End it as a power cut does."""
        self._end(kill=True)

    def _end(self, kill: bool) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if kill:
            process.kill()
        else:
            process.terminate()
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            pytest.fail(f"mosquitto did not end when asked:\n{self.log}")


@contextlib.contextmanager
def broker(folder: Path) -> Iterator[Broker]:
    """A running broker for a block."""
    made = Broker(need_tool("mosquitto"), folder)
    made.start()
    try:
        yield made
    finally:
        made.stop()

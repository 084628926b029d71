"""What every test may ask for: a tool that must be there, a real broker, a condition that must come true in time."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import pytest
from hypothesis import HealthCheck, settings

T = TypeVar("T")
STOOD_STILL_S = 0.5
"""Longer than this between two looks, 10 ms apart by intent: the process got no processor, or the machine stood still."""
IN_CI = os.environ.get("CI", "").lower() in {"1", "true", "yes"}

# A slow board must not turn a right answer into a failure, and everybody's run must give the same answer: examples are drawn
# alike everywhere. `make hunt` draws at random.
settings.register_profile("hunt", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True)
settings.register_profile("alike", parent=settings.get_profile("hunt"), derandomize=True, database=None)
settings.load_profile("hunt" if os.environ.get("TAILGRAIN_HUNT") else "alike")


def find_tool(tool: str) -> str | None:
    """Path of a program, looked for where Debian puts services too (/usr/sbin is not on everybody's PATH)."""
    return shutil.which(tool, path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin"]))


def need_tool(tool: str) -> str:
    """Path of a program the test can't do without: missing is a failure in CI and a skip at the desk."""
    found = find_tool(tool)
    if found is not None:
        return found
    said = f"{tool} is not installed; `sh .ci/setup tests` brings it"
    if IN_CI:
        pytest.fail(said)
    pytest.skip(said)


def wait_until(check: Callable[[], T], within: float = 5.0, what: str | Callable[[], str] = "") -> T:
    """First true answer of `check`, asked again and again for `within` seconds; else the test fails, saying `what`."""
    # clock_gettime, because freezegun stops time.monotonic.
    now = time.clock_gettime(time.CLOCK_MONOTONIC)
    deadline = now + within
    pause = threading.Event()
    while True:
        answer = check()
        if answer:
            return answer
        before, now = now, time.clock_gettime(time.CLOCK_MONOTONIC)
        deadline += max(0.0, now - before - STOOD_STILL_S)  # what is waited for stood still with us
        if now >= deadline:
            said = what if isinstance(what, str) else what()
            pytest.fail(f"{said or 'the condition'} did not come true within {within} s; last answer: {answer!r}")
        pause.wait(0.01)


def free_port() -> int:
    """A loopback TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


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


@pytest.fixture
def need() -> Callable[[str], str]:
    """`need("chromium")` is its path; a missing tool fails in CI and skips at the desk."""
    return need_tool


@pytest.fixture
def eventually() -> Callable[..., Any]:
    """`eventually(check, within=5.0, what="")` is the first true answer of `check`, or the test fails."""
    return wait_until


@pytest.fixture
def mosquitto(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Broker]:
    """A running `Broker`, open to everybody unless told otherwise.

    `@pytest.mark.parametrize("mosquitto", [{"username": "kit", "password": "..."}], indirect=True)` closes it;
    `{"lines": [...]}` adds to its configuration.
    """
    broker = Broker(need_tool("mosquitto"), tmp_path / "mosquitto", **getattr(request, "param", {}))
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()

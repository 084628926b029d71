"""What tests wait for and look for: a program that must be installed, a condition that must come true, a free port."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from collections.abc import Callable
from typing import Any, TypeVar

import pytest

T = TypeVar("T")
STOOD_STILL_S = 0.5
"""Longer than this between two looks, 10 ms apart by intent: the process got no processor, or the machine stood still."""
IN_CI = os.environ.get("CI", "").lower() in {"1", "true", "yes"}


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


def passing(check: Callable[[], Any], within: float, what: str | Callable[[], str]) -> float:
    """Seconds until a check came true."""
    began = time.monotonic()
    wait_until(check, within, what)
    return time.monotonic() - began


def free_port() -> int:
    """A loopback TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])

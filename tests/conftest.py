"""What every test may ask for: a tool that must be there, a real broker, a condition that must come true in time."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.kits.broker import Broker
from tests.kits.tools import need_tool, wait_until

# A slow board must not turn a right answer into a failure, and everybody's run must give the same answer: examples are drawn
# alike everywhere. `make hunt` draws at random.
settings.register_profile("hunt", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True)
settings.register_profile("alike", parent=settings.get_profile("hunt"), derandomize=True, database=None)
settings.load_profile("hunt" if os.environ.get("TAILGRAIN_HUNT") else "alike")

# A shell that starts `make test` in the background has it, and every program under test, ignore Ctrl-C.
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


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


@pytest.fixture(autouse=True, scope="module")
def nothing_is_left_open() -> Iterator[None]:
    """What a module left open (a database, a socket) is collected while its own tests still run, so that it is blamed for it."""
    yield
    gc.collect()

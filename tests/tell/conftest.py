"""Parts that are closed, ended or killed when their test is over."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.kits.broker import Broker
from tests.kits.parts import Board, Kit


@pytest.fixture
def opened() -> Iterator[Callable[[Any], Any]]:
    """Closes, ends or kills at the end whatever was handed to it."""
    things: list[Any] = []

    def keep(thing: Any) -> Any:
        things.append(thing)
        return thing

    yield keep
    for thing in reversed(things):
        if isinstance(thing, Kit):
            if thing.process is not None and thing.process.poll() is None:
                thing.process.kill()
                thing.process.wait()
        elif isinstance(thing, Broker):
            thing.stop()
        else:
            thing.close()


@pytest.fixture
def kit(tmp_path: Path, mosquitto: Broker, opened: Callable[[Any], Any]) -> Kit:
    board = opened(Board())
    made: Kit = opened(Kit(tmp_path, board, mosquitto.port))
    return made

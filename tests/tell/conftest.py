"""Parts that are closed, ended or killed when their test is over."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.kits.board import field_board
from tests.kits.broker import Broker
from tests.kits.kit import Kit
from tests.tell.kits import on_board


@pytest.fixture
def opened() -> Iterator[Callable[[Any], Any]]:
    """Closes, ends or kills at the end whatever was handed to it."""
    things: list[Any] = []

    def keep(thing: Any) -> Any:
        things.append(thing)
        return thing

    yield keep
    for thing in reversed(things):
        if isinstance(thing, Broker):
            thing.stop()
            continue
        if isinstance(thing, Kit):
            thing.kill()
        thing.close()


@pytest.fixture
def kit(tmp_path: Path, mosquitto: Broker, opened: Callable[[Any], Any]) -> Kit:
    made: Kit = opened(on_board(tmp_path, field_board(), mosquitto))
    return made

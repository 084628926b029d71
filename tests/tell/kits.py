"""The kit that the tests of the topics run, on a board that sends as fast as it is read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.kits.board import Board
from tests.kits.broker import Broker
from tests.kits.kit import Kit
from tests.kits.settings import WHEAT, WIRED, kit_toml, places

EPOCH = 1_790_000_000


def toml_of(board: Board, broker: Broker, store: Path, login: dict[str, str] | None = None, **said: Any) -> str:
    where = places(board.port, broker.port, store, **(login or {}))
    return kit_toml(WIRED, kit="kit7", crop=WHEAT, more=where, **said)


def on_board(folder: Path, board: Board, broker: Broker, login: dict[str, str] | None = None, **said: Any) -> Kit:
    """A kit on that board; it closes the board with itself."""
    return Kit(folder, toml_of(board, broker, folder / "state", login, **said), board)

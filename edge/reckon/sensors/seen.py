"""What the sensors of an input kind are given each second, and what they must offer."""

from __future__ import annotations

from typing import Any, NamedTuple, Protocol

from edge.feed.assembler import Second
from edge.reckon.sensors.workstate import State


class SecondSeen(NamedTuple):
    """One closed second, summed: counts by place, exposure in ms, in all, with the front down and with the thresher on.

    `front_known`: the front's level is wired, so a raised front is known and not inferred.
    """

    second: Second
    counts: list[int]
    ms: int
    front_ms: int
    threshing_ms: int
    state: State
    lag_s: float
    front_known: bool

    def count(self, at: int) -> int:
        """What came in at a place; 0 where the counter sends no such input."""
        return self.counts[at] if at < len(self.counts) else 0

    @property
    def at_work(self) -> bool:
        """Whether crop is in front of the machine."""
        return self.state in ("working", "filling")


class InputSensors(Protocol):
    """All inputs of one kind on one kit; made from their settings in order of place, none if none is wired."""

    def step(self, seen: SecondSeen) -> None:
        """Take one closed second."""

    def live(self, silent: bool) -> dict[str, Any]:
        """What stands in the `live` object, by key; nothing where none is wired. `silent`: no counts arrive."""

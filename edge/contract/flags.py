"""The words of `flags`: what to keep in mind about a second's figures."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Flag(StrEnum):
    """Each flag by its words."""

    HALF_BLIND = "half-blind"
    BLIND = "blind"
    SATURATED = "saturated"
    SPLIT_ASSUMED = "split assumed"
    NO_FACTOR = "no factor"
    TYPED_YIELD = "pct from typed yield"
    NO_GROUND_SPEED = "no ground speed"
    JUDGED_FROM_PULSES = "work judged from pulses"
    MILL_BYPASSED = "mill bypassed in tray tests"
    CALIBRATION_STALE = "calibration stale"


class RaisedFlag(NamedTuple):
    """A flag that holds now; `point`: the loss point that is meant, empty where none is."""

    flag: Flag
    point: str = ""

    @property
    def text(self) -> str:
        """As it is published and kept: the words, then the point."""
        return f"{self.flag} {self.point}" if self.point else self.flag.value

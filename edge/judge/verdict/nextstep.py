"""What to do after a setting change: decided once, here. The words of a verdict and advice both follow it.

Where a verdict may still come, the settings stay as they are; where none can come any more, nobody waits for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any, Literal

from edge.reckon.entered.inforce import same_value

BEFORE_MIN = 8.0
"""Steady work wanted under the present settings before the next change: its verdict compares with them."""

WAIT_MIN = 20.0
"""After so much steady work a verdict that is still open is waited for no longer: the next step is the larger one."""

WORTH_WAITING_MIN = 15.0
"""A verdict that needs more minutes than these is not waited for."""

Value = float | str | None


@dataclass(frozen=True, slots=True)
class NextStep:
    """`keep` the new value; put it `back`; `weigh` what was gained on the ground against the tank, and go half way back if
    it cost more; `wait`, changing nothing, until `minutes` of steady work are done; lay a `tray`, changing nothing; `free`:
    the verdict asks for nothing. `to`: the value to keep, or to go to (None: not known)."""

    step: Literal["keep", "back", "weigh", "wait", "tray", "free"]
    to: Value = None
    minutes: int | None = None

    def to_plain(self) -> dict[str, Any]:
        """As `compare` answers it."""
        return {"step": self.step, "to": self.to, "minutes": self.minutes}

    @property
    def holds(self) -> bool:
        """Whether nothing is to be changed meanwhile."""
        return self.step in ("wait", "tray")


def next_step(
    verdict: str,
    key: str,
    was: Value,
    to: Value,
    standing_min: float,
    minutes_more: float | None = None,
    *,
    is_small: bool = False,
    is_judgeable: bool = True,
    wants_tray: bool = False,
    returned: bool = False,
) -> NextStep:
    """What to do after setting `key` went from `was` to `to` and got this verdict.

    `standing_min`: steady work since the setting stands there. `is_judgeable`: the change can still be judged, with enough
    work before it and no other change beside it. `wants_tray`: tray tests are what the verdict lacks. `returned`: the
    change undid an earlier one, so nobody waits for its verdict.
    """
    if verdict == "better":
        return NextStep("keep", to)
    if verdict == "worse":
        return NextStep("back", was)
    if verdict == "mixed":
        return NextStep("weigh", half_way(was, to, key))
    if not is_judgeable:
        return NextStep("free")
    is_long = standing_min >= WAIT_MIN
    if wants_tray and not is_long:
        return NextStep("tray", to)
    until = BEFORE_MIN
    if not returned and not is_long:
        if verdict == "not enough data":
            until = max(until, standing_min + (minutes_more or 1.0))
        elif minutes_more is not None and minutes_more <= WORTH_WAITING_MIN and not is_small:
            until = max(until, standing_min + minutes_more)
    return NextStep("wait", to, ceil(until)) if standing_min < until else NextStep("free")


def rounded(value: float, key: str) -> float:
    """A value as it can be set: 5 rpm, 0.1 km/h, half a millimetre."""
    if key.endswith("_rpm"):
        return float(round(value / 5) * 5)
    return round(value, 1) if key == "speed_kmh" else round(2 * value) / 2


def half_way(was: Value, to: Value, key: str) -> Value:
    """The value half way back; where nothing lies between, all the way."""
    if not isinstance(was, float | int) or not isinstance(to, float | int):
        return was
    middle = rounded((was + to) / 2, key) if not key.startswith("other") else (was + to) / 2
    return was if same_value(middle, to) or same_value(middle, was) else middle

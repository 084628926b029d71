"""A question about an entry that is hardly meant so, and how a slip of unit or digit is guessed."""

from __future__ import annotations

from collections.abc import Iterable
from math import inf
from typing import Any, NamedTuple

INCH_M = 0.0254
FOOT_M = 0.3048
CM_M = 0.01
NEXT_TO_NOTHING = 1e-9
"""A value this many times smaller is of no machine, and nothing is divided by it."""


class HardlyMeant(NamedTuple):
    """What is asked before an entry is kept, in words with figures; `suggest`: whole keys of the entry as they were perhaps
    meant, None where nothing can be guessed. Asking refuses nothing: the same entry with `sure` is kept."""

    words: str
    suggest: dict[str, Any] | None = None


def meant(words: str, key: str, value: float | None, said: str = "{:g}") -> HardlyMeant:
    """A question that ends with the guess for one key, if there is one; `said` puts the guess in words."""
    if value is None:
        return HardlyMeant(words)
    return HardlyMeant(f"{words} Did you mean {said.format(value).strip()}?", {key: value})


def digits_off(value: float, low: float, high: float, powers: Iterable[float] = (0.1, 10.0, 0.01, 100.0)) -> float | None:
    """The value with its decimal point moved into a range; None where no move brings it there."""
    return next((round(value * power, 6) for power in powers if low <= value * power <= high), None)


def times(value: float, usual: float) -> float:
    """How many times one value is the other, always 1 or more; both over 0, and one that is next to nothing is endless times."""
    small, large = sorted((value, usual))
    return large / small if small > NEXT_TO_NOTHING * large else inf


def length(value_m: float) -> str:
    """A length in words, to the centimetre or, where it is shorter, to the millimetre."""
    return f"{value_m:.2f} m" if value_m < 1 and round(value_m, 2) == round(value_m, 4) else f"{value_m:.3g} m"

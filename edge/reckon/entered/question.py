"""A question about an entry that is hardly meant so, and how a slip of unit or digit is guessed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

INCH_M = 0.0254
FOOT_M = 0.3048
CM_M = 0.01


class Question(NamedTuple):
    """What is asked before an entry is kept, in words with figures; `suggest`: whole keys of the entry as they were perhaps
    meant, None where nothing can be guessed. Asking refuses nothing: the same entry with `sure` is kept."""

    words: str
    suggest: dict[str, Any] | None = None


def meant(words: str, key: str, value: float | None, said: str = "{:g}") -> Question:
    """A question that ends with the guess for one key, if there is one; `said` puts the guess in words."""
    if value is None:
        return Question(words)
    return Question(f"{words} Did you mean {said.format(value).strip()}?", {key: value})


def digits_off(value: float, low: float, high: float, powers: Iterable[float] = (0.1, 10.0, 0.01, 100.0)) -> float | None:
    """The value with its decimal point moved into a range; None where no move brings it there."""
    return next((round(value * power, 6) for power in powers if low <= value * power <= high), None)


def metres_meant(value: float, low_m: float, high_m: float, us: bool) -> float | None:
    """A length typed as metres that was perhaps read in centimetres, inches or feet: in metres, within a range.

    Whole feet in inches (12, 24, 36, 48) are taken for inches even where the page shows metres; from memory of tape measures.
    """
    is_feet_in_inches = value % 12 == 0 and value % 10 != 0
    small = (INCH_M, CM_M) if us or is_feet_in_inches else (CM_M, INCH_M)
    order = (FOOT_M, *small) if us else (*small, FOOT_M)
    return next((round(value * unit, 3) for unit in order if low_m <= value * unit <= high_m), None)


def times(value: float, usual: float) -> float:
    """How many times one value is the other, always 1 or more; both over 0."""
    return max(value / usual, usual / value)


def length(value_m: float) -> str:
    """A length in words, to the centimetre or, where it is shorter, to the millimetre."""
    return f"{value_m:.2f} m" if value_m < 1 and round(value_m, 2) == round(value_m, 4) else f"{value_m:.3g} m"

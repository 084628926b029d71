"""The ratio of two Poisson rates with its exact central interval.

Given the sum of both counts, the first is binomial; the Clopper-Pearson interval of its share, turned into a ratio of
rates, is exact whatever the counts (M. P. Fay, "Testing the Ratio of Two Poisson Rates").
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from edge.contract.allowed import InWords
from edge.contract.refusal import Refusal, value_found
from edge.reckon.statistics.quantiles import beta_quantile


class RateOutside(ValueError):
    """A number of the question is outside of what it can be; `refusal` says which."""

    def __init__(self, key: str, found: float, allowed: str) -> None:
        self.refusal = Refusal((key,), value_found(found, f"{found:g}"), InWords((allowed,)))
        super().__init__(self.refusal.line())


@dataclass(frozen=True)
class RateRatio:
    """Rate of the first over the second; None where nothing bounds it."""

    ratio: float | None
    low: float
    high: float | None


def rate_ratio(events: tuple[float, float], exposure: tuple[float, float], level: float = 0.95) -> RateRatio:
    """Ratio of rates with its exact central interval.

    `events` are whole counts, `exposure` in any one unit over 0. Raises RateOutside, which names what is outside.
    """
    for count in events:
        if not (0 <= count <= 1e9 and count == math.floor(count)):
            raise RateOutside("events", count, "whole numbers from 0 to 1e9")
    for one in exposure:
        if not (one > 0 and math.isfinite(one)):
            raise RateOutside("exposure", one, "numbers over 0")
    if not 0 < level < 1:
        raise RateOutside("level", level, "over 0 and under 1")
    return central(events, exposure, level)


def central(events: tuple[float, float], exposure: tuple[float, float], level: float) -> RateRatio:
    """The same from numbers known to be fit; `events` (>= 0) may be counts divided by what they scatter too much."""
    first, second = events
    scale = exposure[1] / exposure[0]
    tail = (1 - level) / 2
    low = 0.0 if first == 0 else scale * _odds(tail, first, second + 1)
    high = None if second == 0 else scale / _odds(tail, second, first + 1)
    ratio = None if second == 0 else first / second * scale
    return RateRatio(ratio, low, high)


def _odds(tail: float, a: float, b: float) -> float:
    share = beta_quantile(tail, a, b)
    return share / (1 - share)

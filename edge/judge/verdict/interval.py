"""A ratio of two sides with its interval, made from logarithms or from counts, and whether two of them contradict."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, inf, log

from edge.reckon.statistics.ratio import RateRatio

APART = 3.0
"""Two intervals for one ratio that stand further apart than this contradict each other (the contract's number)."""


@dataclass(frozen=True, slots=True)
class RatioInterval:
    """`ratio` None: the side before had nothing; `high` None: nothing bounds it."""

    ratio: float | None
    low: float
    high: float | None

    @classmethod
    def of_log(cls, estimate: float, half_width: float) -> RatioInterval:
        """From a logarithm and half its interval; infinite: nothing bounds it."""
        if half_width == inf:
            return cls(exp(estimate), 0.0, None)
        return cls(exp(estimate), exp(estimate - half_width), exp(estimate + half_width))

    @property
    def distance(self) -> float:
        """How far the ratio lies from 1 (log); infinite where it is 0 or unknown."""
        return abs(log(self.ratio)) if self.ratio else inf

    def times(self, share: RateRatio) -> RatioInterval:
        """This ratio of pulses times a ratio of kernels per pulse; where a side had no kernel, both ends at their widest."""
        if not self.ratio:
            return self
        low = 0.0 if share.low <= 0 or self.low <= 0 else self.low * share.low
        high = None if share.high is None or self.high is None else self.high * share.high
        if not share.ratio:
            return RatioInterval(None if share.ratio is None else 0.0, low, high)
        ratio = self.ratio * share.ratio
        if low > 0:
            low = ratio * exp(-hypot(log(self.ratio / self.low), log(share.ratio / share.low)))
        if high is not None and self.high is not None and share.high is not None:
            high = ratio * exp(hypot(log(self.high / self.ratio), log(share.high / share.ratio)))
        return RatioInterval(ratio, low, high)

    def contradicts(self, other: RatioInterval) -> bool:
        """Whether one says better and the other worse, or they stand more than a factor of 3 apart."""
        return self._is_over(other) or other._is_over(self)

    def _is_over(self, other: RatioInterval) -> bool:
        if other.high is None:
            return False
        return self.low > APART * other.high or (self.low > 1 and other.high < 1)

    def plain(self) -> dict[str, float | None]:
        """As `compare` answers it."""
        return {"ratio": self.ratio, "low": self.low, "high": self.high}

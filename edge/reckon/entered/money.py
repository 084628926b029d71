"""What the crop's value loses: grain left behind at its price, and what a buyer takes off for trash and cracked grain.

The aim is value in the tank, not least loss: a setting that saves grain and dirties the tank can cost more than it saves.
Discounts are money per tonne and percent, as buyers print them (common practice); no currency is assumed. Unknown is None.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

DISCOUNTED = ("trash_pct", "cracked_pct")


@dataclass(slots=True)
class TankSamples:
    """Tank samples of the crop in front: the newest percent of each kind, and means over jobs.

    `at_s`: epoch seconds of the newest sample, None before any. A kind that a sample leaves out stays as it was.
    """

    at_s: float | None = None
    latest: dict[str, float] = field(default_factory=dict)
    _taken: list[tuple[int, str, float]] = field(default_factory=list)

    def add(self, percents: Mapping[str, float], at_s: float, job: int = 0) -> None:
        """Take one sample's percents by kind (`trash_pct`, `cracked_pct`); `job`: the open job, 0 for none."""
        for kind in DISCOUNTED:
            if kind in percents:
                self.at_s, self.latest[kind] = at_s, percents[kind]
                self._taken.append((job, kind, percents[kind]))

    def mean(self, job: int | None = None) -> dict[str, float]:
        """Mean percent of each kind over the samples of a job, or over all of them."""
        found = {}
        for kind in DISCOUNTED:
            values = [percent for one, name, percent in self._taken if name == kind and job in (None, one)]
            if values:
                found[kind] = sum(values) / len(values)
        return found


@dataclass(frozen=True, slots=True)
class ValueLost:
    """Money a unit (hour or hectare): machine loss at the price, discounts on the grain in the tank, and both.

    `total` is unknown unless both are: without an entered discount nobody knows what quality costs.
    """

    loss: float | None = None
    quality: float | None = None

    @property
    def total(self) -> float | None:
        """Loss and quality together."""
        return None if self.loss is None or self.quality is None else self.loss + self.quality


UNKNOWN = ValueLost()


def discount_per_t(
    percents: Mapping[str, float], trash_discount: float | None, cracked_discount: float | None
) -> float | None:
    """Money taken off a tonne in the tank: the sum of percent times discount over the discounts entered.

    None without any discount, or when a kind that is discounted has not been sampled.
    """
    per_t = 0.0
    known = False
    for kind, discount in zip(DISCOUNTED, (trash_discount, cracked_discount), strict=True):
        if discount is None:
            continue
        if kind not in percents:
            return None
        per_t, known = per_t + percents[kind] * discount, True
    return per_t if known else None


def value(lost_t: float | None, tank_t: float | None, price_per_t: float | None, per_t: float | None) -> ValueLost:
    """Value that `lost_t` tonnes lost and `tank_t` tonnes in the tank cost, each by the same unit (hour or hectare)."""
    return ValueLost(
        None if lost_t is None or price_per_t is None else lost_t * price_per_t,
        None if tank_t is None or per_t is None else tank_t * per_t,
    )

"""One closed second as advice needs it: what the counts gave, apart from what entries make of it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

from edge.reckon.figures import Figures


class AdvisedSecond(NamedTuple):
    """What advice needs of one closed second, whatever was entered. None stands for no work.

    `points` and `shafts` name what the values are of, in order: hours of these are kept, so they are shared. `levels` as of
    `Figures`.
    """

    t: int
    points: tuple[str, ...]
    levels: tuple[float, ...] | None
    pulses_per_s: tuple[float | None, ...]
    left_share: tuple[float | None, ...]
    returns_pct: float | None
    speed_kmh: float | None
    load_ha_h: float | None
    shafts: tuple[str, ...]
    rpm: tuple[float | None, ...]

    @classmethod
    def of(cls, figures: Figures) -> AdvisedSecond | None:
        """That of some figures."""
        if figures.state != "working":
            return None
        points, shafts = _shared(tuple(figures.points)), _shared(tuple(figures.shafts))
        levels, pulses = figures.levels, figures.pulses_per_s
        return cls(
            figures.t, points, None if levels is None else tuple([levels[name] for name in points]),
            tuple([pulses.get(name) for name in points]), tuple([one.left_share for one in figures.points.values()]),
            figures.returns_pct, figures.speed_kmh, figures.area_rate_ha_h, shafts, tuple(figures.shafts.values()),
        )  # fmt: skip


@lru_cache(maxsize=16)
def _shared(names: tuple[str, ...]) -> tuple[str, ...]:
    """The same object for equal names."""
    return names


class SecondJudged(NamedTuple):
    """What entries make of it: loss in kg/ha of all points and of each, limit in kg/ha, state of the calibration."""

    kg_ha: float | None
    points: Mapping[str, float | None]
    limit_kg_ha: float | None
    calibration: str

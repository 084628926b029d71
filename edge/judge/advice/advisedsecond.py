"""One closed second as advice needs it: what the counts gave, apart from what entries make of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from edge.reckon.figures import Figures


class AdvisedSecond(NamedTuple):
    """What advice needs of one closed second, whatever was entered; `levels` as of `Figures`. None stands for no work."""

    t: int
    levels: dict[str, float] | None
    pulses_per_s: dict[str, float | None]
    left_share: dict[str, float | None]
    returns_pct: float | None
    speed_kmh: float | None
    load_ha_h: float | None
    shafts: dict[str, float | None]

    @classmethod
    def of(cls, figures: Figures) -> AdvisedSecond | None:
        """That of some figures."""
        if figures.state != "working":
            return None
        return cls(
            figures.t, figures.levels, figures.pulses_per_s, {name: one.left_share for name, one in figures.points.items()},
            figures.returns_pct, figures.speed_kmh, figures.area_rate_ha_h, figures.shafts,
        )  # fmt: skip


class SecondJudged(NamedTuple):
    """What entries make of it: loss in kg/ha of all points and of each, limit in kg/ha, state of the calibration."""

    kg_ha: float | None
    points: Mapping[str, float | None]
    limit_kg_ha: float | None
    calibration: str

"""Sums over a minute, a job or a capture, and the mean loss they give with its interval.

Mean loss = all machine loss from the first cut (headland drain included) over the area cut up to `lag` before the end. The
interval bounds that mean (counting, factor, width, speed), not the spread over the paddock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf, sqrt

from edge.reckon.budget import SPEED_U, WIDTH_U, Budget, Term
from edge.reckon.factor import SPLIT_U, Factors
from edge.reckon.loss import HALF_BLIND_U, MG_M2_PER_KG_HA
from edge.reckon.workstate import STATES, State

SATURATED_SHARE = 0.1
"""Share of saturated working seconds from which the upper end is unknown."""


@dataclass(slots=True)
class PointSums:
    """One point's sums: pulses (corrected, silent side stood in for), their Poisson variance, exposure of background,
    pulses counted while half blind."""

    pulses: float = 0.0
    variance: float = 0.0
    threshing_s: float = 0.0
    half_blind_pulses: float = 0.0


@dataclass(slots=True)
class CropSums:
    """What one crop gave: sums per point and the area behind them."""

    points: list[PointSums]
    area_m2: float = 0.0
    lagged_m2: float = 0.0

    def add(self, other: CropSums) -> None:
        """Add another span's sums of the same crop."""
        self.area_m2 += other.area_m2
        self.lagged_m2 += other.lagged_m2
        for mine, theirs in zip(self.points, other.points, strict=True):
            mine.pulses += theirs.pulses
            mine.variance += theirs.variance
            mine.threshing_s += theirs.threshing_s
            mine.half_blind_pulses += theirs.half_blind_pulses


@dataclass(frozen=True, slots=True)
class MeanLoss:
    """A mean with its interval and budget; None is unknown."""

    kg_ha: float | None = None
    low: float | None = None
    high: float | None = None
    pct: float | None = None
    budget: Budget | None = None


@dataclass(slots=True)
class Totals:
    """Sums of closed seconds. `names`: the loss points in order."""

    names: tuple[str, ...]
    seconds: dict[State, int] = field(default_factory=lambda: dict.fromkeys(STATES, 0))
    distance_m: float = 0.0
    area_m2: float = 0.0
    returns_blocked: float = 0.0
    returns_weight: float = 0.0
    saturated_s: int = 0
    crops: dict[int, CropSums] = field(default_factory=dict)

    def crop(self, number: int) -> CropSums:
        """The sums of one crop, made when it first appears."""
        if number not in self.crops:
            self.crops[number] = CropSums([PointSums() for _ in self.names])
        return self.crops[number]

    def add(self, other: Totals) -> None:
        """Add another span's sums to these."""
        for state, count in other.seconds.items():
            self.seconds[state] += count
        self.distance_m += other.distance_m
        self.area_m2 += other.area_m2
        self.returns_blocked += other.returns_blocked
        self.returns_weight += other.returns_weight
        self.saturated_s += other.saturated_s
        for number, sums in other.crops.items():
            self.crop(number).add(sums)

    @property
    def returns_pct(self) -> float | None:
        """Mean of the returns over working time."""
        return self.returns_blocked / self.returns_weight if self.returns_weight else None

    def mean_loss(
        self,
        factors: dict[int, Factors],
        vibration_hz: Sequence[float],
        vibration_u_hz: Sequence[float],
        dispersion: Sequence[float],
        extra_u: float,
        names: Sequence[str] | None = None,
        yield_t_ha: float | None = None,
    ) -> MeanLoss:
        """Mean machine loss of all points (or of `names`), each crop by its own factors. Unknown when a factor is.

        Per point: background in pulses/s with its standard uncertainty, and dispersion. `extra_u`: relative uncertainty
        common to all (weight of lost grain, mill).
        """
        wanted = tuple(names or self.names)
        area = sum(sums.lagged_m2 for sums in self.crops.values())
        if area <= 0:
            return MeanLoss()
        total = counting = background = blind = 0.0
        shares: list[tuple[float, float, float]] = []  # kg/ha, u, dof of each factor's part
        for number, sums in self.crops.items():
            if not any(point.pulses for point in sums.points):
                continue
            found = factors.get(number, Factors())
            parts: list[tuple[float, float, float]] = []
            for i, name in enumerate(self.names):
                if name not in wanted:
                    continue
                fit, point = found.points.get(name), sums.points[i]
                if fit is None:
                    return MeanLoss()
                scale = fit.k / MG_M2_PER_KG_HA / area
                part = max(point.pulses - vibration_hz[i] * point.threshing_s, 0.0) * scale
                total += part
                counting += dispersion[i] * point.variance * scale**2
                background += (vibration_u_hz[i] * point.threshing_s * scale) ** 2
                blind += (HALF_BLIND_U * point.half_blind_pulses * scale) ** 2
                parts.append((part, fit.u, fit.dof))
            if found.common and parts:
                parts = [(sum(part[0] for part in parts), parts[0][1], parts[0][2])]
            shares += parts
        if not shares:
            return MeanLoss(0.0, 0.0, None)
        split = len(wanted) < len(self.names) and any(found.common for found in factors.values())
        return self._with_interval(total, counting, background, blind, shares, extra_u, split, yield_t_ha)

    def _with_interval(
        self,
        total: float,
        counting: float,
        background: float,
        blind: float,
        shares: list[tuple[float, float, float]],
        extra_u: float,
        split: bool,
        yield_t_ha: float | None,
    ) -> MeanLoss:
        pct = None if yield_t_ha is None else 100 * total / (yield_t_ha * 1000 + total) if total or yield_t_ha else None
        if total <= 0:
            return MeanLoss(0.0, 0.0, None, pct)
        factor_u = sqrt(sum((part * u) ** 2 for part, u, _ in shares)) / total
        below = sum((part * u / total) ** 4 / dof for part, u, dof in shares)
        terms = [
            Term("factor (tray tests)", factor_u, factor_u**4 / below if below > 0 else inf, "further tray tests"),
            Term("weight of lost grain, mill", extra_u, inf, "weigh the catch instead of counting it"),
            Term("counting", sqrt(counting) / total, inf, "a longer job"),
            Term("width used", WIDTH_U, inf, "note part widths when they begin and end"),
            Term("ground speed", SPEED_U, inf, "a measured ground run"),
            Term("vibration background", sqrt(background) / total, inf, "an idle run with the thresher on"),
            Term("half blind", sqrt(blind) / total, inf, "mend the silent sensor"),
        ]
        if split:
            terms.append(Term("split between the points", SPLIT_U, inf, "trays that catch one point alone"))
        budget = Budget(tuple(term for term in terms if term.u > 0))
        low, high = budget.interval(total)
        known = self.saturated_s <= SATURATED_SHARE * max(self.seconds["working"], 1)
        return MeanLoss(total, low, high if known else None, pct, budget)


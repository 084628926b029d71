"""Sums over a minute, a job or a capture, and the mean loss they give with its interval.

Mean loss = all machine loss from the first cut (headland drain included) over the area cut up to `lag` before the end. The
interval bounds that mean (counting, factor, width, speed), not the spread over the paddock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf, sqrt

from edge.reckon.budget import DEAD_TIME_U, SPEED_U, WIDTH_U, Budget, Term
from edge.reckon.factor import SPLIT_U, Factors, Fit
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
        sums_of = _Sums()
        for number, sums in self.crops.items():
            if sums.area_m2 <= 0 and not any(point.pulses for point in sums.points):
                continue
            found = factors.get(number, Factors())
            chosen = [i for i, name in enumerate(self.names) if name in wanted]
            fits = [found.points.get(self.names[i]) for i in chosen]
            known = [fit for fit in fits if fit is not None]
            if len(known) < len(fits):
                return MeanLoss()
            grain = [max(point.pulses - vibration_hz[i] * point.threshing_s, 0.0) for i, point in enumerate(sums.points)]
            if found.common:  # one factor for all of them, straw clicks by their part of the pulses
                everything = sum(grain)
                clicks = known[0].clicks_m2 * sums.lagged_m2
                left = max(1 - clicks / everything, 0.0) if everything > 0 else 1.0
                u = known[0].u_at(everything / sums.lagged_m2) if sums.lagged_m2 > 0 else known[0].u
                groups = [_Group(chosen, known[0], sum(grain[i] for i in chosen) * left, u)]
            else:
                groups = [_group(i, fit, grain[i], sums.lagged_m2) for i, fit in zip(chosen, known, strict=True)]
            for group in groups:
                sums_of.add(group, sums, area, vibration_u_hz, dispersion)
            sums_of.clicks |= any(fit.clicks_m2 > 0 for fit in known)
        if not sums_of.factors:
            return MeanLoss(0.0, 0.0, None)
        split = len(wanted) < len(self.names) and any(found.common for found in factors.values())
        return self._with_interval(sums_of, extra_u, split, yield_t_ha)

    def _with_interval(self, sums: _Sums, extra_u: float, split: bool, yield_t_ha: float | None) -> MeanLoss:
        total = sums.total
        pct = None if yield_t_ha is None else 100 * total / (yield_t_ha * 1000 + total) if total or yield_t_ha else None
        if total <= 0:
            return MeanLoss(0.0, 0.0, None, pct)
        factor_u = sqrt(sum((part * u) ** 2 for part, u, _ in sums.factors)) / total
        below = sum((part * u / total) ** 4 / dof for part, u, dof in sums.factors)
        dof = factor_u**4 / below if below > 0 else inf
        named = "factor and straw clicks (tray tests)" if sums.clicks else "factor (tray tests)"
        more = "further tray tests, some at low and some at high loss" if sums.clicks else "further tray tests"
        terms = [
            Term(named, factor_u, dof, more),
            Term("weight of lost grain, mill", extra_u, inf, "weigh the catch instead of counting it"),
            Term("counting", sqrt(sums.counting) / total, inf, "a longer job"),
            Term("width used", WIDTH_U, inf, "note part widths when they begin and end"),
            Term("ground speed", SPEED_U, inf, "a measured ground run"),
            Term("vibration background", sqrt(sums.background) / total, inf, "an idle run with the thresher on"),
            Term("dead time", DEAD_TIME_U * sums.hidden / total, inf, "tray tests at the pulse rates of the job"),
            Term("one side silent", sqrt(sums.blind) / total, inf, "mend the silent sensor"),
        ]
        if split:
            terms.append(Term("split between the points", SPLIT_U, inf, "trays that catch one point alone"))
        budget = Budget(tuple(term for term in terms if term.u > 0))
        low, high = budget.interval(total)
        known = self.saturated_s <= SATURATED_SHARE * max(self.seconds["working"], 1)
        return MeanLoss(total, low, high if known else None, pct, budget)


@dataclass(slots=True)
class _Group:
    """Points that share a factor: their numbers, the fit, pulses that are grain, and the relative u of the factor there."""

    points: list[int]
    fit: Fit
    pulses: float
    u: float


def _group(i: int, fit: Fit, grain: float, lagged_m2: float) -> _Group:
    left = max(grain - fit.clicks_m2 * lagged_m2, 0.0)
    return _Group([i], fit, left, fit.u_at(grain / lagged_m2) if lagged_m2 > 0 else fit.u)


@dataclass(slots=True)
class _Sums:
    """Mean loss in kg/ha and the variances of its parts (kg/ha squared). `factors`: part, relative u and dof of each factor;
    `hidden`: kg/ha that a relative change of the dead time would make."""

    total: float = 0.0
    counting: float = 0.0
    background: float = 0.0
    blind: float = 0.0
    hidden: float = 0.0
    clicks: bool = False
    factors: list[tuple[float, float, float]] = field(default_factory=list)

    def add(
        self, group: _Group, sums: CropSums, area_m2: float, vibration_u_hz: Sequence[float], dispersion: Sequence[float]
    ) -> None:
        """Add the points of one crop that share a factor."""
        scale = group.fit.k / MG_M2_PER_KG_HA / area_m2
        part = group.pulses * scale
        self.total += part
        self.factors.append((part, group.u, group.fit.dof))
        hidden = 0.0
        for i in group.points:
            point = sums.points[i]
            self.counting += dispersion[i] * point.variance * scale**2
            self.background += (vibration_u_hz[i] * point.threshing_s * scale) ** 2
            self.blind += (HALF_BLIND_U * point.half_blind_pulses * scale) ** 2
            hidden += (point.variance - point.pulses) * scale  # see Measured.hidden_m
        # What the tests saw too is in the factor; conditioners of one make are off together, so points add.
        self.hidden += abs(hidden - part * group.fit.hidden)

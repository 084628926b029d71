"""Sums over a minute, a job or a capture, and the mean loss they give with its interval.

Mean loss = all machine loss from the first cut (headland drain included) over the area cut up to `lag` before the end. The
interval bounds that mean (counting, factor, width, speed), not the spread over the paddock. Ground on which a point was blind
(every sensor of it silent) is left out of that point's area: nothing was seen there, which is not no loss.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf, sqrt
from typing import NamedTuple

from edge.reckon.fit.factor import SPLIT_U, Factors, Fit
from edge.reckon.loss import MG_M2_PER_KG_HA
from edge.reckon.sensors.workstate import STATES, State
from edge.reckon.statistics.budget import DEAD_TIME_U, HALF_BLIND_U, SPEED_U, WIDTH_U, Budget, Term, effective_dof, source_u

SATURATED_SHARE = 0.1
"""Share of saturated working seconds from which the upper end is unknown."""

SEEN_SHARE = 0.1
"""Share of the ground that a point must have seen for a mean of it (from memory)."""


@dataclass(slots=True)
class PointSums:
    """One point's sums: pulses (corrected, silent side stood in for), their Poisson variance, exposure of background,
    pulses counted while half blind, and ground of which the point saw nothing."""

    pulses: float = 0.0
    variance: float = 0.0
    threshing_s: float = 0.0
    half_blind_pulses: float = 0.0
    blind_m2: float = 0.0


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
            mine.blind_m2 += theirs.blind_m2

    def seen_m2(self, i: int) -> float:
        """Ground that point `i` saw."""
        return max(self.lagged_m2 - self.points[i].blind_m2, 0.0)


@dataclass(frozen=True, slots=True)
class MeanLoss:
    """A mean with its interval and budget; None is unknown. `seen_share`: part of the ground that the least-seeing point saw."""

    kg_ha: float | None = None
    low: float | None = None
    high: float | None = None
    pct: float | None = None
    budget: Budget | None = None
    seen_share: float | None = None


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

    def by_crop(self, crop_of: Mapping[int, int]) -> Totals:
        """The same, where what was summed under a number belongs to another crop: the one that named it was struck out."""
        if not crop_of:
            return self
        crops: dict[int, CropSums] = {}
        for number, sums in self.crops.items():
            mine = crops.setdefault(crop_of.get(number, number), CropSums([PointSums() for _ in self.names]))
            mine.add(sums)
        return replace(self, crops=crops)

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
        chosen = [i for i, name in enumerate(self.names) if name in wanted]
        area = sum(sums.lagged_m2 for sums in self.crops.values())
        seen = [sum(sums.seen_m2(i) for sums in self.crops.values()) for i in range(len(self.names))]
        if area <= 0 or any(seen[i] < SEEN_SHARE * area for i in chosen):
            return MeanLoss()
        sums_of = _Sums()
        for number, sums in self.crops.items():
            if sums.area_m2 <= 0 and not any(point.pulses for point in sums.points):
                continue
            found = factors.get(number, Factors())
            fits = [found.points.get(self.names[i]) for i in chosen]
            known = [fit for fit in fits if fit is not None]
            if len(known) < len(fits):
                return MeanLoss()
            grain = [max(point.pulses - vibration_hz[i] * point.threshing_s, 0.0) for i, point in enumerate(sums.points)]
            density = [grain[i] / sums.seen_m2(i) if sums.seen_m2(i) > 0 else 0.0 for i in range(len(grain))]
            if found.common:  # one factor for all of them, straw clicks by their part of the pulses
                groups = [_group(chosen, known[0], sum(density), known[0])]
            else:
                groups = [_group([i], fit, density[i], (fit, i)) for i, fit in zip(chosen, known, strict=True)]
            for group in groups:
                sums_of.add(group, sums, grain, seen, vibration_u_hz, dispersion)
            sums_of.clicks |= any(fit.clicks_m2 > 0 for fit in known)
        if not sums_of.factors:
            return MeanLoss(0.0, 0.0, None)
        split = len(wanted) < len(self.names) and any(found.common for found in factors.values())
        share = min(seen[i] / area for i in chosen)
        return replace(self._with_interval(sums_of, extra_u, split, yield_t_ha), seen_share=share)

    def _with_interval(self, sums: _Sums, extra_u: float, split: bool, yield_t_ha: float | None) -> MeanLoss:
        total = sums.total
        pct = None if yield_t_ha is None else 100 * total / (yield_t_ha * 1000 + total) if total or yield_t_ha else None
        if total <= 0:
            return MeanLoss(0.0, 0.0, None, pct)
        # Crops that go by one factor share its error in full; factors found apart are independent.
        parts = tuple([(u / total, dof) for u, dof in _by_factor(sums.factors)])
        factor_u = source_u([(u, source) for u, source, _ in sums.factors]) / total
        named = "factor and straw clicks (tray tests)" if sums.clicks else "factor (tray tests)"
        more = "further tray tests, some at low and some at high loss" if sums.clicks else "further tray tests"
        terms = [
            Term(named, factor_u, effective_dof(parts), more, parts if len(parts) > 1 else ()),
            Term("weight of lost grain, mill", extra_u, inf, "weigh the catch instead of counting it"),
            Term("counting", sqrt(sums.counting) / total, inf, "a longer job"),
            Term("width used", WIDTH_U, inf, "note part widths when they begin and end"),
            Term("ground speed", SPEED_U, inf, "a measured ground run"),
            Term("vibration background", source_u(sums.background) / total, inf, "an idle run with the thresher on"),
            Term("dead time", DEAD_TIME_U * sums.hidden / total, inf, "tray tests at the pulse rates of the job"),
            Term("one side silent", source_u(sums.half_blind) / total, inf, "mend the silent sensor"),
        ]
        if split:
            terms.append(Term("split between the points", SPLIT_U, inf, "trays that catch one point alone"))
        budget = Budget(tuple(term for term in terms if term.u > 0))
        low, high = budget.interval(total)
        known = self.saturated_s <= SATURATED_SHARE * max(self.seconds["working"], 1)
        return MeanLoss(total, low, high if known else None, pct, budget)


def _by_factor(found: Sequence[tuple[float, Hashable, float]]) -> list[tuple[float, float]]:
    """(u, source, dof) of every crop and point -> (u, dof) of each factor."""
    dofs = {source: dof for _, source, dof in found}
    return [(source_u([(u, one) for u, one, _ in found if one == source]), dof) for source, dof in dofs.items()]


class _Group(NamedTuple):
    """Points that share a factor: their numbers, the fit, the part of their pulses that is no straw click, the relative u of
    the factor at their pulses per m2, and what tells the factor from others."""

    points: list[int]
    fit: Fit
    left: float
    u: float
    source: Hashable


def _group(points: list[int], fit: Fit, pulses_m2: float, source: Hashable) -> _Group:
    if pulses_m2 <= 0:
        return _Group(points, fit, 1.0, fit.u, source)
    return _Group(points, fit, max(1 - fit.clicks_m2 / pulses_m2, 0.0), fit.u_at(pulses_m2), source)


@dataclass(slots=True)
class _Sums:
    """Mean loss in kg/ha, the variance of counting (kg/ha squared), and contributions in kg/ha with their sources.

    `factors`: standard uncertainty, source, dof; `background`, `half_blind` by point; `hidden`: kg/ha that a relative
    change of the dead time would make.
    """

    total: float = 0.0
    counting: float = 0.0
    hidden: float = 0.0
    clicks: bool = False
    factors: list[tuple[float, Hashable, float]] = field(default_factory=list)
    background: list[tuple[float, Hashable]] = field(default_factory=list)
    half_blind: list[tuple[float, Hashable]] = field(default_factory=list)

    def add(
        self,
        group: _Group,
        sums: CropSums,
        grain: Sequence[float],
        seen_m2: Sequence[float],
        vibration_u_hz: Sequence[float],
        dispersion: Sequence[float],
    ) -> None:
        """Add the points of one crop that share a factor. `grain`: pulses less background; `seen_m2`: ground of the job."""
        part = hidden = 0.0
        for i in group.points:
            point = sums.points[i]
            scale = group.fit.k / MG_M2_PER_KG_HA / seen_m2[i]
            part += grain[i] * group.left * scale
            self.counting += dispersion[i] * point.variance * scale**2
            self.background.append((vibration_u_hz[i] * point.threshing_s * scale, i))
            self.half_blind.append((HALF_BLIND_U * point.half_blind_pulses * scale, i))
            hidden += (point.variance - point.pulses) * scale  # see Measured.hidden_m
        self.total += part
        self.factors.append((part * group.u, group.source, group.fit.dof))
        # What the tests saw too is in the factor; conditioners of one make are off together, so points add.
        self.hidden += abs(hidden - part * group.fit.hidden)

"""Smoothed pulses per m2 and factors -> machine loss in kg/ha, %, t/h and money, each with its interval.

kg/ha = 10 x g/m2; a factor in mg per pulse times pulses per m2 is mg/m2, so kg/ha = rate * k / 100. Machine loss only: front
and shed loss never pass the sensors. Percent = machine / (tank + machine).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, inf, log, sqrt
from typing import NamedTuple

from edge.reckon.fit.factor import SPLIT_U, Factors, Fit
from edge.reckon.statistics.budget import DEAD_TIME_U, HALF_BLIND_U, SPEED_U, WIDTH_U, effective_dof, quantile, reach
from edge.reckon.statistics.quantiles import t_cdf
from edge.reckon.statistics.smoothing import Z90, SmoothedLevel

MG_M2_PER_KG_HA = 100.0
FARTHEST = 50.0
"""Bound of a log deviation: beyond it the end of an interval is 0."""


class PointLevel(NamedTuple):
    """One point's smoothed rate and what is wrong with it. `upper_known` is false while an input is saturated.

    `background_u`: standard uncertainty of the background in pulses/m2; `hidden`: d ln pulses / d ln dead time of late.
    """

    name: str
    level: SmoothedLevel
    half_blind: bool = False
    upper_known: bool = True
    background_u: float = 0.0
    hidden: float = 0.0


class Interval(NamedTuple):
    """A figure in kg/ha; `high` None: the upper end is unknown. `u_low`, `u_high`: log uncertainty to either side."""

    kg_ha: float
    low: float
    high: float | None
    u_low: float
    u_high: float
    dof: float


class MachineLoss(NamedTuple):
    """All points together (None: a point is unknown) and each by itself."""

    total: Interval | None
    points: dict[str, Interval]


def kg_ha_of(levels: Mapping[str, float], factors: Factors) -> dict[str, float]:
    """Loss in kg/ha of the points whose factor is known, by their smoothed pulses per m2 less background."""
    pulses = sum(levels.values())
    found = {}
    for name, level in levels.items():
        fit = factors.points.get(name)
        if fit is not None:
            found[name] = max(level - fit.clicks_m2 * _share(level, pulses, factors), 0.0) * (fit.k / MG_M2_PER_KG_HA)
    return found


def _share(level: float, pulses: float, factors: Factors) -> float:
    """Trays of both points tell their straw clicks together only: each point's share is that of its pulses."""
    return level / pulses if factors.common and pulses > 0 else 1.0


def machine_loss(points: Sequence[PointLevel], factors: Factors, extra_u: float = 0.0) -> MachineLoss:
    """Loss of the points whose factor is known; the total only when every point's is.

    `extra_u`: a further relative uncertainty of the factor, such as a mill that runs now and not during the tests.
    """
    each: dict[str, Interval] = {}
    sides: list[_Side] = []
    shared_u = sqrt(WIDTH_U**2 + SPEED_U**2 + extra_u**2)
    levels = {point.name: point.level.mean for point in points}
    pulses, lost = sum(levels.values()), kg_ha_of(levels, factors)
    for point in points:
        found = factors.points.get(point.name)
        if found is None:
            continue
        scale = found.k / MG_M2_PER_KG_HA
        level, low, high, background = point.level[:4]
        share = _share(level, pulses, factors)
        clicks = found.clicks_m2 * share
        x = lost[point.name]
        down, up = min((level - low) * scale, x), max(high - clicks, 0.0) * scale - x
        own_u = HALF_BLIND_U if point.half_blind else 0.0
        noise_u = point.background_u * scale / x if x > 0 else 0.0
        dead_u = 0.0
        if point.hidden or found.hidden:
            dead_u = DEAD_TIME_U * abs(point.hidden * (level + background) * scale / x - found.hidden) if x > 0 else 0.0
        clicks_kg_ha = _clicks_u(found, level if not factors.common else pulses) * share
        side = _Side(x, down, up, found, own_u, noise_u, dead_u, clicks_kg_ha)
        sides.append(side)
        split_u = SPLIT_U if factors.common else 0.0
        systematic = sqrt(found.u**2 + shared_u**2 + own_u**2 + noise_u**2 + dead_u**2 + split_u**2)
        parts = [(found.u, found.dof), (sqrt(systematic**2 - found.u**2), inf)]
        down, up = _widened(down, up, clicks_kg_ha, found.dof)
        each[point.name] = _interval(x, min(down, x), up, parts, point.upper_known)
    if len(each) < len(points) or not points:
        return MachineLoss(None, each)
    return MachineLoss(_total(sides, factors.common, shared_u, all(p.upper_known for p in points)), each)


class _Side(NamedTuple):
    """One point's loss in kg/ha, its 90 % counting deviations, its factor, and what else is uncertain.

    Relative: `own_u` half blind, `noise_u` background, `dead_u` dead time; `clicks` straw clicks in kg/ha.
    """

    x: float
    down: float
    up: float
    factor: Fit
    own_u: float
    noise_u: float
    dead_u: float
    clicks: float


def _clicks_u(found: Fit, pulses_m2: float) -> float:
    """What straw clicks add to the uncertainty of the factor, in kg/ha: near them it is no longer relative."""
    if not found.clicks_m2:
        return 0.0
    relative = found.u * found.loss_mg_m2(pulses_m2)
    return sqrt(max(found.u_mg_m2(pulses_m2) ** 2 - relative**2, 0.0)) / MG_M2_PER_KG_HA


def _widened(down: float, up: float, clicks: float, dof: float) -> tuple[float, float]:
    """Deviations joined with the 90 % deviation of straw clicks."""
    if not clicks:
        return down, up
    reach = clicks * quantile(dof)
    return sqrt(down**2 + reach**2), sqrt(up**2 + reach**2)


def _total(sides: list[_Side], common: bool, shared_u: float, upper_known: bool) -> Interval:
    x = sum([side.x for side in sides])
    down, up = sqrt(sum([side.down**2 for side in sides])), sqrt(sum([side.up**2 for side in sides]))
    # At no loss at all the shares are undefined: each point counts alike.
    shares = [side.x / x if x > 0 else 1 / len(sides) for side in sides]
    own = sum([share**2 * (side.own_u**2 + side.noise_u**2) for share, side in zip(shares, sides, strict=True)])
    # One make of conditioner: dead times are off together.
    dead = sum([share * side.dead_u for share, side in zip(shares, sides, strict=True)])
    first = sides[0].factor
    if common:  # one factor: fully correlated
        parts = [(first.u, first.dof)]
        clicks = sum([side.clicks for side in sides])
    else:
        parts = [(share * side.factor.u, side.factor.dof) for share, side in zip(shares, sides, strict=True)]
        clicks = sqrt(sum([side.clicks**2 for side in sides]))
    parts.append((sqrt(shared_u**2 + own + dead**2), inf))
    if clicks:
        down, up = _widened(down, up, clicks, min([side.factor.dof for side in sides if side.clicks]))
    return _interval(x, min(down, x), up, parts, upper_known)


def _interval(x: float, down: float, up: float, parts: list[tuple[float, float]], upper_known: bool) -> Interval:
    """Counting deviations `down` and `up` (90 % bounds minus mean) joined with the systematic parts (u, dof) on the logarithm."""
    systematic, dof = sum([u * u for u, _ in parts]), effective_dof(parts)
    if x <= 0:
        return Interval(0.0, 0.0, up * exp(reach(parts)) if upper_known else None, FARTHEST, FARTHEST, dof)
    counted_low = -log(1 - down / x) / Z90 if down < x else FARTHEST
    counted_high = log(1 + up / x) / Z90
    low = x * exp(-reach([*parts, (counted_low, inf)]))
    high = x * exp(reach([*parts, (counted_high, inf)]))
    u_low = sqrt(counted_low**2 + systematic) if down < x else FARTHEST
    return Interval(x, low, high if upper_known else None, u_low, sqrt(counted_high**2 + systematic), dof)


def over_limit_p(loss: Interval, limit_kg_ha: float) -> float:
    """Probability that the loss is over the limit, on the logarithm, by the side on which the limit lies."""
    if limit_kg_ha <= 0:
        return 1.0 if loss.kg_ha > 0 else 0.0
    if loss.kg_ha <= 0:
        return 0.05 if loss.high is not None and loss.high >= limit_kg_ha else 0.0
    distance = log(limit_kg_ha / loss.kg_ha)
    u = loss.u_high if distance > 0 else loss.u_low
    return 1.0 - t_cdf(distance / u, max(1.0, min(loss.dof, 1e6)))


def percent_of_grain(kg_ha: float, yield_t_ha: float) -> float | None:
    """Machine loss in percent of tank plus machine loss; None when both are 0."""
    whole = yield_t_ha * 1000 + kg_ha
    return 100.0 * kg_ha / whole if whole > 0 else None


class LimitBasis(NamedTuple):
    """The tighter limit's unit as it was set, `kg_ha` or `pct`, and the limit in percent of the grain; None is unknown."""

    basis: str | None
    pct: float | None


def tighter_limit(loss_kg_ha: float | None, loss_pct: float | None, yield_t_ha: float | None) -> float | None:
    """The tighter of two limits, in kg/ha; a percent limit needs a yield."""
    limits = [] if loss_kg_ha is None else [loss_kg_ha]
    if loss_pct is not None and yield_t_ha:
        limits.append(yield_t_ha * 1000 * loss_pct / (100 - loss_pct) if loss_pct < 100 else inf)
    return min(limits, default=None)


def limit_basis(kg_ha: float | None, loss_kg_ha: float | None, loss_pct: float | None, yield_t_ha: float | None) -> LimitBasis:
    """Which of two limits the tighter one `kg_ha` is, and the same in percent of the grain (None without a yield)."""
    if kg_ha is None:
        return LimitBasis(None, None)
    if loss_kg_ha is not None and loss_kg_ha <= kg_ha:
        return LimitBasis("kg_ha", percent_of_grain(kg_ha, yield_t_ha) if yield_t_ha else None)
    return LimitBasis("pct", loss_pct)

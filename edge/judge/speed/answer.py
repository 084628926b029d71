"""How fast to drive: loss against speed from deliberate steps only, and the speed at which a hectare costs least.

Drivers ease off in heavy crop, so a plain fit of loss on speed can slope the wrong way. Only the contrast around a
deliberate step (steps.py) counts: quasi-Poisson log-linear model with an intercept for each passage, so that
every passage compares with itself, and the logarithm of speed. Standard errors as in contrast.py; the answer is asked
for once and not watched, so its intervals are plain 90 % Student intervals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log, sqrt
from typing import Any

import numpy as np

from edge.judge.speed.cost import Curve, DrivingCosts, cheapest_kmh, cost_per_ha
from edge.judge.speed.steps import Passage, passages
from edge.judge.speed.words import Said, plan_kmh, said
from edge.judge.verdict import grain
from edge.judge.verdict.changes import numbered
from edge.judge.verdict.contrast import LEVEL, BlockSample, Effect, Floats, effect
from edge.judge.verdict.course import Course
from edge.judge.verdict.drift import DRIFT_LOG_SD
from edge.reckon.fit.calibration import Test
from edge.reckon.fit.factor import Factors
from edge.reckon.loss import MG_M2_PER_KG_HA
from edge.reckon.statistics.budget import effective_dof
from edge.reckon.statistics.quantiles import normal_quantile, t_quantile

BIN_KMH = 0.5
LEAST_BLOCKS = 3
"""Blocks of 10 s that make a point worth showing."""

MARGIN_KMH = 0.25
PRESENT_S = 300.0
EXPONENT_POINTS, LEVEL_POINTS = 61, 21
HELD_KMH = 0.3
"""Speed that varied by less than this (standard deviation) was held, it did not follow the crop."""


@dataclass(frozen=True, slots=True)
class SpeedEvidence:
    """What is drawn on beside the seconds: tray tests of the present crop, vibration background, width, price, limit."""

    tests: Sequence[Test]
    vibration_hz: Sequence[float]
    width_m: float
    price_per_t: float | None
    limit_kg_ha: float | None


@dataclass(frozen=True, slots=True)
class _SpeedFit:
    """The curve through the steps: exponent with its uncertainty, level at the mean speed with its own."""

    curve: Curve
    exponent: Effect
    level_u: float
    level_dof: float
    slowest: float
    fastest: float

    @property
    def exponent_t(self) -> float:
        return t_quantile(0.5 + LEVEL / 2, max(self.exponent.dof, 1.0))

    def interval(self, kmh: float) -> tuple[float, float]:
        """90 % interval of the loss at a speed."""
        u = hypot(self.level_u, log(kmh / self.curve.kmh) * self.exponent.u)
        t = t_quantile(0.5 + LEVEL / 2, max(1.0, min(self.level_dof, 1e6)))
        return self.curve.at(kmh) * exp(-t * u), self.curve.at(kmh) * exp(t * u)


def speed(course: Course, evidence: SpeedEvidence, costs: DrivingCosts) -> dict[str, Any]:
    """The contract's answer. Unknown figures are None; `why` says what stands behind it, or what is missing.

    Beside it `seen`: what was seen at each speed, whatever made the driver choose it; `plan_kmh`: steps to drive next.
    """
    factors = grain.factors_of(evidence.tests, course.points, evidence.vibration_hz)
    weights = [1.0] * len(course.points) if factors is None else [factors.points[name].k for name in course.points]
    crop = _present_crop(course)
    rates = _rates(course, crop)
    clicks = grain.clicks_m2(factors, course.points, rates)
    work = course.blocks([(0, crop, np.inf)], weights, clicks)
    told = Said(present_kmh=_present_kmh(work))
    seen = _seen_points(work, factors is not None) if len(work.side) else []
    answer = _judged(course, evidence, costs, told, _Seen(work, weights, factors, crop, seen, rates, clicks))
    return {**answer, "seen": seen, "plan_kmh": list(plan_kmh(told.present_kmh))}


@dataclass(frozen=True, slots=True)
class _Seen:
    """Work of the present crop in blocks, weights and factors of the loss points, when the crop began, points by speed."""

    work: BlockSample
    weights: list[float]
    factors: Factors | None
    crop: float
    points: list[dict[str, Any]]
    rates: list[float]
    clicks: list[float]


def _judged(course: Course, evidence: SpeedEvidence, costs: DrivingCosts, told: Said, seen: _Seen) -> dict[str, Any]:
    work, factors = seen.work, seen.factors
    found = passages(course, _other_changes(course, seen.crop))
    told.steps = sum(len(one.steps) for one in found)
    if not len(work.side):
        told.problem = "no work"
        return _answer([], [], told)
    told.slowest, told.fastest = float(work.kmh.min()), float(work.kmh.max())
    if not found:
        told.problem = "held" if float(work.kmh.std()) < HELD_KMH else "followed"
        return _answer(seen.points, [None] * len(seen.points), told)
    slope = _slope(course, found, seen.weights, seen.clicks)
    if slope is None:
        told.problem = "few pulses"
        return _answer([], [], told)
    told.exponent = (slope.estimate, slope.u, t_quantile(0.5 + LEVEL / 2, max(slope.dof, 1.0)))
    driven = [kmh for one in found for step in one.steps for kmh in (step.before_kmh, step.after_kmh)]
    told.slowest, told.fastest = min(driven), max(driven)
    if factors is None:
        told.problem = "no tray test"
        return _answer([{**point, "kg_ha": None} for point in _blank(driven)], [None] * len(_bins(driven)), told)
    fit = _level(work, slope, driven, grain.factor_terms(factors, course.points, seen.rates))
    return _costed(fit, driven, evidence, costs, told)


def _costed(fit: _SpeedFit, driven: list[float], evidence: SpeedEvidence, costs: DrivingCosts, told: Said) -> dict[str, Any]:
    points = []
    for kmh in _bins(driven):
        low, high = fit.interval(kmh)
        points.append({"kmh": kmh, "kg_ha": fit.curve.at(kmh), "low": low, "high": high})
    answer: dict[str, Any] = {}
    if evidence.limit_kg_ha is not None:
        told.limit_kg_ha = evidence.limit_kg_ha
        at_limit = fit.curve.reaches(evidence.limit_kg_ha)
        inside = at_limit is not None and fit.slowest - MARGIN_KMH <= at_limit <= fit.fastest + MARGIN_KMH
        answer["kmh_at_limit"] = at_limit if inside else None
        told.at_limit, told.loss_at = answer["kmh_at_limit"], (fit.curve.at(fit.slowest), fit.curve.at(fit.fastest))
    price, hour = evidence.price_per_t, costs.an_hour
    if price is None or hour is None:
        told.problem = "no price" if price is None else "no hourly cost"
        return _answer(points, [None] * len(points), told, answer)
    width = evidence.width_m
    best = cheapest_kmh(fit.curve, width, price, hour, fit.slowest, fit.fastest)
    low, high = _best_interval(fit, width, price, hour)
    told.best = (best, low, high)

    def cost(kmh: float) -> float:
        return cost_per_ha(fit.curve.at(kmh), kmh, width, price, hour)

    answer |= {"best_kmh": best, "best_low": low, "best_high": high}
    now = told.present_kmh
    if now is not None and fit.slowest - MARGIN_KMH <= now <= fit.fastest + MARGIN_KMH:
        answer["present_extra_per_ha"] = max(0.0, cost(now) - cost(best))
        told.extra = answer["present_extra_per_ha"]
    return _answer(points, [cost(point["kmh"]) for point in points], told, answer)


def _answer(
    points: list[dict[str, Any]], costs: Sequence[float | None], told: Said, figures: dict[str, Any] | None = None
) -> dict[str, Any]:
    empty = {"best_kmh": None, "best_low": None, "best_high": None, "present_extra_per_ha": None, "kmh_at_limit": None}
    return {
        "points": points, **empty, **(figures or {}), "cost_per_ha": list(costs), "why": said(told),
        "steps": told.steps, "present_kmh": told.present_kmh,
        "exponent": None if told.exponent is None else {"value": told.exponent[0], "u": told.exponent[1]},
        "points_are": "driven" if told.problem in ("held", "followed") else "steps",
    }  # fmt: skip


def _present_crop(course: Course) -> float:
    """Elapsed time from which the present crop is cut: the first mark that carries its number, else the beginning."""
    newest = max((mark.crop for mark in course.marks), default=1)
    began = [course.elapsed_at(mark) for mark in course.marks if mark.kind == "crop" and mark.crop == newest]
    return min(began) if began and newest > 1 else -np.inf


def _other_changes(course: Course, crop: float) -> list[tuple[float, float]]:
    """Spans in which a step would be mixed up with another change: its guard time, and an earlier crop."""
    spans = [(-np.inf, crop)] if crop > -np.inf else []
    for mark in numbered(course):
        if mark.key not in ("speed_kmh", "lag_s"):
            at = course.elapsed_at(mark)
            spans.append((at - 1.0, at + mark.guard_s))
    return spans


def _rates(course: Course, crop: float) -> list[float]:
    """Pulses per m2 of each point over the whole crop."""
    cut = course.cut([(0, crop, np.inf)])
    each = [course.weighed(cut, [float(at == i) for i in range(len(course.points))]) for at in range(len(course.points))]
    return [float(one.pulses.sum() / one.area_m2.sum()) if len(one.side) else 0.0 for one in each]


def _present_kmh(work: BlockSample) -> float | None:
    """Mean speed of the last five minutes of steady work."""
    if not len(work.side):
        return None
    from_end = np.cumsum(work.seconds[::-1])[::-1]
    newest = from_end - work.seconds < PRESENT_S
    return float((work.kmh * work.seconds)[newest].sum() / work.seconds[newest].sum())


def _bins(kmh: Sequence[float]) -> list[float]:
    """Speeds to show, on a grid of half a km/h within those driven."""
    low, high = np.ceil(min(kmh) / BIN_KMH - 0.5), np.floor(max(kmh) / BIN_KMH + 0.5)
    return [float(k * BIN_KMH) for k in range(int(low), int(high) + 1)]


def _blank(driven: Sequence[float]) -> list[dict[str, Any]]:
    return [{"kmh": kmh, "kg_ha": None, "low": None, "high": None} for kmh in _bins(driven)]


def _seen_points(work: BlockSample, calibrated: bool) -> list[dict[str, Any]]:
    """What was seen at each speed, whatever made the driver choose it."""
    at = np.round(work.kmh / BIN_KMH).astype(np.int64)
    z = normal_quantile(0.5 + LEVEL / 2)
    points = []
    for k in np.unique(at):
        mine = at == k
        n = int(mine.sum())
        if n < LEAST_BLOCKS:
            continue
        rate = float(work.pulses[mine].sum() / work.area_m2[mine].sum())
        spread = float(np.std(work.pulses[mine] / work.area_m2[mine], ddof=1)) / sqrt(n)
        kg = rate / MG_M2_PER_KG_HA if calibrated else None
        low, high = (max(0.0, rate - z * spread) / MG_M2_PER_KG_HA, (rate + z * spread) / MG_M2_PER_KG_HA)
        points.append(
            {"kmh": float(k * BIN_KMH), "kg_ha": kg, "low": low if calibrated else None, "high": high if calibrated else None}
        )
    return points


def _slope(course: Course, found: Sequence[Passage], weights: Sequence[float], clicks: Sequence[float]) -> Effect | None:
    """Exponent of loss per area over speed, each passage compared with itself."""
    spans = [(i, low, high) for i, one in enumerate(found) for low, high in one.spans]
    mean = sum(weights) / len(weights)
    work = course.blocks(spans, [weight / mean for weight in weights], clicks)
    passage = work.side
    logs = np.log(work.kmh)
    columns: list[Floats] = [(passage == i).astype(np.float64) for i in np.unique(passage)]
    for column in columns:
        mine = column > 0
        logs[mine] -= logs[mine].mean()
    return effect(work, np.maximum(work.pulses, 0.0), np.column_stack([*columns, logs]), len(columns))


def _level(work: BlockSample, slope: Effect, driven: Sequence[float], factor: Sequence[tuple[float, float]]) -> _SpeedFit:
    """The level of the curve: all work of this crop at the speeds of the steps, brought to one speed."""
    slowest, fastest = min(driven), max(driven)
    inside = (work.kmh >= slowest - MARGIN_KMH) & (work.kmh <= fastest + MARGIN_KMH)
    kmh = float(exp(np.log(work.kmh[inside]).mean()))
    exposure = work.area_m2[inside] * (work.kmh[inside] / kmh) ** slope.estimate
    rate = float(work.pulses[inside].sum() / exposure.sum())
    ratio = work.pulses[inside] / (exposure * rate)
    # Blocks of 10 s correlate over 25 s: the long-run variance is about five times theirs over their number.
    counting = 5.0 * float(ratio.var()) / len(ratio)
    terms = [*factor, (sqrt(counting + DRIFT_LOG_SD**2), 1e6)]
    level_u = sqrt(sum(u * u for u, _ in terms))
    return _SpeedFit(Curve(kmh, rate / MG_M2_PER_KG_HA, slope.estimate), slope, level_u, effective_dof(terms), slowest, fastest)


def _best_interval(fit: _SpeedFit, width_m: float, price: float, hour: float) -> tuple[float, float]:
    """90 % interval of the cheapest speed: exponent and level spread over their quantiles, no chance involved."""
    dof = max(fit.exponent.dof, 1.0)
    exponents = [
        fit.exponent.estimate + fit.exponent.u * t_quantile((i + 0.5) / EXPONENT_POINTS, dof) for i in range(EXPONENT_POINTS)
    ]
    levels = [
        fit.curve.kg_ha * exp(fit.level_u * normal_quantile((i + 0.5) / LEVEL_POINTS)) for i in range(LEVEL_POINTS)
    ]
    found = sorted(
        cheapest_kmh(Curve(fit.curve.kmh, level, b), width_m, price, hour, fit.slowest, fit.fastest)
        for b in exponents
        for level in levels
    )
    tail = (1 - LEVEL) / 2
    return found[int(tail * len(found))], found[min(int((1 - tail) * len(found)), len(found) - 1)]

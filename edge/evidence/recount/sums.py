"""A job's kept seconds -> pulses, area and exposure, worked out anew from the raw counts. Pure, whole columns at a time.

The same rules as the live loop's (dead time, a silent side, lag), written a second time over numpy columns, so that a pack
can be checked in a moment and by other code than made its figures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edge.contract.inputs import LossInput
from edge.contract.settings import Settings
from edge.reckon.sensors.deadtime import BLIND, LONG_MS, SATURATED, SHORTEST_MS
from edge.reckon.sensors.losspoint import BLIND_PULSES, BLIND_S, RATE_MEMORY_S, SILENT_S, SILENT_TWIN_PULSES
from edge.reckon.sensors.workstate import STATES
from edge.reckon.totals import CropSums, PointSums, Totals

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]

WORKING, TURNING, FILLING, IDLE, NO_DATA = (STATES.index(name) for name in ("working", "turning", "filling", "idle", "no data"))
FEWEST_PAIRS = 30
"""Pairs of neighbouring seconds from which the dispersion is taken off the counts."""

DISPERSION_START = 1.5
RATE_ROWS = 3000
"""Ten times the memory of a point's own rate: what is older no longer counts."""

MOST_SQUARE = 10.0
"""A pair's squared difference counts up to this many times its expectation: a jump is no clumping."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Seconds of one run as columns, shape (n,). `counts` (n, inputs); `lag_s`, `crop` in force at each second.

    NaN is unknown. `state` indexes `STATES`; `threshing_ms` is the exposure with the thresher on.
    """

    run: int
    number: Whole
    t: Whole
    state: Whole
    speed_kmh: Floats
    metres: Floats
    area_m2: Floats
    returns_pct: Floats
    limit_kg_ha: Floats
    lat: Floats
    lon: Floats
    ms: Whole
    threshing_ms: Whole
    counts: Whole
    lag_s: Floats
    crop: Whole


@dataclass(frozen=True, slots=True)
class Counted:
    """What the counts of one run amount to, shape (n,) or (n, points). `lagged_m2`: the area behind each second's pulses,
    cut a lag before; `counted`: from the first cut on, and a lag after the start where the
    kit worked before; `blind`: every sensor of a point is silent, from its last pulse on; `sides` (n, 2 points): corrected
    pulses left and right of each point."""

    rows: Rows
    pulses: Floats
    variance: Floats
    half_blind: Mask
    blind: Mask
    saturated: Mask
    lagged_m2: Floats
    counted: Mask
    sides: Floats


def count(settings: Settings, names: tuple[str, ...], rows: Rows) -> Counted:
    """Pulses of each loss point and the area behind them, second by second."""
    n = len(rows.t)
    pulses, variance = np.zeros((n, len(names))), np.zeros((n, len(names)))
    half_blind, blind = np.zeros((n, len(names)), bool), np.zeros((n, len(names)), bool)
    saturated = np.zeros(n, bool)
    sides = np.zeros((n, 2 * len(names)))
    working = (rows.state == WORKING) | (rows.state == FILLING)
    for i, name in enumerate(names):
        sensors = [one for one in settings.inputs(LossInput) if one.point == name]
        raw = [rows.counts[:, one.at] if one.at < rows.counts.shape[1] else np.zeros(n, np.int64) for one in sensors]
        hidden = [hidden_share(one, rows.ms, sensor.dead_time_us) for one, sensor in zip(raw, sensors, strict=True)]
        true = [
            one * _gain(share) * _unbiased(share, span_ms, sensor.dead_time_us)
            for one, (share, span_ms), sensor in zip(raw, hidden, sensors, strict=True)
        ]
        for share, _ in hidden:
            saturated |= (rows.ms > 0) & (share >= SATURATED)
        total, measured = np.sum(true, axis=0), np.sum(raw, axis=0)
        scatter = np.divide(total, measured, out=np.ones(n), where=measured > 0)
        effective = total.copy()
        pair = [at for at, sensor in enumerate(sensors) if sensor.side in ("left", "right")]
        if len(pair) == 2:
            one, other = pair
            silent = [_silent(true[a], true[b], rows.ms, working) for a, b in ((one, other), (other, one))]
            half_blind[:, i] = silent[0] != silent[1]
            effective = effective + np.where(half_blind[:, i] & silent[0], true[other], 0.0)
            effective += np.where(half_blind[:, i] & silent[1], true[one], 0.0)
        for side in (0, 1):
            heard = [one for one, sensor in zip(true, sensors, strict=True) if sensor.side == ("left", "right")[side]]
            sides[:, 2 * i + side] = np.sum(heard, axis=0) if heard else 0.0
        pulses[:, i], variance[:, i], blind[:, i] = effective, effective * scatter, _blind(total, rows.ms, working)
    lag_s = np.zeros(n) if not settings.level else rows.lag_s  # inferred work begins when the pulses do
    lagged, counted = np.zeros(n), np.zeros(n, bool)
    for first, last in pieces(rows.number):
        here = slice(first, last)
        lagged[here] = lagged_area(rows.ms[here], rows.area_m2[here], lag_s[here])
        counted[here] = np.cumsum(rows.area_m2[here]) > 0
        if rows.number[first] > 1:  # the grain of what was cut before it
            counted[here] &= np.cumsum(rows.ms[here]) > lag_s[first] * 1000
    return Counted(rows, pulses, variance, half_blind, blind, saturated & (rows.state == WORKING), lagged, counted, sides)


def pieces(number: Whole) -> list[tuple[int, int]]:
    """First row and one past the last of every piece without a break in the numbers."""
    edges = [0, *(np.flatnonzero(np.diff(number) > 1) + 1), len(number)]
    return [(int(a), int(b)) for a, b in zip(edges, edges[1:], strict=False) if b > a]


def hidden_share(counts: Whole, ms: Whole, dead_time_us: float) -> tuple[Floats, Floats]:
    """Share of time that the one-shot hid, over at least a second: shorter ones borrow from just before. And the time in ms
    that it was taken over."""
    span_ms = ms.astype(np.float64)
    tau_ms = dead_time_us / 1000.0
    share: Floats = np.divide(counts * tau_ms, ms, out=np.zeros(len(ms)), where=ms > 0)
    for at in np.flatnonzero(ms < SHORTEST_MS):
        if at and ms[at - 1] >= SHORTEST_MS:
            held, held_ms = int(counts[at - 1]), int(ms[at - 1])
        elif not at:
            held = held_ms = 0
        held, held_ms = held + int(counts[at]), held_ms + int(ms[at])
        if held_ms > 2 * SHORTEST_MS:
            held, held_ms = round(held * SHORTEST_MS / held_ms), SHORTEST_MS
        share[at] = held * tau_ms / held_ms if held_ms else 0.0
        span_ms[at] = held_ms
    return share, span_ms


def _gain(share: Floats) -> Floats:
    found: Floats = np.where(share < BLIND, 1.0 / (1.0 - np.minimum(share, BLIND)), 1.0)
    return found


def _unbiased(share: Floats, span_ms: Floats, dead_time_us: float) -> Floats:
    """What takes the bias of the correction off, where a long dead time makes it count (`deadtime`)."""
    tau_ms = dead_time_us / 1000.0
    takes = (tau_ms >= LONG_MS) & (share < BLIND) & (span_ms > tau_ms)
    found: Floats = np.where(takes, 1.0 - tau_ms / np.maximum(span_ms, 1.0), 1.0)
    return found


def _silent(mine: Floats, twin: Floats, ms: Whole, working: Mask) -> Mask:
    """Seconds in which a side is silent while its twin works: 10 s of work and 60 pulses of the twin without one."""
    silent = np.zeros(len(mine), bool)
    for first, last in stretches(mine == 0):
        if last - first < SILENT_S:
            continue
        at_work = working[first:last]
        waited = np.cumsum(np.where(at_work, ms[first:last] / 1000, 0.0))
        heard = np.cumsum(np.where(at_work, twin[first:last], 0.0))
        silent[first:last] = (waited >= SILENT_S) & (heard >= SILENT_TWIN_PULSES)
    return silent


def _blind(pulses: Floats, ms: Whole, working: Mask) -> Mask:
    """Seconds since its last pulse in which a point is blind: 20 s of work in which its own rate promised 60 pulses."""
    blind = np.zeros(len(pulses), bool)
    for first, last in stretches(pulses == 0):
        if last - first < BLIND_S:
            continue
        quiet_s = float(np.where(working[first:last], ms[first:last] / 1000, 0.0).sum())
        if quiet_s >= BLIND_S and quiet_s * _rate(pulses[:first], ms[:first], working[:first]) >= BLIND_PULSES:
            blind[first:last] = True
    return blind


def _rate(pulses: Floats, ms: Whole, working: Mask) -> float:
    """Pulses per second of work, remembered for five minutes."""
    heard = np.flatnonzero(working & (pulses > 0) & (ms > 0))[-RATE_ROWS:]
    rate = span = 0.0
    for at in heard:
        seconds = ms[at] / 1000
        span = min(span + seconds, RATE_MEMORY_S)
        rate += (pulses[at] / seconds - rate) * min(1.0, seconds / span)
    return float(rate)


def stretches(mask: Mask) -> list[tuple[int, int]]:
    """First and one past the last of every stretch in which a mask holds."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(first), int(last)) for first, last in zip(edges[::2], edges[1::2], strict=True)]


def lagged_area(ms: Whole, area_m2: Floats, lag_s: Floats) -> Floats:
    """Area in m2 that was cut a lag before each second; the whole ends a lag before the last one."""
    clock, total = np.cumsum(ms).astype(np.float64), np.cumsum(area_m2)
    if not len(clock):
        return np.zeros(0)
    at = np.interp(clock - lag_s * 1000, np.concatenate(([0.0], clock)), np.concatenate(([0.0], total)))
    found: Floats = np.diff(np.concatenate(([0.0], at)))
    return found


def dispersion(parts: list[Counted], points: int) -> list[float]:
    """Variance over mean of each point's pulses, from the differences of neighbouring seconds of steady work.

    Half the squared difference of two neighbours estimates their variance whatever drifts slowly (von Neumann 1941).
    """
    found = []
    for i in range(points):
        squares, expected = [], []
        for part in parts:
            steady = (part.rows.state == WORKING) & (part.rows.ms > 0) & ~part.half_blind[:, i]
            pair = steady[1:] & steady[:-1] & (part.rows.ms[1:] == part.rows.ms[:-1])
            pulses, variance = part.pulses[:, i], part.variance[:, i]
            squares.append(((pulses[1:] - pulses[:-1]) ** 2)[pair])
            expected.append((variance[1:] + variance[:-1])[pair])
        if not squares:
            found.append(DISPERSION_START)
            continue
        square, mean = np.concatenate(squares), np.concatenate(expected)
        square, mean = square[mean > 0], mean[mean > 0]
        if len(square) < FEWEST_PAIRS:
            found.append(DISPERSION_START)
            continue
        # Judged by the mean level around, not by the pair's own: a pair that is low by chance would weigh most.
        level = float(mean.mean())
        bounded = np.minimum(square, MOST_SQUARE * np.maximum(mean, level) * DISPERSION_START)
        found.append(max(1.0, float(bounded.sum() / mean.sum())))
    return found


def totals(parts: list[Counted], names: tuple[str, ...]) -> Totals:
    """The sums of a job, run by run, as the live loop keeps them."""
    whole = Totals(names)
    for part in parts:
        whole.add(_of_run(part, names))
    return whole


def _of_run(part: Counted, names: tuple[str, ...]) -> Totals:
    rows = part.rows
    found = Totals(names)
    for state, seconds in zip(STATES, np.bincount(rows.state, minlength=len(STATES)), strict=True):
        found.seconds[state] = int(seconds)
    found.distance_m, found.area_m2 = float(rows.metres.sum()), float(rows.area_m2.sum())
    found.saturated_s = int((part.saturated & part.counted).sum())
    known = (rows.state == WORKING) & ~np.isnan(rows.returns_pct) & (rows.ms > 0)
    found.returns_blocked = float((rows.returns_pct * rows.ms)[known].sum())
    found.returns_weight = float(rows.ms[known].sum())
    for crop in np.unique(rows.crop[part.counted]):
        mine = part.counted & (rows.crop == crop)
        points = [
            PointSums(
                float(part.pulses[mine, i].sum()),
                float(part.variance[mine, i].sum()),
                float(rows.threshing_ms[mine].sum()) / 1000,
                float(part.pulses[mine & part.half_blind[:, i], i].sum()),
                float(part.lagged_m2[mine & part.blind[:, i]].sum()),
            )
            for i in range(len(names))
        ]
        found.crops[int(crop)] = CropSums(points, float(rows.area_m2[mine].sum()), float(part.lagged_m2[mine].sum()))
    return found

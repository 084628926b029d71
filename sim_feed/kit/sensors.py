"""From lost grain to counter edges: plates with their conditioner, beam, wheel and shafts.

Arrivals on a plate are simulated one by one: clumps of grains at random (a Poisson cluster process), straw clicks and
vibration, then a real one-shot with a fixed, non-extending dead time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim_feed.field.crop import Floats
from sim_feed.parameters.structs import TICK_S

Integers = NDArray[np.int64]


def one_shot(arrivals: Floats, dead_time_s: float, ready_at: float) -> Floats:
    """The arrivals that a non-paralysable one-shot lets through, in order.

    arrivals: ascending times, shape (n,), s. ready_at: when the pulse begun before the first arrival is over.
    An arrival is let through when at least `dead_time_s` has passed since the last one let through; the ones hidden
    do not lengthen the dead time (Knoll, Radiation Detection and Measurement, chapter on counting systems).
    """
    first = int(np.searchsorted(arrivals, ready_at))
    free = arrivals[first:]
    if len(free) == 0 or dead_time_s <= 0:
        return free
    # An arrival that follows its neighbour by a dead time or more is free whatever happened before: runs of closer
    # ones start there and can be worked through side by side, one accepted arrival of each run a round.
    starts = np.concatenate(([0], 1 + np.flatnonzero(np.diff(free) >= dead_time_s)))
    ends = np.concatenate((starts[1:], [len(free)]))
    accepted = [starts]
    at, end = starts, ends
    while True:
        following = np.searchsorted(free, free[at] + dead_time_s)
        more = following < end
        if not more.any():
            break
        at, end = following[more], end[more]
        accepted.append(at)
    let_through: Floats = free[np.sort(np.concatenate(accepted))]
    return let_through


@dataclass(slots=True)
class PlateRun:
    """One leg of one plate, all a tick, shape (n,): edges counted, and what arrived (a clump in its first tick)."""

    edges: Integers
    grain: Integers
    straw: Integers
    vibration: Integers


class PlateInput:
    """One plate with its conditioner; keeps the tail of clumps and the one-shot's state between legs."""

    def __init__(
        self, generator: np.random.Generator, dispersion: float, clump_s: float, dead_time_s: float, deaf_from_s: float
    ) -> None:
        self._random = generator
        # Clump sizes are geometric; the counts' dispersion is E[size^2]/E[size] = (2 - p)/p.
        self._p = 2.0 / (1.0 + dispersion)
        self._clump_s = clump_s
        self._dead_time_s = dead_time_s
        self._deaf_from_s = deaf_from_s
        self._ready_at = -np.inf
        self._to_come: Floats = np.empty(0)

    def run(self, first_tick: int, grain_hz: Floats, straw_hz: Floats, vibration_hz: Floats) -> PlateRun:
        """Edges for rates that hold over each tick, shape (n,), per second."""
        n = len(grain_hz)
        start, end = (first_tick - 1) * TICK_S, (first_tick - 1 + n) * TICK_S
        grain_times, grain = self._clumps(start, grain_hz)
        straw = self._random.poisson(straw_hz * TICK_S)
        vibration = self._random.poisson(vibration_hz * TICK_S)
        single = self._times(start, straw + vibration)
        arrivals = np.sort(np.concatenate((self._to_come, grain_times, single)))
        inside = int(np.searchsorted(arrivals, end))
        self._to_come = arrivals[inside:]
        let_through = one_shot(arrivals[:inside], self._dead_time_s, self._ready_at)
        if len(let_through):
            self._ready_at = float(let_through[-1]) + self._dead_time_s
        heard = let_through[let_through < self._deaf_from_s]
        tick = np.clip(((heard - start) / TICK_S).astype(np.int64), 0, n - 1)
        return PlateRun(np.bincount(tick, minlength=n).astype(np.int64), grain, straw, vibration)

    def _times(self, start: float, counts: Integers) -> Floats:
        tick = np.repeat(np.arange(len(counts)), counts)
        times: Floats = start + (tick + self._random.random(len(tick))) * TICK_S
        return times

    def _clumps(self, start: float, grain_hz: Floats) -> tuple[Floats, Integers]:
        counts = self._random.poisson(grain_hz * TICK_S * self._p)
        clumps = self._times(start, counts)
        sizes = self._random.geometric(self._p, len(clumps))
        delay = self._random.exponential(self._clump_s, int(sizes.sum()))
        delay[np.cumsum(sizes) - sizes] = 0.0
        through = np.concatenate(([0], np.cumsum(sizes)))
        after = np.cumsum(counts)
        grain = through[after] - through[after - counts]
        return np.repeat(clumps, sizes) + delay, grain


class Wheel:
    """Edges of a target wheel: whole crossings of a growing phase; also the last whole periods, for `TGP`."""

    def __init__(self) -> None:
        self._phase = 0.0
        self._last_edge_s: float | None = None
        self._unreported: Floats = np.empty(0)

    def run(self, edges_per_tick: Floats) -> Integers:
        """Edges a tick for a (fractional) number of edges turned in each, shape (n,) -> (n,)."""
        phase = self._phase + np.cumsum(edges_per_tick)
        whole = np.floor(phase).astype(np.int64)
        self._phase = float(phase[-1] - whole[-1])
        return np.diff(whole, prepend=0)

    def periods(self, first_tick: int, edges_per_tick: Floats, every: int) -> list[tuple[int, int, int]]:
        """(tick, whole periods, their time in us) at each tick that is a multiple of `every`; call before `run`.

        A second without an edge gives nothing. Edge times are interpolated within a tick.
        """
        n = len(edges_per_tick)
        phase = np.concatenate(([self._phase], self._phase + np.cumsum(edges_per_tick)))
        times = (first_tick - 1 + np.arange(n + 1)) * TICK_S
        crossings = np.interp(np.arange(1, int(phase[-1]) + 1), phase, times)
        # Edges since the last report, those of the leg before included.
        crossings = np.concatenate((self._unreported, crossings))
        found: list[tuple[int, int, int]] = []
        for tick in range(first_tick + (-first_tick) % every, first_tick + n, every):
            edges = int(np.searchsorted(crossings, tick * TICK_S, side="right"))
            if edges:
                newest = float(crossings[edges - 1])
                if self._last_edge_s is not None:
                    found.append((tick, edges, round((newest - self._last_edge_s) * 1e6)))
                self._last_edge_s = newest
                crossings = crossings[edges:]
        self._unreported = crossings
        return found


class Beam:
    """A light beam across the returns elevator: milliseconds blocked.

    Each paddle darkens the beam for a part of its period: the empty paddle's part plus what lies on it.
    """

    def __init__(self, generator: np.random.Generator, empty: float, full: float, paddles_hz: float) -> None:
        self._random = generator
        self._empty, self._full, self._paddles_hz = empty, full, paddles_hz
        self._phase = 0.0
        self._rest_ms = 0.0

    def run(self, fill: Floats, turning: Floats) -> Integers:
        """Blocked ms a tick, 0..100, for the share of a full load on the paddles and whether they turn, shape (n,)."""
        n = len(fill)
        phase = np.concatenate(([0.0], np.cumsum(turning * self._paddles_hz * TICK_S))) + self._phase
        paddles = int(phase[-1]) + 1
        middle = np.interp(np.arange(paddles) + 0.5, phase, np.arange(n + 1.0))
        load = np.interp(middle, np.arange(n) + 0.5, fill) + self._random.normal(0.0, 0.03, paddles)
        dark = np.clip(self._empty + (self._full - self._empty) * load, 0.01, 0.99)
        whole = np.floor(phase).astype(np.int64)
        before = np.concatenate(([0.0], np.cumsum(dark)))
        blocked = (before[whole] + np.minimum(phase - whole, dark[np.minimum(whole, paddles - 1)])) / self._paddles_hz
        # Taken relative to the leg's start, and whole milliseconds only: the rest is carried on.
        ms = np.floor((blocked - blocked[0]) * 1000.0 + self._rest_ms).astype(np.int64)
        self._rest_ms = float((blocked[-1] - blocked[0]) * 1000.0 + self._rest_ms - ms[-1])
        self._phase = float(phase[-1] - whole[-1])
        edges: Integers = np.diff(ms)
        return edges

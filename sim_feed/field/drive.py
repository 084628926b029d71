"""How the paddock is driven: legs of back-and-forth work, one at a time, as arrays over ticks of 100 ms.

A leg is the idling before the first cut, a pass, a turn, or a stand at the headland while the grain tank is emptied. Tick i
of a run covers the time ((i-1) * 0.1 s, i * 0.1 s].
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sim_feed.field.crop import Crop, Floats
from sim_feed.parameters.structs import TICK_S, DriveParameters

CELL_M = 0.5
ACCELERATION_M_S2 = 0.4
SLOWEST_M_S = 0.3
SETTLED_S = 30.0
"""A new speed is asked for this long after the pass began, at the earliest."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of driving; arrays have one value a tick, shape (n,). `kind`: "idle", "pass", "turn" or "stand"."""

    kind: str
    first_tick: int
    number: int
    part: float
    step_m: Floats
    along_m: Floats
    across_m: Floats
    threshing: Floats
    speed_changes: tuple[tuple[int, float], ...] = ()

    @property
    def ticks(self) -> int:
        return len(self.step_m)

    @property
    def front_down(self) -> bool:
        return self.kind == "pass"

    @property
    def seconds(self) -> Floats:
        """Time at the end of each tick, s since the run began."""
        times: Floats = (self.first_tick + np.arange(self.ticks, dtype=np.float64)) * TICK_S
        return times


@dataclass(frozen=True, slots=True)
class SpeedWish:
    """The driver means to change to `kmh` from `at_s` on, in the middle of a pass."""

    at_s: float
    kmh: float


class Driver:
    """Draws the legs one after another, without end; deterministic for its generator."""

    def __init__(
        self, parameters: DriveParameters, cut_width_m: float, crop: Crop, generator: np.random.Generator
    ) -> None:
        self._p = parameters
        self._width = cut_width_m
        self._crop = crop
        self._random = generator
        self._parts = {each.number: each.part for each in parameters.part_widths}
        self.target_kmh = parameters.speed_kmh

    def legs(self, wishes: list[SpeedWish]) -> Iterator[Leg]:
        """All legs; `wishes` in the order of their times, each taken out of the list when the driver follows it."""
        leg = self._idle()
        yield leg
        tick, across = leg.first_tick + leg.ticks, 0.0
        number = 1
        speed = SLOWEST_M_S
        tank_kg = 0.0
        while True:
            outward = number % 2 == 1
            leg = self._pass(tick, number, across, outward, speed, wishes)
            yield leg
            tick += leg.ticks
            cut_kg = self._cut_kg(leg)
            tank_kg += cut_kg
            end = float(leg.along_m[-1])
            leg = self._turn(tick, number, end, across, outward)
            yield leg
            tick += leg.ticks
            across = float(leg.across_m[-1])
            speed = self._p.turn_speed_kmh / 3.6
            if self._p.tank_t and tank_kg + cut_kg > self._p.tank_t * 1000.0:
                leg = self._stand(tick, number, float(leg.along_m[-1]), across)
                yield leg
                tick += leg.ticks
                tank_kg, speed = 0.0, SLOWEST_M_S
            number += 1

    def _cut_kg(self, leg: Leg) -> float:
        """Grain cut in a pass; the one per cent that is lost again doesn't matter to when the tank is full."""
        if not self._p.tank_t:
            return 0.0
        standing = self._crop.yield_kg_m2(leg.along_m, leg.across_m)
        return float((leg.step_m * standing).sum()) * self._width * leg.part

    def _idle(self) -> Leg:
        n = max(1, round(self._p.idle_s / TICK_S))
        still = np.zeros(n)
        threshing = (np.arange(n) * TICK_S >= self._p.threshing_on_s).astype(float)
        return Leg("idle", 1, 0, 1.0, still, still, still, threshing)

    def _pass(
        self, tick: int, number: int, across: float, outward: bool, entry_m_s: float, wishes: list[SpeedWish]
    ) -> Leg:
        p = self._p
        length = p.pass_m * self._random.uniform(1.0 - p.pass_spread, 1.0 + p.pass_spread)
        habit = float(np.exp(p.speed_spread * self._random.standard_normal()))
        cells = round(length / CELL_M)
        travelled = np.arange(cells + 1, dtype=np.float64) * CELL_M
        along = travelled if outward else p.pass_m - travelled
        ease = np.exp(-p.ease_off * self._crop.log_yield_deviation(along, np.full(cells + 1, across)))
        wander = _walk(self._random, cells + 1, 80, p.wander_log_sd)
        shape = habit * ease * np.exp(wander)
        target = np.full(cells + 1, self.target_kmh)
        began = (tick - 1) * TICK_S
        changes: list[tuple[int, float]] = []
        while True:
            arrival = _arrival_s(shape * target / 3.6, entry_m_s)
            at = max(wishes[0].at_s - began, SETTLED_S) if wishes else np.inf
            if changes:
                at = max(at, (changes[-1][0] - tick) * TICK_S + SETTLED_S)
            if at > arrival[-1] - SETTLED_S:
                break
            wish = wishes.pop(0)
            target[np.searchsorted(arrival, at) :] = wish.kmh
            self.target_kmh = wish.kmh
            changes.append((tick + int(at / TICK_S), wish.kmh))
        n = int(arrival[-1] / TICK_S)
        reached = np.interp(np.arange(n + 1) * TICK_S, arrival, travelled)
        step = np.diff(reached)
        place = reached[1:] if outward else p.pass_m - reached[1:]
        part = self._parts.get(number, 1.0)
        return Leg("pass", tick, number, part, step, place, np.full(n, across), np.ones(n), tuple(changes))

    def _turn(self, tick: int, number: int, end_m: float, across: float, outward: bool) -> Leg:
        p = self._p
        n = round(self._random.uniform(*p.turn_s) / TICK_S)
        step = np.full(n, p.turn_speed_kmh / 3.6 * TICK_S)
        share = np.arange(1, n + 1) / n
        bulge = 12.0 * np.sin(np.pi * share) * (1.0 if outward else -1.0)
        # The next pass starts at the paddock's edge, whatever length this one had.
        edge = p.pass_m if outward else 0.0
        along = end_m + (edge - end_m) * share + bulge
        return Leg("turn", tick, number, 1.0, step, along, across + self._width * share, np.ones(n))


    def _stand(self, tick: int, number: int, along_m: float, across_m: float) -> Leg:
        """Standing beside the cart: front up, threshing on, as most drivers leave it while the tank empties."""
        n = round(self._random.uniform(*self._p.unload_s) / TICK_S)
        return Leg("stand", tick, number, 1.0, np.zeros(n), np.full(n, along_m), np.full(n, across_m), np.ones(n))


def _walk(generator: np.random.Generator, n: int, memory: int, sd: float) -> Floats:
    """A wandering of standard deviation about `sd`, correlated over about `memory` cells, shape (n,)."""
    knots = n // memory + 3
    smooth: Floats = np.interp(np.arange(n), np.arange(knots) * memory, generator.standard_normal(knots) * sd)
    return smooth


def _arrival_s(speed_m_s: Floats, entry_m_s: float) -> Floats:
    """Time of arrival at each cell edge, s from the start of the pass; the machine gathers speed from `entry_m_s`."""
    distance = np.arange(len(speed_m_s)) * CELL_M
    reachable = np.sqrt(entry_m_s**2 + 2.0 * ACCELERATION_M_S2 * distance)
    speed = np.maximum(np.minimum(speed_m_s, reachable), SLOWEST_M_S)
    middle = 0.5 * (speed[1:] + speed[:-1])
    return np.concatenate(([0.0], np.cumsum(CELL_M / middle)))

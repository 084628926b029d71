"""What the machine did, second by second, and what was changed meanwhile: the material of verdicts.

The pulses of a second stand beside the ground that was CUT a lag before (contract, section 2). Times are `elapsed`
seconds: they follow the stamps, but a stepped clock moves them on by one second only.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from edge.judge.verdict.contrast import BLOCK_S, BlockSample, Floats, Whole
from edge.reckon.entered.inforce import same_value
from edge.reckon.lag.cutarea import CutArea

KEPT_S = 12 * 3600
SETTLING_S = 20.0
"""Left out after a change beyond the lag (measurement.md section 4)."""

LEAST_ROWS = 5
"""Seconds of work that still make a block."""

CLOCK_STEP_S = 600
AWAY_S = 6 * 3600
"""A later run counts as a new day: nothing before it is near in time."""

LEAST_SPEED_M_S = 0.1
NEAR_STRETCH_ROWS = 1


class CourseSecond(NamedTuple):
    """One closed second as the machine gave it, on its way in.

    `ms` exposure; `kmh`, `area_m2`, `metres` of the second itself; `pulses`, `background` per loss point (dead-time
    corrected, silent side stood in for); `blind`: a point hears nothing.
    """

    t: int
    state: str
    ms: int
    area_m2: float
    metres: float
    pulses: tuple[float, ...]
    background: tuple[float, ...]
    returns_pct: float | None
    blind: bool
    lag_s: float


@dataclass(frozen=True, slots=True)
class CourseMark:
    """An entry that ends spans or speaks about one: a setting change, a crop entry, a tank sample.

    `rows`: seconds kept when it came; `at_s` its own time; `guard_s` lag + 20 s; `n`, `key`, `was`, `to`, `label` of a
    setting; `values` of a sample; `crop` the number of the crop in force; `seq` the number of the entry's record (0: not known).
    """

    kind: Literal["setting", "crop", "sample"]
    rows: int
    at_s: float
    guard_s: float
    crop: int
    n: int = 0
    key: str = ""
    label: str = ""
    was: float | str | None = None
    to: float | str | None = None
    values: tuple[tuple[str, float], ...] = ()
    seq: int = 0

    @property
    def is_baseline(self) -> bool:
        """Whether a setting's mark only says where it stands: nothing was known before, or it stood there already."""
        return self.kind == "setting" and (self.was is None or same_value(self.was, self.to))


@dataclass(frozen=True, slots=True)
class CourseTable:
    """All seconds as arrays, shape (n,); per point (n, points). `area_m2`, `metres` were cut a lag before."""

    t: Floats
    elapsed: Floats
    seconds: Floats
    steady: NDArray[np.bool_]
    area_m2: Floats
    metres: Floats
    returns: Floats
    pulses: Floats
    background: Floats


class Cut(NamedTuple):
    """Blocks of steady work, shape (n,): their side, first row and the row after the last."""

    side: Whole
    first: Whole
    last: Whole


class Course:
    """Seconds and marks of one kit, the newest `KEPT_S` seconds of them. `points`: names of the loss points in order."""

    def __init__(self, points: Sequence[str], kept_s: int = KEPT_S) -> None:
        self.points = tuple(points)
        self.marks: list[CourseMark] = []
        self._kept = kept_s
        self._rows: Floats = np.empty((1024, 7 + 2 * len(self.points)))
        self._held = self._count = 0
        self._area, self._metres = CutArea(), CutArea()
        self._t: int | None = None
        self._elapsed = 0.0
        self._table: CourseTable | None = None
        self._backs: list[int] = []

    @property
    def count(self) -> int:
        """Seconds taken in so far."""
        return self._count

    def take(self, moment: CourseSecond, new_run: bool = False) -> None:
        """Take in one closed second; `new_run`: the first of another run of the kit."""
        step = 1.0 if self._t is None else float(moment.t - self._t)
        if new_run:
            self._elapsed += AWAY_S if step <= 0 else min(step, AWAY_S)
            self._area, self._metres = CutArea(), CutArea()
        else:
            self._elapsed += step if 0 < step <= CLOCK_STEP_S else 1.0
        if step <= 0:
            self._backs.append(self._count)
        self._t = moment.t
        self._area.add(moment.ms, moment.area_m2)
        self._metres.add(moment.ms, moment.metres)
        area = self._area.cut_ago(moment.ms, moment.lag_s * 1000) if moment.ms else 0.0
        metres = self._metres.cut_ago(moment.ms, moment.lag_s * 1000) if moment.ms else 0.0
        moving = metres >= LEAST_SPEED_M_S * moment.ms / 1000
        steady = moment.state == "working" and moment.ms > 0 and area > 0 and moving and not moment.blind
        returns = np.nan if moment.returns_pct is None else moment.returns_pct
        self._room()
        self._rows[self._held] = (
            moment.t, self._elapsed, moment.ms / 1000, steady, area, metres, returns, *moment.pulses, *moment.background
        )  # fmt: skip
        self._held += 1
        self._count += 1
        self._table = None

    def _room(self) -> None:
        """Room for one more row: double the space, or drop the oldest quarter of what may be kept."""
        if self._held >= self._kept + self._kept // 4:
            self._rows[: self._kept] = self._rows[self._held - self._kept : self._held].copy()
            self._held = self._kept
        if self._held == len(self._rows):
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)])

    def as_of(self, count: int) -> Course:
        """The same when so many seconds had been taken in; marks are shared."""
        then = copy.copy(self)
        then._held = max(self._held - (self._count - count), 0)
        then._count, then._table = count, None
        then._backs = [one for one in self._backs if one < count]
        return then

    def mark(self, mark: CourseMark) -> None:
        """Take in an entry; its place among the seconds is found when it is asked for."""
        self.marks.append(mark)

    def table(self) -> CourseTable:
        """The seconds kept, as arrays."""
        if self._table is None:
            rows = self._rows[: self._held]
            half = 7 + len(self.points)
            self._table = CourseTable(
                rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3] > 0, rows[:, 4], rows[:, 5], rows[:, 6],
                rows[:, 7:half], rows[:, half:],
            )  # fmt: skip
        return self._table

    def elapsed_at(self, mark: CourseMark) -> float:
        """Elapsed time of a mark: by its own time among the seconds that came before it on the same clock."""
        return self.place(mark.at_s, mark.rows)

    def place(self, at_s: float, rows: int | None = None) -> float:
        """Elapsed time of an epoch time; `rows`: seconds taken in when it was told (None: all)."""
        table = self.table()
        if not len(table.t):
            return at_s
        gone = self._count - len(table.t)
        known = len(table.t) if rows is None else rows - gone
        if known <= 0:
            return float(table.elapsed[0]) + min(at_s - float(table.t[0]), 0.0)
        # Times rise from the last step back of the clock on.
        first = max([one - gone for one in self._backs if one - gone < known], default=0)
        first = max(first, 0)
        at = max(first + int(np.searchsorted(table.t[first:known], at_s, side="right")) - 1, first)
        return float(table.elapsed[at]) + float(np.clip(at_s - table.t[at], -CLOCK_STEP_S * 6.0, 1.0))

    def blocks(
        self, spans: Sequence[tuple[int, float, float]], weights: Sequence[float], clicks_m2: Sequence[float] = ()
    ) -> BlockSample:
        """Blocks of 10 s of steady work in spans (side, from, to] of elapsed time, pulses of the points weighted."""
        return self.weighed(self.cut(spans), weights, clicks_m2)

    def cut(self, spans: Sequence[tuple[int, float, float]], least_rows: int = LEAST_ROWS) -> Cut:
        """Where those blocks lie."""
        table = self.table()
        sides, firsts, lasts = [], [], []
        for side, low, high in spans:
            began, ended = (int(np.searchsorted(table.elapsed, one, side="right")) for one in (low, high))
            rows = began + np.flatnonzero(table.steady[began:ended])
            if not len(rows):
                continue
            gaps = (np.diff(rows) > NEAR_STRETCH_ROWS) | (np.diff(table.elapsed[rows]) > 3)
            edges = np.concatenate(([0], np.flatnonzero(gaps) + 1, [len(rows)]))
            for start, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
                for at in range(start, end, BLOCK_S):
                    if end - at < least_rows:
                        break
                    sides.append(side)
                    firsts.append(int(rows[at]))
                    lasts.append(int(rows[min(at + BLOCK_S, end) - 1]) + 1)
        return Cut(np.array(sides, dtype=np.int64), np.array(firsts, dtype=np.int64), np.array(lasts, dtype=np.int64))

    def weighed(self, cut: Cut, weights: Sequence[float], clicks_m2: Sequence[float] = ()) -> BlockSample:
        """The blocks with the pulses of the points weighted, shape of `weights` (points,); `clicks_m2` of each point come
        with straw and are taken off."""
        table, weight = self.table(), np.asarray(weights, dtype=np.float64)
        side, first, last = cut
        origin, end = (int(first.min()), int(last.max())) if len(first) else (0, 0)
        first, last, rows = first - origin, last - origin, slice(origin, end)

        def total(values: Floats) -> Floats:
            sums = np.concatenate(([0.0], np.cumsum(values)))
            found: Floats = sums[last] - sums[first]
            return found

        seconds, area, metres = total(table.seconds[rows]), total(table.area_m2[rows]), total(table.metres[rows])
        pulses, returns = table.pulses[rows], table.returns[rows]
        known = ~np.isnan(returns)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean_returns = total(np.where(known, returns, 0.0)) / total(known.astype(np.float64))
            kmh = metres / seconds * 3.6
        broken = (first[1:] != last[:-1]) | (side[1:] != side[:-1])
        elapsed = table.elapsed[rows]
        return BlockSample(
            side=side,
            stretch=np.concatenate(([0], np.cumsum(broken))).astype(np.int64)[: len(side)],
            mid_s=(elapsed[first] + elapsed[last - 1]) / 2 if len(first) else np.zeros(0),
            seconds=seconds,
            area_m2=area,
            kmh=kmh,
            pulses=total((pulses - table.background[rows]) @ weight) - area * float(np.dot(weight[: len(clicks_m2)], clicks_m2)),
            poisson=total(pulses @ weight**2),
            returns=mean_returns,
        )

"""What advice would be if an entry had never been made: the last hours, lived through again without it.

Advice stands for a while, and settings that did well go into the book, so both hang on what was known from minute to minute.
The seconds are kept as what the counts gave; what they come to follows from the entries that still count.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from edge.judge.advice.advisedsecond import AdvisedSecond, SecondJudged
from edge.judge.advice.adviser import Adviser
from edge.judge.alerts.judge import AlertChange
from edge.reckon.loss import kg_ha_of, tighter_limit
from edge.reckon.reckoner import Reckoner

KEPT = 4 * 3600
"""Seconds and minutes that are kept: some ten megabytes. For a slip of longer ago advice and the book fall back to what was told
before it."""


class Minute(NamedTuple):
    """A whole minute at which advice was thought over. `t`: epoch s; `seconds`: those of the course by then; `open_alerts`;
    `gauge_h`: hours of work since the last gauge check."""

    t: int
    seconds: int
    open_alerts: tuple[AlertChange, ...]
    gauge_h: float


class _Before(NamedTuple):
    """The adviser right before an entry, and how much had happened by then."""

    happened: int
    adviser: Adviser


class Hindsight:
    """The last hours of one run as advice saw them."""

    def __init__(self) -> None:
        self._kept: deque[AdvisedSecond | Minute | None] = deque(maxlen=KEPT)
        self._before: dict[int, _Before] = {}
        self.happened = 0

    def second(self, second: AdvisedSecond | None) -> None:
        """One closed second; None: no work."""
        self._add(second)

    def minute(self, minute: Minute) -> None:
        """A whole minute."""
        self._add(minute)

    def _add(self, one: AdvisedSecond | Minute | None) -> None:
        self._kept.append(one)
        self.happened += 1

    def entry(self, seq: int, adviser: Adviser, happened: int | None = None) -> None:
        """An entry is about to be learned, now or (`happened`) when so much had happened."""
        self._before = {one: before for one, before in self._before.items() if before.happened >= self._oldest}
        self._before[seq] = _Before(self.happened if happened is None else happened, adviser.as_now())

    def before(self, seq: int) -> tuple[int, Adviser] | None:
        """How much had happened when an entry came, and the adviser as it was then; None: too long ago."""
        found = self._before.get(seq)
        if found is None or found.happened < self._oldest:
            return None
        return found.happened, found.adviser.as_now()

    @property
    def _oldest(self) -> int:
        """How much had happened before the oldest that is kept."""
        return self.happened - len(self._kept)

    def again(self, since: int, until: int, adviser: Adviser, reckoner: Reckoner, think: Callable[[Minute], None]) -> None:
        """Live through what happened between two counts again. `think` thinks a minute over."""
        oldest = self._oldest
        for at in range(since - oldest, until - oldest):
            one = self._kept[at]
            if isinstance(one, Minute):
                think(one)
            else:
                adviser.take(one, judged(reckoner, one))


NOTHING = SecondJudged(None, {}, None, "none")


def judged(reckoner: Reckoner, second: AdvisedSecond | None) -> SecondJudged:
    """What the entries in force make of a second's counts."""
    if second is None:
        return NOTHING
    now = reckoner.now
    levels = {} if second.levels is None else dict(zip(second.points, second.levels, strict=True))
    points = kg_ha_of(levels, reckoner.calibration.factors)
    whole = sum([points[name] for name in reckoner.names]) if reckoner.names and len(points) == len(reckoner.names) else None
    limit = tighter_limit(now.loss_kg_ha, now.loss_pct, now.yield_t_ha)
    return SecondJudged(whole, points, limit, reckoner.calibration_figure(second.t).state)

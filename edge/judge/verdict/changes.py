"""Which stretches of time stand on each side of a setting change: spans, pooling of equal values, what forbids it."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from edge.judge.verdict.course import Course, CourseMark

BEFORE_S = 30 * 60.0
AT_ONCE_S = 180.0
"""Two settings changed closer together than the least steady work of a side: one can't be told from the other."""

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Sides:
    """Spans of elapsed time before and after a change, guard time left out.

    `whole_before`: the same without the limit of half an hour, for tests and samples. `open`: nothing has ended the last
    span yet. `beside`: another setting changed within three minutes, and how many seconds from it.
    """

    change: CourseMark
    before: tuple[Span, ...]
    whole_before: tuple[Span, ...]
    after: tuple[Span, ...]
    was: float | str | None
    open: bool
    beside: tuple[str, float] | None
    next_s: float

    @property
    def pooled(self) -> bool:
        """Whether equal values of several spans stand together."""
        return len(self.before) + len(self.after) > 2


def numbered(course: Course) -> list[CourseMark]:
    """All setting changes in order, numbered from 1."""
    return [mark for mark in course.marks if mark.kind == "setting"]


def open_change(course: Course) -> CourseMark | None:
    """The change that nothing has ended yet; None when a crop entry came after it or there is none."""
    bounds = _bounds(course)
    return bounds[-1][1] if bounds and bounds[-1][1].kind == "setting" else None


def sides(course: Course, n: int) -> Sides:
    """The spans of change `n`, of a machine setting. Raises ValueError for a number that is none."""
    bounds = _bounds(course)
    at = next((i for i, (_, mark) in enumerate(bounds) if mark.n == n), None)
    if at is None:
        raise ValueError(f"n: found {n}; allowed: the number of a machine setting's change")
    mark = bounds[at][1]
    first = last = at
    while first > 0 and bounds[first - 1][1].key == mark.key:
        first -= 1
    while last + 1 < len(bounds) and bounds[last + 1][1].key == mark.key:
        last += 1
    now = float(course.table().elapsed[-1]) if course.count else 0.0
    end = bounds[last + 1][0] if last + 1 < len(bounds) else now
    began = bounds[first - 1][0] + bounds[first - 1][1].guard_s if first > 0 else -inf
    starts = [began] + [bounds[i][0] + bounds[i][1].guard_s for i in range(first, last + 1)]
    ends = [bounds[i][0] for i in range(first, last + 1)] + [end]
    values = [bounds[first][1].was] + [bounds[i][1].to for i in range(first, last + 1)]
    spans = list(zip(starts, ends, strict=True))
    place = at - first
    was, to = values[place], values[place + 1]
    mine, other = {place + 1}, {place}
    if was is not None and not _same(was, to):
        mine |= {i for i, value in enumerate(values) if _same(value, to)}
        other |= {i for i, value in enumerate(values) if _same(value, was)}
    whole = tuple(spans[i] for i in sorted(other) if spans[i][1] > spans[i][0])
    return Sides(
        change=mark,
        before=tuple((max(low, high - BEFORE_S), high) for low, high in whole),
        whole_before=whole,
        after=tuple(spans[i] for i in sorted(mine) if spans[i][1] > spans[i][0]),
        was=was,
        open=last + 1 == len(bounds) and max(mine) == len(spans) - 1,
        beside=_beside(bounds, at),
        next_s=bounds[at + 1][0] - bounds[at][0] if at + 1 < len(bounds) else inf,
    )


def _bounds(course: Course) -> list[tuple[float, CourseMark]]:
    """What ends spans, in order of time: changes of the machine and crop entries. The lag is the kit's own setting."""
    found = [(course.elapsed_at(mark), mark) for mark in course.marks if mark.kind != "sample" and mark.key != "lag_s"]
    return sorted(found, key=lambda one: one[0])


def _beside(bounds: list[tuple[float, CourseMark]], at: int) -> tuple[str, float] | None:
    here, mark = bounds[at]
    near = [
        (abs(time - here), other.label)
        for time, other in bounds
        if other.kind == "setting" and other.key != mark.key and abs(time - here) < AT_ONCE_S
    ]
    return (min(near)[1], min(near)[0]) if near else None


def _same(one: float | str | None, other: float | str | None) -> bool:
    if isinstance(one, str) or isinstance(other, str) or one is None or other is None:
        return one == other and one is not None
    return abs(one - other) <= 1e-9 * max(abs(one), abs(other), 1.0)

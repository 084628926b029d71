"""Which stretches of time stand on each side of a setting change: spans, pooling of equal values, what forbids it."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from edge.judge.verdict.course import Course, CourseMark
from edge.reckon.entered.inforce import same_value

BEFORE_S = 30 * 60.0
AT_ONCE_S = 180.0
"""Two settings changed closer together than the least steady work of a side: one can't be told from the other."""

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Sides:
    """Spans of elapsed time before and after a change, guard time left out.

    `whole_before`: the same without the limit of half an hour, for tests and samples. `open`: nothing has ended the last
    span yet; `since_s`: when that one began. `beside`: another setting changed within three minutes, and how many seconds
    from it. `returned`: the setting went back to where it stood before, and not to and fro.
    """

    change: CourseMark
    before: tuple[Span, ...]
    whole_before: tuple[Span, ...]
    after: tuple[Span, ...]
    was: float | str | None
    open: bool
    since_s: float
    returned: bool
    beside: tuple[str, float] | None
    next_s: float

    @property
    def pooled(self) -> bool:
        """Whether equal values of several spans stand together."""
        return len(self.before) + len(self.after) > 2


def numbered(course: Course) -> list[CourseMark]:
    """All setting entries in order, numbered from 1: changes, and what only says where a setting stands."""
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
    was, to = mark.was, mark.to
    # What an entry says of the spans at its own sides goes before what others said of them.
    mine = {place + 1} | {i for i, value in enumerate(values) if same_value(value, to)} - {place}
    other = {place} | {i for i, value in enumerate(values) if same_value(value, was)} - {place + 1}
    whole = tuple(spans[i] for i in sorted(other) if spans[i][1] > spans[i][0])
    return Sides(
        change=mark,
        before=tuple((max(low, high - BEFORE_S), high) for low, high in whole),
        whole_before=whole,
        after=tuple(spans[i] for i in sorted(mine) if spans[i][1] > spans[i][0]),
        was=was,
        open=last + 1 == len(bounds) and max(mine) == len(spans) - 1,
        since_s=spans[-1][0],
        returned=_returned(values, place),
        beside=_beside(bounds, at),
        next_s=bounds[at + 1][0] - bounds[at][0] if at + 1 < len(bounds) else inf,
    )


def _bounds(course: Course) -> list[tuple[float, CourseMark]]:
    """What ends spans, in order of time: changes of the machine and crop entries. The lag is the kit's own setting, and what
    only says where a setting stands changes nothing."""
    ends = [mark for mark in course.marks if mark.kind != "sample" and mark.key != "lag_s" and not mark.is_baseline]
    return sorted(((course.elapsed_at(mark), mark) for mark in ends), key=lambda one: one[0])


def _returned(values: list[float | str | None], place: int) -> bool:
    """Whether change `place` undid an earlier one; to and fro, every other one does."""
    undid = False
    for at in range(1, place + 1):
        undid = not undid and any(same_value(value, values[at + 1]) for value in values[:at])
    return undid


def _beside(bounds: list[tuple[float, CourseMark]], at: int) -> tuple[str, float] | None:
    here, mark = bounds[at]
    near = [
        (abs(time - here), other.label)
        for time, other in bounds
        if other.kind == "setting" and other.key != mark.key and abs(time - here) < AT_ONCE_S
    ]
    return (min(near)[1], min(near)[0]) if near else None

"""What verdicts need, gathered beside the loop: each closed second and entry of one kit, live, replayed or restored.

`step` after `Reckoner.step`, `learn` after `Reckoner.learn`. `due()` gives the verdict to publish once a minute while a
change is open.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar, NamedTuple

from edge.contract import entries
from edge.contract.entries import given
from edge.feed.assembler import Second
from edge.judge.speed.answer import SpeedEvidence, speed
from edge.judge.speed.cost import DrivingCosts
from edge.judge.speed.guidance import learned
from edge.judge.verdict.changes import open_change
from edge.judge.verdict.compare import Evidence, compare
from edge.judge.verdict.course import SETTLING_S, Course, CourseMark, CourseSecond
from edge.judge.verdict.samples import KEYS
from edge.reckon.figures import Figures
from edge.reckon.loss import tighter_limit
from edge.reckon.reckoner import Reckoner

LOOKED_AT_S = 3 * 3600
"""A change is looked at every minute for so long; asked for, it is judged at any time."""


class Place(NamedTuple):
    """Where a mark stands: seconds so far, its time (epoch s), guard time in s, number of the crop, number of its record."""

    rows: int
    at_s: float
    guard_s: float
    crop: int
    seq: int


class Watch:
    """The course of one kit and the questions to it. The reckoner may be exchanged when another run begins."""

    def __init__(self, reckoner: Reckoner) -> None:
        self.reckoner = reckoner
        self.course = Course(reckoner.names)
        self._new_run = False

    def take_up(self, course: Course) -> None:
        """Go on from the seconds and marks of earlier runs."""
        self.course, self._new_run = course, course.count > 0

    def step(self, second: Second, figures: Figures) -> None:
        """One closed second, after the reckoner took it."""
        ms = sum(part.ms for part in second.parts)
        self.take(figures.t, figures.state, ms, figures.area_m2, figures.distance_m, figures.returns_pct, self._new_run)
        self._new_run = False

    def take(
        self, t: int, state: str, ms: int, area_m2: float, metres: float, returns_pct: float | None, new_run: bool = False
    ) -> None:
        """The same from its parts; pulses are read off the reckoner's loss points."""
        points = self.reckoner.points
        moment = CourseSecond(
            t, state, ms, area_m2, metres,
            tuple(point.effective for point in points),
            tuple(point.background for point in points),
            returns_pct,
            any(point.blind for point in points),
            0.0 if self.reckoner.work.inferred else self.reckoner.now.lag_s,
        )  # fmt: skip
        self.course.take(moment, new_run)

    def learn(self, entry: entries.Entry, stamp_ms: int, seq: int = 0) -> None:
        """One admitted entry and the number of its record, after the reckoner learned it."""
        at = given(entry.at)
        self._mark(entry, self.course.count, stamp_ms / 1000 if at is None else entries.epoch_s(at), seq)

    def mark_again(self, entry: entries.Entry, earlier: CourseMark) -> None:
        """The mark of an entry anew, after the reckoner took it up again: another entry was struck out."""
        self._mark(entry, earlier.rows, earlier.at_s, earlier.seq)

    def _mark(self, entry: entries.Entry, rows: int, at_s: float, seq: int) -> None:
        mark, now = self.MARKS.get(type(entry)), self.reckoner.now
        if mark is not None:
            self.course.mark(mark(self, entry, Place(rows, at_s, now.lag_s + SETTLING_S, now.crop_number, seq)))

    def _mark_setting(self, entry: entries.SettingEntry, place: Place) -> CourseMark:
        change = self.reckoner.now.changes[-1]
        return CourseMark("setting", *place[:4], change.n, change.key, change.label, change.was, change.to, seq=place.seq)

    def _mark_crop(self, entry: entries.CropEntry, place: Place) -> CourseMark:
        return CourseMark("crop", *place[:4], seq=place.seq)

    def _mark_sample(self, entry: entries.SampleEntry, place: Place) -> CourseMark:
        plain = entries.to_plain(entry)
        values = tuple((key, float(plain[key])) for key in KEYS if key in plain)
        return CourseMark("sample", *place[:4], values=values, seq=place.seq)

    MARKS: ClassVar[dict[type[entries.Entry], Callable[[Any, Any, Place], CourseMark]]] = {
        entries.SettingEntry: _mark_setting,
        entries.CropEntry: _mark_crop,
        entries.SampleEntry: _mark_sample,
    }
    """The kinds of entries that verdicts must know of."""

    @property
    def _vibration_hz(self) -> list[float]:
        return [point.vibration_hz for point in self.reckoner.points]

    def compare(self, n: int) -> dict[str, Any]:
        """The verdict on change `n`. Raises ValueError for a number that is none."""
        now = self.reckoner.now
        tgw_g = {**now.ended_tgw, now.crop_number: now.tgw_g}
        return compare(self.course, n, Evidence(self.reckoner.calibration.tests, self._vibration_hz, now.returns_pct, tgw_g))

    @property
    def is_open(self) -> bool:
        """Whether a change is open: nothing has ended it."""
        return open_change(self.course) is not None

    def due(self) -> tuple[int, dict[str, Any]] | None:
        """Number and verdict of the change that is open; None when none is, or it is hours old."""
        mark = open_change(self.course)
        if mark is None or not self.course.count:
            return None
        if float(self.course.table().elapsed[-1]) - self.course.elapsed_at(mark) > LOOKED_AT_S:
            return None
        return mark.n, self.compare(mark.n)

    def speed(self, costs: DrivingCosts) -> dict[str, Any]:
        """How fast to drive, from the seconds kept of the present crop."""
        now, machine = self.reckoner.now, self.reckoner.settings.machine
        return speed(
            self.course,
            SpeedEvidence(
                tests=[test for test in self.reckoner.calibration.tests if test.crop == now.crop_number],
                vibration_hz=self._vibration_hz,
                width_m=machine.cut_width_m * now.width_used,
                price_per_t=now.price_per_t,
                limit_kg_ha=self._limit(),
            ),
            costs,
        )

    def exponent(self) -> float | None:
        """Loss per hectare over speed as deliberate steps of this crop told it; None without any."""
        return learned(self.speed(DrivingCosts())["exponent"])

    def _limit(self) -> float | None:
        now = self.reckoner.now
        return tighter_limit(now.loss_kg_ha, now.loss_pct, now.yield_t_ha)

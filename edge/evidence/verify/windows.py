"""Windows of tray tests against the kept seconds of a pack. Pure.

A window is the closed seconds in (at - 5 s, at + 5 s], as the kit remembered them when it judged the test: those of its run
since the clock last stepped, not older than `HISTORY_S`; of an earlier run where a mark had kept them.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, isclose
from typing import Any, NamedTuple

import numpy as np

from edge.contract.inputs import LossInput
from edge.contract.settings import Settings
from edge.evidence.recount.material import Material
from edge.evidence.recount.sums import WORKING, Counted
from edge.reckon.fit.calibration import HALF_WINDOW_S
from edge.reckon.fit.trayrows import HISTORY_S
from edge.reckon.sensors.workstate import STATES

NO_DATA = STATES.index("no data")
CLOSE, NEAR = 1e-6, 1e-3
"""Relative differences allowed: of sums in another order; of pulses, where a sensor's past before the job counts a little."""


class Judged(NamedTuple):
    """A test as far as its window goes. Times in epoch s by the kit's clock of then; `told_s`: when it was judged."""

    run: int
    at_s: float
    told_s: float
    has_mark: bool
    stepped: bool


class Windows:
    """The kept seconds of a pack, run by run, in pieces between which the kit's memory of them breaks."""

    def __init__(self, material: Material, settings: dict[int, Settings]) -> None:
        self._runs = {part.rows.run: _WindowRun(part) for part in material.counted}
        self._names = {run: _points(of) == material.names for run, of in settings.items()}

    def differs(self, test: Judged, said: dict[str, Any]) -> str:
        """In what a window as it is on record is another than the kept seconds give; empty: in nothing, or it can't be told."""
        first = floor(test.at_s - HALF_WINDOW_S) + 1
        wanted = range(first, floor(test.at_s + HALF_WINDOW_S) + 1)
        own = self._runs.get(test.run)
        runs = [own] if own is not None else []
        if test.has_mark:
            runs += [one for run, one in self._runs.items() if run < test.run]
        faults, is_whole = [], True
        for of in runs:
            for begin, end, known in of.spans(wanted):
                if not known:
                    return ""
                fault = self._compare(of.part, begin, end, said)
                if not fault:
                    return ""
                faults.append(fault)
                is_whole = is_whole and end - begin == len(wanted)
        if not faults:
            if own is None or test.has_mark or not own.covers(wanted):
                return ""
            return "" if said["seconds"] == 0 else "seconds"
        forgot = test.stepped or not is_whole or test.told_s - test.at_s > HISTORY_S - 2 * HALF_WINDOW_S
        elsewhere = own is None or not any(True for _ in own.spans(wanted))
        if said["seconds"] == 0 and (forgot or elsewhere):
            return ""
        return faults[0]

    def _compare(self, part: Counted, begin: int, end: int, said: dict[str, Any]) -> str:
        rows, here = part.rows, slice(begin, end)
        if said["seconds"] != end - begin:
            return "seconds"
        if said["working_s"] != int((rows.state[here] == WORKING).sum()):
            return "seconds of work"
        for key, name, values in (
            ("metres", "metres", rows.metres), ("area_m2", "area", rows.area_m2),
            ("threshing_s", "exposure", rows.threshing_ms / 1000),
        ):  # fmt: skip
            if not isclose(said[key], float(values[here].sum()), rel_tol=CLOSE, abs_tol=CLOSE):
                return name
        if not (rows.state[here] == NO_DATA).any():  # a speed of such a second is not kept
            speeds = [float(one) for one in rows.speed_kmh[here] if not np.isnan(one)]
            if len(speeds) != len(said["speeds"]) or not np.allclose(speeds, said["speeds"], rtol=CLOSE, atol=CLOSE):
                return "speeds"
        return _pulses(part, here, said) if self._names.get(rows.run) else ""


def _points(settings: Settings) -> tuple[str, ...]:
    wired = {one.point for one in settings.inputs(LossInput)}
    return tuple(name for name in ("separator", "cleaning") if name in wired)


def _pulses(part: Counted, here: slice, said: dict[str, Any]) -> str:
    """Pulses and their variance, point by point; a side that was silent since before the job is stood in for by its twin."""
    if not len(said["pulses"]) == len(said["variance"]) == part.pulses.shape[1]:
        return "loss points"
    for i, (pulses, variance) in enumerate(zip(said["pulses"], said["variance"], strict=True)):
        found, scatter = part.pulses[here, i], part.variance[here, i]
        times = [np.ones(len(found))]
        if said["half_blind"] and float(part.sides[here, 2 * i : 2 * i + 2].sum(axis=0).min()) == 0.0:
            times.append(np.where(part.half_blind[here, i], 1.0, 2.0))
        for each in times:
            if isclose(pulses, float((each * found).sum()), rel_tol=NEAR, abs_tol=NEAR) and isclose(
                variance, float((each * scatter).sum()), rel_tol=NEAR, abs_tol=NEAR
            ):
                break
        else:
            return "pulses"
    if bool(part.half_blind[here].any()) and not said["half_blind"]:
        return "word on a silent side"
    return ""


class _WindowRun:
    """Seconds of one run. A piece ends where the clock stepped, or where seconds are not the job's."""

    def __init__(self, part: Counted) -> None:
        self.part = part
        self._t, self._number = part.rows.t, part.rows.number
        breaks = np.flatnonzero((np.diff(self._t) != 1) | (np.diff(self._number) != 1)) + 1
        self._begin = np.concatenate(([0], breaks))
        self._end = np.concatenate((breaks, [len(self._t)]))
        # What lies before a piece is known where it is the run's begin, or the second before, told by another clock.
        self._known = np.concatenate(([self._number[0] == 1], np.diff(self._number)[breaks - 1] == 1))

    def spans(self, wanted: range) -> Iterator[tuple[int, int, bool]]:
        """First row and one past the last of those wanted, piece by piece; and whether the pack holds all that the kit did."""
        met = (self._t[self._begin] <= wanted[-1]) & (self._t[self._end - 1] >= wanted[0])
        for at in np.flatnonzero(met):
            first, last = int(self._begin[at]), int(self._end[at])
            times = self._t[first:last]
            low, high = (int(one) for one in np.searchsorted(times, [wanted[0], wanted[-1] + 1]))
            is_begun = int(times[low]) == wanted[0] or bool(self._known[at])
            is_done = int(times[high - 1]) == wanted[-1] or (at + 1 < len(self._begin) and bool(self._known[at + 1]))
            yield first + low, first + high, bool(is_begun and is_done)

    def covers(self, wanted: range) -> bool:
        """Whether the pack holds all of the run from its begin to behind the seconds wanted."""
        return self._number[0] == 1 and bool((np.diff(self._number) == 1).all()) and int(self._t.max()) >= wanted[-1]

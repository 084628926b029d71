"""Deliberate speed steps: sharp, held on both sides, on the same piece of ground.

A driver who eases off in heavy crop moves gradually and all the time; a step goes up or down by 0.8 km/h or more within
some seconds and is held for a minute on each side. Only around such steps does loss against speed mean speed and not
crop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edge.judge.verdict.contrast import Floats
from edge.judge.verdict.course import SETTLING_S, Course

LEAST_STEP_KMH = 0.8
HELD_S = 60
RAMP_S = 5
"""Seconds on each side of the step that belong to neither speed."""

HELD_SD_KMH = 0.25
HELD_SD_SHARE = 0.04
TIMES_SD = 5.0
"""A step is this many times larger than the wandering about the speeds held."""

SHARP_S = 15
SHARP_SHARE = 0.7
"""So much of the step lies between the ten seconds before and after its ramp: following the crop is slower."""

ADJACENT_S = 180.0
"""Ground further from the step than this is not beside it."""


@dataclass(frozen=True, slots=True)
class SpeedStep:
    """One deliberate step at an elapsed time, with the mean speeds held before and after."""

    elapsed: float
    before_kmh: float
    after_kmh: float


@dataclass(frozen=True, slots=True)
class Passage:
    """Work around one or more steps without a break: spans of elapsed time, each at one speed."""

    steps: tuple[SpeedStep, ...]
    spans: tuple[tuple[float, float], ...]


def passages(course: Course, forbidden: list[tuple[float, float]]) -> list[Passage]:
    """All passages with deliberate steps; `forbidden` spans of elapsed time belong to other changes of the machine.

    Speed and loss are both looked at where the crop was cut, so a step needs no lag, only the settling time.
    """
    table = course.table()
    rows = np.flatnonzero(table.steady)
    if not len(rows):
        return []
    inside = np.zeros(len(rows), dtype=bool)
    for low, high in forbidden:
        inside |= (table.elapsed[rows] > low) & (table.elapsed[rows] <= high)
    rows = rows[~inside]
    gaps = (np.diff(rows) > 1) | (np.diff(table.elapsed[rows]) > 3)
    found = []
    for stretch in np.split(rows, np.flatnonzero(gaps) + 1):
        if len(stretch) < 2 * HELD_S:
            continue
        kmh = table.metres[stretch] / table.seconds[stretch] * 3.6
        places = _places(_calmed(kmh))
        if not places:
            continue
        elapsed = table.elapsed[stretch]
        steps = tuple(SpeedStep(float(elapsed[at]), low, high) for at, low, high in places)
        found.append(Passage(steps, _spans(steps, float(elapsed[0]) - 1.0, float(elapsed[-1]))))
    return found


def _calmed(kmh: Floats) -> Floats:
    """Running median over 5 s: single seconds with a lost sentence are no step."""
    padded = np.pad(kmh, 2, mode="edge")
    calmed: Floats = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return calmed


def _places(kmh: Floats) -> list[tuple[int, float, float]]:
    """Rows of the steps, with the speeds held before and after."""
    n = len(kmh)
    at = np.arange(HELD_S, n - HELD_S + 1)
    if not len(at):
        return []
    before, sd_before = _window(kmh, at - HELD_S, at - RAMP_S)
    after, sd_after = _window(kmh, at + RAMP_S, at + HELD_S)
    size = np.abs(after - before)
    held = (sd_before <= np.maximum(HELD_SD_KMH, HELD_SD_SHARE * before)) & (
        sd_after <= np.maximum(HELD_SD_KMH, HELD_SD_SHARE * after)
    )
    just_before, just_after = _window(kmh, at - SHARP_S, at - RAMP_S)[0], _window(kmh, at + RAMP_S, at + SHARP_S)[0]
    sharp = (just_after - just_before) * np.sign(after - before) >= SHARP_SHARE * size
    size[~(held & sharp) | (size < LEAST_STEP_KMH) | (size < TIMES_SD * np.maximum(sd_before, sd_after))] = 0.0
    found: list[tuple[int, float, float]] = []
    while size.max() > 0:
        best = int(size.argmax())
        ties = np.flatnonzero(size >= size[best] - 1e-9)
        best = int(ties[np.argmin(np.abs(ties - ties.mean()))]) if ties.max() - ties.min() < HELD_S else best
        found.append((int(at[best]), float(before[best]), float(after[best])))
        size[np.abs(np.arange(len(size)) - best) < HELD_S - RAMP_S] = 0.0
    return sorted(found)


def _window(values: Floats, first: NDArray[np.int64], last: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Mean and standard deviation of values[first:last] for many windows."""
    ones = np.concatenate(([0.0], np.cumsum(values)))
    squares = np.concatenate(([0.0], np.cumsum(values**2)))
    n = (last - first).astype(np.float64)
    mean: Floats = (ones[last] - ones[first]) / n
    spread: Floats = np.sqrt(np.maximum((squares[last] - squares[first]) / n - mean**2, 0.0))
    return mean, spread


def _spans(steps: tuple[SpeedStep, ...], began: float, ended: float) -> tuple[tuple[float, float], ...]:
    """Spans between the steps, settled and beside a step."""
    times = [step.elapsed for step in steps]
    starts = [max(began, times[0] - ADJACENT_S)] + [time + SETTLING_S for time in times]
    ends = [time - RAMP_S for time in times] + [min(ended, times[-1] + ADJACENT_S)]
    whole = list(zip(starts, ends, strict=True))
    between = [(low, high) for low, high in whole[1:-1] if high - low <= 2 * ADJACENT_S]
    # A long way between two steps is not beside either in its middle.
    for low, high in whole[1:-1]:
        if high - low > 2 * ADJACENT_S:
            between += [(low, low + ADJACENT_S), (high - ADJACENT_S, high)]
    return (whole[0], *sorted(between), whole[-1])

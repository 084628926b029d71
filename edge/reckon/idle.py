"""Vibration background: pulses with the thresher on and no crop, learned from an idle run that the operator names."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from edge.reckon.losspoint import LossPoint

KEPT_S = 3600
ENOUGH = 0.8
"""Share of the stated seconds that must have been threshing with no crop."""


class IdleSeconds:
    """The last hour's seconds, as an idle run needs them."""

    def __init__(self) -> None:
        self._rows: deque[tuple[int, float, bool, tuple[float, ...]]] = deque(maxlen=KEPT_S)

    def remember(self, t: int, threshing_s: float, quiet: bool, points: Sequence[LossPoint]) -> None:
        """One closed second: whether it was threshing with no crop, and the corrected count of each sensor then."""
        counts = tuple([sensor.count for point in points for sensor in point.sensors]) if quiet else ()
        self._rows.append((t, threshing_s, quiet, counts))

    def forget_times(self) -> None:
        """The clock stepped."""
        self._rows.clear()

    def learn(self, seconds: float, at_s: float, points: Sequence[LossPoint]) -> str:
        """Set each sensor's background from the seconds before `at_s`; returns why that can't be done, or nothing."""
        chosen = [row for row in self._rows if at_s - seconds < row[0] <= at_s]
        quiet = [row for row in chosen if row[2]]
        threshing_s = sum(row[1] for row in quiet)
        if len(quiet) < len(chosen) or threshing_s < ENOUGH * seconds:
            return f"only {threshing_s:.0f} of {seconds:.0f} s were threshing on with no crop"
        for i, sensor in enumerate(sensor for point in points for sensor in point.sensors):
            pulses = sum(row[3][i] for row in quiet)
            sensor.vibration_hz = pulses / threshing_s
            sensor.vibration_u_hz = max(pulses, 1.0) ** 0.5 / threshing_s
        return ""

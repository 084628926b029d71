"""State of the calibration as it is shown, worked out anew only when it can have changed."""

from __future__ import annotations

import math

from edge.reckon.entered.inforce import InForce
from edge.reckon.figures import CalibrationFigure
from edge.reckon.fit.calibration import STALE_S, Calibration


class CalibrationStatus:
    """Remembers the last answer for as long as it holds."""

    def __init__(self, calibration: Calibration, now: InForce) -> None:
        self._calibration, self._now = calibration, now
        self._answer: tuple[CalibrationFigure, float | None] | None = None
        self._known = (0, 0, 0)
        self._from_s = self._until_s = 0.0

    def forget(self) -> None:
        """The factors changed without a further test."""
        self._answer = None

    def figure(self, now_s: float) -> CalibrationFigure:
        """The state at a time (epoch s), with the reason in words."""
        known = (len(self._calibration.tests), self._now.crop_number, len(self._now.changes))
        if self._answer is None or known != self._known or not self._from_s <= now_s < self._until_s:
            self._known, self._answer = known, self._judge(now_s)
        status, last_s = self._answer
        if last_s is None:
            return status
        age_s = max(0.0, round(now_s - last_s, 3))
        return CalibrationFigure(status.state, status.factor_mg_per_pulse, status.tests, age_s, status.why)

    def _judge(self, now_s: float) -> tuple[CalibrationFigure, float | None]:
        """State and age's origin; they hold until a test, crop or setting changes, or the newest test gets too old."""
        state, why = self._calibration.state(now_s, self._now)
        last = self._calibration.last_used
        self._from_s = now_s
        self._until_s = math.inf
        if last is not None:
            stale_s = last.at_s + STALE_S
            self._until_s = math.nextafter(stale_s, math.inf) if now_s <= stale_s else now_s + 3600
            if self._calibration.moves_u:
                self._until_s = now_s  # time alone can end it in any second
        factors = {name: found.k for name, found in self._calibration.factors.points.items()}
        return CalibrationFigure(state, factors, self._calibration.used(), None, why), None if last is None else last.at_s

"""Returns: how full the returns elevator runs, from the share of time that its light beam is blocked."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any

from edge.contract.inputs import BeamInput
from edge.reckon.sensors.seen import SecondSeen

WINDOW_MS = 5000
DUST_WAIT_S = 15.0
"""Front up this long beyond the lag before the elevator is taken for empty. From memory: no published figure."""

DUST_STEP = 0.2
DUST_MOST_PCT = 15.0


class Returns:
    """Blocked share over at least 5 s -> percent of full, not clipped: (blocked - empty) / (full - empty)."""

    def __init__(self, beam: BeamInput) -> None:
        self.at = beam.at
        self.empty_pct = self._wired_empty_pct = beam.empty_pct
        self.full_pct = beam.full_pct
        self._wired_full_t_h = beam.full_t_h
        self.begin_flow()
        self._rows: deque[tuple[int, int]] = deque()
        self._blocked = self._ms = 0
        self._up_s = 0.0
        self.pct: float | None = None

    def begin_flow(self) -> None:
        """The flow at full is that of the settings again, as before any catch."""
        self.full_t_h = self._wired_full_t_h

    def step(self, blocked_ms: int, ms: int, threshing: bool) -> float | None:
        """Take one second; returns percent, None with the thresher off or under 5 s of data."""
        if not threshing:
            self._rows.clear()
            self._blocked = self._ms = 0
            self.pct = None
            return None
        if ms:
            self._rows.append((blocked_ms, ms))
            self._blocked += blocked_ms
            self._ms += ms
            while self._ms - self._rows[0][1] >= WINDOW_MS:
                old_blocked, old_ms = self._rows.popleft()
                self._blocked -= old_blocked
                self._ms -= old_ms
        self.pct = self.percent(self._blocked, self._ms) if self._ms >= WINDOW_MS else None
        return self.pct

    def percent(self, blocked_ms: float, ms: float) -> float:
        """Percent of full for a blocked time in an exposure."""
        return (100.0 * blocked_ms / ms - self.empty_pct) / (self.full_pct - self.empty_pct) * 100.0

    @property
    def t_h(self) -> float | None:
        """Flow, known only after a catch or a stated full flow."""
        return None if self.pct is None or self.full_t_h is None else self.pct / 100.0 * self.full_t_h

    def learn_catch(self, mass_kg: float, seconds: float) -> str:
        """A catch at the present filling; returns why it can't be used, or nothing."""
        if self.pct is None or self.pct < 5:
            return "the returns beam must read 5 % or more while the catch is taken"
        self.full_t_h = mass_kg / seconds * 3.6 / (self.pct / 100.0)
        return ""

    def follow_dust(self, front_up: bool, threshing: bool, seconds: float, lag_s: float) -> None:
        """On a long headland the elevator runs empty: dust on the lenses shows as a shifted empty share."""
        self._up_s = self._up_s + seconds if front_up and threshing else 0.0
        if self._up_s < lag_s + DUST_WAIT_S or self._ms < WINDOW_MS:
            return
        blocked_pct = 100.0 * self._blocked / self._ms
        if abs(blocked_pct - self._wired_empty_pct) <= DUST_MOST_PCT and blocked_pct < self.full_pct - 5:
            self.empty_pct += DUST_STEP * (blocked_pct - self.empty_pct)


class BeamSensors:
    """The light beam in the returns, if one is wired."""

    def __init__(self, wired: Sequence[BeamInput]) -> None:
        self.returns = Returns(wired[0]) if wired else None

    def step(self, seen: SecondSeen) -> None:
        """Take one closed second."""
        returns = self.returns
        if returns is None:
            return
        if not seen.ms:
            if seen.state == "no data":
                returns.step(0, 0, False)
            return
        threshing = 2 * seen.threshing_ms > seen.ms
        returns.step(seen.count(returns.at), seen.ms, threshing)
        returns.follow_dust(seen.front_ms == 0 and seen.front_known, threshing, seen.ms / 1000, seen.lag_s)

    def live(self, silent: bool) -> dict[str, Any]:
        """Returns in percent of full, and in t/h where a full flow is known."""
        returns = self.returns
        return {"returns": {"pct": returns.pct, "t_h": returns.t_h} if returns is not None else {"pct": None, "t_h": None}}

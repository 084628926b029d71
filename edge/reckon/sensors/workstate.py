"""What the machine is doing: working, filling, turning, idle, or nobody knows.

All durations are board time, so that a stepped clock changes no state.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from edge.feed.assembler import Part, Second

State = Literal["working", "turning", "filling", "idle", "no data"]
STATES: tuple[State, ...] = ("working", "turning", "filling", "idle", "no data")

WORKING_KMH = 1.0
TURNING_KMH = 0.5
FILLING_MS = 20_000
HOP_MS = 5_000
"""Front up for less than this does not start the filling again."""

TURNING_MS = 120_000
SILENT_MS = 2_000


class Bit(NamedTuple):
    """One wired on/off input: its mask and whether it reads the other way round."""

    mask: int
    inverted: bool

    def true_in(self, levels: int) -> bool:
        """Whether the input is on in this level mask."""
        return bool(levels & self.mask) != self.inverted


class WorkState:
    """Judges the state of each second. A bit that is None is unwired and counts as true.

    With neither wired, "front down" is inferred by the caller, who passes it to `step`.
    """

    def __init__(self, front: Bit | None, threshing: Bit | None) -> None:
        self._front, self.threshing = front, threshing
        self.inferred = front is None and threshing is None
        self.knows_front = front is not None
        self.knows_both = front is not None and threshing is not None
        self._clock_ms = 0
        self._is_down: bool | None = None
        self._is_threshing = False
        self._down_ms: int | None = None
        self._up_ms: int | None = None
        self._has_cut = False
        self.state: State = "no data"

    def front_down(self, part: Part) -> bool:
        """Whether the front was down in this part; an unwired level counts as true."""
        return self._front is None or self._front.true_in(part.levels)

    def threshing_on(self, part: Part) -> bool:
        """Whether the thresher ran in this part; an unwired level counts as true."""
        return self.threshing is None or self.threshing.true_in(part.levels)

    def step(self, second: Second, speed_kmh: float | None, cutting: bool = True) -> State:
        """The state at the second's last good count sentence. `cutting`: inferred, used when no level is wired."""
        for part in second.parts:
            down = cutting if self.inferred else self.front_down(part)
            if down != self._is_down:
                self._front_moved(down, self._clock_ms + part.first_ms)
            self._clock_ms += part.ms
            self._is_threshing = self.threshing_on(part)
        if second.last_data_ms is None or second.t * 1000 - second.last_data_ms >= SILENT_MS:
            self.state = "no data"
        elif second.parts:
            self.state = self._judge(speed_kmh if speed_kmh is not None else 0.0)
        return self.state

    def _front_moved(self, down: bool, at_ms: int) -> None:
        first = self._is_down is None
        self._is_down = down
        if not down:
            self._up_ms = at_ms
        elif first or self._up_ms is None or self._down_ms is None or at_ms - self._up_ms >= HOP_MS:
            self._down_ms = at_ms

    def _judge(self, speed_kmh: float) -> State:
        if not self._is_threshing:
            return "idle"
        if self._is_down:
            if speed_kmh < WORKING_KMH or self._down_ms is None:
                return "idle"
            self._has_cut = True
            return "working" if self._clock_ms - self._down_ms >= FILLING_MS else "filling"
        up_ms = self._clock_ms - self._up_ms if self._up_ms is not None else TURNING_MS + 1
        if speed_kmh >= TURNING_KMH and self._has_cut and up_ms <= TURNING_MS:
            return "turning"
        return "idle"

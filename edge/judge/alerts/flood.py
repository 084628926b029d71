"""A flood of alerts: more at once than a person who drives can take in.

More than ten in ten minutes is a flood by the open alarm standards (ISA-18.2 / IEC 62682); for somebody who drives, more than
three within a minute is one too (our own choice). While it lasts the worst three stand as new, the rest are counted.
"""

from __future__ import annotations

from collections import deque

SHOWN = 3
BURST, BURST_S = 3, 60
MANY, MANY_S, FEW = 10, 600, 5


class Flood:
    """Whether one is on, from the times of raises in s."""

    def __init__(self) -> None:
        self.on = False
        self._raises: deque[int] = deque()

    def raised(self, at_s: int) -> None:
        """One alert was raised."""
        self._raises.append(at_s)

    def step(self, at_s: int) -> bool:
        """Whether a flood is on at this time."""
        raises = self._raises
        while raises and at_s - raises[0] >= MANY_S:
            raises.popleft()
        burst = sum([at_s - one < BURST_S for one in raises])
        if burst > BURST or len(raises) > MANY:
            self.on = True
        elif burst == 0 and len(raises) <= FEW:
            self.on = False
        return self.on

    @property
    def quiet(self) -> bool:
        """Nothing to look at: no flood, and no raise that could still count."""
        return not self.on and not self._raises

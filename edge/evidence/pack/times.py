"""Times as a pack prints them: in English, in the zone that the pack names. Pure: nothing asks the computer for its own zone."""

from __future__ import annotations

import time
from dataclasses import dataclass

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Zone:
    """A fixed offset from UTC in minutes, and the epoch second whose day need not be said again."""

    offset_min: int = 0
    of_s: float | None = None

    @property
    def name(self) -> str:
        """`UTC`, `UTC+10:30`, `UTC-03:00`."""
        if not self.offset_min:
            return "UTC"
        hours, minutes = divmod(abs(self.offset_min), 60)
        return f"UTC{'-' if self.offset_min < 0 else '+'}{hours:02d}:{minutes:02d}"

    def parts(self, epoch_s: float) -> time.struct_time:
        """The calendar there."""
        return time.gmtime(epoch_s + 60 * self.offset_min)

    def day(self, epoch_s: float | None) -> str:
        """`28 May 2026`, whatever language the computer speaks."""
        if epoch_s is None:
            return UNKNOWN
        when = self.parts(epoch_s)
        return f"{when.tm_mday} {MONTHS[when.tm_mon - 1]} {when.tm_year}"

    def moment(self, epoch_s: float | None) -> str:
        """`28 May 2026 20:42`."""
        return UNKNOWN if epoch_s is None else f"{self.day(epoch_s)} {time.strftime('%H:%M', self.parts(epoch_s))}"

    def stamp(self, epoch_s: float | None) -> str:
        """`28 May 2026 20:42 UTC+10:00`."""
        return f"{self.moment(epoch_s)} {self.name}"

    def clock(self, epoch_s: float, days: bool = True) -> str:
        """`20:42`, with the day when it is not that of `of_s`; `days` False: never."""
        at = time.strftime("%H:%M", self.parts(epoch_s))
        same = self.of_s is not None and self.parts(epoch_s)[:3] == self.parts(self.of_s)[:3]
        return at if same or not days else f"{' '.join(self.day(epoch_s).split()[:2])} {at}"


def offset_min(epoch_s: float) -> int:
    """This computer's offset from UTC at a time, in whole minutes: what `report` puts into a pack."""
    return round(time.localtime(epoch_s).tm_gmtoff / 60)

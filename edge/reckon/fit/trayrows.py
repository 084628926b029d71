"""The seconds around tray tests: what the counts gave, whatever was entered about them."""

from __future__ import annotations

from collections import deque
from typing import Any

import msgspec

from edge.reckon.fit.calibration import HALF_WINDOW_S, Window, WindowSecond, window

HISTORY_S = 6 * 3600
"""Seconds kept for tray tests entered late without a mark."""


class TrayRows:
    """Closed seconds of the last hours, and the windows around tray marks by the mark's number, kept however late the catch is
    entered."""

    def __init__(self) -> None:
        self._seconds: deque[WindowSecond] = deque(maxlen=HISTORY_S)
        self._windows: dict[int, Window] = {}
        self._open_marks: list[tuple[int, float]] = []

    @property
    def history(self) -> deque[WindowSecond]:
        """The seconds that windows are cut from."""
        return self._seconds

    def remember(self, row: WindowSecond) -> None:
        """One closed second."""
        self._seconds.append(row)

    def forget_times(self) -> None:
        """The clock stepped: seconds before and after can't be looked up by time together."""
        self._seconds.clear()

    def mark(self, number: int, at_s: float) -> None:
        """A tray goes down now; its window is kept however late the catch is entered."""
        self._open_marks.append((number, at_s))

    @property
    def waits(self) -> bool:
        """Whether the window of a mark is not closed yet."""
        return bool(self._open_marks)

    def close(self, now_s: float) -> None:
        """Close the windows of the marks whose time has come by `now_s`."""
        for number, at_s in list(self._open_marks):
            if at_s + HALF_WINDOW_S <= now_s:
                self._windows[number] = self.around(at_s)
                self._open_marks.remove((number, at_s))

    def around(self, at_s: float) -> Window:
        """The window of a time (epoch s), as far as its seconds are kept."""
        return window(self._seconds, at_s)

    def of_mark(self, number: int) -> Window | None:
        """The window of a mark; None while it is open, or when there is no such mark."""
        return self._windows.get(number)

    def new_windows(self, known: set[int]) -> list[tuple[int, dict[str, Any]]]:
        """Windows around marks that closed and are not yet known: number and data."""
        return [
            (number, {"mark": number, "window": msgspec.to_builtins(seen)})
            for number, seen in self._windows.items()
            if number not in known
        ]

    def restore_window(self, body: dict[str, Any]) -> None:
        """Take up a window of an earlier run."""
        self._windows[int(body["mark"])] = msgspec.convert(body["window"], Window)

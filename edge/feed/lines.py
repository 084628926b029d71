"""Bytes -> lines, split on 0x0A only, however the bytes arrive."""

from __future__ import annotations

LONGEST_KEPT = 300
"""Bytes kept of a line that runs on and on: enough to show that it is over-long."""


class LineSplitter:
    """Bytes -> lines at 0x0A only. A line longer than `longest` bytes is cut short but still counts as one."""

    def __init__(self, longest: int = 4096) -> None:
        self._longest = longest
        self._rest = b""
        self._running_on = False

    def feed(self, data: bytes) -> list[bytes]:
        """Lines completed by these bytes, without their 0x0A."""
        *lines, rest = (self._rest + data).split(b"\n")
        if self._running_on and lines:
            lines[0] = lines[0][:LONGEST_KEPT]
            self._running_on = False
        if len(rest) > self._longest or (self._running_on and len(rest) > LONGEST_KEPT):
            rest, self._running_on = rest[:LONGEST_KEPT], True
        self._rest = rest
        if lines and max(map(len, lines)) > self._longest:
            return [line if len(line) <= self._longest else line[:LONGEST_KEPT] for line in lines]
        return lines

    def end(self) -> list[bytes]:
        """What is left when no more bytes come: a last line without its 0x0A, if any."""
        rest, self._rest = self._rest, b""
        return [rest] if rest else []

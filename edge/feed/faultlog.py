"""The log's manners: a repeated fault is said once a minute, with how often it happened."""

from __future__ import annotations

import logging
import time

AGAIN_S = 60.0
MOST = 50
"""Different faults remembered; a source that makes up new ones can't fill the memory."""


class FaultLog:
    """Says warnings of one part of the program."""

    def __init__(self, log: logging.Logger) -> None:
        self._log = log
        self._said: dict[str, float] = {}
        self._times: dict[str, int] = {}

    def say(self, text: str, kind: str = "") -> None:
        """One fault; those of the same `kind` (its text, when none is given) count as repeated."""
        kind, now = kind or text, time.monotonic()
        self._times[kind] = self._times.get(kind, 0) + 1
        if now - self._said.get(kind, -AGAIN_S) < AGAIN_S:
            return
        times = self._times.pop(kind)
        if len(self._said) > MOST:
            self._said.clear()
            self._times.clear()
        self._said[kind] = now
        self._log.warning("%s%s", text, f" ({times} times)" if times > 1 else "")

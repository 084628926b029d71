"""What happens to lines between the board and the reader; keeps its own count of what a reader should find.

Damage is made so that its kind is certain: one byte of the body replaced (any CRC-16 finds a single damaged byte), or
the end cut off (no frame is left).
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from sim_feed.parameters.structs import FaultParameters

CONTROL = bytes(set(range(0x20)) - {0x0A, 0x0D})
"""Bytes that damage puts in: control characters that are no line end."""

FOREIGN = (b"boot: counter board ready\n", b"@@ \x1c\x85\x00 ##\n", b"$XYZ,1,2,3\n", b"\x07\x0b\x0c\n")

OVERLONG = b"$TGC,1,1,1,3" + b",4294967295" * 24 + b"*0000\n"
"""More than the 240 bytes a line may have; it is refused for that before its check is looked at."""


def crossed(windows: tuple[tuple[float, float], ...], at_s: float) -> bool:
    """Whether a time lies in one of the windows (from, to], s."""
    return any(start < at_s <= end for start, end in windows)


class LineFaults:
    """Loses, damages, doubles and adds lines; `tally` counts good, bad_crc and malformed as a reader should."""

    def __init__(self, parameters: FaultParameters, generator: np.random.Generator) -> None:
        self._p = p = parameters
        self._random = generator
        self._line_bounds = np.cumsum((p.lost, p.damaged, p.cut_short, p.duplicated)).tolist()
        self._any = any((p.lost, p.damaged, p.cut_short, p.duplicated, p.foreign, p.overlong, p.line_silent))
        self.tally: Counter[str] = Counter()

    def pass_on(self, lines: list[bytes], at_s: float) -> tuple[list[bytes], list[bool]]:
        """What the reader gets of the lines of one tick, and for each given line whether it arrived whole."""
        if not self._any:
            self.tally["good"] += len(lines)
            return lines, [True] * len(lines)
        if crossed(self._p.line_silent, at_s):
            return [], [False] * len(lines)
        passed: list[bytes] = []
        whole: list[bool] = []
        for line in lines:
            arrived = self._one(line)
            passed += arrived
            whole.append(bool(arrived) and arrived[0] == line)
        return self._added(passed), whole

    def _one(self, line: bytes) -> list[bytes]:
        lost, damaged, cut_short, duplicated = self._line_bounds
        draw = float(self._random.random())
        if draw < lost:
            return []
        if draw < damaged:
            self.tally["bad_crc"] += 1
            return [self._damage(line)]
        if draw < cut_short:
            self.tally["malformed"] += 1
            return [self._cut(line)]
        copies = 2 if draw < duplicated else 1
        self.tally["good"] += copies
        return [line] * copies

    def _damage(self, line: bytes) -> bytes:
        # Behind "$GP" and before "*": either kind of frame stays, the check fails.
        at = int(self._random.integers(3, line.rindex(b"*")))
        return line[:at] + CONTROL[int(self._random.integers(len(CONTROL))) :][:1] + line[at + 1 :]

    def _cut(self, line: bytes) -> bytes:
        # At least the star and all behind it goes, so neither kind of frame is left.
        return line[: int(self._random.integers(2, line.rindex(b"*")))] + b"\n"

    def _added(self, lines: list[bytes]) -> list[bytes]:
        if self._p.foreign and self._random.random() < self._p.foreign:
            lines.append(FOREIGN[int(self._random.integers(len(FOREIGN)))])
            self.tally["malformed"] += 1
        if self._p.overlong and self._random.random() < self._p.overlong:
            lines.append(OVERLONG)
            self.tally["malformed"] += 1
        return lines

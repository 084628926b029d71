"""Gauge check: the readout in the cab against the gap measured at the sieve.

measured = offset + gain * readout. One readout in mm gives the offset (gain 1 assumed); two or more give both by least
squares. Percent and notch readouts need two, because nothing ties them to millimetres. An unchecked readout can be 8
to 10 mm out (common practice).

A model that can't be so is not used: a gap that doesn't widen with the readout, a millimetre readout whose gain is far from 1,
checks that don't lie on one line. No readout to dial follows from it, and no gap; the check that disagrees is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log, sqrt

from msgspec import UNSET

from edge.contract.allowed import InWords
from edge.contract.entries import GaugeEntry, given
from edge.contract.said import say

SPREAD_LIMIT_MM = 2.0
"""Spread across positions at one readout from which a sieve is called bent or worn (from memory)."""

OFFSET_LIMIT_MM = 3.0
"""The change of a sieve that makes a calibration stale; a readout further out than that is named."""

OPEN_PAST_MM = 3.0
"""How far past the gap a sieve is opened before it is closed to it, so that slack is taken up (from memory)."""

GAIN_BAND = (0.7, 1.3)
"""Gain of a millimetre readout outside of which a reading is more likely wrong than the linkage (from memory)."""

DISAGREES_MM = 2.0
"""Distance from the line of the checks, in equivalent millimetres of a check far from any other, beyond which a reading is more
likely wrong than the linkage (from memory: a gauge is read to half a millimetre, slack takes another)."""

LEAST_SQUARE = 1e-12
"""Readouts that lie closer together than this (sum of squares) are one."""

STEPS = {"mm": (0.5, 0.1, 0.01), "percent": (1.0, 0.5, 0.1), "notch": (1.0, 0.5, 0.1)}
"""Steps to which a readout can be set, coarsest first."""


@dataclass(frozen=True)
class GaugeCheck:
    """What a sieve's readout means. None is unknown; `dial` is in the readout's own unit.

    `doubts`: why the model is not believed, among the warnings; then nothing is told by it, though `offset_mm` and `gain` stand.
    """

    sieve: str
    unit: str
    offset_mm: float | None
    gain: float | None
    """mm per unit of the readout."""
    spread_mm: float | None
    """Largest less smallest gap at one readout, the worst of the readouts; None if each was measured once."""
    readouts: tuple[float, ...]
    """The different readouts checked, ascending."""
    warnings: tuple[str, ...]
    doubts: tuple[str, ...] = ()

    @property
    def believed(self) -> bool:
        """Whether the model can be so; one that is unknown yet is not doubted."""
        return not self.doubts

    @property
    def step(self) -> float:
        """The step to which the readout can be set: the coarsest of its unit's that every readout typed is a multiple of."""
        steps = STEPS[self.unit]
        return next((step for step in steps if all(_is_multiple(one, step) for one in self.readouts)), steps[-1])

    def dial(self, want_mm: float) -> float | None:
        """The readout for a wanted gap, exactly; None while the model is unknown or not believed."""
        if self.offset_mm is None or not self.gain or not self.believed:
            return None
        return (want_mm - self.offset_mm) / self.gain

    def dial_set(self, want_mm: float) -> float | None:
        """That readout rounded to what can be set; None too where it lies off the scale (below 0, over 100 percent)."""
        dial = self.dial(want_mm)
        if dial is None:
            return None
        near = round(floor(dial / self.step + 0.5) * self.step, 6) + 0.0  # never -0
        return near if near >= 0 and not (self.unit == "percent" and near > 100) else None

    def gap_mm(self, readout: float) -> float | None:
        """The gap behind a readout; None while the model is unknown or not believed."""
        if self.offset_mm is None or self.gain is None or not self.believed:
            return None
        return self.offset_mm + self.gain * readout

    def warnings_for(self, want_mm: float) -> list[str]:
        """Cautions about one wanted gap, beside those of the check itself."""
        dial = self.dial(want_mm)
        if dial is None:
            return []
        words = []
        if dial < 0:
            words.append(f"dial: {dial:.3g} {self.unit} is below zero; the readout can't be set there")
        if self.unit == "percent" and dial > 100:
            words.append(f"dial: {dial:.3g} percent is past the end of the scale")
        low, high = self.readouts[0], self.readouts[-1]
        reach = 5.0 / abs(self.gain or 1.0)
        if not low - reach <= dial <= high + reach:
            checked = f"{low:g}" if low == high else f"{low:g} to {high:g}"
            words.append(f"dial: {dial:.3g} is far from what was checked ({checked} {self.unit}); gauge it there too")
        return words


def readout_of(entry: GaugeEntry) -> tuple[float, str]:
    """The readout of an entry and its unit; mm unless it says otherwise."""
    if entry.readout_mm is not UNSET:
        return float(entry.readout_mm), "mm"
    return float(given(entry.readout)), str(given(entry.unit, "mm"))


def measured_mm(entry: GaugeEntry) -> tuple[float, ...]:
    """The gaps of an entry, one or many."""
    many = entry.measured_mm
    return tuple(map(float, many)) if isinstance(many, tuple) else (float(many),)


def check(entries: Sequence[GaugeEntry]) -> GaugeCheck:
    """The readout's model from one or more gauge entries of one sieve. Raises EntryError for mixed sieves or units."""
    if not entries:
        raise GaugeEntry.refused((), say("no entry given"), InWords(say("one or more of one sieve")))
    sieves = sorted({entry.sieve for entry in entries})
    units = sorted({readout_of(entry)[1] for entry in entries})
    for key, found in (("sieve", sieves), ("unit", units)):
        if len(found) > 1:
            raise GaugeEntry.refused((key,), (f"found {' and '.join(found)}",), InWords((f"one {key} in a check",)))
    by_readout = _by_readout(entries)
    points = _points(entries)
    spreads = [max(gaps) - min(gaps) for gaps in by_readout.values() if len(gaps) > 1]
    offset, gain = _line(points, units[0])
    spread = max(spreads) if spreads else None
    doubts = _doubts(entries, units[0], gain)
    return GaugeCheck(
        sieve=sieves[0],
        unit=units[0],
        offset_mm=offset,
        gain=gain,
        spread_mm=spread,
        readouts=tuple(readout for readout, _ in points),
        warnings=(*doubts, *_warnings(entries, points, units[0], offset, gain, spread)),
        doubts=doubts,
    )


def _by_readout(entries: Sequence[GaugeEntry]) -> dict[float, list[float]]:
    found: dict[float, list[float]] = {}
    for entry in entries:
        found.setdefault(readout_of(entry)[0], []).extend(measured_mm(entry))
    return found


def _points(entries: Sequence[GaugeEntry]) -> list[tuple[float, float]]:
    """Each readout with the mean of its gaps, ascending."""
    return sorted((readout, sum(gaps) / len(gaps)) for readout, gaps in _by_readout(entries).items())


def _is_multiple(value: float, step: float) -> bool:
    return abs(value / step - round(value / step)) < 1e-6


def _doubts(entries: Sequence[GaugeEntry], unit: str, gain: float | None) -> tuple[str, ...]:
    """Why these checks give no model that can be so, in words; empty when they do."""
    words = []
    if gain == 0:
        words.append("gain: the gap did not change with the readout; look for a loose linkage")
    elif gain is not None and gain < 0:
        words.append(f"gain: the gap narrows by {-gain:.2f} mm for each {unit} that the readout rises, which no sieve does")
    elif gain is not None and not _is_usual(gain, unit):
        words.append(f"gain: {gain:.2f} mm a millimetre is far from 1; measure again before you trust it")
    far = _farthest_mm(entries, unit)
    if not words and far <= DISAGREES_MM:
        return ()
    stray = _stray(entries, unit)
    if stray is not None:
        words.append(f"check: the one at {_said(entries[stray])} disagrees with the rest; measure there again, or strike it out")
    elif len(entries) == 2:
        one, other = map(_said, entries)
        words.append(f"check: those at {one} and at {other} can't both be right; measure again at both")
    else:
        line = "the checks don't lie on one line; " if far > DISAGREES_MM else ""
        words.append(f"check: {line}measure again at each readout, come to from the open side")
    words.append("dial: no readout is told until the checks agree")
    return tuple(words)


def _said(entry: GaugeEntry) -> str:
    readout, unit = readout_of(entry)
    gaps = measured_mm(entry)
    return f"readout {readout:g} {unit} (measured {sum(gaps) / len(gaps):.3g} mm)"


def _is_usual(gain: float, unit: str) -> bool:
    return gain > 0 and (unit != "mm" or GAIN_BAND[0] <= gain <= GAIN_BAND[1])


def _farthest_mm(entries: Sequence[GaugeEntry], unit: str) -> float:
    """The largest distance of a check from the line through all, by how far each is from bending the line towards itself."""
    offset, gain = _line(_points(entries), unit)
    readouts = [readout_of(entry)[0] for entry in entries]
    gaps = [sum(found) / len(found) for found in map(measured_mm, entries)]
    n = len(entries)
    middle = sum(readouts) / n
    square = sum((readout - middle) ** 2 for readout in readouts)
    if offset is None or gain is None:
        offset, gain = sum(gaps) / n, 0.0  # all at one readout
    farthest = 0.0
    for readout, gap in zip(readouts, gaps, strict=True):
        leverage = 1 / n + ((readout - middle) ** 2 / square if square > LEAST_SQUARE else 0.0)
        if leverage < 1 - 1e-9:
            farthest = max(farthest, abs(gap - offset - gain * readout) / sqrt(1 - leverage))
    return farthest


def _stray(entries: Sequence[GaugeEntry], unit: str) -> int | None:
    """The place of the check without which the rest agree best; None where that can't be told.

    Of three checks any two lie on a line: only a millimetre readout, whose gain is near 1, then tells which one strays.
    """
    if len(entries) < 3:
        return None
    scores = {}
    for place in range(len(entries)):
        rest = [entry for other, entry in enumerate(entries) if other != place]
        gain, far = _line(_points(rest), unit)[1], _farthest_mm(rest, unit)
        if far <= DISAGREES_MM and (gain is None or _is_usual(gain, unit)):
            scores[place] = far / DISAGREES_MM + (abs(log(gain)) if gain is not None and unit == "mm" else 0.0)
    if not scores or (len(scores) > 1 and len(entries) == 3 and unit != "mm"):
        return None
    return min(scores, key=lambda place: scores[place])


def _line(points: Sequence[tuple[float, float]], unit: str) -> tuple[float | None, float | None]:
    mean_readout = sum(readout for readout, _ in points) / len(points)
    mean_gap = sum(gap for _, gap in points) / len(points)
    square = sum((readout - mean_readout) ** 2 for readout, _ in points)
    if square < LEAST_SQUARE:
        return (mean_gap - mean_readout, 1.0) if unit == "mm" else (None, None)
    gain = sum((readout - mean_readout) * (gap - mean_gap) for readout, gap in points) / square
    return mean_gap - gain * mean_readout, gain


def _warnings(
    entries: Sequence[GaugeEntry],
    points: Sequence[tuple[float, float]],
    unit: str,
    offset: float | None,
    gain: float | None,
    spread: float | None,
) -> list[str]:
    words = []
    slack = _slack(entries)
    if slack:
        words.append(slack)
    if gain is None:
        words.append(f"gain: one {unit} readout says nothing about the next; gauge a second setting")
    if unit == "mm" and offset is not None and gain is not None:
        worst = max((gap - readout for readout, gap in points), key=abs)
        if abs(worst) >= OFFSET_LIMIT_MM:
            side = "wider" if worst > 0 else "tighter"
            words.append(f"readout: the sieve stands {abs(worst):.3g} mm {side} than the cab shows")
    if spread is not None and spread > SPREAD_LIMIT_MM:
        words.append(f"spread: {spread:.3g} mm across positions at one readout; the sieve may be bent or worn")
    return words


def _slack(entries: Sequence[GaugeEntry]) -> str | None:
    """Linkages have slack: the reading must have been come to from the open side."""
    unknown = [entry for entry in entries if entry.opened_to_mm is UNSET]
    for entry in entries:
        opened, gap = given(entry.opened_to_mm), max(measured_mm(entry))
        if opened is not None and opened < gap + OPEN_PAST_MM:
            return (
                f"slack: opened to {opened:g} mm before a gap of {gap:g} mm; "
                "open well past it, then close to it, or as the manual says"
            )
    if unknown:
        return "slack: come to the reading from the open side (open well past it, then close), or as the manual says"
    return None

"""Gauge check: the readout in the cab against the gap measured at the sieve.

measured = offset + gain * readout. One readout in mm gives the offset (gain 1 assumed); two or more give both by least
squares. Percent and notch readouts need two, because nothing ties them to millimetres. An unchecked readout can be 8
to 10 mm out (common practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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


@dataclass(frozen=True)
class GaugeCheck:
    """What a sieve's readout means. None is unknown; `dial` is in the readout's own unit."""

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

    def dial(self, want_mm: float) -> float | None:
        """The readout to set for a wanted gap; None while the model is unknown."""
        if self.offset_mm is None or not self.gain:
            return None
        return (want_mm - self.offset_mm) / self.gain

    def gap_mm(self, readout: float) -> float | None:
        """The gap behind a readout; None while the model is unknown."""
        if self.offset_mm is None or self.gain is None:
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
    by_readout: dict[float, list[float]] = {}
    for entry in entries:
        by_readout.setdefault(readout_of(entry)[0], []).extend(measured_mm(entry))
    points = sorted((readout, sum(gaps) / len(gaps)) for readout, gaps in by_readout.items())
    spreads = [max(gaps) - min(gaps) for gaps in by_readout.values() if len(gaps) > 1]
    offset, gain = _line(points, units[0])
    spread = max(spreads) if spreads else None
    return GaugeCheck(
        sieve=sieves[0],
        unit=units[0],
        offset_mm=offset,
        gain=gain,
        spread_mm=spread,
        readouts=tuple(readout for readout, _ in points),
        warnings=tuple(_warnings(entries, points, units[0], offset, gain, spread)),
    )


def _line(points: Sequence[tuple[float, float]], unit: str) -> tuple[float | None, float | None]:
    mean_readout = sum(readout for readout, _ in points) / len(points)
    mean_gap = sum(gap for _, gap in points) / len(points)
    square = sum((readout - mean_readout) ** 2 for readout, _ in points)
    if square < 1e-12:  # one readout, or as good as one
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
    elif gain == 0:
        words.append("gain: the gap did not change with the readout; look for a loose linkage")
    elif unit == "mm" and not GAIN_BAND[0] <= gain <= GAIN_BAND[1]:
        words.append(f"gain: {gain:.2f} mm a millimetre is far from 1; measure again before you trust it")
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

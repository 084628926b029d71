"""Tray tests on their way from entry to factor: the seconds around them, marks, and tests that wait for their window."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract.entries import given
from edge.reckon.entered.inforce import InForce
from edge.reckon.fit import calibration as cal
from edge.reckon.fit.fits import Fits
from edge.reckon.fit.trays import TrayResult, measure, residue_width

HISTORY_S = 6 * 3600
"""Seconds kept for tray tests entered late without a mark."""


class _Pending(NamedTuple):
    """A test that waits for its time; `n` counts them."""

    n: int
    due_s: float
    entry: entries.TrayEntry
    at_s: float
    result: TrayResult
    crop: int


class TrayTests:
    """Judges tray tests when their time has come and hands them to the calibration.

    `fits`: the factors that each crop ended with, or has now. Per call: backgrounds in pulses/s and dispersions of the
    loss points, in order.
    """

    def __init__(self, calibration: cal.Calibration) -> None:
        self.fits = Fits()
        self._calibration = calibration
        self._rows: deque[cal.WindowSecond] = deque(maxlen=HISTORY_S)
        self._pending: dict[float, list[_Pending]] = {}
        self._count = 0
        self._windows: dict[int, cal.Window] = {}
        self._open_marks: list[tuple[int, float]] = []

    @property
    def history(self) -> deque[cal.WindowSecond]:
        """The seconds that windows are cut from."""
        return self._rows

    def remember(self, row: cal.WindowSecond) -> None:
        """One closed second."""
        self._rows.append(row)

    def forget_times(self) -> None:
        """The clock stepped: seconds before and after can't be looked up by time together."""
        self._rows.clear()

    def mark(self, number: int, at_s: float) -> None:
        """A tray goes down now; its window is kept however late the catch is entered."""
        self._open_marks.append((number, at_s))

    def learn(self, entry: entries.TrayEntry, stamp_ms: int, now: InForce, cut_width_m: float) -> None:
        """An admitted tray entry: it takes effect at the later of its line and its time + 5 s."""
        at_s = cal.moment_s(entry, stamp_ms)
        mark = given(entry.mark, 0)
        ground = now.tray_ground(at_s, stamp_ms / 1000, mark)
        result = measure(entry, ground.tgw_g, residue_width(entry, ground.residue_width_m, cut_width_m))
        is_kept = mark in self._windows and now.marks.get(mark) == at_s  # closed already, whatever the clock did since
        due_s = stamp_ms / 1000 if is_kept else max(stamp_ms / 1000, at_s + cal.HALF_WINDOW_S)
        self._count += 1
        self._pending.setdefault(at_s, []).append(_Pending(self._count, due_s, entry, at_s, result, ground.crop_number))

    def crop_ends(self, crop: int) -> None:
        """Another crop follows; what this one was calibrated with stays its own."""
        self.fits.put(crop, self._calibration.inforce)

    @property
    def waits(self) -> bool:
        """Whether a window or a test waits for its time."""
        return bool(self._open_marks or self._pending)

    def close(self, now_s: float, now: InForce, vibration_hz: Sequence[float], dispersion: Sequence[float]) -> None:
        """Close the windows and judge the tests whose time has come by `now_s`."""
        for number, at_s in list(self._open_marks):
            if at_s + cal.HALF_WINDOW_S <= now_s:
                self._windows[number] = cal.window(self._rows, at_s)
                self._open_marks.remove((number, at_s))
        for pending in sorted(one for many in self._pending.values() for one in many if one.due_s <= now_s):
            self._pending[pending.at_s].remove(pending)
            if not self._pending[pending.at_s]:
                del self._pending[pending.at_s]
            self._judge(pending, now, vibration_hz, dispersion)

    def _judge(
        self,
        pending: _Pending,
        now: InForce,
        vibration_hz: Sequence[float],
        dispersion: Sequence[float],
    ) -> None:
        _, _, entry, at_s, result, crop = pending
        mark = given(entry.mark, 0)
        # A recording keeps the number of its own day: only the time says whether it is the same mark.
        kept = self._windows.get(mark) if now.marks.get(mark) == at_s else None
        seen = kept if kept is not None else cal.window(self._rows, at_s)
        before_s, what = now.last_change(at_s)
        why = cal.unusable(seen, entry, before_s, what, now.lag_s)
        test = cal.Test(len(self._calibration.tests) + 1, at_s, why, entry, seen, result, crop)
        self._add(test, vibration_hz, dispersion)

    def _add(self, test: cal.Test, vibration_hz: Sequence[float], dispersion: Sequence[float]) -> None:
        found = self._calibration.add(test, vibration_hz, dispersion)
        if found is not None:
            self.fits.put(test.crop, found)

    def refit(self, vibration_hz: Sequence[float], dispersion: Sequence[float]) -> None:
        """Another background holds: the factors of every crop follow from its windows anew."""
        crops = sorted({test.crop for test in self._calibration.tests if test.used})
        self.fits.replace({crop: self._calibration.refit(crop, vibration_hz, dispersion) for crop in crops})

    # ------------------------------------------------------------------ for the record

    def new_windows(self, known: set[int]) -> list[tuple[int, dict[str, Any]]]:
        """Windows around marks that closed and are not yet known: number and data."""
        return [
            (number, {"mark": number, "window": msgspec.to_builtins(seen)})
            for number, seen in self._windows.items()
            if number not in known
        ]

    def restore_window(self, body: dict[str, Any]) -> None:
        """Take up a window of an earlier run."""
        self._windows[int(body["mark"])] = msgspec.convert(body["window"], cal.Window)

    def restore_test(self, body: dict[str, Any], vibration_hz: Sequence[float], dispersion: Sequence[float]) -> None:
        """Take up a judged test of an earlier run."""
        entry = entries.from_plain(body["entry"])
        assert isinstance(entry, entries.TrayEntry)
        result = {key: math.inf if value is None and key == "dof" else value for key, value in body["result"].items()}
        seen, crop = msgspec.convert(body["window"], cal.Window), int(body["crop"])
        self._pending.pop(float(body["at_s"]), None)
        test = cal.Test(
            int(body["number"]), float(body["at_s"]), str(body["why"]), entry, seen, msgspec.convert(result, TrayResult), crop
        )
        self._add(test, vibration_hz, dispersion)


def test_record(test: cal.Test) -> dict[str, Any]:
    """A judged tray test as data; `restore_test` reads it back."""
    return {
        "number": test.number,
        "at_s": test.at_s,
        "used": test.used,
        "why": test.why,
        "crop": test.crop,
        "entry": entries.to_plain(test.entry),
        "window": msgspec.to_builtins(test.seen),
        "result": msgspec.to_builtins(test.result),
    }

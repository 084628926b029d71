"""Tray tests on their way from entry to factor: those that wait for their window, and how each is judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract.entries import given
from edge.reckon.entered.inforce import InForce
from edge.reckon.fit import calibration as cal
from edge.reckon.fit.fits import Fits
from edge.reckon.fit.trayrows import TrayRows
from edge.reckon.fit.trays import TrayResult, measure, residue_width


class _Pending(NamedTuple):
    """A test that waits for its time; `n` counts them, `seq` is the number of its record (0: not known)."""

    n: int
    due_s: float
    entry: entries.TrayEntry
    at_s: float
    result: TrayResult
    crop: int
    seq: int


class _StruckTray(NamedTuple):
    """A tray entry that was struck out."""

    at_s: float
    entry: entries.TrayEntry
    seq: int


class TrayTests:
    """Judges tray tests when their time has come and hands them to the calibration.

    `fits`: the factors that each crop ended with, or has now. Per call: backgrounds in pulses/s and dispersions of the
    loss points, in order.
    """

    def __init__(self, calibration: cal.Calibration, rows: TrayRows) -> None:
        self.fits = Fits()
        self._calibration = calibration
        self._rows = rows
        self._pending: list[_Pending] = []
        self._count = 0
        self._unweighed: dict[int, str] = {}
        self._struck: list[_StruckTray] = []
        self._judged: set[int] = set()
        self._place: dict[int, int] = {}

    def learn(self, entry: entries.TrayEntry, stamp_ms: int, now: InForce, cut_width_m: float, seq: int = 0) -> None:
        """An admitted tray entry: it takes effect at the later of its line and its time + 5 s."""
        at_s = cal.moment_s(entry, stamp_ms)
        mark = given(entry.mark, 0)
        ground = now.tray_ground(at_s, stamp_ms / 1000, mark)
        result = measure(entry, ground.tgw_g, residue_width(entry, ground.residue_width_m, cut_width_m))
        # Closed already, whatever the clock did since.
        is_kept = self._rows.of_mark(mark) is not None and now.marks.get(mark) == at_s
        due_s = stamp_ms / 1000 if is_kept else max(stamp_ms / 1000, at_s + cal.HALF_WINDOW_S)
        self._count += 1
        self._pending.append(_Pending(self._count, due_s, entry, at_s, result, ground.crop_number, seq))

    def skip(self, entry: entries.TrayEntry, stamp_ms: int, seq: int) -> None:
        """A tray entry that was struck out: it is no test."""
        self._struck.append(_StruckTray(cal.moment_s(entry, stamp_ms), entry, seq))

    def note_unweighed(self, seq: int, why: str) -> None:
        """A tray entry whose grain can't be worked out any more, and why not."""
        self._unweighed[seq] = why

    def crop_ends(self, crop: int) -> None:
        """Another crop follows; what this one was calibrated with stays its own."""
        self.fits.put(crop, self._calibration.inforce)

    @property
    def waits(self) -> bool:
        """Whether a window or a test waits for its time."""
        return bool(self._rows.waits or self._pending)

    def close(self, now_s: float, now: InForce, vibration_hz: Sequence[float], dispersion: Sequence[float]) -> None:
        """Close the windows and judge the tests whose time has come by `now_s`."""
        self._rows.close(now_s)
        for pending in sorted(one for one in self._pending if one.due_s <= now_s):
            self._pending.remove(pending)
            mark = given(pending.entry.mark, 0)
            # A recording keeps the number of its own day: only the time says whether it is the same mark.
            kept = self._rows.of_mark(mark) if now.marks.get(mark) == pending.at_s else None
            self._judge(pending, kept if kept is not None else self._rows.around(pending.at_s), now, vibration_hz, dispersion)

    def _judge(
        self, pending: _Pending, seen: cal.Window, now: InForce, vibration_hz: Sequence[float], dispersion: Sequence[float]
    ) -> None:
        self._judged.add(pending.seq)
        before_s, what = now.last_change(pending.at_s)
        why = cal.unusable(seen, pending.entry, before_s, what, now.lag_s)
        self._add(
            cal.Test(
                len(self._calibration.tests) + 1, pending.at_s, why, pending.entry, seen, pending.result, pending.crop,
                pending.seq, tuple(dispersion),
            ),
            vibration_hz,
        )  # fmt: skip

    def _add(self, test: cal.Test, vibration_hz: Sequence[float]) -> None:
        found = self._calibration.add(test, vibration_hz)
        if test.seq:
            self._place[test.seq] = len(self._calibration.tests) - 1
        if found is not None:
            self.fits.put(test.crop, found)

    def refit(self, vibration_hz: Sequence[float], dispersion: Sequence[float] | None = None) -> None:
        """Another background holds: the factors of every crop follow from its windows anew (`dispersion` None: each crop's as
        its newest test had it)."""
        crops = sorted({test.crop for test in self._calibration.tests if test.used})
        self.fits.replace({crop: self._calibration.refit(crop, vibration_hz, dispersion) for crop in crops})

    def restore_test(
        self, body: dict[str, Any], now: InForce, vibration_hz: Sequence[float], dispersion: Sequence[float], anew: bool
    ) -> cal.Test | None:
        """Take up a judged test out of the record. `anew`: judge it by what is in force, because an entry before it was struck
        out. None: it is no test any more."""
        entry = entries.from_plain(body["entry"])
        assert isinstance(entry, entries.TrayEntry)
        at_s, seq = float(body["at_s"]), int(body.get("entry_seq", 0))
        seen, scatter = msgspec.convert(body["window"], cal.Window), tuple(body.get("dispersion", dispersion))
        if self._is_struck(at_s, entry, seq) or (seq and seq in self._judged):  # on record again, after a strike-out
            return None
        waiting = [one for one in self._pending if one.at_s == at_s and seq in (0, one.seq)]
        for one in waiting:
            self._pending.remove(one)
        if anew and waiting:
            self._judge(waiting[0], seen, now, vibration_hz, scatter)
            return self._calibration.tests[-1]
        plain = {key: math.inf if value is None and key == "dof" else value for key, value in body["result"].items()}
        why = self._unweighed.get(seq, str(body["why"])) if anew else str(body["why"])
        result, number = msgspec.convert(plain, TrayResult), len(self._calibration.tests) + 1 if anew else int(body["number"])
        test = cal.Test(number, at_s, why, entry, seen, result, int(body["crop"]), seq, scatter)
        if seq in self._place:  # judged again, and what it was judged by then is not here
            self._calibration.tests[self._place[seq]] = test
            self.refit(vibration_hz)
        else:
            self._add(test, vibration_hz)
        return test

    def _is_struck(self, at_s: float, entry: entries.TrayEntry, seq: int) -> bool:
        """Whether a judged test is of an entry that was struck out; records of before don't name their entry."""
        same = [one for one in self._struck if (one.seq == seq if seq else (one.at_s, one.entry) == (at_s, entry))]
        if same and not seq:
            self._struck.remove(same[0])
        return bool(same)


def test_record(test: cal.Test) -> dict[str, Any]:
    """A judged tray test as data; `restore_test` reads it back."""
    return {
        "number": test.number,
        "at_s": test.at_s,
        "used": test.used,
        "why": test.why,
        "crop": test.crop,
        "entry": entries.to_plain(test.entry),
        "entry_seq": test.seq,
        "dispersion": list(test.dispersion),
        "window": msgspec.to_builtins(test.seen),
        "result": msgspec.to_builtins(test.result),
    }

"""Tray tests of a pack, worked out anew: what the trays say, the pulses of the seconds around them, whether they count. Pure.

The records of tests are what the factors follow from, so they are not believed either: whoever holds the kit's key could
write a result that its trays don't give, or pulses that no second holds.

What can't be worked out from a pack, and is left as it stands: the window of a test that lay before the job's first second or
behind its last one; TGW and residue width of tests of before the opening (what was in force then is not in the pack: the
result must follow from some that are near); a setting changed before the opening; the words in which a test was refused.
"""

from __future__ import annotations

import copy
from bisect import bisect_right, insort
from collections import deque
from collections.abc import Iterable
from math import inf, isclose, isfinite
from typing import Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.contract.entries import TrayEntry, given
from edge.contract.errors import EntryError
from edge.contract.settings import Settings
from edge.contract.struck import struck_out
from edge.evidence.recount.material import OPENING, Material, ToldRecord, opened
from edge.evidence.verify.windows import Judged, Windows
from edge.keep.chain import canonical
from edge.reckon.entered.inforce import InForce
from edge.reckon.fit import calibration
from edge.reckon.fit.trays import TYPICAL_TGW_G, TrayResult, known_residue_width, measure, residue_width
from edge.reckon.tables.crops import plain_name
from edge.reckon.tables.units import M2_PER_HA

CLOSE, SMALL = 1e-6, 1e-9
TGW_MOVED, WIDTH_MOVED = 1.6, 4.0
"""Times by which TGW and residue width of a test of before the job may be others than at its opening."""

SPOILT = (EntryError, LookupError, TypeError, ValueError, ArithmeticError, AttributeError)
"""What a record of another shape than ours may raise."""

Found = tuple[int, str]


def wrong(material: Material) -> Found | None:
    """The first record of a tray test (or of a correction by weighed grain) that is another than its data give: its number,
    and in words what differs. None: all follow."""
    check = _Check(material)
    for one in material.told:
        try:
            words = check.take(one)
        except SPOILT as fault:
            words = f"what it says does not hang together ({type(fault).__name__})"
        if words:
            return one.seq, words
    return None


class _Laid(NamedTuple):
    """A tray entry of the pack, of a run: when its trays lay, what they may say, of which crops; `is_before`: they lay before
    the opening, so that what was in force then is not known."""

    run: int
    stamp_s: float
    at_s: float
    results: list[TrayResult]
    crops: set[int]
    is_before: bool


class _Check:
    """What was in force while records pass."""

    def __init__(self, material: Material) -> None:
        self._settings = {run.run: settings_module.from_plain(run.settings) for run in material.document.runs}
        self._first = self._settings[min(self._settings)]
        self._stamp_ms = {row[0]: row[2] for row in material.document.records if len(row) > 3}
        self._windows = Windows(material, self._settings)
        self._past: list[ToldRecord] = []
        self._struck: set[int] = set()
        self._begin()

    def _begin(self) -> None:
        """As before the first record."""
        self._opened_s = inf
        # A kit that was started anew does not know of a step of the clock before: both are looked at.
        self._now: list[InForce] = []
        self._marks: dict[float, int] = {}
        self._changes: list[tuple[float, str]] = []
        self._entered: list[tuple[float, str]] = []
        self._trays: dict[str, deque[_Laid]] = {}
        self._stepped_s = -inf
        self._area_ha = 0.0
        self._finish: dict[str, Any] = {}

    def take(self, one: ToldRecord) -> str:
        """The next record; what is wrong with it, in words."""
        self._past.append(one)
        words = self._take(one)
        if one.kind == "entry" and struck_out([one.body]):
            self._begin_again(int(one.body["seq"]))
        return words

    def _begin_again(self, seq: int) -> None:
        """An entry was struck out: tests that are on record again after it were judged without it."""
        self._struck.add(seq)
        self._begin()
        for one in self._past:
            if one.kind != "calibration":
                self._take(one)

    def _take(self, one: ToldRecord) -> str:
        body, stamp_ms = one.body, self._stamp_ms[one.seq]
        if one.kind == OPENING:
            return self._open(one, stamp_ms)
        if one.kind == "minute":
            self._area_ha += body.get("area_ha", 0.0)
        if not self._now:
            return ""
        if one.kind == "clock step":
            self._now[0].forget_times()
            self._stepped_s = max(body["from_ms"], body["to_ms"]) / 1000
        elif one.kind == "entry":
            self._learn(one, entries.from_plain(body), stamp_ms)
        elif one.kind == "calibration":
            return self._test(one, stamp_ms)
        elif one.kind == "job correction":
            return self._correction(body)
        return ""

    def _open(self, one: ToldRecord, stamp_ms: int) -> str:
        now = opened(self._settings[one.run], one).now
        self._now = [now, copy.deepcopy(now)]
        self._opened_s = stamp_ms / 1000
        self._marks, self._changes, self._entered = {}, [], []
        for test in one.body["tests"]:
            entry = _tray(test)
            if not test["used"] or test["why"] or _refused(test, entry, None, "", now.lag_s):
                return f"test {test['number']} in it counts, and could not be used"
            fault = self._before(test, entry, one.run)
            if fault:
                return f"test {test['number']} in it: {fault}, worked out from its trays, is another than it says"
        return ""

    def _learn(self, one: ToldRecord, entry: entries.Entry, stamp_ms: int) -> None:
        if one.seq in self._struck:
            for now in self._now:
                now.skip(entry)
            return
        at = given(entry.at)
        at_s = stamp_ms / 1000 if at is None else entries.epoch_s(at)
        match entry:
            case entries.TrayMarkEntry():
                for now in self._now:
                    self._marks[at_s] = now.add_mark(at_s)
            case TrayEntry():
                found = self._by_entry(entry, calibration.moment_s(entry, stamp_ms), stamp_ms / 1000, one.run)
                self._trays.setdefault(canonical(one.body), deque()).append(found)
                return
            case (
                entries.LoadEntry() | entries.IdleRunEntry() | entries.ReturnsCatchEntry() | entries.GroundRunEntry()
                | entries.GaugeEntry()
            ):  # fmt: skip
                return
            case entries.JobFinishEntry():
                self._finish = one.body
        for now in self._now:
            now.known_tgw = _known_tgw(self._settings[one.run])
            now.learn(entry, at_s)
        if isinstance(entry, entries.SettingEntry) and entry.what != "lag_s":
            change = self._now[0].changes[-1]
            insort(self._entered, (at_s, change.label))
            if change.moves_machine:
                insort(self._changes, (at_s, change.label))

    def _by_entry(self, entry: TrayEntry, at_s: float, stamp_s: float, run: int) -> _Laid:
        """What a tray entry says by what was in force then: every result, and crop, that the kit may have come to."""
        found, crops = [], set()
        is_before = at_s <= self._opened_s or self._is_foreign(entry, at_s, stamp_s)
        mark = self._marks.get(at_s) if given(entry.mark) is not None else None
        cut_width_m = self._settings[run].machine.cut_width_m
        for now in self._now:
            ground = now.tray_ground(at_s, stamp_s, mark)
            crops.add(ground.crop_number)
            for tgw_g in self._tgws(ground.tgw_g, run):
                try:
                    found.append(measure(entry, tgw_g, residue_width(entry, ground.residue_width_m, cut_width_m)))
                except EntryError:
                    continue
        return _Laid(run, stamp_s, at_s, found, crops, is_before)

    def _is_foreign(self, entry: TrayEntry, at_s: float, stamp_s: float) -> bool:
        """Whether a test may be of a mark of before the opening, whose time is of another clock."""
        is_known = given(entry.mark) is None or at_s in self._marks
        return not is_known and (at_s <= self._opened_s or at_s > stamp_s or self._stepped_s > -inf)

    def _tgws(self, tgw_g: float | None, run: int) -> list[float | None]:
        """A TGW in force; and that of a run whose settings file was changed, which only a start knows of."""
        crop, of = self._settings[run].crop, self._settings[run]
        changed = crop is not None and (of.crop, of.crop_data) != (self._first.crop, self._first.crop_data)
        return [tgw_g, crop.tgw_g or _known_tgw(of).get(plain_name(crop.name))] if changed and crop is not None else [tgw_g]

    def _test(self, one: ToldRecord, stamp_ms: int) -> str:
        body, entry = one.body, _tray(one.body)
        name, at_s = f"tray test {body['number']}", float(body["at_s"])
        if body["used"] is not (body["why"] == ""):
            return f"{name} is said to count, and not to"
        waiting = self._trays.get(canonical(body["entry"]))
        if waiting:
            laid = waiting.popleft()
            if laid.at_s != at_s:
                return f"{name} lay at another time than its entry says"
            # A step of the clock goes on record behind an entry that came with it.
            is_before = laid.is_before or self._is_foreign(entry, at_s, stamp_ms / 1000)
            if body["crop"] not in laid.crops and not is_before:
                return f"{name} is of another crop than was in front then"
            results = laid.results
            if laid.run != one.run:  # the power went first: it was learned anew by the settings of the later run
                results = [*results, *self._by_entry(entry, at_s, laid.stamp_s, one.run).results]
            faults = [_unlike(body["result"], found) for found in results] or [OF_RESULT]
            fault = "" if "" in faults else faults[0]
            if fault and is_before:
                fault = self._before(body, entry, one.run)
        elif at_s <= self._opened_s or self._stepped_s > -inf:
            fault = self._before(body, entry, one.run)
        elif given(entry.mark) is not None and body["window"]["seconds"] == 0 and not body["used"]:
            return ""  # it waited since before the job for the time of another clock
        else:
            return f"{name} is of no tray entry in the pack"
        if fault:
            return f"{name}: {fault}, worked out from its trays, is another than it says"
        if self._is_foreign(entry, at_s, stamp_ms / 1000):
            return ""
        judged = Judged(one.run, at_s, stamp_ms / 1000, given(entry.mark) is not None, self._stepped_s >= at_s - 5)
        differs = self._windows.differs(judged, body["window"])
        if differs:
            return f"{name}: the {differs} around the tray, worked out from the kept seconds, are others than it says"
        return self._counts(name, body, entry, one.run)

    def _counts(self, name: str, body: dict[str, Any], entry: TrayEntry, run: int) -> str:
        """Whether it counts, by the conditions of the contract."""
        at_s = float(body["at_s"])
        lags = {self._now[0].lag_s, self._settings[run].machine.lag_s}
        if self._settings[run].machine.lag_s == self._first.machine.lag_s:
            lags = {self._now[0].lag_s}
        # First values spoilt a test once, and of some settings the pack doesn't tell whether they were known before.
        changes = self._changes if body["used"] else self._entered
        at = bisect_right(changes, (at_s + calibration.HALF_WINDOW_S, "\U0010ffff"))
        changed_s, what = changes[at - 1] if at else (None, "")
        before_s = None if changed_s is None else at_s - changed_s
        whys = [_refused(body, entry, before_s, what, lag_s) for lag_s in lags]
        if body["used"] and all(whys):
            return f"{name} counts, and could not be used: {whys[0]}"
        unknown_change = at_s - max(lags) - calibration.SETTLING_S < self._opened_s
        if not body["used"] and not any(whys) and not unknown_change:
            return f"{name} does not count, and could be used"
        return ""

    def _before(self, test: dict[str, Any], entry: TrayEntry, run: int) -> str:
        """The result of a test of before the opening: by what was in force at it, or near that."""
        said, now, cut_width_m = test["result"], self._now[0], self._settings[run].machine.cut_width_m
        if test["crop"] != now.crop_number and test["crop"] not in now.ended_tgw:
            return ""  # a crop of before the job, of which the pack knows nothing
        tgw_g = now.tgw_g if test["crop"] == now.crop_number else now.ended_tgw[test["crop"]]
        faults = []
        for in_force_m in (now.residue_width_m, None):
            width_m = known_residue_width(entry, in_force_m, cut_width_m) or cut_width_m
            found = measure(entry, TYPICAL_TGW_G if tgw_g is None else tgw_g, width_m)
            faults.append(_unlike(said, found) and _far(said, found, entry))
        return "" if "" in faults else faults[0]

    def _correction(self, body: dict[str, Any]) -> str:
        """Weighed grain over measured area against the entry it is of and the minutes before."""
        t, area_ha, measured_ha = body["harvested_t"], body["area_ha"], body["measured_area_ha"]
        if (t, area_ha) != (self._finish.get("harvested_t"), self._finish.get("area_ha")):
            return "its tonnes and hectares are not those of the finish that was entered"
        off = None if measured_ha <= 0 else 100 * (measured_ha / area_ha - 1)
        if not _same(body["yield_t_ha"], t / area_ha) or not _same(body["area_off_pct"], off):
            return "its yield and difference don't follow from its tonnes and hectares"
        if not isclose(measured_ha, self._area_ha, rel_tol=CLOSE, abs_tol=1 / M2_PER_HA):
            return "the area it says was measured is another than that of the minutes"
        return ""


def _known_tgw(settings: Settings) -> dict[str, float]:
    return {plain_name(one.name): one.tgw_g for one in settings.crop_data if one.tgw_g is not None}


def _tray(test: dict[str, Any]) -> TrayEntry:
    entry = entries.from_plain(test["entry"])
    if not isinstance(entry, TrayEntry):
        raise EntryError("the entry of a tray test is none")
    return entry


def _refused(test: dict[str, Any], entry: TrayEntry, changed_before_s: float | None, what: str, lag_s: float) -> str:
    seen = msgspec.convert(test["window"], calibration.Window)
    return calibration.unusable(seen, entry, changed_before_s, what, lag_s)


def _far(said: dict[str, Any], found: TrayResult, entry: TrayEntry) -> str:
    """Which part of a result can't come from these trays with a TGW and a residue width near those looked at."""
    for key in ("grains_m2", "tray_count", "laid", "counted", "heads_given"):
        if not _same(said[key], getattr(found, key)):
            return _WORDS.get(key, OF_RESULT)
    by_width = 1.0 if given(entry.residue_width_m) is not None else WIDTH_MOVED
    by_tgw = TGW_MOVED if found.counted else 1.0
    both = (said, msgspec.to_builtins(found))
    taken = [(one["tray_g_m"] - one["machine_g_m"]) / (one["ground_width_m"] or 1.0) for one in both]
    for word, one, other, most in (
        ("tray_g_m", said["tray_g_m"], found.tray_g_m, by_tgw * by_width),
        ("ground_width_m", said["ground_width_m"], found.ground_width_m, by_width),
        ("machine_g_m", *taken, TGW_MOVED),
        ("threshing_g_m", said["threshing_g_m"], found.threshing_g_m, TGW_MOVED * by_width),
        ("u_machine_g_m", said["u_machine_g_m"], found.u_machine_g_m, TGW_MOVED * by_width),
    ):
        if not isclose(one, other, rel_tol=CLOSE, abs_tol=CLOSE) and not _within(one / other if other else inf, most):
            return _WORDS.get(word, OF_RESULT)
    return ""


def _within(times: float, most: float) -> bool:
    return isfinite(times) and (1 - CLOSE) / most <= times <= most * (1 + CLOSE)


def _unlike(said: dict[str, Any], found: TrayResult) -> str:
    """Which part of a result is another; empty: none."""
    names: Iterable[tuple[str, Any]] = msgspec.to_builtins(found).items()
    for key, value in names:
        if key in said and not _same(said[key], None if value == inf else value):
            return _WORDS.get(key, OF_RESULT)
    return ""


OF_RESULT = "the result"
_WORDS = {
    "machine_g_m": "the grain per metre", "u_machine_g_m": "the uncertainty of the grain per metre",
    "grains_m2": "the kernels per square metre", "tray_g_m": "the grain on the trays", "threshing_g_m": "the grain in heads",
}  # fmt: skip


def _same(said: Any, found: Any) -> bool:
    if isinstance(said, float | int) and isinstance(found, float | int) and bool not in (type(said), type(found)):
        return isclose(said, found, rel_tol=CLOSE, abs_tol=SMALL)
    return type(said) is type(found) and bool(said == found)

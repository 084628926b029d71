"""What a kit learns beside its seconds: operator entries, checked and acted on, and the record of earlier runs."""

from __future__ import annotations

from typing import Any, NamedTuple

from edge.contract import entries
from edge.contract.entries import Entry, given, kind_of
from edge.reckon.asking import Moment, ask_at
from edge.reckon.entered.question import HardlyMeant
from edge.reckon.entries import ENTRIES
from edge.reckon.fit.calibration import Test
from edge.reckon.kitstate import KitState


class Learning:
    """Entries and records -> the state of one kit."""

    def __init__(self, kit: KitState, struck: frozenset[int] = frozenset(), live: bool = False) -> None:
        """`struck`: numbers of records whose entries were struck out; `live`: seconds have passed already, and what they gave
        stays as it is."""
        self._kit, self._struck, self._live = kit, struck, live
        self._has_skipped = False
        self._waits: _Taught | None = None

    def admit(self, entry: Entry, stamp_ms: int) -> Entry:
        """Check an entry against what is in force; returns it completed (a tray with its mark's time).

        Raises EntryError naming the key; nothing has changed then.
        """
        admitted: Entry = ENTRIES[kind_of(entry)].admit(self._kit, entry, stamp_ms)
        return admitted

    def learn(self, entry: Entry, stamp_ms: int, seq: int = 0) -> dict[str, Any]:
        """Act on an admitted entry that arrived at a stamp (epoch ms) and has this number. Returns what the answer adds, such
        as `mark`."""
        return ENTRIES[kind_of(entry)].learn(self._kit, entry, _moment(entry, stamp_ms, seq))

    def question(self, entry: Entry, stamp_ms: int) -> HardlyMeant | None:
        """What is to be asked about an admitted entry before it is kept; nothing where it says `sure`."""
        if given(entry.sure, False):
            return None
        when = _moment(entry, stamp_ms)
        try:
            return ask_at(entry, when) or ENTRIES[kind_of(entry)].ask(self._kit, entry, when)
        except ArithmeticError:  # figures of no machine: they are asked about without any reckoning
            return HardlyMeant("Are these figures meant so?")

    def restore(self, kind: str, body: dict[str, Any], at_ms: int, seq: int = 0) -> None:
        """Take up a record: entries, tray windows, judged tests, backgrounds. In order of record."""
        kit = self._kit
        if kit.quiet is not None and not self._live:
            kit.quiet.is_restored = True
        if kind == "entry":
            self._restore_entry(entries.from_plain(body), at_ms, seq)
        elif kind == "tray window":
            kit.rows.restore_window(body)
        elif kind == "calibration":
            test = kit.tests.restore_test(body, kit.now, kit.vibration_hz(), kit.dispersion(), self._has_skipped)
            if test is not None and not self._live:
                self._expect(test)
        elif kind == "learned":
            self._restore_learned(body)

    def _restore_entry(self, entry: Entry, at_ms: int, seq: int) -> None:
        row, when = ENTRIES[kind_of(entry)], _moment(entry, at_ms, seq)
        self._waits = None
        if seq in self._struck:
            self._has_skipped = True
            self._kit.now.skip(entry)
            if isinstance(entry, entries.TrayEntry):
                self._kit.tests.skip(entry, at_ms, seq)
        else:
            (row.restore or row.learn)(self._kit, entry, when)
        if row.teaches:
            self._waits = _Taught(entry, when, seq in self._struck)

    def _expect(self, test: Test) -> None:
        points = self._kit.points
        if test.used and len(test.seen.pulses) == len(points):
            for point, pulses in zip(points, test.seen.pulses, strict=True):
                point.expect(pulses / test.seen.seconds)

    @property
    def has_news(self) -> bool:
        """Whether something was learned by itself that is worth a record: a background, or a lag known much better."""
        return self._kit.background_changed or self._kit.lag.is_news

    def learned(self) -> dict[str, Any]:
        """What entries taught beyond themselves (background, returns flow, yield by loads, lag), for the record."""
        kit = self._kit
        sensors = [sensor for point in kit.points for sensor in point.sensors]
        return {
            "vibration": {str(sensor.at): [sensor.vibration_hz, sensor.vibration_u_hz] for sensor in sensors},
            "background_from": {str(sensor.at): sensor.background_from for sensor in sensors},
            "quiet": [kit.quiet.seconds, list(kit.quiet.pulses)] if kit.quiet is not None else None,
            "full_t_h": kit.returns.full_t_h if kit.returns is not None else None,
            "yield_t_ha": kit.now.yield_t_ha,
            "yield_is_typed": kit.now.yield_is_typed,
            "loads": [kit.now.loads.t, kit.now.loads.ha],
            "lag": kit.lag.to_plain(),
            "doubted_hz": kit.calibration.doubted_hz,
            "cut_ha": kit.cut_ha,
        }

    def take_learned(self, after: str | None = None, used: bool = True) -> dict[str, Any]:
        """The same, about to be recorded: it is news no more. `after`: the kind of the entry that taught it (None: seconds did),
        `used`: whether that entry could be used."""
        self._kit.background_changed = False
        self._kit.lag.note_recorded()
        return {**self.learned(), "after": after, **({"used": used} if after is not None else {})}

    def _restore_learned(self, body: dict[str, Any]) -> None:
        """What entries taught hangs on the entry, so that it goes with it when that is struck out; the rest came from seconds."""
        taught, self._waits = self._waits, None
        after = body.get("after", "")  # a job's opening and records of before don't say
        if taught is not None and after in (kind_of(taught.entry), ""):
            if after and not taught.struck:
                ENTRIES[after].retell(self._kit, taught.entry, taught.when, body)
            elif not taught.struck:
                self._restore_whole(body)
        elif after is not None:  # its entry is not here
            self._restore_whole(body)
        self._restore_backgrounds(body, ("automatic", "nothing"))
        if not self._live:
            self._restore_seconds(body)
        self._kit.calibration.doubted_hz = float(body.get("doubted_hz", 0.0))

    def _restore_whole(self, body: dict[str, Any]) -> None:
        """Everything as it stood."""
        kit = self._kit
        self._restore_backgrounds(body, ("idle run",))
        if kit.returns is not None and body["full_t_h"] is not None:
            kit.returns.full_t_h = float(body["full_t_h"])
        if not body["yield_is_typed"]:  # a typed one stands in the settings or in an entry of its own
            kit.now.yield_t_ha, kit.now.yield_is_typed = body["yield_t_ha"], False
        if "loads" in body:  # records without them come from before they were kept
            kit.now.loads.t, kit.now.loads.ha = map(float, body["loads"])

    def _restore_backgrounds(self, body: dict[str, Any], sources: tuple[str, ...]) -> None:
        """The backgrounds that came from these sources; an idle run and the settings win over what was learned by itself."""
        sensors = [sensor for point in self._kit.points for sensor in point.sensors]
        before = [(sensor.vibration_hz, sensor.vibration_u_hz) for sensor in sensors]
        for sensor in sensors:
            hz, u_hz = body["vibration"].get(str(sensor.at), (sensor.vibration_hz, sensor.vibration_u_hz))
            # Records without the word come from before there was an automatic estimate.
            source = body.get("background_from", {}).get(str(sensor.at), "idle run" if u_hz else "settings")
            if source in sources and (source == "idle run" or sensor.background_from in sources):
                sensor.vibration_hz, sensor.vibration_u_hz = float(hz), float(u_hz)
                sensor.background_from = source
        if before != [(sensor.vibration_hz, sensor.vibration_u_hz) for sensor in sensors]:
            self._kit.refit()

    def _restore_seconds(self, body: dict[str, Any]) -> None:
        """What seconds gave, of which the next run has none: quiet time and lag."""
        kit, quiet = self._kit, body.get("quiet")
        if kit.quiet is not None and quiet is not None and len(quiet[1]) == len(kit.quiet.pulses):
            kit.quiet.seconds, kit.quiet.pulses = float(quiet[0]), [float(pulses) for pulses in quiet[1]]
        if body.get("lag") is not None:
            kit.lag.restore(body["lag"])


class _Taught(NamedTuple):
    """An entry whose teaching is told by the next record, and whether it was struck out."""

    entry: Entry
    when: Moment
    struck: bool


def _moment(entry: Entry, stamp_ms: int, seq: int = 0) -> Moment:
    at = given(entry.at)
    return Moment(stamp_ms / 1000 if at is None else entries.epoch_s(at), stamp_ms, seq)

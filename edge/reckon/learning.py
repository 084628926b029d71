"""What a kit learns beside its seconds: operator entries, checked and acted on, and the record of earlier runs."""

from __future__ import annotations

from typing import Any

from edge.contract import entries
from edge.contract.entries import Entry, given, kind_of
from edge.reckon.asking import Moment, ask_at
from edge.reckon.entered.question import HardlyMeant
from edge.reckon.entries import ENTRIES
from edge.reckon.fit.calibration import Test
from edge.reckon.kitstate import KitState


class Learning:
    """Entries and records -> the state of one kit."""

    def __init__(self, kit: KitState) -> None:
        self._kit = kit

    def admit(self, entry: Entry, stamp_ms: int) -> Entry:
        """Check an entry against what is in force; returns it completed (a tray with its mark's time).

        Raises EntryError naming the key; nothing has changed then.
        """
        admitted: Entry = ENTRIES[kind_of(entry)].admit(self._kit, entry, stamp_ms)
        return admitted

    def learn(self, entry: Entry, stamp_ms: int) -> dict[str, Any]:
        """Act on an admitted entry that arrived at a stamp (epoch ms). Returns what the answer adds, such as `mark`."""
        return ENTRIES[kind_of(entry)].learn(self._kit, entry, _moment(entry, stamp_ms))

    def question(self, entry: Entry, stamp_ms: int) -> HardlyMeant | None:
        """What is to be asked about an admitted entry before it is kept; nothing where it says `sure`."""
        if given(entry.sure, False):
            return None
        when = _moment(entry, stamp_ms)
        return ask_at(entry, when) or ENTRIES[kind_of(entry)].ask(self._kit, entry, when)

    def restore(self, kind: str, body: dict[str, Any], at_ms: int) -> None:
        """Take up a record of an earlier run: entries, tray windows, judged tests, backgrounds. In order of record."""
        kit = self._kit
        if kit.quiet is not None:
            kit.quiet.is_restored = True
        if kind == "entry":
            entry = entries.from_plain(body)
            row = ENTRIES[kind_of(entry)]
            (row.restore or row.learn)(kit, entry, _moment(entry, at_ms))
        elif kind == "tray window":
            kit.tests.restore_window(body)
        elif kind == "calibration":
            kit.tests.restore_test(body, kit.vibration_hz(), kit.dispersion())
            self._expect(kit.calibration.tests[-1])
        elif kind == "learned":
            self._restore_learned(body)

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
        }

    def take_learned(self) -> dict[str, Any]:
        """The same, about to be recorded: it is news no more."""
        self._kit.background_changed = False
        self._kit.lag.note_recorded()
        return self.learned()

    def _restore_learned(self, body: dict[str, Any]) -> None:
        kit = self._kit
        sensors = [sensor for point in kit.points for sensor in point.sensors]
        before = [(sensor.vibration_hz, sensor.vibration_u_hz) for sensor in sensors]
        for sensor in sensors:
            hz, u_hz = body["vibration"].get(str(sensor.at), (sensor.vibration_hz, sensor.vibration_u_hz))
            # Records without the word come from before there was an automatic estimate.
            source = body.get("background_from", {}).get(str(sensor.at), "idle run" if u_hz else "settings")
            if source == "idle run" or (source == "automatic" and sensor.background_from != "settings"):
                sensor.vibration_hz, sensor.vibration_u_hz = float(hz), float(u_hz)
                sensor.background_from = source
        if before != [(sensor.vibration_hz, sensor.vibration_u_hz) for sensor in sensors]:
            kit.refit()
        quiet = body.get("quiet")
        if kit.quiet is not None and quiet is not None and len(quiet[1]) == len(kit.quiet.pulses):
            kit.quiet.seconds, kit.quiet.pulses = float(quiet[0]), [float(pulses) for pulses in quiet[1]]
        kit.calibration.doubted_hz = float(body.get("doubted_hz", 0.0))
        if kit.returns is not None and body["full_t_h"] is not None:
            kit.returns.full_t_h = float(body["full_t_h"])
        if body.get("lag") is not None:
            kit.lag.restore(body["lag"])
        if not body["yield_is_typed"]:  # a typed one stands in the settings or in an entry of its own
            kit.now.yield_t_ha, kit.now.yield_is_typed = body["yield_t_ha"], False
        if "loads" in body:  # records without them come from before they were kept
            kit.now.loads.t, kit.now.loads.ha = map(float, body["loads"])


def _moment(entry: Entry, stamp_ms: int) -> Moment:
    at = given(entry.at)
    return Moment(stamp_ms / 1000 if at is None else entries.epoch_s(at), stamp_ms)

"""What a kit learns beside its seconds: operator entries, checked and acted on, and the record of earlier runs."""

from __future__ import annotations

from typing import Any

import msgspec

from edge.contract import entries
from edge.contract.entries import given
from edge.contract.errors import EntryError
from edge.reckon.entered.inforce import weighed_yield
from edge.reckon.entered.plausible import doubt
from edge.reckon.fit.calibration import Test, moment_s
from edge.reckon.fit.trays import measure, residue_width
from edge.reckon.kitstate import KitState
from edge.reckon.tables import crops
from edge.reckon.tables.units import M2_PER_HA

VOLUME_TO_T = 1000.0


class Learning(KitState):
    """Entries and records -> state."""

    def admit(self, entry: entries.Entry, stamp_ms: int) -> entries.Entry:
        """Check an entry against what is in force; returns it completed (a tray with its mark's time).

        Raises EntryError naming the key; nothing has changed then.
        """
        if isinstance(entry, entries.TrayEntry):
            mark = given(entry.mark)
            if mark is not None and given(entry.at) is None:
                if mark not in self.now.marks:
                    known = f"1 to {max(self.now.marks)}" if self.now.marks else "no mark was set yet"
                    raise EntryError(f"tray: mark: found {mark}; allowed: {known}")
                entry = _with_at(entry, self.now.marks[mark])
            ground = self.now.tray_ground(moment_s(entry, stamp_ms), stamp_ms / 1000, mark)
            width = residue_width(entry, ground.residue_width_m, self.settings.machine.cut_width_m)
            measure(entry, ground.tgw_g, width)
        elif isinstance(entry, entries.JobReopenEntry) and entry.job > self.now.jobs:
            raise EntryError(f"job_reopen: job: found {entry.job}; allowed: {_numbers(self.now.jobs)}")
        elif isinstance(entry, entries.JobReopenEntry) and entry.job == self.now.job:
            raise EntryError(f"job_reopen: job: {entry.job} is open; allowed: a job that was finished")
        elif isinstance(entry, entries.GroundRunEntry) and self.ground is None:
            raise EntryError("ground_run: entry: no wheel sensor for ground speed is wired; allowed: once the settings name one")
        elif isinstance(entry, entries.ReturnsCatchEntry) and self.returns is None:
            raise EntryError("returns_catch: entry: no light beam in the returns is wired; allowed: once the settings name one")
        return entry

    def learn(self, entry: entries.Entry, stamp_ms: int) -> dict[str, Any]:
        """Act on an admitted entry that arrived at a stamp (epoch ms). Returns what the answer adds, such as `mark`."""
        extra = self._learn(entry, stamp_ms)
        rows = crops.table(self.settings.crop_data) if isinstance(entry, entries.CropEntry) else {}
        check = doubt(entry, self.now.crop, rows, self.settings.machine.cut_width_m)
        return {**extra, "note": "; ".join(one for one in (extra.get("note"), check) if one)} if check else extra

    def _learn(self, entry: entries.Entry, stamp_ms: int) -> dict[str, Any]:
        at = given(entry.at)
        at_s = stamp_ms / 1000 if at is None else entries.epoch_s(at)
        match entry:
            case entries.TrayMarkEntry():
                number = self.now.add_mark(at_s)
                self.tests.mark(number, at_s)
                return {"mark": number}
            case entries.TrayEntry():
                self.tests.learn(entry, stamp_ms, self.now, self.settings.machine.cut_width_m)
            case entries.IdleRunEntry():
                return self._learn_idle(entry, at_s)
            case entries.GroundRunEntry():
                self.now.pulses_per_m = entry.pulses / entry.metres
            case entries.ReturnsCatchEntry():
                why = self.returns.learn_catch(entry.mass_kg, entry.seconds) if self.returns is not None else ""
                return {"note": f"kept, not used: {why}"} if why else {}
            case entries.LoadEntry():
                return self._learn_load(entry, at_s)
            case entries.GaugeEntry():
                return self.sieves.learn_gauge(entry, self.now)
            case entries.SettingEntry():
                self.now.learn(entry, at_s)
                return self.sieves.learn_setting(entry, self.now)
            case entries.CropEntry():
                self.tests.crop_ends(self.now.crop_number)
                self._learn_crop(entry, at_s)
            case entries.JobStartEntry() | entries.JobFinishEntry() | entries.JobReopenEntry():
                return self._learn_job(entry, at_s)
            case _:
                self.now.learn(entry, at_s)
        return {}

    def _learn_job(self, entry: entries.JobStartEntry | entries.JobFinishEntry | entries.JobReopenEntry, at_s: float) -> dict[str, Any]:
        """The answer names the job; a note says what else came of it, when that may not be what was meant."""
        was, last = self.now.job, self.now.last_job
        self.now.learn(entry, at_s)
        if isinstance(entry, entries.JobStartEntry):
            self.now.loads.begin(at_s, self._crop_ha)
        if not isinstance(entry, entries.JobFinishEntry):
            note = f"job {was} was open and is finished by this; it can be reopened" if was else ""
            job = self.now.job
        else:
            job = was or last
            note = "" if was else f"no job was open: taken as a correction of job {last}"
            note = note if job else "no job was open: it corrects the yield only"
            why = weighed_yield(entry)
            if isinstance(why, str):
                note = f"{note}; tonnes and area kept, not used: {why}".removeprefix("; ")
        return {**({"job": job} if job else {}), **({"note": note} if note else {})}

    def _learn_idle(self, entry: entries.IdleRunEntry, at_s: float) -> dict[str, Any]:
        why = self._idle.learn(entry.seconds, at_s, self.points)
        if why:
            return {"note": f"kept, not used: {why}"}
        self._refit()
        return {}

    def _learn_crop(self, entry: entries.CropEntry, at_s: float) -> None:
        before = self.now.crop_number
        self.now.learn(entry, at_s)
        if self.now.crop_number != before:
            self.now.loads.begin(at_s, self._crop_ha)

    @property
    def _crop_ha(self) -> float:
        """Area of the crop in front that was cut in this run."""
        return self.totals.crop(self.now.crop_number).area_m2 / M2_PER_HA

    def _learn_load(self, entry: entries.LoadEntry, at_s: float) -> dict[str, Any]:
        mass_t = given(entry.t)
        if mass_t is None:
            mass_t = given(entry.volume_m3) * given(entry.bulk_kg_m3) / VOLUME_TO_T
        why = self.now.add_load(mass_t, self._crop_ha, at_s)
        return {"note": f"kept, not used: {why}"} if why else {}

    def restore(self, kind: str, body: dict[str, Any], at_ms: int) -> None:
        """Take up a record of an earlier run: entries, tray windows, judged tests, backgrounds. In order of record."""
        if self._quiet is not None:
            self._quiet.is_restored = True
        if kind == "entry":
            entry = entries.from_plain(body)
            at = given(entry.at)
            at_s = at_ms / 1000 if at is None else entries.epoch_s(at)
            match entry:
                case entries.TrayMarkEntry():
                    self.now.add_mark(at_s)
                case entries.GroundRunEntry():
                    self.now.pulses_per_m = entry.pulses / entry.metres
                case entries.GaugeEntry():
                    self.sieves.learn_gauge(entry, self.now)
                case entries.SettingEntry():
                    self.now.learn(entry, at_s)
                    self.sieves.learn_setting(entry, self.now)
                case entries.TrayEntry():
                    self._restore_tray(entry, at_ms)
                case entries.CropEntry():
                    self._learn_crop(entry, at_s)
                case entries.JobStartEntry():
                    self.now.learn(entry, at_s)
                    self.now.loads.begin(at_s, 0.0)
                case entries.LoadEntry():
                    self.now.loads.since_s = at_s  # its sums stand in a record of its own
                case entries.IdleRunEntry() | entries.ReturnsCatchEntry():
                    pass  # what they taught stands in records of its own
                case _:
                    self.now.learn(entry, at_s)
        elif kind == "tray window":
            self.tests.restore_window(body)
        elif kind == "calibration":
            self.tests.restore_test(body, self._vibration_hz(), self._dispersion())
            self._expect(self.calibration.tests[-1])
        elif kind == "learned":
            self._restore_learned(body)

    def _expect(self, test: Test) -> None:
        if test.used and len(test.seen.pulses) == len(self.points):
            for point, pulses in zip(self.points, test.seen.pulses, strict=True):
                point.expect(pulses / test.seen.seconds)

    def _restore_tray(self, entry: entries.TrayEntry, at_ms: int) -> None:
        """A tray whose judgement is not on record yet (the power went first) is judged by this run."""
        try:
            self.tests.learn(entry, at_ms, self.now, self.settings.machine.cut_width_m)
        except EntryError:
            return  # other settings than it was admitted under: it stays a record

    @property
    def has_news(self) -> bool:
        """Whether something was learned by itself that is worth a record: a background, or a lag known much better."""
        return self.background_changed or self.lag.is_news

    def learned(self) -> dict[str, Any]:
        """What entries taught beyond themselves (background, returns flow, yield by loads, lag), for the record."""
        return {
            "vibration": {
                str(sensor.at): [sensor.vibration_hz, sensor.vibration_u_hz]
                for point in self.points
                for sensor in point.sensors
            },
            "background_from": {str(sensor.at): sensor.background_from for point in self.points for sensor in point.sensors},
            "quiet": [self._quiet.seconds, list(self._quiet.pulses)] if self._quiet is not None else None,
            "full_t_h": self.returns.full_t_h if self.returns is not None else None,
            "yield_t_ha": self.now.yield_t_ha,
            "yield_is_typed": self.now.yield_is_typed,
            "loads": [self.now.loads.t, self.now.loads.ha],
            "lag": self.lag.to_plain(),
        }

    def take_learned(self) -> dict[str, Any]:
        """The same, about to be recorded: it is news no more."""
        self.background_changed = False
        self.lag.note_recorded()
        return self.learned()

    def _restore_learned(self, body: dict[str, Any]) -> None:
        before = [(sensor.vibration_hz, sensor.vibration_u_hz) for point in self.points for sensor in point.sensors]
        for point in self.points:
            for sensor in point.sensors:
                hz, u_hz = body["vibration"].get(str(sensor.at), (sensor.vibration_hz, sensor.vibration_u_hz))
                # Records without the word come from before there was an automatic estimate.
                source = body.get("background_from", {}).get(str(sensor.at), "idle run" if u_hz else "settings")
                if source == "idle run" or (source == "automatic" and sensor.background_from != "settings"):
                    sensor.vibration_hz, sensor.vibration_u_hz = float(hz), float(u_hz)
                    sensor.background_from = source
        if before != [(sensor.vibration_hz, sensor.vibration_u_hz) for point in self.points for sensor in point.sensors]:
            self._refit()
        quiet = body.get("quiet")
        if self._quiet is not None and quiet is not None and len(quiet[1]) == len(self._quiet.pulses):
            self._quiet.seconds, self._quiet.pulses = float(quiet[0]), [float(pulses) for pulses in quiet[1]]
        if self.returns is not None and body["full_t_h"] is not None:
            self.returns.full_t_h = float(body["full_t_h"])
        if body.get("lag") is not None:
            self.lag.restore(body["lag"])
        if not body["yield_is_typed"]:  # a typed one stands in the settings or in an entry of its own
            self.now.yield_t_ha, self.now.yield_is_typed = body["yield_t_ha"], False
        if "loads" in body:  # records without them come from before they were kept
            self.now.loads.t, self.now.loads.ha = map(float, body["loads"])


def _numbers(jobs: int) -> str:
    return f"1 to {jobs}" if jobs else "no job was started yet"


def _with_at(entry: entries.TrayEntry, at_s: float) -> entries.TrayEntry:
    return msgspec.structs.replace(entry, at=at_s)

"""What the kit knows of the sieves: gauge checks, the readouts now set, and the guard rails that the settings name."""

from __future__ import annotations

from typing import Any

from edge.contract import entries
from edge.contract.entries import given
from edge.contract.settings import Settings
from edge.reckon.entered.gauge import GaugeCheck, check, measured_mm, readout_of
from edge.reckon.entered.inforce import InForce
from edge.reckon.tables import crops, guards

KEPT = 12
"""Gauge checks kept for each sieve; older ones belong to another state of the linkage."""

SETTING_OF = {"pre": "pre_sieve_mm", "top": "top_sieve_mm", "bottom": "bottom_sieve_mm"}


class Sieves:
    """Gauge checks by sieve, and notices for what is set. Notices never refuse an entry."""

    def __init__(self, settings: Settings) -> None:
        self._machine = settings.machine
        self._crops = crops.table(settings.crop_data)
        self._checks: dict[str, list[entries.GaugeEntry]] = {}
        self._opened: dict[str, float] = {}
        self._gaps: dict[str, float] = {}

    def check_of(self, sieve: str) -> GaugeCheck | None:
        """What the gauge checks of one sieve say together, None before any."""
        found = self._checks.get(sieve)
        return check(found) if found else None

    def check_with(self, entry: entries.GaugeEntry) -> GaugeCheck:
        """What the checks of a sieve would say together with one more; nothing is taken."""
        kept = self._checks.get(entry.sieve, [])
        goes_on = kept and readout_of(kept[-1])[1] == readout_of(entry)[1]
        return check([*kept, entry][-KEPT:] if goes_on else [entry])

    def learn_gauge(self, entry: entries.GaugeEntry, now: InForce) -> dict[str, Any]:
        """Take a gauge check; returns what the answer adds: offset, gain, whether they are believed, spread, warnings
        and notices."""
        kept = self._checks.setdefault(entry.sieve, [])
        if kept and readout_of(kept[-1])[1] != readout_of(entry)[1]:
            kept.clear()  # another unit of the readout: the old line does not go on
        kept.append(entry)
        del kept[:-KEPT]
        gaps = measured_mm(entry)
        self._gaps[entry.sieve] = sum(gaps) / len(gaps)
        opened = given(entry.opened_to_mm)
        if opened is not None:
            self._opened[entry.sieve] = opened
        found = check(kept)
        answer = {
            "offset_mm": found.offset_mm,
            "gain": found.gain,
            "believed": found.believed,
            "spread_mm": found.spread_mm,
            "warnings": list(found.warnings),
        }
        return {"gauge": answer, **self._notices(entry, now)}

    def learn_setting(self, entry: entries.SettingEntry, now: InForce) -> dict[str, Any]:
        """A sieve was set by its readout; returns notices of guard rails, with the gap that the gauge checks expect."""
        for sieve, what in SETTING_OF.items():
            if entry.what != what or not isinstance(entry.to, float):
                continue
            found = self.check_of(sieve)
            gap = found.gap_mm(entry.to) if found is not None and found.unit == "mm" else None
            self._gaps[sieve] = entry.to if gap is None else gap
            self._opened.pop(sieve, None)
            expected = {} if gap is None else {"gap_mm": gap}
            return {**expected, **self._notices(entry, now)}
        return {}

    def _notices(self, entry: entries.Entry, now: InForce) -> dict[str, Any]:
        names = [name for name in self._machine.sieve_guards if name in guards.guard_names()]
        crop = crops.find(now.crop, self._crops) if now.crop else None
        state = guards.SieveState(
            gaps_mm=dict(self._gaps),
            opened_to_mm=dict(self._opened),
            crop_kind=crop.kind if crop is not None else None,
            kernel_width_mm=crop.kernel_width_mm if crop is not None else None,
            yield_t_ha=now.yield_t_ha,
            fan=self._machine.fan,
            pre_sieve=self._machine.pre_sieve,
        )
        found = guards.notices(names, state, guards.overrides_in(given(entry.note, "")))
        return {"notices": [notice.text for notice in found]} if found else {}

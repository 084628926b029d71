"""What is asked about each kind of entry before it is kept: the kit's state, as the questions of `entered` need it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple

from edge.contract import entries
from edge.contract.entries import given
from edge.contract.errors import EntryError
from edge.reckon.entered import askruns, plausible
from edge.reckon.entered.asktrays import CatchSeen, ask_trays
from edge.reckon.entered.question import HardlyMeant
from edge.reckon.fit.calibration import moment_s
from edge.reckon.fit.trays import measure, residue_width
from edge.reckon.kitstate import KitState
from edge.reckon.tables import crops
from edge.reckon.tables.crops import CropRow

KG_PER_T = 1000.0


class Moment(NamedTuple):
    """When an entry holds: its own time or its line's (epoch s), the stamp of its line (epoch ms), the number of its record
    (0: not known)."""

    at_s: float
    stamp_ms: int
    seq: int = 0


Ask = Callable[[KitState, Any, Moment], HardlyMeant | None]


def ask_nothing(kit: KitState, entry: entries.Entry, when: Moment) -> None:
    """Nothing in this kind of entry can strike."""


def ask_at(entry: entries.Entry, when: Moment) -> HardlyMeant | None:
    """For every kind: a time that has not come yet, or lies days back. A tray's may be its mark's, which nobody typed."""
    at = given(entry.at)
    if at is None or (isinstance(entry, entries.TrayEntry) and given(entry.mark) is not None):
        return None
    return askruns.ask_moment(entries.epoch_s(at), when.stamp_ms / 1000)


def ask_crop(kit: KitState, entry: entries.CropEntry, when: Moment) -> HardlyMeant | None:
    """Name, kernels, yield, moisture and money of the crop."""
    return plausible.ask_crop(entry, kit.now, crops.table(kit.settings.crop_data))


def ask_limit(kit: KitState, entry: entries.LimitEntry, when: Moment) -> HardlyMeant | None:
    """Limits."""
    return plausible.ask_limit(entry, kit.now)


def ask_tray(kit: KitState, entry: entries.TrayEntry, when: Moment) -> HardlyMeant | None:
    """The residue width, then the trays beside it and what they caught."""
    machine = kit.settings.machine
    asked = plausible.ask_residue(given(entry.residue_width_m), machine.cut_width_m)
    if asked is not None:
        return asked
    ground = kit.now.tray_ground(moment_s(entry, when.stamp_ms), when.stamp_ms / 1000, given(entry.mark))
    yield_t_ha = kit.now.yield_t_ha
    seen = CatchSeen(
        discharge_m=given(entry.residue_width_m, ground.residue_width_m) or machine.cut_width_m,
        cut_width_m=machine.cut_width_m,
        kg_ha=_kg_ha(kit, when, entry),
        last_kg_ha=_last_kg_ha(kit, ground.crop_number, entry.catches),
        yield_kg_ha=None if not yield_t_ha else yield_t_ha * KG_PER_T,
        tgw_g=ground.tgw_g,
        us=kit.settings.units.show == "us",
        kg_ha_of=partial(_kg_ha, kit, when),
    )
    return ask_trays(entry, seen)


def _kg_ha(kit: KitState, when: Moment, entry: entries.TrayEntry) -> float | None:
    """The machine's loss that trays say, heads in, kg/ha; None where it can't be worked out."""
    machine = kit.settings.machine
    ground = kit.now.tray_ground(moment_s(entry, when.stamp_ms), when.stamp_ms / 1000, given(entry.mark))
    try:
        found = measure(entry, ground.tgw_g, residue_width(entry, ground.residue_width_m, machine.cut_width_m))
    except EntryError:
        return None
    cut_m = machine.cut_width_m * kit.now.width_used
    return 10 * (found.machine_g_m + found.threshing_g_m) / cut_m if cut_m > 0 else None


def _last_kg_ha(kit: KitState, crop: int, catches: str) -> float | None:
    """The same of the newest tray test of a crop that caught the same."""
    tests = [test for test in kit.calibration.tests if test.crop == crop and test.entry.catches == catches]
    if not tests:
        return None
    last = max(tests, key=lambda test: test.at_s)
    cut_m = last.seen.area_m2 / last.seen.metres if last.seen.metres else 0.0
    return 10 * (last.result.machine_g_m + last.result.threshing_g_m) / (cut_m or kit.settings.machine.cut_width_m)


def ask_residue(kit: KitState, entry: entries.ResidueEntry, when: Moment) -> HardlyMeant | None:
    """The residue width beside the cut."""
    return plausible.ask_residue(given(entry.residue_width_m), kit.settings.machine.cut_width_m)


def ask_width_used(kit: KitState, entry: entries.WidthUsedEntry, when: Moment) -> HardlyMeant | None:
    """The part of the cut in crop."""
    return plausible.ask_width_used(entry)


def ask_load(kit: KitState, entry: entries.LoadEntry, when: Moment) -> HardlyMeant | None:
    """A load over the ground it came from."""
    loads = kit.now.loads
    return plausible.ask_load(entry, kit.now, kit.cut_ha - loads.mark_ha, _row(kit))


def ask_sample(kit: KitState, entry: entries.SampleEntry, when: Moment) -> HardlyMeant | None:
    """A sample of the grain tank."""
    return plausible.ask_sample(entry)


def ask_job_finish(kit: KitState, entry: entries.JobFinishEntry, when: Moment) -> HardlyMeant | None:
    """Tickets over the measured area."""
    return plausible.ask_job_finish(entry, kit.now, _row(kit))


def ask_gauge(kit: KitState, entry: entries.GaugeEntry, when: Moment) -> HardlyMeant | None:
    """A gauge check beside those before it."""
    return askruns.ask_gauge(entry, kit.sieves.check_with(entry))


def ask_setting(kit: KitState, entry: entries.SettingEntry, when: Moment) -> HardlyMeant | None:
    """A setting beside what it stood at."""
    return askruns.ask_setting(entry, kit.now)


def ask_ground_run(kit: KitState, entry: entries.GroundRunEntry, when: Moment) -> HardlyMeant | None:
    """A measured run beside the pulses per metre in force."""
    return askruns.ask_ground_run(entry, kit.now.pulses_per_m)


def ask_idle_run(kit: KitState, entry: entries.IdleRunEntry, when: Moment) -> HardlyMeant | None:
    """An idle run beside the kit's own run."""
    return askruns.ask_idle_run(entry, sum(kit.sums.totals.seconds.values()))


def ask_returns_catch(kit: KitState, entry: entries.ReturnsCatchEntry, when: Moment) -> HardlyMeant | None:
    """A catch of the returns."""
    return askruns.ask_returns_catch(entry)


def _row(kit: KitState) -> CropRow | None:
    return crops.find(kit.now.crop, crops.table(kit.settings.crop_data)) if kit.now.crop else None

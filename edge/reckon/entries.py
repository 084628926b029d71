"""The one table of what a kit does with each kind of operator entry: admit it, learn from it, take it up at the next start.

A further kind has its keys as a struct in `contract/entries.py` and a row in `ENTRIES`; it is then taken from the command line,
the page, MQTT and captures, kept, published and taken up again. What verdicts, alerts and advice make of an entry they say
themselves, each in a table of its own beside what it changes.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract.allowed import BetweenRule, InWords, KeyRule
from edge.contract.entries import Entry, given
from edge.contract.errors import EntryError
from edge.contract.refusal import value_found
from edge.reckon import asking
from edge.reckon.asking import KG_PER_T, Ask, Moment, ask_nothing
from edge.reckon.entered.inforce import weighed_yield
from edge.reckon.fit.calibration import moment_s
from edge.reckon.fit.trays import measure, residue_width
from edge.reckon.kitstate import KitState

NOT_USED = "kept, not used"
ONCE_WIRED = InWords(("once the settings name one",))


def _as_it_is(kit: KitState, entry: Any, stamp_ms: int) -> Any:
    return entry


def _override(kit: KitState, entry: Any, when: Moment) -> dict[str, Any]:
    """What is in force follows the entry; the answer adds nothing."""
    kit.now.learn(entry, when.at_s)
    return {}


def _nothing(kit: KitState, entry: Any, when: Moment) -> dict[str, Any]:
    return {}


def _taught_nothing(kit: KitState, entry: Any, when: Moment, taught: dict[str, Any]) -> None:
    return None


class EntryKind(NamedTuple):
    """One kind of entry.

    `admit` checks an entry against what is in force and completes it (raises EntryError); `learn` acts on it and returns what
    the answer adds; `restore` takes it up from the record (None: as `learn`); `ask` finds what is hardly meant so.
    `teaches`: what it taught beyond itself goes into a record of its own, which `retell` takes up after `restore`.
    """

    admit: Callable[[KitState, Any, int], Any] = _as_it_is
    learn: Callable[[KitState, Any, Moment], dict[str, Any]] = _override
    restore: Callable[[KitState, Any, Moment], Any] | None = None
    ask: Ask = ask_nothing
    teaches: bool = False
    retell: Callable[[KitState, Any, Moment, dict[str, Any]], None] = _taught_nothing


# ---------------------------------------------------------------- crop, loads and jobs


def _learn_crop(kit: KitState, entry: entries.CropEntry, when: Moment) -> dict[str, Any]:
    before = kit.now.crop_number
    kit.tests.crop_ends(before)
    kit.now.learn(entry, when.at_s)
    if kit.now.crop_number != before:
        kit.now.loads.begin(when.at_s, kit.cut_ha)
        kit.calibration.doubted_hz = 0.0  # the doubt was beside the tests of the crop before
    return {}


def _retell_crop(kit: KitState, entry: entries.CropEntry, when: Moment, taught: dict[str, Any]) -> None:
    if kit.now.loads.since_s == when.at_s and not kit.now.loads.t:
        kit.now.loads.mark_ha = float(taught["cut_ha"])


def mass_of(entry: entries.LoadEntry) -> float:
    """Tonnes of a load, weighed or by its volume."""
    mass_t = given(entry.t)
    return float(mass_t if mass_t is not None else given(entry.volume_m3) * given(entry.bulk_kg_m3) / KG_PER_T)


def _learn_load(kit: KitState, entry: entries.LoadEntry, when: Moment) -> dict[str, Any]:
    mass_t = mass_of(entry)
    return _not_used(kit.now.add_load(mass_t, kit.cut_ha, when.at_s))


def _restore_load(kit: KitState, entry: entries.LoadEntry, when: Moment) -> None:
    kit.now.loads.since_s = when.at_s  # what it gave stands in a record of its own


def _retell_load(kit: KitState, entry: entries.LoadEntry, when: Moment, taught: dict[str, Any]) -> None:
    kit.now.add_load(mass_of(entry), float(taught["cut_ha"]), when.at_s)


def _admit_job_reopen(kit: KitState, entry: entries.JobReopenEntry, stamp_ms: int) -> Entry:
    jobs = kit.now.jobs
    if entry.job > jobs:
        allowed: KeyRule = BetweenRule(1, jobs) if jobs else InWords(("no job was started yet",))
        raise entry.refused(("job",), value_found(entry.job), allowed)
    if entry.job == kit.now.job:
        raise entry.refused(("job",), (f"{entry.job} is open",), InWords(("a job that was finished",)))
    return entry


def _learn_job_start(kit: KitState, entry: entries.JobStartEntry, when: Moment) -> dict[str, Any]:
    answer = _learn_job_reopen(kit, entry, when)
    kit.begin_area()  # what was cut for others is nobody else's business
    kit.now.loads.begin(when.at_s, kit.cut_ha)
    return answer


def _restore_job_start(kit: KitState, entry: entries.JobStartEntry, when: Moment) -> None:
    kit.now.learn(entry, when.at_s)
    kit.now.loads.begin(when.at_s, 0.0)


def _learn_job_reopen(kit: KitState, entry: entries.JobStartEntry | entries.JobReopenEntry, when: Moment) -> dict[str, Any]:
    was = kit.now.job
    kit.now.learn(entry, when.at_s)
    note = f"job {was} was open and is finished by this; it can be reopened" if was else ""
    return _of_job(kit.now.job, note)


def _learn_job_finish(kit: KitState, entry: entries.JobFinishEntry, when: Moment) -> dict[str, Any]:
    was, last = kit.now.job, kit.now.last_job
    kit.now.learn(entry, when.at_s)
    job = was or last
    note = "" if was else f"no job was open: taken as a correction of job {last}"
    note = note if job else "no job was open: it corrects the yield only"
    why = weighed_yield(entry)
    if isinstance(why, str):
        note = f"{note}; tonnes and area kept, not used: {why}".removeprefix("; ")
    return _of_job(job, note)


def _of_job(job: int, note: str) -> dict[str, Any]:
    """The answer names the job; a note says what else came of it, when that may not be what was meant."""
    return {**({"job": job} if job else {}), **({"note": note} if note else {})}


# ---------------------------------------------------------------- trays and what is learned from runs


def _learn_tray_mark(kit: KitState, entry: entries.TrayMarkEntry, when: Moment) -> dict[str, Any]:
    number = kit.now.add_mark(when.at_s)
    kit.rows.mark(number, when.at_s)
    return {"mark": number}


def _restore_tray_mark(kit: KitState, entry: entries.TrayMarkEntry, when: Moment) -> None:
    kit.now.add_mark(when.at_s)


def _admit_tray(kit: KitState, entry: entries.TrayEntry, stamp_ms: int) -> Entry:
    """A tray is completed by its mark's time."""
    mark = given(entry.mark)
    if mark is not None and given(entry.at) is None:
        if mark not in kit.now.marks:
            allowed: KeyRule = BetweenRule(1, max(kit.now.marks)) if kit.now.marks else InWords(("no mark was set yet",))
            raise entry.refused(("mark",), value_found(mark), allowed)
        entry = msgspec.structs.replace(entry, at=kit.now.marks[mark])
    ground = kit.now.tray_ground(moment_s(entry, stamp_ms), stamp_ms / 1000, mark)
    width = residue_width(entry, ground.residue_width_m, kit.settings.machine.cut_width_m)
    measure(entry, ground.tgw_g, width)
    return entry


def _learn_tray(kit: KitState, entry: entries.TrayEntry, when: Moment) -> dict[str, Any]:
    kit.tests.learn(entry, when.stamp_ms, kit.now, kit.settings.machine.cut_width_m, when.seq)
    return {}


def _restore_tray(kit: KitState, entry: entries.TrayEntry, when: Moment) -> None:
    """A tray whose judgement is not on record yet (the power went first) is judged by this run."""
    try:
        _learn_tray(kit, entry, when)
    except EntryError as fault:  # other settings than it was admitted under, or what it went by was struck out
        kit.tests.note_unweighed(when.seq, str(fault))


def _learn_idle_run(kit: KitState, entry: entries.IdleRunEntry, when: Moment) -> dict[str, Any]:
    why = kit.idle.learn(entry.seconds, when.at_s, kit.points)
    if not why:
        kit.calibration.doubted_hz = 0.0
        kit.refit()
    return _not_used(why)


def _retell_idle_run(kit: KitState, entry: entries.IdleRunEntry, when: Moment, taught: dict[str, Any]) -> None:
    if not taught.get("used", True):
        return
    for sensor in [sensor for point in kit.points for sensor in point.sensors]:
        hz, u_hz = taught["vibration"].get(str(sensor.at), (sensor.vibration_hz, sensor.vibration_u_hz))
        sensor.vibration_hz, sensor.vibration_u_hz, sensor.background_from = float(hz), float(u_hz), "idle run"
    kit.calibration.doubted_hz = 0.0
    kit.refit()


def _admit_ground_run(kit: KitState, entry: entries.GroundRunEntry, stamp_ms: int) -> Entry:
    if kit.ground is None:
        raise entry.refused(("entry",), ("no wheel sensor for ground speed is wired",), ONCE_WIRED)
    return entry


def _learn_ground_run(kit: KitState, entry: entries.GroundRunEntry, when: Moment) -> dict[str, Any]:
    kit.now.pulses_per_m = entry.pulses / entry.metres
    return {}


def _admit_returns_catch(kit: KitState, entry: entries.ReturnsCatchEntry, stamp_ms: int) -> Entry:
    if kit.returns is None:
        raise entry.refused(("entry",), ("no light beam in the returns is wired",), ONCE_WIRED)
    return entry


def _learn_returns_catch(kit: KitState, entry: entries.ReturnsCatchEntry, when: Moment) -> dict[str, Any]:
    return _not_used(kit.returns.learn_catch(entry.mass_kg, entry.seconds) if kit.returns is not None else "")


def _retell_returns_catch(kit: KitState, entry: entries.ReturnsCatchEntry, when: Moment, taught: dict[str, Any]) -> None:
    if kit.returns is not None and taught["full_t_h"] is not None and taught.get("used", True):
        kit.returns.full_t_h = float(taught["full_t_h"])


def _not_used(why: str) -> dict[str, Any]:
    return {"note": f"{NOT_USED}: {why}"} if why else {}


# ---------------------------------------------------------------- sieves and settings


def _learn_gauge(kit: KitState, entry: entries.GaugeEntry, when: Moment) -> dict[str, Any]:
    return kit.sieves.learn_gauge(entry, kit.now)


def _learn_setting(kit: KitState, entry: entries.SettingEntry, when: Moment) -> dict[str, Any]:
    kit.now.learn(entry, when.at_s)
    return kit.sieves.learn_setting(entry, kit.now)


ENTRIES: dict[str, EntryKind] = {
    "crop": EntryKind(learn=_learn_crop, ask=asking.ask_crop, teaches=True, retell=_retell_crop),
    "limit": EntryKind(ask=asking.ask_limit),
    "tray_mark": EntryKind(learn=_learn_tray_mark, restore=_restore_tray_mark),
    "tray": EntryKind(admit=_admit_tray, learn=_learn_tray, restore=_restore_tray, ask=asking.ask_tray),
    "gauge": EntryKind(learn=_learn_gauge, ask=asking.ask_gauge),
    "setting": EntryKind(learn=_learn_setting, ask=asking.ask_setting),
    "width_used": EntryKind(ask=asking.ask_width_used),
    "residue": EntryKind(ask=asking.ask_residue),
    "load": EntryKind(learn=_learn_load, restore=_restore_load, ask=asking.ask_load, teaches=True, retell=_retell_load),
    "sample": EntryKind(ask=asking.ask_sample),
    "returns_look": EntryKind(learn=_nothing),
    "returns_catch": EntryKind(
        admit=_admit_returns_catch, learn=_learn_returns_catch, restore=_nothing, ask=asking.ask_returns_catch, teaches=True,
        retell=_retell_returns_catch,
    ),
    "idle_run": EntryKind(
        learn=_learn_idle_run, restore=_nothing, ask=asking.ask_idle_run, teaches=True, retell=_retell_idle_run
    ),
    "ground_run": EntryKind(admit=_admit_ground_run, learn=_learn_ground_run, ask=asking.ask_ground_run),
    "job_start": EntryKind(learn=_learn_job_start, restore=_restore_job_start, teaches=True),
    "job_finish": EntryKind(learn=_learn_job_finish, restore=_override, ask=asking.ask_job_finish),
    "job_reopen": EntryKind(admit=_admit_job_reopen, learn=_learn_job_reopen, restore=_override),
    "ack": EntryKind(learn=_nothing),
    "shelve": EntryKind(learn=_nothing),
    "note": EntryKind(learn=_nothing),
    "strike_out": EntryKind(learn=_nothing),
}
"""Kind by its name on the wire."""


def register(struct: type[Entry], kind: EntryKind) -> None:
    """Add a kind of entry to the two tables. Raises ValueError for a name that is taken."""
    name = str(struct.__struct_config__.tag)
    if name in ENTRIES:
        raise ValueError(f"entries: {name!r} is a kind of entry already")
    entries.KINDS[name], ENTRIES[name] = struct, kind

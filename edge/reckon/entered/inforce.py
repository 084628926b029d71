"""What is in force now: the settings file, overridden by entries from their time on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Any, ClassVar, NamedTuple

from edge.contract import entries
from edge.contract.entries import given
from edge.contract.inputs import GroundInput
from edge.contract.settings import Settings
from edge.reckon.entered.loads import Loads, yield_of
from edge.reckon.entered.money import TankSamples, discount_per_t
from edge.reckon.tables.crops import plain_name


def weighed_yield(entry: entries.JobFinishEntry) -> float | str | None:
    """The yield that a finish gives, t/ha; why what was entered gives none; None when it was not weighed and measured."""
    harvested_t, area_ha = given(entry.harvested_t), given(entry.area_ha)
    return yield_of(harvested_t, area_ha) if harvested_t and area_ha else None


@dataclass(slots=True)
class SettingChange:
    """One `setting` entry: its number from 1, time (epoch s), what, from (None: unknown) and to."""

    n: int
    at_s: float
    what: str
    was: float | str | None
    to: float | str
    name: str | None = None

    @property
    def label(self) -> str:
        """What was changed, in words."""
        return self.name or self.what

    @property
    def key(self) -> str:
        """The setting that was changed; each `other` has its own."""
        return f"other: {self.name}" if self.what == "other" else self.what

    @property
    def is_baseline(self) -> bool:
        """Whether it only says where the setting stands: nothing was known of it before, or it stood there already."""
        return self.was is None or same_value(self.was, self.to)

    @property
    def moves_machine(self) -> bool:
        """Whether something on the machine changed: no baseline, and not the lag, which is the kit's own."""
        return self.what != "lag_s" and not self.is_baseline


def same_value(one: float | str | None, other: float | str | None) -> bool:
    """Whether two values of a setting are the same; unknown ones never are."""
    if isinstance(one, str) or isinstance(other, str) or one is None or other is None:
        return one == other and one is not None
    return abs(one - other) <= 1e-9 * max(abs(one), abs(other), 1.0)


class CropMoment(NamedTuple):
    """From a time on (epoch s): the crop's number, and the residue width in m where an entry gave one."""

    from_s: float
    crop_number: int
    residue_width_m: float | None


class TrayGround(NamedTuple):
    """What a tray test of some time goes by: crop, its TGW in g, residue width in m; None is unknown."""

    crop_number: int
    tgw_g: float | None
    residue_width_m: float | None


@dataclass(slots=True)
class InForce:
    """Values that entries can change. None is unknown. `known_tgw`: TGW (g) of the crops that the settings describe.

    `jobs`: how many were started; `job`: the open one, 0 for none; `last_job` was finished last, in crop `last_job_crop`.

    Numbers of settings, marks and crops count entries that were struck out too: `setting_count`, `mark_count`, `crop_count`.
    `named`: the crop that was named last, struck out or not; `crop_of`: which crop what was counted under a number belongs to.
    """

    crop: str | None
    tgw_g: float | None
    yield_t_ha: float | None
    moisture_pct: float | None
    price_per_t: float | None
    trash_discount: float | None
    cracked_discount: float | None
    loss_kg_ha: float | None
    loss_pct: float | None
    returns_pct: float | None
    width_used: float
    lag_s: float
    pulses_per_m: float
    known_tgw: dict[str, float] = field(default_factory=dict)
    residue_width_m: float | None = None
    chopper: bool | None = None
    spreader: bool | None = None
    yield_is_typed: bool = True
    typed_yield_t_ha: float | None = None
    crop_number: int = 1
    crop_count: int = 1
    named: str | None = None
    crop_of: dict[int, int] = field(default_factory=dict)
    setting_count: int = 0
    mark_count: int = 0
    jobs: int = 0
    job: int = 0
    last_job: int = 0
    last_job_crop: int = 0
    client: str | None = None
    loads: Loads = field(default_factory=Loads)
    marks: dict[int, float] = field(default_factory=dict)
    machine_settings: dict[str, float | str] = field(default_factory=dict)
    changes: list[SettingChange] = field(default_factory=list)
    moments: list[CropMoment] = field(default_factory=lambda: [CropMoment(-inf, 1, None)])
    mark_moments: dict[int, CropMoment] = field(default_factory=dict)
    ended_tgw: dict[int, float | None] = field(default_factory=dict)
    samples: TankSamples = field(default_factory=TankSamples)

    @classmethod
    def from_settings(cls, settings: Settings) -> InForce:
        """What holds before any entry."""
        crop, limits = settings.crop, settings.limits
        known_tgw = {plain_name(one.name): one.tgw_g for one in settings.crop_data if one.tgw_g is not None}
        ground = settings.inputs(GroundInput)
        return cls(
            crop=crop.name if crop else None,
            named=crop.name if crop else None,
            tgw_g=(crop.tgw_g or known_tgw.get(plain_name(crop.name))) if crop else None,
            known_tgw=known_tgw,
            yield_t_ha=crop.yield_t_ha if crop else None,
            typed_yield_t_ha=crop.yield_t_ha if crop else None,
            moisture_pct=crop.moisture_pct if crop else None,
            price_per_t=crop.price_per_t if crop else None,
            trash_discount=crop.trash_discount if crop else None,
            cracked_discount=crop.cracked_discount if crop else None,
            loss_kg_ha=limits.loss_kg_ha,
            loss_pct=limits.loss_pct,
            returns_pct=limits.returns_pct,
            width_used=settings.machine.width_used,
            lag_s=settings.machine.lag_s,
            pulses_per_m=ground[0].pulses_per_m if ground else 1.0,
        )

    @property
    def mill(self) -> str:
        """Whether a weed-seed mill runs: none, bypassed or engaged."""
        return str(self.machine_settings.get("mill", "none"))

    @property
    def job_open(self) -> bool:
        """Whether a job is open."""
        return self.job > 0

    def discount_per_t(self, percents: Mapping[str, float] | None = None) -> float | None:
        """Money a buyer takes off a tonne with so much trash and cracked grain (None: by the newest samples), or unknown."""
        found = self.samples.latest if percents is None else percents
        return discount_per_t(found, self.trash_discount, self.cracked_discount)

    def add_mark(self, at_s: float) -> int:
        """Number a tray mark; marks count from 1."""
        self.mark_count += 1
        self.marks[self.mark_count], self.mark_moments[self.mark_count] = at_s, self.moments[-1]
        return self.mark_count

    def skip(self, entry: entries.Entry) -> None:
        """An entry that was struck out: it overrides nothing, and its number is not given again."""
        if isinstance(entry, entries.TrayMarkEntry):
            self.mark_count += 1
        elif isinstance(entry, entries.SettingEntry):
            self.setting_count += 1
        elif isinstance(entry, entries.CropEntry):
            self._count_crop(given(entry.name))

    def _count_crop(self, name: str | None) -> None:
        """What is counted from a name on stands under a number of its own."""
        if name is not None and name != self.named:
            self.named, self.crop_count = name, self.crop_count + 1
            self.crop_of[self.crop_count] = self.crop_number

    def tray_ground(self, at_s: float, stamp_s: float, mark: int | None = None) -> TrayGround:
        """What held when a tray lay: at its mark, or by its time; `stamp_s` is now.

        Crop and residue width are those of that time; a width that was not known then is the first one told later. TGW belongs
        to the crop, so the newest of that crop counts. A change later than now was told by another clock, so before.
        """
        if mark is not None and self.marks.get(mark) == at_s:
            then = self.mark_moments[mark]
        else:
            then = next(one for one in reversed(self.moments) if one.from_s <= at_s or one.from_s > stamp_s)
        later = (one.residue_width_m for one in self.moments if one.residue_width_m is not None)
        width = then.residue_width_m if then.residue_width_m is not None else next(later, None)
        tgw_g = self.tgw_g if then.crop_number == self.crop_number else self.ended_tgw[then.crop_number]
        return TrayGround(then.crop_number, tgw_g, width)

    def forget_times(self) -> None:
        """The clock stepped: what is in force now was so before any time to come."""
        self.moments = [CropMoment(-inf, self.crop_number, self.residue_width_m)]

    def _note_moment(self, at_s: float) -> None:
        self.moments.append(CropMoment(at_s, self.crop_number, self.residue_width_m))

    def add_load(self, mass_t: float, cut_ha: float, at_s: float) -> str:
        """Weighed or measured grain over the ground it came from gives the yield; returns why it does not, or nothing.

        `cut_ha`: hectares cut in all.
        """
        found = self.loads.add(mass_t, cut_ha, at_s)
        if isinstance(found, str):
            return found
        self.yield_t_ha, self.yield_is_typed = found, False
        return ""

    def moved_since(self, what: str, at_s: float) -> tuple[float, float] | None:
        """A numeric setting's value at a past time and now; None if it did not change since or is not known."""
        since = [one for one in self.changes if one.what == what and one.at_s > at_s and not one.is_baseline]
        if not since:
            return None
        was, now = since[0].was, since[-1].to
        return (was, now) if isinstance(was, float) and isinstance(now, float) else None

    def last_change(self, at_s: float) -> tuple[float | None, str]:
        """How long before `at_s` (up to 5 s after it) the last machine setting changed, and which; None if none did."""
        times = [(change.at_s, change.label) for change in self.changes if change.moves_machine]
        before = [one for one in times if one[0] <= at_s + 5.0]
        return (at_s - max(before)[0], max(before)[1]) if before else (None, "")

    def learn(self, entry: entries.Entry, at_s: float) -> None:
        """Let an entry override what holds; kinds that override nothing change nothing."""
        override = self.OVERRIDES.get(type(entry))
        if override is not None:
            override(self, entry, at_s)

    def _learn_limit(self, entry: entries.LimitEntry, at_s: float) -> None:
        for key in ("loss_kg_ha", "loss_pct", "returns_pct"):
            if key in entries.to_plain(entry):
                setattr(self, key, getattr(entry, key))

    def _learn_width_used(self, entry: entries.WidthUsedEntry, at_s: float) -> None:
        self.width_used = entry.part

    def _learn_residue(self, entry: entries.ResidueEntry, at_s: float) -> None:
        self.residue_width_m = given(entry.residue_width_m, self.residue_width_m)
        self.chopper = given(entry.chopper, self.chopper)
        self.spreader = given(entry.spreader, self.spreader)
        self._note_moment(at_s)

    def _learn_sample(self, entry: entries.SampleEntry, at_s: float) -> None:
        self.samples.add(entries.to_plain(entry), at_s, self.job)

    def _start_job(self, entry: entries.JobStartEntry, at_s: float) -> None:
        self._close_job()
        self._meet_client(given(entry.client))
        self.jobs += 1
        self.job = self.jobs

    def _reopen_job(self, entry: entries.JobReopenEntry, at_s: float) -> None:
        self._close_job()
        self.job = entry.job

    def _close_job(self) -> None:
        if self.job:
            self.last_job, self.last_job_crop, self.job = self.job, self.crop_number, 0

    def _meet_client(self, client: str | None) -> None:
        """Grain weighed for one client says nothing about the crop of the next, and is nobody else's business."""
        if self.jobs and client != self.client and not self.yield_is_typed:
            self.yield_t_ha, self.yield_is_typed = self.typed_yield_t_ha, True
        self.client = client

    def _finish_job(self, entry: entries.JobFinishEntry, at_s: float) -> None:
        """Weighed grain over measured area is the yield; a late ticket corrects a crop only while it is in force."""
        self._close_job()
        found = weighed_yield(entry)
        if isinstance(found, float) and self.last_job_crop in (0, self.crop_number):
            self.yield_t_ha, self.yield_is_typed = found, False

    def _learn_crop(self, entry: entries.CropEntry, at_s: float) -> None:
        name = given(entry.name)
        self._count_crop(name)
        if name is not None and name != self.crop:
            self.ended_tgw[self.crop_number] = self.tgw_g
            self.crop, self.crop_number = name, self.crop_count
            self.crop_of.pop(self.crop_count, None)
            self.tgw_g = self.known_tgw.get(plain_name(name))
            self.yield_t_ha = self.typed_yield_t_ha = self.moisture_pct = self.price_per_t = None
            self.trash_discount = self.cracked_discount = None
            self.yield_is_typed = True
            self._note_moment(at_s)
            self.samples = TankSamples()
        values: dict[str, Any] = entries.to_plain(entry)
        if "grains" in values:
            values["tgw_g"] = values["mass_g"] / values["grains"] * 1000
        for key in ("tgw_g", "yield_t_ha", "moisture_pct", "price_per_t", "trash_discount", "cracked_discount"):
            if key in values:
                setattr(self, key, values[key])
        if "yield_t_ha" in values:
            self.yield_is_typed, self.typed_yield_t_ha = True, self.yield_t_ha
            self.loads.forget()

    def _learn_setting(self, entry: entries.SettingEntry, at_s: float) -> None:
        name = given(entry.name)
        key = f"other: {name}" if entry.what == "other" else entry.what
        was = given(entry.from_, self.lag_s if entry.what == "lag_s" else self.machine_settings.get(key))
        self.setting_count += 1
        self.changes.append(SettingChange(self.setting_count, at_s, entry.what, was, entry.to, name))
        if entry.what == "lag_s":
            self.lag_s = float(entry.to)
            return
        self.machine_settings[key] = entry.to

    OVERRIDES: ClassVar[dict[type[entries.Entry], Callable[[Any, Any, float], None]]] = {
        entries.CropEntry: _learn_crop,
        entries.LimitEntry: _learn_limit,
        entries.SettingEntry: _learn_setting,
        entries.WidthUsedEntry: _learn_width_used,
        entries.ResidueEntry: _learn_residue,
        entries.SampleEntry: _learn_sample,
        entries.JobStartEntry: _start_job,
        entries.JobFinishEntry: _finish_job,
        entries.JobReopenEntry: _reopen_job,
    }
    """What a kind of entry overrides."""

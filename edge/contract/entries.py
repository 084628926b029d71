"""Operator entries, typed: one JSON object an entry, the same from command line, dashboard, MQTT and capture.

An entry is checked whole before anything is kept; a refused one says which key and why. What an entry needs beyond
itself (a TGW in force, a residue width in force, a mark that exists) is checked by `Reckoner.admit`.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from edge.contract.allowed import BetweenRule, ChoiceRule, InWords, KeyRule, NumberRule
from edge.contract.errors import EntryError
from edge.contract.refusal import MISSING, KeyPath, Refusal, value_found
from edge.contract.said import Figure, Said, say
from edge.contract.typed import TypedFault, convert, did_you_mean

Share = Annotated[float, Meta(ge=0, le=1)]
Percent = Annotated[float, Meta(ge=0, le=100)]
NotNegative = Annotated[float, Meta(ge=0, le=1e9)]
Positive = Annotated[float, Meta(gt=0, le=1e9)]
TgwG = Annotated[float, Meta(ge=0.5, le=2000)]
Width = Annotated[float, Meta(gt=0, le=100)]
Text = Annotated[str, Meta(min_length=1, max_length=200)]
LongText = Annotated[str, Meta(max_length=2000)]
AlertName = Annotated[str, Meta(pattern=r"^[a-z0-9-]+(/.+)?\Z", max_length=120)]
Numbered = Annotated[int, Meta(ge=1, le=1_000_000_000)]
"""A number given by us; larger ones than JSON numbers can carry must not get this far."""

Moment = float | str
"""Epoch seconds or RFC 3339."""

LONGEST_ENTRY = 16_384
"""Bytes of one entry's JSON: a limit against hostile input, far above any real entry."""

SETTING_UNITS = {
    "fan_rpm": "rpm", "rotor_rpm": "rpm", "concave_mm": "mm", "top_sieve_mm": "mm", "bottom_sieve_mm": "mm",
    "pre_sieve_mm": "mm", "speed_kmh": "km/h", "mill": "", "lag_s": "s", "other": "",
}  # fmt: skip
"""What a `setting` entry can name, with its unit."""


COMMON_KEYS = ("at", "by", "note", "sure")


class Entry(Struct, forbid_unknown_fields=True, tag_field="entry", kw_only=True, frozen=True, omit_defaults=True):
    """Keys common to all kinds."""

    at: Moment | UnsetType = UNSET
    by: Text | UnsetType = UNSET
    note: LongText | UnsetType = UNSET
    sure: bool | UnsetType = UNSET
    """Meant as it stands, however strange it looks: nothing is asked about it."""

    def check(self) -> None:
        """What the types of the keys can't say, such as keys that go together. Raises EntryError."""

    def check_not_empty(self) -> None:
        """For kinds of which every key may be absent. Raises EntryError when all are."""
        keys = [name for name in self.__struct_fields__ if name not in COMMON_KEYS]
        if not any(getattr(self, name) is not UNSET for name in keys):
            raise self.refused((), say("nothing given"), ChoiceRule(tuple(keys), lead="one or more of "))

    @classmethod
    def refused(cls, path: KeyPath, found: Said, rule: KeyRule | None = None, by: str = "allowed") -> EntryError:
        """The error of a refused entry of this kind."""
        return EntryError.of(str(cls.__struct_config__.tag), Refusal(path, found, rule, by))


class CropEntry(Entry, frozen=True, tag="crop"):
    """Crop in front of the machine; a new name clears the rest and makes the factor stale."""

    name: Text | UnsetType = UNSET
    tgw_g: TgwG | UnsetType = UNSET
    grains: Positive | UnsetType = UNSET
    mass_g: Positive | UnsetType = UNSET
    yield_t_ha: Annotated[float, Meta(ge=0, le=40)] | UnsetType = UNSET
    moisture_pct: Annotated[float, Meta(ge=0, le=60)] | UnsetType = UNSET
    price_per_t: NotNegative | UnsetType = UNSET
    trash_discount: NotNegative | UnsetType = UNSET
    cracked_discount: NotNegative | UnsetType = UNSET

    def check(self) -> None:
        counted = self.grains is not UNSET, self.mass_g is not UNSET
        if any(counted) and not all(counted):
            raise self.refused((), say("{grains} and {mass_g} go together"))
        if any(counted) and self.tgw_g is not UNSET:
            raise self.refused((), say("give {tgw_g}, or {grains} and {mass_g}, not both"))
        if all(counted):
            tgw = given(self.mass_g) / given(self.grains) * 1000
            if not 0.5 <= tgw <= 2000:
                gives = say("{mass_g:bare} / {grains:bare} gives a TGW of {tgw} g", tgw=Figure(tgw, f"{tgw:.4g}"))
                raise self.refused((), gives, BetweenRule(0.5, 2000))
        if not set(to_plain(self)) - {"entry", *COMMON_KEYS}:
            raise self.refused((), say("nothing given"), InWords(say("{name} or any value of the crop")))


class LimitEntry(Entry, frozen=True, tag="limit"):
    """Limits that alerts and the page compare with; null takes one away."""

    loss_kg_ha: NotNegative | None | UnsetType = UNSET
    loss_pct: Percent | None | UnsetType = UNSET
    returns_pct: Percent | None | UnsetType = UNSET

    def check(self) -> None:
        self.check_not_empty()


class TrayMarkEntry(Entry, frozen=True, tag="tray_mark"):
    """ "Tray down now": the moment the discharge passes the tray."""


class GroundCount(Struct, forbid_unknown_fields=True, frozen=True):
    """Grains counted on a piece of ground."""

    grains: NotNegative
    area_m2: Annotated[float, Meta(gt=0, le=1000)]


class OneTray(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True, omit_defaults=True):
    """One tray or ground strip: its grain as a count or a mass, length along travel, width and place across (m)."""

    length_m: Annotated[float, Meta(gt=0, le=100)]
    width_m: Annotated[float, Meta(gt=0, le=100)]
    grains: NotNegative | UnsetType = UNSET
    mass_g: NotNegative | UnsetType = UNSET
    heads_grains: NotNegative | UnsetType = UNSET
    heads_mass_g: NotNegative | UnsetType = UNSET
    x_m: Annotated[float, Meta(ge=-50, le=50)] | UnsetType = UNSET

    def check(self, path: KeyPath) -> None:
        """Raises EntryError, which names the tray by `path`."""
        if (self.grains is UNSET) == (self.mass_g is UNSET):
            raise TrayEntry.refused(path, say("give {grains} or {mass_g}, one of the two"))
        if self.heads_grains is not UNSET and self.heads_mass_g is not UNSET:
            raise TrayEntry.refused(path, say("give {heads_grains} or {heads_mass_g}, not both"))


class TrayEntry(Entry, frozen=True, tag="tray"):
    """A tray test: what the trays caught, where they lay, what they catch."""

    trays: Annotated[tuple[OneTray, ...], Meta(min_length=1, max_length=64)]
    residue_width_m: Width | UnsetType = UNSET
    laid: Literal["released", "ahead", "ground"] = "released"
    catches: Literal["both", "separator", "cleaning"] = "both"
    mill: Literal["none", "bypassed", "engaged"] = "none"
    mark: Numbered | UnsetType = UNSET
    before_harvest: GroundCount | UnsetType = UNSET
    front: GroundCount | UnsetType = UNSET

    def check(self) -> None:
        for number, tray in enumerate(self.trays):
            tray.check(("trays", number))
        placed = [tray.x_m is not UNSET for tray in self.trays]
        if any(placed) and not all(placed):
            raise self.refused(("x_m",), say("given for some trays only"), InWords(say("for all or for none")))
        places = [tray.x_m for tray in self.trays if tray.x_m is not UNSET]
        if len(set(places)) != len(places):
            raise self.refused(("x_m",), say("two trays at the same place"), InWords(say("a place of its own for each tray")))


class GaugeEntry(Entry, frozen=True, tag="gauge"):
    """A sieve gap measured with a gauge against the readout in the cab."""

    sieve: Literal["pre", "top", "bottom"]
    measured_mm: Annotated[float, Meta(ge=0, le=200)] | Annotated[
        tuple[Annotated[float, Meta(ge=0, le=200)], ...], Meta(min_length=1, max_length=64)
    ]
    readout: Annotated[float, Meta(ge=-1000, le=1000)] | UnsetType = UNSET
    readout_mm: Annotated[float, Meta(ge=-100, le=200)] | UnsetType = UNSET
    unit: Literal["mm", "percent", "notch"] | UnsetType = UNSET
    opened_to_mm: Annotated[float, Meta(ge=0, le=200)] | UnsetType = UNSET

    def check(self) -> None:
        if (self.readout is UNSET) == (self.readout_mm is UNSET):
            raise self.refused((), say("give either {readout} (with {unit}) or {readout_mm}"))
        if self.readout_mm is not UNSET and given(self.unit, "mm") != "mm":
            beside = say("found {unit} beside {readout_mm}", unit=repr(self.unit))
            raise self.refused(("unit",), beside, ChoiceRule(("mm",)))


class SettingEntry(Entry, frozen=True, tag="setting", rename={"from_": "from"}):
    """A setting change on the machine (or of `lag_s`, which is the kit's own)."""

    what: Literal[
        "fan_rpm", "rotor_rpm", "concave_mm", "top_sieve_mm", "bottom_sieve_mm", "pre_sieve_mm", "speed_kmh",
        "mill", "lag_s", "other",
    ]  # fmt: skip
    to: float | Text
    from_: float | Text | UnsetType = UNSET
    name: Text | UnsetType = UNSET

    def check(self) -> None:
        for key, value in (("to", self.to), ("from", self.from_)):
            if value is UNSET:
                continue
            if self.what == "mill" and value not in ("none", "bypassed", "engaged"):
                raise self._refused_value(key, value, ChoiceRule(("none", "bypassed", "engaged")))
            if self.what not in ("mill", "other"):
                if isinstance(value, str):
                    raise self._refused_value(key, value, NumberRule())
                top = 60.0 if self.what == "lag_s" else 10_000.0
                if not 0 <= float(value) <= top or not math.isfinite(float(value)):
                    raise self._refused_value(key, value, BetweenRule(0, top))
        if (self.what == "other") != (self.name is not UNSET):
            raise self.refused((), say("{name} goes with {what} = other, and only with it"))

    def _refused_value(self, key: str, value: object, rule: KeyRule) -> EntryError:
        return self.refused((key,), value_found(value), rule, by=f"allowed for {self.what}")


class WidthUsedEntry(Entry, frozen=True, tag="width_used"):
    """Part of the cut width in crop."""

    part: Share


class ResidueEntry(Entry, frozen=True, tag="residue"):
    """What happens to the residue, and how wide it is laid."""

    chopper: bool | UnsetType = UNSET
    spreader: bool | UnsetType = UNSET
    residue_width_m: Width | UnsetType = UNSET

    def check(self) -> None:
        self.check_not_empty()


class LoadEntry(Entry, frozen=True, tag="load"):
    """Grain taken off the machine: weighed, or a volume with its bulk density."""

    t: Annotated[float, Meta(gt=0, le=1000)] | UnsetType = UNSET
    volume_m3: Annotated[float, Meta(gt=0, le=1000)] | UnsetType = UNSET
    bulk_kg_m3: Annotated[float, Meta(gt=0, le=2000)] | UnsetType = UNSET

    def check(self) -> None:
        weighed, measured = self.t is not UNSET, self.volume_m3 is not UNSET
        if weighed == measured or (measured != (self.bulk_kg_m3 is not UNSET)):
            raise self.refused((), say("give {t}, or {volume_m3} and {bulk_kg_m3}"))


class SampleEntry(Entry, frozen=True, tag="sample"):
    """Grain tank sample."""

    cracked_pct: Percent | UnsetType = UNSET
    trash_pct: Percent | UnsetType = UNSET
    unthreshed_pct: Percent | UnsetType = UNSET

    def check(self) -> None:
        self.check_not_empty()


class ReturnsLookEntry(Entry, frozen=True, tag="returns_look"):
    """What the returns look like."""

    clean_grain: Literal["none", "some", "much"] | UnsetType = UNSET
    unthreshed_heads: Literal["none", "some", "much"] | UnsetType = UNSET
    chaff: Literal["none", "some", "much"] | UnsetType = UNSET

    def check(self) -> None:
        self.check_not_empty()


class ReturnsCatchEntry(Entry, frozen=True, tag="returns_catch"):
    """A catch of the returns, where the machine's manual allows one."""

    mass_kg: Annotated[float, Meta(ge=0, le=10_000)]
    seconds: Annotated[float, Meta(gt=0, le=3600)]


class GroundRunEntry(Entry, frozen=True, tag="ground_run"):
    """A measured straight run: calibrates pulses per metre."""

    metres: Annotated[float, Meta(gt=0, le=100_000)]
    pulses: Annotated[float, Meta(gt=0, le=1e9)]


class IdleRunEntry(Entry, frozen=True, tag="idle_run"):
    """The last seconds were threshing on with no crop: learns the vibration background (from 5 s on; shorter ones are kept)."""

    seconds: Annotated[float, Meta(gt=0, le=3600)]


class JobStartEntry(Entry, frozen=True, tag="job_start"):
    """Work for a client begins."""

    client: Text | UnsetType = UNSET
    paddock: Text | UnsetType = UNSET
    machine: Text | UnsetType = UNSET
    operator: Text | UnsetType = UNSET


class JobFinishEntry(Entry, frozen=True, tag="job_finish"):
    """Work for a client ends; weighed grain and measured area correct the yield."""

    client: Text | UnsetType = UNSET
    paddock: Text | UnsetType = UNSET
    machine: Text | UnsetType = UNSET
    operator: Text | UnsetType = UNSET
    harvested_t: Annotated[float, Meta(ge=0, le=1e6)] | UnsetType = UNSET
    area_ha: Annotated[float, Meta(gt=0, le=1e6)] | UnsetType = UNSET


class JobReopenEntry(Entry, frozen=True, tag="job_reopen"):
    """A finished job is taken up again, with the reason in `note`."""

    job: Numbered

    def check(self) -> None:
        if not given(self.note, "").strip():
            raise self.refused(("note",), MISSING, InWords(say("the reason, in words")))


class AckEntry(Entry, frozen=True, tag="ack"):
    """An alert was seen."""

    alert: AlertName


class ShelveEntry(Entry, frozen=True, tag="shelve"):
    """An alert is put aside for a stated time."""

    alert: AlertName
    minutes: Annotated[float, Meta(gt=0, le=1440)]


class StrikeOutEntry(Entry, frozen=True, tag="strike_out"):
    """An earlier entry counts no more; it stays readable. `seq`: its record's number, or in a capture `n`: its place among the
    accepted entries, from 1. `elsewhere` is set by the kit: the number is of another record, and nothing is struck here."""

    why: Annotated[str, Meta(min_length=1, max_length=500)]
    seq: Numbered | UnsetType = UNSET
    n: Numbered | UnsetType = UNSET
    elsewhere: bool = False

    def check(self) -> None:
        if not self.why.strip():
            raise self.refused(("why",), MISSING, InWords(say("the reason, in words")))
        if (self.seq is UNSET) == (self.n is UNSET):
            raise self.refused((), say("give {seq}, the number of the entry"))


class NoteEntry(Entry, frozen=True, tag="note"):
    """A remark in the record."""

    note: Annotated[str, Meta(min_length=1, max_length=2000)]


KINDS: dict[str, type[Entry]] = {
    str(kind.__struct_config__.tag): kind
    for kind in (
        CropEntry, LimitEntry, TrayMarkEntry, TrayEntry, GaugeEntry, SettingEntry, WidthUsedEntry, ResidueEntry, LoadEntry,
        SampleEntry, ReturnsLookEntry, ReturnsCatchEntry, GroundRunEntry, IdleRunEntry, JobStartEntry, JobFinishEntry,
        JobReopenEntry, AckEntry, ShelveEntry, NoteEntry, StrikeOutEntry,
    )
}  # fmt: skip
"""Every kind by its name on the wire. What a kit does with each says `reckon/entries.py`."""

NEVER_STRUCK = ("job_start", "job_finish", "ack", "countersign", "strike_out")
"""Kinds that can't be struck out: jobs are corrected by a later finish, alerts have passed, and a strike-out is final."""

OF_JOBS = ("job_start", "job_finish", "job_reopen")
"""Kinds that open and end jobs. Their answers and messages show the proof line: a copy of it leaves the kit with the job."""


def decode(raw: bytes | str) -> Entry:
    """A JSON text -> a checked entry. Raises EntryError with one line that names the key and what is allowed."""
    if len(raw) > LONGEST_ENTRY:
        raise EntryError(f"entry: {len(raw)} bytes; allowed: up to {LONGEST_ENTRY}")
    try:
        plain = msgspec.json.decode(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as fault:
        raise EntryError(f"entry: no valid JSON ({fault})") from fault
    return from_plain(plain)


def plain_or_none(raw: bytes) -> Any:
    """The JSON value of a capture's entry line, None when it is broken (the line is malformed then, not refused)."""
    if len(raw) > LONGEST_ENTRY:
        return None
    try:
        return msgspec.json.decode(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None


def from_plain(plain: Any) -> Entry:
    """A decoded JSON object -> a checked entry. Raises EntryError."""
    if not isinstance(plain, dict):
        raise EntryError.of("", Refusal(("entry",), (f"found {type(plain).__name__}",), InWords(say("one JSON object"))))
    name = plain.get("entry")
    if name is None:
        raise EntryError.of("", Refusal(("entry",), say("the key {entry} is missing"), ChoiceRule(tuple(KINDS))))
    kind = KINDS.get(name) if isinstance(name, str) else None
    if kind is None:
        near = did_you_mean(str(name), KINDS)
        raise EntryError.of("", Refusal(("entry",), value_found(name, near=near), ChoiceRule(tuple(KINDS))))
    try:
        entry = convert(plain, kind, kind_of_key="key")
    except TypedFault as fault:
        raise EntryError.of(name, fault.refusal) from fault
    entry.check()
    if entry.at is not UNSET:
        epoch_s(entry.at)
    return entry


def to_plain(entry: Entry) -> dict[str, Any]:
    """The JSON object of an entry: only what was given."""
    plain: dict[str, Any] = msgspec.to_builtins(entry)
    return plain


def plain_of(part: Struct) -> dict[str, Any]:
    """The JSON object of a part of an entry, such as one tray."""
    plain: dict[str, Any] = msgspec.to_builtins(part)
    return plain


def kind_of(entry: Entry) -> str:
    """The entry's name on the wire, such as `tray`."""
    return str(type(entry).__struct_config__.tag)


def epoch_s(moment: Moment) -> float:
    """Epoch seconds of an `at`. Raises EntryError for anything but a number of this era or RFC 3339 with an offset."""
    seconds: float
    if isinstance(moment, str):
        try:
            when = datetime.fromisoformat(moment.upper())  # RFC 3339 allows small t and z
        except ValueError as fault:
            raise _no_moment(value_found(moment), "epoch seconds or RFC 3339") from fault
        if when.tzinfo is None:
            raise _no_moment((f"found {moment!r} without an offset",), "RFC 3339 with `Z` or `+hh:mm`")
        seconds = when.timestamp()
    else:
        seconds = float(moment)
    if not 0 <= seconds < 32_503_680_000:
        raise _no_moment(value_found(moment), "epoch seconds from 0 to the year 3000")
    return seconds


def _no_moment(found: Said, allowed: str) -> EntryError:
    return EntryError.of("", Refusal(("at",), found, InWords((allowed,))))


def given(value: Any, otherwise: Any = None) -> Any:
    """The value, or `otherwise` when the key was absent."""
    return otherwise if value is UNSET else value

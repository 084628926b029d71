"""The settings file, typed. One TOML file describes one kit; operator entries override it from their time on."""

from __future__ import annotations

import os
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from edge.contract.allowed import ChoiceRule, InWords
from edge.contract.errors import SettingsError
from edge.contract.inputs import INPUT_STRUCTS, Percent, Place, WiredInput, each_once
from edge.contract.refusal import MISSING, Refusal, value_found
from edge.contract.said import Figure, say
from edge.contract.typed import TypedFault, convert, did_you_mean

Text = Annotated[str, Meta(min_length=1, max_length=200)]
NotNegative = Annotated[float, Meta(ge=0, le=1e9)]
Port = Annotated[int, Meta(ge=1, le=65535)]
GuardName = Literal[
    "top-16-to-18-cereals", "top-bottom-within-2", "bottom-6-cross-flow", "open-past-14", "pre-sieve-kernel-width",
    "pre-sieve-middle-light-crop", "pre-sieve-wide-heavy-crop", "pre-sieve-wide-pulses", "bottom-4-to-8-tighter",
    "bottom-3-to-6-small-oilseeds",
]  # fmt: skip
"""What `[machine] sieve_guards` may name; `reckon/tables/guards.toml` says what each of them looks at."""

LARGEST_FILE = 262_144
FILE_NAME = "tailgrain.db"
"""The database of a kit, in its state directory."""


class SettingsTable(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """Base of all tables."""


class MachineSettings(SettingsTable, frozen=True):
    """The harvester and the kit on it."""

    name: Text
    cut_width_m: Annotated[float, Meta(gt=0, le=30)]
    kit: Annotated[str, Meta(pattern=r"^[a-z0-9-]{1,32}\Z")] = "kit1"
    width_used: Annotated[float, Meta(ge=0, le=1)] = 1.0
    lag_s: Annotated[float, Meta(ge=0, le=60)] = 10.0
    separator: Literal["rotor", "walkers"] | None = None
    pre_sieve: Literal["none", "fixed", "adjustable"] | None = None
    fan: Literal["cross-flow", "other"] | None = None
    returns_to: Literal["thresher", "sieves"] | None = None
    sieve_guards: tuple[GuardName, ...] = ()


class CropSettings(SettingsTable, frozen=True):
    """The crop at the start of a run."""

    name: Text
    tgw_g: Annotated[float, Meta(ge=0.5, le=2000)] | None = None
    yield_t_ha: Annotated[float, Meta(ge=0, le=40)] | None = None
    moisture_pct: Annotated[float, Meta(ge=0, le=60)] | None = None
    price_per_t: NotNegative | None = None
    trash_discount: NotNegative | None = None
    cracked_discount: NotNegative | None = None


class LimitSettings(SettingsTable, frozen=True):
    """What loss and returns are compared with."""

    loss_kg_ha: NotNegative | None = None
    loss_pct: Percent | None = None
    returns_pct: Percent | None = None


class LevelSettings(SettingsTable, frozen=True):
    """An on/off input."""

    bit: Place
    means: Literal["front down", "threshing on"]
    inverted: bool = False


class SerialSettings(SettingsTable, frozen=True):
    """Where the sentences come from."""

    port: Text | None = None
    baud: Annotated[int, Meta(ge=300, le=4_000_000)] = 115_200
    nmea_port: Text | None = None
    nmea_baud: Annotated[int, Meta(ge=300, le=4_000_000)] = 9600


class MqttSettings(SettingsTable, frozen=True):
    """The broker."""

    host: Text = "127.0.0.1"
    port: Port = 1883
    username: Text | None = None
    password_file: Text | None = None
    tls_ca_file: Text | None = None


class StoreSettings(SettingsTable, frozen=True):
    """The database."""

    path: Text | None = None
    keep_days: Annotated[float, Meta(gt=0, le=36_500)] = 400.0
    disk_floor_mb: Annotated[float, Meta(ge=0, le=1e6)] = 500.0


class DashboardSettings(SettingsTable, frozen=True):
    """The local page."""

    host: Text = "127.0.0.1"
    port: Port = 8099
    pin_file: Text | None = None
    allowed_hosts: tuple[Text, ...] = ()
    passenger_enters: bool = False


class AlertSettings(SettingsTable, frozen=True):
    """When alerts are raised and cleared."""

    raise_p: Annotated[float, Meta(gt=0, lt=1)] = 0.9
    raise_s: Annotated[float, Meta(ge=0, le=3600)] = 3.0
    clear_p: Annotated[float, Meta(ge=0, lt=1)] = 0.1
    clear_s: Annotated[float, Meta(ge=0, le=3600)] = 60.0
    tray_overdue_h: Annotated[float, Meta(gt=0, le=10_000)] = 4.0
    gauge_overdue_h: Annotated[float, Meta(gt=0, le=10_000)] = 50.0
    shaft_low_pct: Annotated[float, Meta(gt=0, le=100)] = 8.0


class CostSettings(SettingsTable, frozen=True):
    """What an hour costs."""

    hourly: NotNegative | None = None
    weather_hourly: NotNegative | None = None


class CropData(SettingsTable, frozen=True):
    """A crop added to, or replacing, one of the built-in table."""

    name: Text
    tgw_g: Annotated[float, Meta(ge=0.5, le=2000)] | None = None
    bushel_lb: Annotated[float, Meta(gt=0, le=200)] | None = None
    bulk_kg_m3: Annotated[float, Meta(gt=0, le=2000)] | None = None
    kernel_width_mm: Annotated[float, Meta(gt=0, le=50)] | None = None
    moisture_pct: Annotated[float, Meta(ge=0, le=60)] | None = None


class UnitSettings(SettingsTable, frozen=True):
    """What the screens show; the record is always SI."""

    show: Literal["metric", "us"] = "metric"


class Settings(SettingsTable, frozen=True):
    """The whole file."""

    machine: MachineSettings
    crop: CropSettings | None = None
    limits: LimitSettings = LimitSettings()
    input: tuple[WiredInput, ...] = ()
    level: tuple[LevelSettings, ...] = ()
    serial: SerialSettings = SerialSettings()
    mqtt: MqttSettings = MqttSettings()
    store: StoreSettings = StoreSettings()
    dashboard: DashboardSettings = DashboardSettings()
    alerts: AlertSettings = AlertSettings()
    costs: CostSettings = CostSettings()
    crop_data: tuple[CropData, ...] = ()
    units: UnitSettings = UnitSettings()

    def inputs(self, kind: type[Any]) -> list[Any]:
        """The inputs of one kind, ordered by place."""
        return sorted((wired for wired in self.input if isinstance(wired, kind)), key=lambda wired: wired.at)


def load(path: str | os.PathLike[str]) -> Settings:
    """Read and check a settings file. Raises SettingsError: file, key, what was found and what is allowed in one line."""
    file = Path(path)
    try:
        raw = file.read_bytes()
    except OSError as fault:
        raise SettingsError(f"{file}: can't be read ({fault.strerror or fault})") from fault
    if len(raw) > LARGEST_FILE:
        raise SettingsError(f"{file}: {len(raw)} bytes; allowed: up to {LARGEST_FILE}")
    try:
        return parse(raw.decode("utf-8"), str(file))
    except UnicodeDecodeError as fault:
        raise SettingsError(f"{file}: no UTF-8 text (byte {fault.start})") from fault


def parse(text: str, name: str = "settings") -> Settings:
    """Check the text of a settings file; `name` stands in the messages. Raises SettingsError."""
    try:
        plain = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # a number of over 4,300 digits is a bare ValueError
        raise SettingsError(f"{name}: no valid TOML: {fault}") from fault
    try:
        inputs = _inputs(plain.pop("input", []))
        settings = msgspec.structs.replace(convert(plain, Settings), input=inputs)
        _check_clashes(settings)
    except TypedFault as fault:
        raise SettingsError.of(name, fault.refusal) from fault
    return settings


def to_plain(settings: Settings) -> dict[str, Any]:
    """Plain data of the whole settings, for the record of a run; `from_plain` reads it back."""
    plain: dict[str, Any] = msgspec.to_builtins(settings)
    return plain


def from_plain(plain: dict[str, Any]) -> Settings:
    """Settings out of a run's record. Raises SettingsError."""
    try:
        inputs = _inputs(plain.get("input", []))
        rest = {name: table for name, table in plain.items() if name != "input"}
        return msgspec.structs.replace(msgspec.convert(rest, Settings), input=inputs)
    except (msgspec.ValidationError, TypedFault) as fault:
        raise SettingsError(f"recorded settings: {fault}") from fault


SERVICE_STATE = Path("/var/lib/tailgrain")
"""What systemd makes of `StateDirectory=tailgrain` for a system service (systemd.exec(5)), and puts in $STATE_DIRECTORY."""


def state_directory(settings: Settings) -> Path:
    """The folder that holds the database, the key and the PIN."""
    if settings.store.path:
        return Path(settings.store.path).expanduser()
    if os.environ.get("STATE_DIRECTORY"):
        return Path(os.environ["STATE_DIRECTORY"].split(":")[0])
    if os.environ.get("XDG_STATE_HOME"):
        return Path(os.environ["XDG_STATE_HOME"]) / "tailgrain"
    return Path.home() / ".local" / "state" / "tailgrain"


def database(settings: Settings) -> Path:
    """The kit's database."""
    return state_directory(settings) / FILE_NAME


def _inputs(found: Any) -> tuple[WiredInput, ...]:
    """The tables [[input]]. What an input reads decides its keys, so that is judged first and by name. Raises TypedFault."""
    if not isinstance(found, (list, tuple)):
        raise TypedFault(Refusal(("input",), value_found(found, f"{found!r:.60}"), InWords(("tables [[input]]",))))
    known = ChoiceRule(tuple(INPUT_STRUCTS))
    inputs = []
    for number, plain in enumerate(found):
        if not isinstance(plain, dict):
            raise TypedFault(Refusal(("input", number), value_found(plain, f"{plain!r:.60}"), InWords(("a table",))))
        path = ("input", number, "reads")
        if "reads" not in plain:
            near = next((did for key in plain if (did := did_you_mean(str(key), ["reads"]))), "")
            raise TypedFault(Refusal(path, MISSING, known, by="required", note=(near,)))
        reads = plain["reads"]
        struct = INPUT_STRUCTS.get(reads) if isinstance(reads, str) else None
        if struct is None:
            raise TypedFault(Refusal(path, value_found(reads, near=did_you_mean(str(reads), INPUT_STRUCTS)), known))
        try:
            inputs.append(convert(plain, struct))
        except TypedFault as fault:
            raise TypedFault(replace(fault.refusal, path=("input", number, *fault.refusal.path))) from fault
    return tuple(inputs)


def _check_clashes(settings: Settings) -> None:
    """What can't stand together in one file. Raises TypedFault."""
    each_once(("input", "at"), [wired.at for wired in settings.input], "each place once")
    for struct in INPUT_STRUCTS.values():
        struct.check(settings.inputs(struct))
    each_once(("level", "bit"), [level.bit for level in settings.level], "each bit once")
    each_once(("level", "means"), [level.means for level in settings.level], "each meaning once")
    each_once(("crop_data", "name"), [crop.name for crop in settings.crop_data], "each crop once")
    if settings.alerts.clear_p >= settings.alerts.raise_p:
        clear, high = (Figure(value, f"{value:g}") for value in (settings.alerts.clear_p, settings.alerts.raise_p))
        found = say("found {clear_p:bare} {clear} with {raise_p:bare} {high}", clear=clear, high=high)
        raise TypedFault(Refusal(("alerts", "clear_p"), found, InWords(say("{clear_p:bare} under {raise_p:bare}"))))
    if settings.mqtt.password_file and not settings.mqtt.username:
        raise TypedFault(Refusal(("mqtt", "password_file"), say("given without {username:bare}"), InWords(("both or neither",))))

"""The settings file, typed. One TOML file describes one kit; operator entries override it from their time on."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from edge.contract.allowed import Choice, Words
from edge.contract.errors import SettingsError
from edge.contract.refusal import MISSING, KeyPath, Refusal, value_found
from edge.contract.said import Figure, say
from edge.contract.typed import TypedFault, convert, did_you_mean

Text = Annotated[str, Meta(min_length=1, max_length=200)]
NotNegative = Annotated[float, Meta(ge=0, le=1e9)]
Percent = Annotated[float, Meta(ge=0, le=100)]
Port = Annotated[int, Meta(ge=1, le=65535)]
Place = Annotated[int, Meta(ge=0, le=31)]
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


class LossInput(SettingsTable, frozen=True, tag_field="reads", tag="loss"):
    """An impact sensor."""

    at: Place
    point: Literal["separator", "cleaning"]
    side: Literal["left", "centre", "right"]
    dead_time_us: Annotated[float, Meta(ge=0, le=20_000)] = 1000.0
    vibration_hz: Annotated[float, Meta(ge=0, le=10_000)] = 0.0


class BeamInput(SettingsTable, frozen=True, tag_field="reads", tag="beam"):
    """A light beam across the returns; its count is the milliseconds it was blocked."""

    at: Place
    empty_pct: Percent = 0.0
    full_pct: Percent = 100.0
    full_t_h: Annotated[float, Meta(gt=0, le=1000)] | None = None


class GroundInput(SettingsTable, frozen=True, tag_field="reads", tag="ground"):
    """Pulses per metre travelled."""

    at: Place
    pulses_per_m: Annotated[float, Meta(gt=0, le=10_000)]


class ShaftInput(SettingsTable, frozen=True, tag_field="reads", tag="shaft"):
    """Pulses per turn of a named shaft."""

    at: Place
    shaft: Annotated[str, Meta(pattern=r"^[^/+#\x00-\x1f]+\Z", max_length=64)]
    pulses_per_rev: Annotated[float, Meta(gt=0, le=10_000)] = 1.0


Input = LossInput | BeamInput | GroundInput | ShaftInput


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
    input: tuple[Input, ...] = ()
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
        return sorted((one for one in self.input if isinstance(one, kind)), key=lambda one: one.at)


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
    _check_reads(plain, name)
    try:
        settings = convert(plain, Settings)
    except TypedFault as fault:
        raise SettingsError.of(name, fault.refusal) from fault
    _check_clashes(settings, name)
    return settings


def to_plain(settings: Settings) -> dict[str, Any]:
    """Plain data of the whole settings, for the record of a run; `from_plain` reads it back."""
    plain: dict[str, Any] = msgspec.to_builtins(settings)
    return plain


def from_plain(plain: dict[str, Any]) -> Settings:
    """Settings out of a run's record. Raises SettingsError."""
    try:
        return msgspec.convert(plain, Settings)
    except msgspec.ValidationError as fault:
        raise SettingsError(f"recorded settings: {fault}") from fault


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


def _check_reads(plain: dict[str, Any], name: str) -> None:
    """The tag of an input decides its keys, so it is judged first and by name."""
    inputs = plain.get("input", [])
    if not isinstance(inputs, list):
        raise SettingsError.of(name, Refusal(("input",), value_found(inputs, f"{inputs!r:.60}"), Words(("tables [[input]]",))))
    known = ("loss", "beam", "ground", "shaft")
    for number, one in enumerate(inputs):
        if not isinstance(one, dict):
            found = value_found(one, f"{one!r:.60}")
            raise SettingsError.of(name, Refusal(("input", number), found, Words(("a table",))))
        path = ("input", number, "reads")
        if "reads" not in one:
            near = next((did for key in one if (did := did_you_mean(str(key), ["reads"]))), "")
            raise SettingsError.of(name, Refusal(path, MISSING, Choice(known), by="required", note=(near,)))
        if one["reads"] not in known:
            near = did_you_mean(str(one["reads"]), known)
            raise SettingsError.of(name, Refusal(path, value_found(one["reads"], near=near), Choice(known)))


def _check_clashes(settings: Settings, name: str) -> None:
    def once(path: KeyPath, values: list[Any], allowed: str) -> None:
        for number, value in enumerate(values):
            if value in values[:number]:
                raise SettingsError.of(name, Refusal(path, (f"{value!r} stands twice",), Words((allowed,))))

    once(("input", "at"), [one.at for one in settings.input], "each place once")
    once(("input", "shaft"), [one.shaft for one in settings.inputs(ShaftInput)], "each shaft once")
    once(("level", "bit"), [one.bit for one in settings.level], "each bit once")
    once(("level", "means"), [one.means for one in settings.level], "each meaning once")
    once(("crop_data", "name"), [one.name for one in settings.crop_data], "each crop once")
    for kind, word in ((GroundInput, "ground"), (BeamInput, "beam")):
        once(("input", "reads"), [word for _ in settings.inputs(kind)], f"one {word} input")
    for beam in settings.inputs(BeamInput):
        if beam.full_pct <= beam.empty_pct:
            full, empty = (Figure(value, f"{value:g}") for value in (beam.full_pct, beam.empty_pct))
            found = say("found {full_pct:bare} {full} with {empty_pct:bare} {empty}", full=full, empty=empty)
            over = Words(say("{full_pct:bare} over {empty_pct:bare}"))
            raise SettingsError.of(name, Refusal((f"input at {beam.at}",), found, over))
    if settings.alerts.clear_p >= settings.alerts.raise_p:
        clear, high = (Figure(value, f"{value:g}") for value in (settings.alerts.clear_p, settings.alerts.raise_p))
        found = say("found {clear_p:bare} {clear} with {raise_p:bare} {high}", clear=clear, high=high)
        under = Words(say("{clear_p:bare} under {raise_p:bare}"))
        raise SettingsError.of(name, Refusal(("alerts", "clear_p"), found, under))
    if settings.mqtt.password_file and not settings.mqtt.username:
        found = say("given without {username:bare}")
        raise SettingsError.of(name, Refusal(("mqtt", "password_file"), found, Words(("both or neither",))))

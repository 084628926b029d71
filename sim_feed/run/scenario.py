"""A scenario: everything that defines a simulated run. Loaded from TOML, by the name of a delivered one or by path."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from importlib import resources
from pathlib import Path
from typing import Any

from sim_feed.parameters.errors import ScenarioError
from sim_feed.parameters.reading import build, read_toml
from sim_feed.parameters.structs import (
    PLANNED_KINDS,
    REACTING_SETTINGS,
    CropParameters,
    DriveParameters,
    FaultParameters,
    MachineParameters,
    Planned,
    SensorParameters,
    TrayParameters,
)
from sim_feed.run.settings import settings_text
from sim_feed.run.simulation import Simulation, Tick
from sim_feed.run.truth import Truth

__all__ = ["Scenario", "Simulation", "Tick", "Truth", "load", "names"]

_KEEP: Any = object()


@dataclass(frozen=True, slots=True)
class Scenario:
    """Parameters of one run; `minutes` None means without end."""

    name: str
    seed: int = 1
    minutes: float | None = 30.0
    crop: CropParameters = field(default_factory=CropParameters)
    machine: MachineParameters = field(default_factory=MachineParameters)
    sensors: SensorParameters = field(default_factory=SensorParameters)
    drive: DriveParameters = field(default_factory=DriveParameters)
    trays: TrayParameters = field(default_factory=TrayParameters)
    faults: FaultParameters = field(default_factory=FaultParameters)
    operator: tuple[Planned, ...] = ()

    def with_(self, seed: int | None = None, minutes: float | None = _KEEP, **parts: Any) -> Scenario:
        """A copy with another seed, length in minutes (None: without end) or whole part (`faults=...`)."""
        changed: dict[str, Any] = dict(parts)
        if seed is not None:
            changed["seed"] = seed
        if minutes is not _KEEP:
            changed["minutes"] = minutes
        made = replace(self, **changed)
        _check(made, self.name)
        return made

    def settings_toml(
        self,
        port: str | None = None,
        mqtt_port: int | None = None,
        store: str | None = None,
        dashboard_port: int | None = None,
    ) -> str:
        """The settings file that the machine's owner would write for this kit, as TOML text."""
        return settings_text(self, port, mqtt_port, store, dashboard_port)


def names() -> list[str]:
    """Names of the delivered scenarios."""
    folder = resources.files("sim_feed") / "scenarios"
    return sorted(each.name.removesuffix(".toml") for each in folder.iterdir() if each.name.endswith(".toml"))


def load(name_or_path: str | Path) -> Scenario:
    """A delivered scenario by its name, or one from a file; `ScenarioError` says what is wrong with it."""
    path = Path(name_or_path)
    if path.suffix != ".toml":
        if str(name_or_path) not in names():
            raise ScenarioError(
                f"no scenario {str(name_or_path)!r}; there are {', '.join(names())}, or give a .toml file"
            )
        with resources.as_file(resources.files("sim_feed") / "scenarios" / f"{name_or_path}.toml") as inside:
            return _made(read_toml(inside), inside.name, str(name_or_path))
    return _made(read_toml(path), str(path), path.stem)


def _made(table: dict[str, Any], where: str, name: str) -> Scenario:
    scenario = build(Scenario, {"name": name, **table}, where)
    _check(scenario, where)
    return scenario


def _check(scenario: Scenario, where: str) -> None:
    """Ranges and combinations that types can't say; `ScenarioError` names the key."""
    s = scenario
    positive = {
        "minutes": s.minutes if s.minutes is not None else 1.0,
        "crop.yield_t_ha": s.crop.yield_t_ha,
        "crop.tgw_g": s.crop.tgw_g,
        "crop.lost_grain_mass_ratio": s.crop.lost_grain_mass_ratio,
        "machine.cut_width_m": s.machine.cut_width_m,
        "machine.reference_mog_kg_s": s.machine.reference_mog_kg_s,
        "machine.fan_span_rpm": s.machine.fan_span_rpm,
        "sensors.beam_paddles_hz": s.sensors.beam_paddles_hz,
        "drive.speed_kmh": s.drive.speed_kmh,
        "drive.pass_m": s.drive.pass_m,
    }
    for key, value in positive.items():
        if not value > 0:
            raise ScenarioError(f"{where}.{key}: found {value}, more than 0 is wanted")
    if s.drive.tank_t < 0:
        raise ScenarioError(f"{where}.drive.tank_t: found {s.drive.tank_t}, 0 (never stands) or more is wanted")
    if not 0 < s.drive.unload_s[0] <= s.drive.unload_s[1]:
        raise ScenarioError(f"{where}.drive.unload_s: found {list(s.drive.unload_s)}, two rising times over 0 are wanted")
    if s.sensors.dispersion < 1:
        raise ScenarioError(f"{where}.sensors.dispersion: found {s.sensors.dispersion}, 1 or more is wanted")
    if s.machine.returns_delay_s < s.machine.cleaning_delay_s:
        raise ScenarioError(f"{where}.machine.returns_delay_s: may not be under cleaning_delay_s")
    if not s.sensors.plates or any(each.point not in ("separator", "cleaning") for each in s.sensors.plates):
        raise ScenarioError(f"{where}.sensors.plates: one or more, each at `separator` or `cleaning`")
    missing = set(REACTING_SETTINGS) - set(s.machine.reference)
    unknown = (set(s.machine.start) | set(s.machine.reference)) - set(REACTING_SETTINGS)
    if missing or unknown:
        raise ScenarioError(f"{where}.machine: reference and start name exactly {', '.join(REACTING_SETTINGS)}")
    chances = {each.name: getattr(s.faults, each.name) for each in fields(s.faults) if each.type == "float"}
    if any(not 0 <= chance <= 1 for chance in chances.values()) or sum(list(chances.values())[:4]) > 1:
        raise ScenarioError(f"{where}.faults: chances lie between 0 and 1, those of a line add up to 1 at most")
    for number, plan in enumerate(s.operator):
        _check_plan(plan, f"{where}.operator[{number}]")


def _check_plan(plan: Planned, where: str) -> None:
    given = [kind for kind in PLANNED_KINDS if getattr(plan, kind) is not None]
    if len(given) != 1:
        raise ScenarioError(
            f"{where}: found {', '.join(given) or 'nothing'}, exactly one of {', '.join(PLANNED_KINDS)}"
        )
    if plan.setting is not None and not {"what", "to"} == set(plan.setting):
        raise ScenarioError(f"{where}.setting: `what` and `to` are wanted, nothing else")
    if plan.tray is not None and plan.tray.get("catches", "both") not in ("both", "separator", "cleaning"):
        raise ScenarioError(f"{where}.tray.catches: found {plan.tray['catches']!r}; both, separator or cleaning")

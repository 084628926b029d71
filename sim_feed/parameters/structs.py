"""The parameters of a simulated paddock, machine, kit and day; all frozen, all with a default.

The defaults describe an invented older machine in wheat. They are plausible orders of size ("common practice"), not
measurements of any machine: no published table pairs sensor counts with true loss.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

TICK_S = 0.1
"""Seconds between two count sentences."""

TICK_MS = 100
TICKS_PER_S = 10

REACTING_SETTINGS = ("fan_rpm", "rotor_rpm", "concave_mm", "top_sieve_mm", "bottom_sieve_mm", "pre_sieve_mm")
"""Settings that the simulated machine answers to; `speed_kmh` is answered by the driver."""


@dataclass(frozen=True, slots=True)
class CropParameters:
    """The standing crop. Log sds are of smooth random fields; scales are the distance to a correlation of 1/e.

    `drift_log_sd` is of the straw's toughness in time; loss goes with about its square, so it drifts by 5 %.
    """

    name: str = "wheat"
    yield_t_ha: float = 2.8
    tgw_g: float = 38.0
    moisture_pct: float = 11.0
    price_per_t: float = 300.0
    mog_per_grain: float = 1.0
    yield_log_sd: float = 0.09
    yield_scale_m: float = 50.0
    toughness_log_sd: float = 0.08
    toughness_scale_m: float = 50.0
    drift_log_sd: float = 0.025
    drift_minutes: float = 20.0
    lost_grain_mass_ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class MachineParameters:
    """The machine: what it is called and built like, what passes through it when, and how it loses grain.

    `separator_loss_pct` and `cleaning_loss_pct` (of the grain passing) hold at the reference settings with the MOG feed
    rate `reference_mog_kg_s`; the cleaning figure is made up of equal parts blown out and carried over.
    """

    name: str = "Older rotor machine"
    kit: str = "kit1"
    cut_width_m: float = 9.1
    separator: str = "rotor"
    pre_sieve: str = "fixed"
    fan: str = "cross-flow"
    returns_to: str = "thresher"
    lag_s: float = 10.0
    limit_kg_ha: float = 60.0
    limit_returns_pct: float = 80.0
    hourly_cost: float = 280.0
    separator_delay_s: float = 6.0
    separator_mixing_s: float = 2.0
    cleaning_delay_s: float = 8.0
    cleaning_mixing_s: float = 2.0
    returns_delay_s: float = 10.0
    returns_mixing_s: float = 4.0
    reference_mog_kg_s: float = 5.0
    separator_loss_pct: float = 0.8
    separator_exponent: float = 1.7
    cleaning_loss_pct: float = 0.5
    overload_exponent: float = 2.0
    blowout_exponent: float = -0.4
    fan_span_rpm: float = 75.0
    returns_t_h: float = 1.2
    returns_full_t_h: float = 4.0
    reference: Mapping[str, float] = field(default_factory=lambda: dict(DEFAULT_SETTINGS))
    start: Mapping[str, float] = field(default_factory=dict)


DEFAULT_SETTINGS: Mapping[str, float] = {
    "fan_rpm": 860.0,
    "rotor_rpm": 780.0,
    "concave_mm": 18.0,
    "top_sieve_mm": 16.0,
    "bottom_sieve_mm": 10.0,
    "pre_sieve_mm": 8.0,
}


@dataclass(frozen=True, slots=True)
class Plate:
    """One impact plate: the loss point it listens to, its side, and its part of what its point's plates meet."""

    point: str
    side: str
    part: float = 0.5


@dataclass(frozen=True, slots=True)
class SensorParameters:
    """The kit: plates first (inputs 0..), then beam, ground, fan shaft and, if asked for, the rotor shaft.

    `*_share` is the fraction of the grains lost at a point that meets its plates. `true_dead_time_us` is what the
    conditioner does, `dead_time_us` what the owner was told; likewise for the pulses per metre.
    """

    plates: tuple[Plate, ...] = (
        Plate("separator", "left", 0.52),
        Plate("separator", "right", 0.48),
        Plate("cleaning", "left", 0.49),
        Plate("cleaning", "right", 0.51),
    )
    separator_share: float = 0.030
    cleaning_share: float = 0.0255
    share_fan_exponent: float = -0.2
    share_rotor_exponent: float = 0.15
    side_log_sd: float = 0.08
    side_scale_m: float = 150.0
    dispersion: float = 1.5
    clump_s: float = 0.08
    straw_click_hz: float = 0.4
    vibration_hz: float = 0.7
    dead_time_us: int = 1000
    true_dead_time_us: float = 1000.0
    beam_empty_pct: float = 22.0
    beam_full_pct: float = 85.0
    beam_paddles_hz: float = 11.0
    pulses_per_m: float = 9.87
    true_pulses_per_m: float = 9.87
    fan_pulses_per_rev: int = 1
    shaft_log_sd: float = 0.003
    rotor_shaft: bool = False
    rotor_pulses_per_rev: int = 1
    periods: bool = False
    nmea: bool = False
    nmea_speed_sd_kmh: float = 0.1
    firmware: str = "2.4"


@dataclass(frozen=True, slots=True)
class PartWidth:
    """Pass number (from 1) cut with only a part of the front; `announced` makes the operator enter `width_used`."""

    number: int
    part: float
    announced: bool = True


@dataclass(frozen=True, slots=True)
class DriveParameters:
    """How the paddock is driven: back and forth, front up and threshing on at the turns.

    `tank_t`: the machine stands for a time within `unload_s` after the turn before the pass that would fill its tank over
    that; 0: it is emptied on the go and never stands.
    """

    pass_m: float = 420.0
    pass_spread: float = 0.2
    speed_kmh: float = 7.0
    speed_spread: float = 0.03
    wander_log_sd: float = 0.015
    ease_off: float = 0.3
    turn_s: tuple[float, float] = (15.0, 25.0)
    turn_speed_kmh: float = 6.0
    idle_s: float = 30.0
    threshing_on_s: float = 4.0
    part_widths: tuple[PartWidth, ...] = ()
    tank_t: float = 0.0
    unload_s: tuple[float, float] = (90.0, 150.0)


@dataclass(frozen=True, slots=True)
class TrayParameters:
    """Drop trays laid in one test: size, number across the residue width, and how unevenly the residue falls."""

    number: int = 4
    length_m: float = 1.0
    width_m: float = 0.5
    across_log_sd: float = 0.25
    test_log_sd: float = 0.08
    residue_width_m: float | None = None


@dataclass(frozen=True, slots=True)
class Restart:
    """The board loses power at `at_s` of simulated time and counts again from zero `down_s` later."""

    at_s: float
    down_s: float = 1.2


@dataclass(frozen=True, slots=True)
class Blind:
    """A plate that hears nothing from `from_s` on."""

    point: str
    side: str
    from_s: float


@dataclass(frozen=True, slots=True)
class FaultParameters:
    """What goes wrong on the way: chances are per line (`lost` .. `duplicated`) or per tick (`foreign`, `overlong`)."""

    lost: float = 0.0
    damaged: float = 0.0
    cut_short: float = 0.0
    duplicated: float = 0.0
    foreign: float = 0.0
    overlong: float = 0.0
    restarts: tuple[Restart, ...] = ()
    blind: tuple[Blind, ...] = ()
    gps_silent: tuple[tuple[float, float], ...] = ()
    line_silent: tuple[tuple[float, float], ...] = ()
    counters_start: int = 0
    uptime_start_ms: int = 0
    seq_start: int = 0


@dataclass(frozen=True, slots=True)
class Planned:
    """One thing the operator means to do from `at_s` on; exactly one of the other fields says what.

    entry: sent as it is. setting: {"what", "to"}. tray: {"catches", "marked"}. load: {"error_pct"}. idle_run: seconds.
    finish: a `job_finish` with the true area and the tonnes in the tank.
    """

    at_s: float
    entry: Mapping[str, object] | None = None
    setting: Mapping[str, object] | None = None
    tray: Mapping[str, object] | None = None
    load: Mapping[str, object] | None = None
    idle_run: float | None = None
    finish: Mapping[str, object] | None = None

    @property
    def kind(self) -> str:
        """Name of the field that says what is meant."""
        return next(name for name in PLANNED_KINDS if getattr(self, name) is not None)


PLANNED_KINDS = ("entry", "setting", "tray", "load", "idle_run", "finish")

"""What one closed second amounts to: the figures that are kept and published."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from edge.contract.flags import RaisedFlag
from edge.reckon.entered.money import UNKNOWN, ValueLost
from edge.reckon.fit.calibration import CalibrationState
from edge.reckon.lag.learner import LearnedLag
from edge.reckon.sensors.workstate import State


@dataclass(frozen=True, slots=True)
class LossFigure:
    """Machine loss now; None is unknown. `over_limit_p`, `over_twice_limit_p`: probabilities that it is over the tighter of two
    limits, and over twice that limit."""

    kg_ha: float | None = None
    low: float | None = None
    high: float | None = None
    pct: float | None = None
    t_h: float | None = None
    value_h: float | None = None
    over_limit_p: float | None = None
    over_twice_limit_p: float | None = None


@dataclass(frozen=True, slots=True)
class PointFigure:
    """One point's loss now, and the share of the left side."""

    kg_ha: float | None = None
    low: float | None = None
    high: float | None = None
    left_share: float | None = None


@dataclass(frozen=True, slots=True)
class CalibrationFigure:
    """State of the calibration, factors in mg per pulse, used tests, age of the newest in s, and why, in words."""

    state: CalibrationState
    factor_mg_per_pulse: dict[str, float]
    tests: int
    age_s: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Figures:
    """One second. `number` counts closed seconds of the run; `t` is the second's end in epoch seconds.

    `inputs`: what the kinds of inputs tell live, by key. `area_m2` cut in the second; `width_used`: part of the cut width in
    crop. `value`: money an hour, its quality by the newest tank sample, which is `sample_age_s` old. `limit_basis`: which of
    two limits is the tighter, `kg_ha` or `pct`; `limit_pct`: the same limit in percent of the grain. `levels`: smoothed pulses
    per m2 of each point, from which loss follows by the factors; None where there is none.
    """

    number: int
    t: int
    state: State
    speed_kmh: float | None
    area_rate_ha_h: float | None
    loss: LossFigure | None
    points: dict[str, PointFigure]
    pulses_per_s: dict[str, float | None]
    inputs: dict[str, Any]
    calibration: CalibrationFigure
    lat: float | None
    lon: float | None
    flags: list[RaisedFlag]
    distance_m: float
    area_m2: float
    limit_kg_ha: float | None = None
    silent_inputs: tuple[int, ...] = ()
    saturated_inputs: tuple[int, ...] = ()
    lag: LearnedLag | None = None
    width_used: float = 1.0
    value: ValueLost = UNKNOWN
    sample_age_s: float | None = None
    limit_basis: str | None = None
    limit_pct: float | None = None
    levels: dict[str, float] | None = None

    @property
    def flag_words(self) -> list[str]:
        """The flags as they are published and kept."""
        return [flag.text for flag in self.flags]

    @property
    def returns_pct(self) -> float | None:
        """Returns in percent of full."""
        pct: float | None = self.inputs["returns"]["pct"]
        return pct

    @property
    def shafts(self) -> dict[str, float | None]:
        """Speeds of the shafts by name, 1/min."""
        speeds: dict[str, float | None] = self.inputs["shafts"]
        return speeds

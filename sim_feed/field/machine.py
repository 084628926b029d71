"""What becomes of the cut crop: delay and mixing, separator and cleaning loss, returns.

Qualitative laws with their sources:
- percent loss rises as a power of feed rate (Nyborg 1967, Grain combine loss characteristics, MS thesis, Michigan State
  University), so loss per hectare rises more than in proportion; steeper for walkers than for a rotor
  (common practice);
- cleaning loss over the fan is U-shaped: with little load the fan blows kernels out, with a high load the sieve is
  overfull, so the best fan speed rises with load (Craessaerts et al. 2010, Biosystems Engineering 106:97-102);
- a delay with first-order mixing describes grain flow through the machine (Sensors 2008, 8(2):952-962).
The figures themselves are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sim_feed.field.crop import Floats
from sim_feed.parameters.structs import REACTING_SETTINGS, TICK_S, MachineParameters

FAN_RAMP_S = 3.0
KERNEL_LENGTH_IN_MIXINGS = 12.0
THINNEST_LOAD = 0.15
"""The blow-out share stops growing below this relative load: a bare sieve can't lose more than all it is given."""

EXPONENTS: Mapping[str, Mapping[str, float]] = {
    # Effect of (setting / reference) to this power. Directions are common practice, sizes invented.
    "separator": {"rotor_rpm": -2.0, "concave_mm": 0.6},
    "breakup": {"rotor_rpm": 1.5, "concave_mm": -0.4},
    "blowout": {"top_sieve_mm": 0.3},
    "overload": {"top_sieve_mm": -1.2, "pre_sieve_mm": -0.3},
    "returns": {"top_sieve_mm": 1.5, "bottom_sieve_mm": -1.3, "fan_rpm": -1.5},
}


class Transport:
    """A pure delay followed by first-order mixing; mass is conserved. Keeps its own history between calls."""

    def __init__(self, delay_s: float, mixing_s: float) -> None:
        lag = round(delay_s / TICK_S)
        stay = np.exp(-TICK_S / mixing_s) if mixing_s > 0 else 0.0
        tail = np.power(stay, np.arange(1 + int(KERNEL_LENGTH_IN_MIXINGS * mixing_s / TICK_S)))
        self._kernel = np.concatenate((np.zeros(lag), tail / tail.sum()))
        self._past = np.zeros(len(self._kernel) - 1)

    def carry(self, entering: Floats) -> Floats:
        """What leaves, one value a tick, for what enters, one value a tick, shape (n,) -> (n,)."""
        whole = np.concatenate((self._past, entering))
        self._past = whole[len(whole) - len(self._past) :]
        leaving: Floats = np.convolve(whole, self._kernel, "valid")
        return leaving


@dataclass(frozen=True, slots=True)
class Flows:
    """What leaves the machine, one value a tick, kg/s (fan and rotor rev/min), shape (n,)."""

    separator_loss: Floats
    cleaning_loss: Floats
    returns: Floats
    straw: Floats
    fan_rpm: Floats
    rotor_rpm: Floats


class Machine:
    """Holds the settings and the crop inside the machine from one leg to the next."""

    def __init__(self, parameters: MachineParameters) -> None:
        self._p = p = parameters
        self.settings: dict[str, float] = {name: float(p.reference[name]) for name in REACTING_SETTINGS}
        self.settings.update({name: float(value) for name, value in p.start.items()})
        self._grain_to_separator = Transport(p.separator_delay_s, p.separator_mixing_s)
        self._load_to_separator = Transport(p.separator_delay_s, p.separator_mixing_s)
        self._grain_to_cleaning = Transport(p.cleaning_delay_s, p.cleaning_mixing_s)
        self._load_to_cleaning = Transport(p.cleaning_delay_s, p.cleaning_mixing_s)
        self._to_returns = Transport(p.returns_delay_s - p.cleaning_delay_s, p.returns_mixing_s)

    def run(
        self, grain_kg_s: Floats, load_kg_s: Floats, changes: list[tuple[int, str, float]], threshing: Floats
    ) -> Flows:
        """Work through one leg.

        grain_kg_s: grain cut; load_kg_s: MOG cut times its toughness; threshing: 1 while it runs; all shape (n,).
        changes: (index of the tick, setting, new value), in order of time.
        """
        n = len(grain_kg_s)
        ratio = {name: self._course(name, n, changes) / self._p.reference[name] for name in REACTING_SETTINGS}
        load = self._load_to_separator.carry(load_kg_s)
        separator = self._grain_to_separator.carry(grain_kg_s) * self.separator_share(load, ratio)
        chaff = self._load_to_cleaning.carry(load_kg_s) * _effect("breakup", ratio)
        cleaning = self._grain_to_cleaning.carry(grain_kg_s) * self.cleaning_share(chaff, ratio)
        relative = chaff / self._p.reference_mog_kg_s
        returns = self._to_returns.carry(self._p.returns_t_h / 3.6 * relative * _effect("returns", ratio))
        return Flows(
            separator_loss=separator * threshing,
            cleaning_loss=cleaning * threshing,
            returns=returns * threshing,
            straw=load / self._p.reference_mog_kg_s * threshing,
            fan_rpm=ratio["fan_rpm"] * self._p.reference["fan_rpm"],
            rotor_rpm=ratio["rotor_rpm"] * self._p.reference["rotor_rpm"],
        )

    def separator_share(self, load_kg_s: Floats, ratio: Mapping[str, Floats]) -> Floats:
        """Share of the grain lost over rotor or walkers at a MOG feed rate; ratio: setting / reference; shape (n,)."""
        p = self._p
        relative = np.maximum(load_kg_s, 0.0) / p.reference_mog_kg_s
        share = p.separator_loss_pct / 100.0 * relative**p.separator_exponent * _effect("separator", ratio)
        return np.minimum(share, 0.5)

    def cleaning_share(self, chaff_kg_s: Floats, ratio: Mapping[str, Floats]) -> Floats:
        """Share of the grain lost over the sieves at a chaff load; ratio: setting / reference; shape (n,)."""
        p = self._p
        relative = np.maximum(chaff_kg_s, 0.0) / p.reference_mog_kg_s
        fan = (ratio["fan_rpm"] - 1.0) * p.reference["fan_rpm"] / p.fan_span_rpm
        blown = np.exp(fan) * np.maximum(relative, THINNEST_LOAD) ** p.blowout_exponent * _effect("blowout", ratio)
        carried = np.exp(-fan) * relative**p.overload_exponent * _effect("overload", ratio)
        return np.minimum(p.cleaning_loss_pct / 200.0 * (blown + carried), 0.5)

    def _course(self, name: str, n: int, changes: list[tuple[int, str, float]]) -> Floats:
        """The setting's value over the leg; the fan takes a few seconds to reach a new speed."""
        course = np.full(n, self.settings[name])
        ramp = max(1, round(FAN_RAMP_S / TICK_S)) if name == "fan_rpm" else 1
        for index, what, value in changes:
            if what == name:
                rise = np.minimum(np.arange(1, n - index + 1) / ramp, 1.0)
                course[index:] = course[index] + (value - course[index]) * rise
                self.settings[name] = value
        return course


def _effect(of: str, ratio: Mapping[str, Floats]) -> Floats:
    product: Floats = np.prod([ratio[name] ** power for name, power in EXPONENTS[of].items()], axis=0)
    return product

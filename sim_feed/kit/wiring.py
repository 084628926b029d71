"""The kit on the machine: which input reads what, and a leg's edges on all of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim_feed.field.crop import Floats, SmoothField
from sim_feed.field.drive import Leg
from sim_feed.field.machine import Flows
from sim_feed.kit.sensors import Beam, Integers, PlateInput, PlateRun, Wheel
from sim_feed.parameters.structs import (
    TICK_S,
    TICKS_PER_S,
    CropParameters,
    FaultParameters,
    MachineParameters,
    Plate,
    SensorParameters,
)

NMEA_TICKS = TICKS_PER_S


@dataclass(frozen=True, slots=True)
class Layout:
    """Input numbers: plates 0.., then beam, ground, fan and (if wired) rotor."""

    plates: int
    rotor: bool

    @property
    def beam(self) -> int:
        return self.plates

    @property
    def ground(self) -> int:
        return self.plates + 1

    @property
    def fan(self) -> int:
        return self.plates + 2

    @property
    def inputs(self) -> int:
        return self.plates + (4 if self.rotor else 3)


@dataclass(frozen=True, slots=True)
class KitRun:
    """One leg: edges (n, inputs), the runs of the plates, the returns' fill (n,), and `TGP` triplets by tick index."""

    edges: Integers
    plates: list[PlateRun]
    fill: Floats
    periods: dict[int, list[str]]


class Kit:
    """All inputs with their state; one random stream each, so that a fault in one leaves the others as they were."""

    def __init__(
        self,
        sensors: SensorParameters,
        crop: CropParameters,
        machine: MachineParameters,
        faults: FaultParameters,
        seeds: np.random.SeedSequence,
    ) -> None:
        self._p = sensors
        self._machine = machine
        self.layout = Layout(len(sensors.plates), sensors.rotor_shaft)
        self._kernel_kg = crop.tgw_g * crop.lost_grain_mass_ratio * 1e-6
        streams = [np.random.default_rng(seed) for seed in seeds.spawn(len(sensors.plates) + 3)]
        deaf = {(each.point, each.side): each.from_s for each in faults.blind}
        self._inputs = [
            PlateInput(
                stream,
                sensors.dispersion,
                sensors.clump_s,
                sensors.true_dead_time_us * 1e-6,
                deaf.get((plate.point, plate.side), np.inf),
            )
            for plate, stream in zip(sensors.plates, streams, strict=False)
        ]
        self._lean = SmoothField(streams[-1], 1, sensors.side_scale_m, sensors.side_log_sd)
        self._shaft_noise = streams[-2]
        self._beam = Beam(
            streams[-3], sensors.beam_empty_pct / 100.0, sensors.beam_full_pct / 100.0, sensors.beam_paddles_hz
        )
        self._wheels = {"ground": Wheel(), "fan": Wheel(), "rotor": Wheel()}
        self._travelled_m = 0.0
        self._parts = _normalised(sensors.plates)

    def run(self, leg: Leg, flows: Flows) -> KitRun:
        """Edges of a leg on every input."""
        plates = self._plates(leg, flows)
        fill = np.clip(flows.returns * 3.6 / self._machine.returns_full_t_h, 0.0, 1.1)
        columns = [each.edges for each in plates]
        columns.append(self._beam.run(fill, leg.threshing))
        turned = self._turned(leg, flows)
        # Periods first: they look at the phase the wheel had before this leg.
        periods = self._periods(leg, turned) if self._p.periods else {}
        columns += [self._wheels[name].run(edges) for name, edges in turned.items()]
        return KitRun(np.stack(columns, axis=1), plates, fill, periods)

    def _plates(self, leg: Leg, flows: Flows) -> list[PlateRun]:
        p = self._p
        travelled = self._travelled_m + np.cumsum(leg.step_m)
        self._travelled_m = float(travelled[-1])
        lean = self._lean.at(travelled)
        fan = (flows.fan_rpm / self._machine.reference["fan_rpm"]) ** p.share_fan_exponent
        rotor = (flows.rotor_rpm / self._machine.reference["rotor_rpm"]) ** p.share_rotor_exponent
        hits = {
            "separator": flows.separator_loss / self._kernel_kg * p.separator_share * rotor,
            "cleaning": flows.cleaning_loss / self._kernel_kg * p.cleaning_share * fan,
        }
        vibration = p.vibration_hz * leg.threshing
        runs = []
        for plate, part, each in zip(p.plates, self._parts, self._inputs, strict=True):
            tilt = {"left": lean, "right": -lean}.get(plate.side, np.zeros(leg.ticks))
            met = hits[plate.point] * part * np.exp(tilt)
            runs.append(each.run(leg.first_tick, met, p.straw_click_hz * flows.straw, vibration))
        return runs

    def _turned(self, leg: Leg, flows: Flows) -> dict[str, Floats]:
        """Edges (fractional) turned in each tick by wheel and shafts."""
        p = self._p
        turned: dict[str, Floats] = {"ground": leg.step_m * p.true_pulses_per_m}
        load = 1.0 - 0.01 * np.minimum(flows.straw, 2.0)
        for name, rpm, per_rev, wired in (
            ("fan", flows.fan_rpm, p.fan_pulses_per_rev, True),
            ("rotor", flows.rotor_rpm, p.rotor_pulses_per_rev, p.rotor_shaft),
        ):
            if wired:
                flutter = np.exp(p.shaft_log_sd * self._shaft_noise.standard_normal(leg.ticks))
                turned[name] = rpm / 60.0 * per_rev * TICK_S * flutter * load * leg.threshing
        return turned

    def _periods(self, leg: Leg, turned: dict[str, Floats]) -> dict[int, list[str]]:
        found: dict[int, list[str]] = {}
        for offset, (name, edges) in enumerate(turned.items()):
            for tick, count, span_us in self._wheels[name].periods(leg.first_tick, edges, TICKS_PER_S):
                triplet = f"{self.layout.ground + offset},{count},{span_us}"
                found.setdefault(tick - leg.first_tick, []).append(triplet)
        return found


def _normalised(plates: tuple[Plate, ...]) -> list[float]:
    """Each plate's part of what its point's plates meet together; the parts of a point add up to one."""
    total: dict[str, float] = {}
    for plate in plates:
        total[plate.point] = total.get(plate.point, 0.0) + plate.part
    return [plate.part / total[plate.point] for plate in plates]

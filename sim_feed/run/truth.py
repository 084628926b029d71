"""The simulation's own sums: what was really lost, where and over which ground."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sim_feed.field.crop import Floats
from sim_feed.field.drive import Leg
from sim_feed.field.machine import Flows
from sim_feed.kit.sensors import PlateRun
from sim_feed.parameters.structs import TICK_S, TICKS_PER_S

KG_HA_PER_KG_M2 = 10_000.0


class Truth(NamedTuple):
    """The true state at a tick; losses per hectare are grain lost in the last second over ground cut a lag earlier.

    They are None where no ground was cut then (turns, start). `returns_share`: part of a full load in the elevator.
    """

    separator_kg_ha: float | None
    cleaning_kg_ha: float | None
    machine_kg_ha: float | None
    separator_kg_s: float
    cleaning_kg_s: float
    speed_kmh: float
    front_down: bool
    threshing: bool
    yield_t_ha: float
    returns_share: float
    fan_rpm: float


class History:
    """The last values of a series before the leg, so that moving sums and lags run across legs."""

    def __init__(self, length: int) -> None:
        self._past = np.zeros(length)

    def extend(self, values: Floats) -> Floats:
        """The remembered values followed by the new ones; remembers the newest."""
        whole = np.concatenate((self._past, values))
        self._past = whole[len(whole) - len(self._past) :]
        return whole


class Ledger:
    """Adds up one leg after another, up to the ticks that were really given out."""

    def __init__(self, lag_s: float, points: tuple[str, ...]) -> None:
        self._lag = round(lag_s / TICK_S)
        self._area_past = History(self._lag + TICKS_PER_S)
        self._loss_past = {name: History(TICKS_PER_S - 1) for name in ("separator", "cleaning")}
        self.loss_kg = {"separator": 0.0, "cleaning": 0.0}
        self.impacts = dict.fromkeys(points, 0)
        self.grain_hits = dict.fromkeys(points, 0)
        self.vibration = dict.fromkeys(points, 0)
        self.area_m2 = 0.0
        self.lagged_area_m2 = 0.0
        self.distance_m = 0.0
        self.front_down_s = 0.0
        self.cut_kg = 0.0
        self.turning_s = 0.0

    def close(
        self, leg: Leg, used: int, cut_width_m: float, standing: Floats, flows: Flows, fill: Floats
    ) -> list[Truth]:
        """Take in the first `used` ticks of a leg and give their truth; standing: kg/m2, shape (n,)."""
        area = leg.step_m * cut_width_m * leg.part if leg.front_down else np.zeros(leg.ticks)
        whole_area = self._area_past.extend(area)
        lagged = whole_area[TICKS_PER_S : TICKS_PER_S + leg.ticks]
        sums = np.concatenate(([0.0], np.cumsum(whole_area)))
        second_area = sums[TICKS_PER_S + 1 : TICKS_PER_S + 1 + leg.ticks] - sums[1 : 1 + leg.ticks]
        losses = {"separator": flows.separator_loss, "cleaning": flows.cleaning_loss}
        per_ha = {name: self._per_ha(name, loss, second_area) for name, loss in losses.items()}
        for name, loss in losses.items():
            self.loss_kg[name] += float(loss[:used].sum()) * TICK_S
        self.area_m2 += float(area[:used].sum())
        self.lagged_area_m2 += float(lagged[:used].sum())
        self.distance_m += float(leg.step_m[:used].sum())
        self.front_down_s += used * TICK_S if leg.front_down else 0.0
        self.turning_s += used * TICK_S if leg.kind == "turn" else 0.0
        self.cut_kg += float((area * standing)[:used].sum())
        return self._truths(leg, used, per_ha, second_area, standing, flows, fill)

    def _per_ha(self, name: str, loss: Floats, second_area: Floats) -> Floats:
        whole = np.concatenate(([0.0], np.cumsum(self._loss_past[name].extend(loss))))
        second = (whole[TICKS_PER_S:] - whole[:-TICKS_PER_S]) * TICK_S
        return np.divide(second * KG_HA_PER_KG_M2, second_area, out=np.zeros_like(second), where=second_area > 0)

    def _truths(
        self,
        leg: Leg,
        used: int,
        per_ha: dict[str, Floats],
        second_area: Floats,
        standing: Floats,
        flows: Flows,
        fill: Floats,
    ) -> list[Truth]:
        # Under half a metre of cut in the second is the edge of the crop: a figure per hectare would mean nothing.
        columns = (
            second_area > 4.0,
            per_ha["separator"],
            per_ha["cleaning"],
            flows.separator_loss,
            flows.cleaning_loss,
            leg.step_m / TICK_S * 3.6,
            leg.threshing > 0,
            standing * 10.0 if leg.front_down else np.zeros(leg.ticks),
            fill,
            flows.fan_rpm,
        )
        down = leg.front_down
        return [
            Truth(
                separator if sure else None,
                cleaning if sure else None,
                separator + cleaning if sure else None,
                separator_s,
                cleaning_s,
                speed,
                down,
                threshing,
                crop,
                returns,
                fan,
            )
            for sure, separator, cleaning, separator_s, cleaning_s, speed, threshing, crop, returns, fan in zip(
                *(each[:used].tolist() for each in columns), strict=True
            )
        ]

    def add_impacts(self, point: str, run: PlateRun, used: int) -> None:
        """Count what arrived at a plate in the first `used` ticks of a leg, dead time not yet taken off."""
        grain = int(run.grain[:used].sum())
        self.grain_hits[point] += grain
        self.impacts[point] += grain + int(run.straw[:used].sum())
        self.vibration[point] += int(run.vibration[:used].sum())

    def summary(self) -> dict[str, object]:
        """Means over the job: all machine loss over the area cut up to the lag before the end, kg/ha."""
        area = self.lagged_area_m2

        def per_ha(kg: float) -> float | None:
            return kg / area * KG_HA_PER_KG_M2 if area > 0 else None

        total = sum(self.loss_kg.values())
        return {
            "loss_kg_ha": per_ha(total),
            "points": {name: per_ha(kg) for name, kg in self.loss_kg.items()},
            "loss_pct": 100.0 * total / self.cut_kg if self.cut_kg > 0 else None,
            "area_ha": self.area_m2 / KG_HA_PER_KG_M2,
            "distance_m": self.distance_m,
            "front_down_s": self.front_down_s,
            "turning_s": self.turning_s,
            "yield_t_ha": (self.cut_kg - total) / self.area_m2 * 10.0 if self.area_m2 > 0 else None,
            "harvested_t": (self.cut_kg - total) / 1000.0,
            "factor_mg_per_pulse": {name: self._factor(name, self.impacts) for name in self.impacts},
            "grain_mg_per_hit": {name: self._factor(name, self.grain_hits) for name in self.grain_hits},
        }

    def _factor(self, point: str, counted: dict[str, int]) -> float | None:
        return self.loss_kg[point] * 1e6 / counted[point] if counted[point] else None

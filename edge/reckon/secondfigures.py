"""One second's figures from the state that its counts left."""

from __future__ import annotations

from edge.contract.settings import ShaftInput
from edge.feed.assembler import Second
from edge.reckon.entered.money import UNKNOWN, ValueLost, value
from edge.reckon.figures import CalibrationFigure, Figures, LossFigure, PointFigure
from edge.reckon.kitstate import KitState
from edge.reckon.loss import (
    Interval,
    MachineLoss,
    PointLevel,
    limit_basis,
    machine_loss,
    over_limit_p,
    percent_of_grain,
    tighter_limit,
)
from edge.reckon.sensors.workstate import State


class FigureBuilder(KitState):
    """State -> figures, with intervals and flags; changes nothing."""

    def _levels(self) -> list[PointLevel] | None:
        levels = []
        for point, smoother in zip(self.points, self.smoothers, strict=True):
            level = smoother.level()
            if level is None or point.blind:
                return None
            relative = point.vibration_u_hz / point.vibration_hz if point.vibration_hz else 0.0
            noise_u = level.background * relative
            levels.append(PointLevel(point.name, level, point.half_blind, not point.saturated, noise_u, point.hidden))
        return levels

    def _loss(self, state: State) -> MachineLoss:
        levels = self._levels() if state in ("working", "filling") else None
        if levels is None:
            return MachineLoss(None, {})
        return machine_loss(levels, self.calibration.factors, self.calibration.extra_u(self.now.mill))

    def _figures(
        self,
        second: Second,
        state: State,
        speed_kmh: float | None,
        metres: float,
        area_m2: float,
        ms: int,
        counts: list[int],
    ) -> Figures:
        silent = state == "no data"
        if silent:
            speed_kmh = None
        width = self.settings.machine.cut_width_m * self.now.width_used
        rate = None if speed_kmh is None else speed_kmh * width / 10
        status = self.calibration_figure(second.t)
        found = self._loss(state)
        limits = self.now.loss_kg_ha, self.now.loss_pct, self.now.yield_t_ha
        limit = tighter_limit(*limits)
        basis = limit_basis(limit, *limits)
        lat, lon = self.receiver.place(second.t)
        # The grain of the present kg/ha was cut a lag ago: t/h takes the part width of then, and both follow a touch together.
        cut_m = self.settings.machine.cut_width_m * self.area.part_ago(self._lag_s * 1000)
        cut_rate = None if speed_kmh is None else speed_kmh * cut_m / 10
        loss = self._loss_figure(found.total, cut_rate, limit) if state in ("working", "filling") else None
        sampled_s = self.now.samples.at_s
        return Figures(
            number=second.number,
            t=second.t,
            state=state,
            speed_kmh=speed_kmh,
            area_rate_ha_h=rate,
            loss=loss,
            points={point.name: _point_figure(found.points.get(point.name), point.left_share) for point in self.points},
            pulses_per_s={point.name: point.pulses * 1000 / ms if ms else None for point in self.points},
            returns_pct=self.returns.pct if self.returns is not None else None,
            returns_t_h=self.returns.t_h if self.returns is not None else None,
            shafts={shaft.shaft: None if silent else _rpm(pulse_rate.hz, shaft) for shaft, pulse_rate in self.shafts},
            calibration=status,
            lat=lat,
            lon=lon,
            flags=self._flags(status, speed_kmh),
            distance_m=metres,
            area_m2=area_m2,
            width_used=self.now.width_used,
            limit_kg_ha=limit,
            lag=self.lag.learned(self.now.lag_s),
            silent_inputs=tuple(s.at for point in self.points for s in point.sensors if s.silent),
            saturated_inputs=tuple(s.at for point in self.points for s in point.sensors if s.saturated),
            value=UNKNOWN if loss is None else self._value(loss, cut_rate),
            sample_age_s=None if sampled_s is None else max(0.0, round(second.t - sampled_s, 3)),
            limit_basis=basis.basis,
            limit_pct=basis.pct,
        )

    def _loss_figure(self, total: Interval | None, rate_ha_h: float | None, limit: float | None) -> LossFigure:
        if total is None:
            return LossFigure()
        pct = None if self.now.yield_t_ha is None else percent_of_grain(total.kg_ha, self.now.yield_t_ha)
        t_h = None if rate_ha_h is None else total.kg_ha * rate_ha_h / 1000
        price = self.now.price_per_t
        return LossFigure(
            total.kg_ha,
            total.low,
            total.high,
            pct,
            t_h,
            None if t_h is None or price is None else t_h * price,
            None if limit is None else over_limit_p(total, limit),
        )

    def _value(self, loss: LossFigure, rate_ha_h: float | None) -> ValueLost:
        tank = self.now.yield_t_ha
        tank_t_h = None if tank is None or rate_ha_h is None else tank * rate_ha_h
        return value(loss.t_h, tank_t_h, self.now.price_per_t, self.now.discount_per_t())

    def _flags(self, status: CalibrationFigure, speed_kmh: float | None) -> list[str]:
        flags = [f"half-blind {point.name}" for point in self.points if point.half_blind]
        flags += [f"blind {point.name}" for point in self.points if point.blind]
        flags += [f"saturated {point.name}" for point in self.points if point.saturated]
        if self.calibration.factors.common:
            flags.append("split assumed")
        missing = [name for name in self.names if name not in self.calibration.factors.points]
        if missing and len(missing) < len(self.names):
            flags += [f"no factor {name}" for name in missing]
        if self.now.yield_t_ha is not None and self.now.yield_is_typed:
            flags.append("pct from typed yield")
        if speed_kmh is None:
            flags.append("no ground speed")
        if self.work.inferred:
            flags.append("work judged from pulses")
        if self.calibration.factors.bypassed:
            flags.append("mill bypassed in tray tests")
        if status.state == "stale":
            flags.append("calibration stale")
        return flags


def _rpm(hz: float | None, shaft: ShaftInput) -> float | None:
    return None if hz is None else hz * 60 / shaft.pulses_per_rev


def _point_figure(found: Interval | None, left_share: float | None) -> PointFigure:
    if found is None:
        return PointFigure(left_share=left_share)
    return PointFigure(found.kg_ha, found.low, found.high, left_share)

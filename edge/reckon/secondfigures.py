"""One second's figures from the state that its counts left."""

from __future__ import annotations

from typing import Any

from edge.contract.flags import Flag, RaisedFlag
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


class FigureBuilder:
    """State -> figures, with intervals and flags; changes nothing."""

    def __init__(self, kit: KitState) -> None:
        self._kit = kit

    def build(self, second: Second, state: State, speed_kmh: float | None, metres: float, area_m2: float, ms: int) -> Figures:
        """The figures of a second that the kit has taken. `metres`, `area_m2` of the second, `ms` of exposure."""
        kit, now = self._kit, self._kit.now
        silent = state == "no data"
        if silent:
            speed_kmh = None
        width = kit.settings.machine.cut_width_m * now.width_used
        status = kit.status.figure(second.t)
        levels = self._levels() if state in ("working", "filling") else None
        found = self._machine_loss(levels)
        limits = now.loss_kg_ha, now.loss_pct, now.yield_t_ha
        limit = tighter_limit(*limits)
        basis = limit_basis(limit, *limits)
        lat, lon = kit.receiver.place(second.t)
        # The grain of the present kg/ha was cut a lag ago: t/h takes the part width of then, and both follow a touch together.
        cut_m = kit.settings.machine.cut_width_m * kit.area.part_ago(kit.lag_s * 1000)
        cut_rate = None if speed_kmh is None else speed_kmh * cut_m / 10
        loss = self._loss_figure(found.total, cut_rate, limit) if state in ("working", "filling") else None
        sampled_s = now.samples.at_s
        return Figures(
            number=second.number,
            t=second.t,
            state=state,
            speed_kmh=speed_kmh,
            area_rate_ha_h=None if speed_kmh is None else speed_kmh * width / 10,
            loss=loss,
            points={point.name: _point_figure(found.points.get(point.name), point.left_share) for point in kit.points},
            pulses_per_s={point.name: point.pulses * 1000 / ms if ms else None for point in kit.points},
            inputs=self._inputs(silent),
            calibration=status,
            lat=lat,
            lon=lon,
            flags=self._flags(status, speed_kmh),
            distance_m=metres,
            area_m2=area_m2,
            width_used=now.width_used,
            limit_kg_ha=limit,
            lag=kit.lag.learned(now.lag_s),
            silent_inputs=tuple(s.at for point in kit.points for s in point.sensors if s.silent),
            saturated_inputs=tuple(s.at for point in kit.points for s in point.sensors if s.saturated),
            value=UNKNOWN if loss is None else self._value(loss, cut_rate),
            sample_age_s=None if sampled_s is None else max(0.0, round(second.t - sampled_s, 3)),
            limit_basis=basis.basis,
            limit_pct=basis.pct,
            levels=None if levels is None else {point.name: point.level.mean for point in levels},
        )

    def loss_now(self) -> LossFigure | None:
        """Loss as the state has it now, without flows; None outside work."""
        kit, now = self._kit, self._kit.now
        if kit.work.state not in ("working", "filling"):
            return None
        limit = tighter_limit(now.loss_kg_ha, now.loss_pct, now.yield_t_ha)
        return self._loss_figure(self._machine_loss(self._levels()).total, None, limit)

    def _inputs(self, silent: bool) -> dict[str, Any]:
        told: dict[str, Any] = {}
        for sensors in self._kit.sensors.values():
            told.update(sensors.live(silent))
        return told

    def _levels(self) -> list[PointLevel] | None:
        levels = []
        for point, smoother in zip(self._kit.points, self._kit.smoothers, strict=True):
            level = smoother.level()
            if level is None or point.blind:
                return None
            relative = point.vibration_u_hz / point.vibration_hz if point.vibration_hz else 0.0
            noise_u = level.background * relative
            levels.append(PointLevel(point.name, level, point.half_blind, not point.saturated, noise_u, point.hidden))
        return levels

    def _machine_loss(self, levels: list[PointLevel] | None) -> MachineLoss:
        if levels is None:
            return MachineLoss(None, {})
        calibration = self._kit.calibration
        return machine_loss(levels, calibration.factors, calibration.extra_u(self._kit.now.mill))

    def _loss_figure(self, total: Interval | None, rate_ha_h: float | None, limit: float | None) -> LossFigure:
        if total is None:
            return LossFigure()
        now = self._kit.now
        pct = None if now.yield_t_ha is None else percent_of_grain(total.kg_ha, now.yield_t_ha)
        t_h = None if rate_ha_h is None else total.kg_ha * rate_ha_h / 1000
        return LossFigure(
            total.kg_ha,
            total.low,
            total.high,
            pct,
            t_h,
            None if t_h is None or now.price_per_t is None else t_h * now.price_per_t,
            None if limit is None else over_limit_p(total, limit),
            None if limit is None else over_limit_p(total, 2 * limit),
        )

    def _value(self, loss: LossFigure, rate_ha_h: float | None) -> ValueLost:
        now = self._kit.now
        tank_t_h = None if now.yield_t_ha is None or rate_ha_h is None else now.yield_t_ha * rate_ha_h
        return value(loss.t_h, tank_t_h, now.price_per_t, now.discount_per_t())

    def _flags(self, status: CalibrationFigure, speed_kmh: float | None) -> list[RaisedFlag]:
        kit = self._kit
        factors = kit.calibration.factors
        flags = [RaisedFlag(Flag.HALF_BLIND, point.name) for point in kit.points if point.half_blind]
        flags += [RaisedFlag(Flag.BLIND, point.name) for point in kit.points if point.blind]
        flags += [RaisedFlag(Flag.SATURATED, point.name) for point in kit.points if point.saturated]
        if factors.common:
            flags.append(RaisedFlag(Flag.SPLIT_ASSUMED))
        missing = [name for name in kit.names if name not in factors.points]
        if missing and len(missing) < len(kit.names):
            flags += [RaisedFlag(Flag.NO_FACTOR, name) for name in missing]
        if kit.now.yield_t_ha is not None and kit.now.yield_is_typed:
            flags.append(RaisedFlag(Flag.TYPED_YIELD))
        if speed_kmh is None:
            flags.append(RaisedFlag(Flag.NO_GROUND_SPEED))
        if kit.work.inferred:
            flags.append(RaisedFlag(Flag.JUDGED_FROM_PULSES))
        if factors.bypassed:
            flags.append(RaisedFlag(Flag.MILL_BYPASSED))
        if status.state == "stale":
            flags.append(RaisedFlag(Flag.CALIBRATION_STALE))
        return flags


def _point_figure(found: Interval | None, left_share: float | None) -> PointFigure:
    if found is None:
        return PointFigure(left_share=left_share)
    return PointFigure(found.kg_ha, found.low, found.high, left_share)

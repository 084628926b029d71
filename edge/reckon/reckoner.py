"""Closed seconds and operator entries -> figures. The live loop and replay drive this same object.

`step(second)` gives the second's figures; `admit(entry, stamp)` checks an entry against what is in force and completes
it; `learn(entry, stamp)` acts on an admitted one. Nothing here reads a clock or a file.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import zip_longest
from typing import Any

import msgspec

from edge import entries
from edge.entries import given
from edge.errors import EntryError
from edge.feed.assembler import Part, Second
from edge.reckon import calibration as cal
from edge.reckon.figures import CalibrationFigure, Figures, LossFigure, PointFigure
from edge.reckon.idle import IdleSeconds
from edge.reckon.inforce import InForce
from edge.reckon.lag import CutArea, MixedExposure
from edge.reckon.loss import (
    Interval,
    MachineLoss,
    PointLevel,
    machine_loss,
    over_limit_p,
    percent_of_grain,
    tighter_limit,
)
from edge.reckon.losspoint import LossPoint
from edge.reckon.motion import GROUND_WINDOW_MS, SHAFT_WINDOW_MS, PulseRate, ReceiverSpeed
from edge.reckon.returns import Returns
from edge.reckon.sieves import Sieves
from edge.reckon.smoothing import Smoother
from edge.reckon.totals import MeanLoss, Totals
from edge.reckon.trays import measure, residue_width
from edge.reckon.traytests import TrayTests
from edge.reckon.workstate import Bit, State, WorkState
from edge.settings import BeamInput, GroundInput, LossInput, Settings, ShaftInput

LEAST_SPEED_M_S = 0.1
"""Exposure slower than this times the width in use is the tail of a headland, not ground worth a rate."""

CUTTING_WINDOW_MS = 5000
CUTTING_PULSES = 5.0
AREA_HA = 10_000.0
VOLUME_TO_T = 1000.0


class Reckoner:
    """All state between closed seconds and figures of one kit."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.now = InForce.from_settings(settings)
        loss = settings.inputs(LossInput)
        names = [name for name in ("separator", "cleaning") if any(one.point == name for one in loss)]
        self.points = [LossPoint(name, [one for one in loss if one.point == name]) for name in names]
        self.names = tuple(names)
        self.smoothers = [Smoother() for _ in names]
        self.calibration = cal.Calibration(self.names)
        bits = {level.means: Bit(1 << level.bit, level.inverted) for level in settings.level}
        self.work = WorkState(bits.get("front down"), bits.get("threshing on"))
        ground, beam = settings.inputs(GroundInput), settings.inputs(BeamInput)
        self.ground = PulseRate(ground[0].at, GROUND_WINDOW_MS) if ground else None
        self.shafts = [(one, PulseRate(one.at, SHAFT_WINDOW_MS)) for one in settings.inputs(ShaftInput)]
        self.returns = Returns(beam[0]) if beam else None
        self.receiver = ReceiverSpeed()
        self.sieves = Sieves(settings)
        self.area, self.exposure = CutArea(), MixedExposure()
        self._done = Totals(self.names)
        self._minute = Totals(self.names)
        self.tests = TrayTests(self.calibration)
        self._idle = IdleSeconds()
        self._pulse_window: deque[tuple[float, int]] = deque()
        self._lagged_m2 = 0.0
        self._status: tuple[CalibrationFigure, float | None] | None = None
        self._status_known = (0, 0, 0)
        self._status_from_s = self._status_until_s = 0.0

    # ---------------------------------------------------------------- seconds

    def step(self, second: Second) -> Figures:
        """One closed second -> its figures. Causal: what is published is never rewritten."""
        ms, counts, front_ms, threshing_ms, front_ground = self._sum_parts(second)
        if any(event.kind == "clock step" for event in second.events):
            self._forget_times()
        self.receiver.step(second)
        speed_kmh, metres, front_metres = self._move(second, ms, counts, front_ms, front_ground)
        state = self.work.step(second, speed_kmh, self._is_cutting(speed_kmh))
        if self.work.inferred:
            front_metres = metres if state in ("working", "filling") else 0.0
        at_work = state in ("working", "filling")
        area_m2 = front_metres * self.settings.machine.cut_width_m * self.now.width_used
        self.area.add(ms, area_m2)
        for point in self.points:
            point.step(counts, ms, threshing_ms, at_work)
        self._watch_pulses(ms, threshing_ms)
        self._smooth(ms)
        self._see_returns(counts, ms, threshing_ms, front_ms, state)
        self._remember(second, state, speed_kmh, metres, area_m2, threshing_ms)
        self._close_windows(second.t)
        self._sum(state, metres, area_m2, ms, threshing_ms)
        return self._figures(second, state, speed_kmh, metres, area_m2, ms, counts)

    def finish(self, stamp_ms: int) -> None:
        """The input has ended: tests whose time has come by this stamp take effect without another second."""
        self._close_windows(stamp_ms / 1000)

    def _sum_parts(self, second: Second) -> tuple[int, list[int], int, int, int]:
        """Exposure, counts, exposure with the front down and with the thresher on, ground pulses with the front down."""
        parts = second.parts
        if not parts:
            return 0, [], 0, 0, 0
        ground_at = self.ground.at if self.ground is not None else -1
        ms = front_ms = threshing_ms = front_ground = 0
        counts = parts[0].counts if len(parts) == 1 else [sum(c) for c in zip_longest(*(part.counts for part in parts), fillvalue=0)]
        for part in parts:
            ms += part.ms
            if self.work.front_down(part):
                front_ms += part.ms
                if 0 <= ground_at < len(part.counts):
                    front_ground += part.counts[ground_at]
            if self.work.threshing_on(part):
                threshing_ms += part.ms
        return ms, counts, front_ms, threshing_ms, front_ground

    def _move(
        self, second: Second, ms: int, counts: list[int], front_ms: int, front_ground: int
    ) -> tuple[float | None, float, float]:
        """Speed in km/h, metres travelled, metres with the front down."""
        for shaft, rate in self.shafts:
            rate.step(second, counts[shaft.at] if shaft.at < len(counts) else 0, ms)
        if self.ground is not None:
            pulses = counts[self.ground.at] if self.ground.at < len(counts) else 0
            hz = self.ground.step(second, pulses, ms)
            per_m = self.now.pulses_per_m
            return None if hz is None else hz / per_m * 3.6, pulses / per_m, front_ground / per_m
        kmh = self.receiver.kmh(second.t)
        if kmh is None:
            return None, 0.0, 0.0
        return kmh, kmh / 3.6 * ms / 1000, kmh / 3.6 * front_ms / 1000

    def _watch_pulses(self, ms: int, threshing_ms: int) -> None:
        """Grain pulses of the last 5 s: with no level wired they tell crop from headland."""
        if not self.work.inferred or not ms:
            return
        grain = sum(point.effective - point.background for point in self.points)
        self._pulse_window.append((grain, ms))
        while sum(one for _, one in self._pulse_window) - self._pulse_window[0][1] >= CUTTING_WINDOW_MS:
            self._pulse_window.popleft()

    def _is_cutting(self, speed_kmh: float | None) -> bool:
        return (speed_kmh or 0.0) >= 1.0 and sum(grain for grain, _ in self._pulse_window) >= CUTTING_PULSES

    @property
    def _lag_s(self) -> float:
        # Inferred work begins when the pulses do: the lag is in it already.
        return 0.0 if self.work.inferred else self.now.lag_s

    def _smooth(self, ms: int) -> None:
        exposure = self.exposure.step(self.area, ms, self._lag_s)
        width = self.settings.machine.cut_width_m * max(self.now.width_used, 0.05)
        if not ms or exposure < LEAST_SPEED_M_S * width * ms / 1000:
            for smoother in self.smoothers:
                smoother.dispersion.interrupt()
            return
        for point, smoother in zip(self.points, self.smoothers, strict=True):
            if not point.blind:
                smoother.step(point.effective, exposure, ms / 1000, point.scatter, point.background)

    def _see_returns(self, counts: list[int], ms: int, threshing_ms: int, front_ms: int, state: State) -> None:
        if self.returns is None or not ms:
            if self.returns is not None and state == "no data":
                self.returns.step(0, 0, False)
            return
        blocked = counts[self.returns.at] if self.returns.at < len(counts) else 0
        threshing = 2 * threshing_ms > ms
        self.returns.step(blocked, ms, threshing)
        self.returns.follow_dust(front_ms == 0 and not self.work.inferred, threshing, ms / 1000, self.now.lag_s)
        if state == "working":
            self._minute.returns_blocked += self.returns.percent(blocked, ms) * ms
            self._minute.returns_weight += ms

    def _remember(
        self, second: Second, state: State, speed_kmh: float | None, metres: float, area_m2: float, threshing_ms: int
    ) -> None:
        threshing_s = threshing_ms / 1000
        pulses = tuple([point.effective for point in self.points])
        variance = tuple([point.effective * point.scatter for point in self.points])
        half_blind = any(point.half_blind for point in self.points)
        self.tests.remember(
            cal.Row(second.t, state == "working", speed_kmh, metres, threshing_s, pulses, variance, half_blind, area_m2)
        )
        quiet = state not in ("working", "filling") and threshing_ms > 0
        self._idle.remember(second.t, threshing_s if quiet else 0.0, quiet, self.points)

    def _forget_times(self) -> None:
        """After a clock step, seconds before and after can't be looked up by time together."""
        self.tests.forget_times()
        self._idle.forget_times()

    def _close_windows(self, now_s: float) -> None:
        self.tests.close(now_s, self.now, self._vibration_hz(), self._dispersion())

    def _sum(self, state: State, metres: float, area_m2: float, ms: int, threshing_ms: int) -> None:
        # By the difference, so that a changed lag leaves the whole right: area cut up to the lag before now.
        lagged_total = self.area.until(self.area.clock_ms - self._lag_s * 1000)
        lagged, self._lagged_m2 = lagged_total - self._lagged_m2, lagged_total
        saturated = False
        totals = self._minute
        totals.seconds[state] += 1
        totals.distance_m += metres
        totals.area_m2 += area_m2
        if self.area.total_m2 <= 0:
            return  # before the first cut
        sums = totals.crop(self.now.crop_number)
        sums.area_m2 += area_m2
        sums.lagged_m2 += lagged
        for point, into in zip(self.points, sums.points, strict=True):
            into.pulses += point.effective
            into.variance += point.effective * point.scatter
            into.threshing_s += threshing_ms / 1000
            if point.half_blind:
                into.half_blind_pulses += point.effective
            if point.saturated and state == "working" and any([sensor.saturated for sensor in point.sensors]):
                saturated = True
        totals.saturated_s += saturated

    # ---------------------------------------------------------------- figures

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
        limit = tighter_limit(self.now.loss_kg_ha, self.now.loss_pct, self.now.yield_t_ha)
        lat, lon = self.receiver.place(second.t)
        return Figures(
            number=second.number,
            t=second.t,
            state=state,
            speed_kmh=speed_kmh,
            area_rate_ha_h=rate,
            loss=self._loss_figure(found.total, rate, limit) if state in ("working", "filling") else None,
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
            limit_kg_ha=limit,
            silent_inputs=tuple(s.at for point in self.points for s in point.sensors if s.silent),
            saturated_inputs=tuple(s.at for point in self.points for s in point.sensors if s.saturated),
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
        if self.calibration.bypassed:
            flags.append("mill bypassed in tray tests")
        if status.state == "stale":
            flags.append("calibration stale")
        return flags

    def calibration_figure(self, now_s: float) -> CalibrationFigure:
        """State of the calibration at a time (epoch s), with the reason in words."""
        known = (len(self.calibration.tests), self.now.crop_number, len(self.now.changes))
        if self._status is None or known != self._status_known or not self._status_from_s <= now_s < self._status_until_s:
            self._status_known, self._status = known, self._judge_calibration(now_s)
        status, last_s = self._status
        if last_s is None:
            return status
        age_s = max(0.0, round(now_s - last_s, 3))
        return CalibrationFigure(status.state, status.factor_mg_per_pulse, status.tests, age_s, status.why)

    def _judge_calibration(self, now_s: float) -> tuple[CalibrationFigure, float | None]:
        """State and age's origin; they hold until a test, crop or setting changes, or the newest test gets too old."""
        state, why = self.calibration.state(now_s, self.now)
        last = self.calibration.last_used
        self._status_from_s = now_s
        self._status_until_s = math.inf
        if last is not None:
            stale_s = last.at_s + cal.STALE_S
            self._status_until_s = stale_s if now_s < stale_s else now_s + 3600
        factors = {name: found.k for name, found in self.calibration.factors.points.items()}
        return CalibrationFigure(state, factors, self.calibration.used(), None, why), None if last is None else last.at_s

    def mean_loss(self, totals: Totals, names: tuple[str, ...] | None = None) -> MeanLoss:
        """Mean machine loss of totals by the latest valid factor of each crop (live figures never look back so)."""
        crops = {number: self.tests.fits.get(number, self.calibration.factors) for number in totals.crops}
        return totals.mean_loss(
            crops,
            self._vibration_hz(),
            [point.vibration_u_hz for point in self.points],
            self._dispersion(),
            self.calibration.extra_u(self.now.mill),
            names,
            self.now.yield_t_ha,
        )

    def open_metres(self, parts: list[Part]) -> float:
        """Metres travelled in the still open second; distance counts it although no figure does."""
        if self.ground is None:
            return 0.0
        at = self.ground.at
        return sum(part.counts[at] for part in parts if at < len(part.counts)) / self.now.pulses_per_m

    @property
    def totals(self) -> Totals:
        """Sums from the first second on."""
        whole = Totals(self.names)
        whole.add(self._done)
        whole.add(self._minute)
        return whole

    def take_minute(self) -> Totals:
        """The totals since the last call; a new minute begins."""
        minute, self._minute = self._minute, Totals(self.names)
        self._done.add(minute)
        return minute

    def restore(self, kind: str, body: dict[str, Any], at_ms: int) -> None:
        """Take up a record of an earlier run: entries, tray windows, judged tests, backgrounds. In order of record."""
        if kind == "entry":
            entry = entries.from_plain(body)
            at = given(entry.at)
            at_s = at_ms / 1000 if at is None else entries.epoch_s(at)
            match entry:
                case entries.TrayMark():
                    self.now.add_mark(at_s)
                case entries.GroundRun():
                    self.now.pulses_per_m = entry.pulses / entry.metres
                case entries.Gauge():
                    self.sieves.learn_gauge(entry, self.now)
                case entries.Setting():
                    self.now.learn(entry, at_s)
                    self.sieves.learn_setting(entry, self.now)
                case entries.Tray() | entries.IdleRun() | entries.ReturnsCatch() | entries.Load():
                    pass  # what they taught stands in records of its own
                case _:
                    self.now.learn(entry, at_s)
        elif kind == "tray window":
            self.tests.restore_window(body)
        elif kind == "calibration":
            self.tests.restore_test(body, self._vibration_hz(), self._dispersion())
        elif kind == "learned":
            self._restore_learned(body)

    def learned(self) -> dict[str, Any]:
        """What entries taught beyond themselves (background, returns flow, yield by loads), for the record."""
        return {
            "vibration": {
                str(sensor.at): [sensor.vibration_hz, sensor.vibration_u_hz]
                for point in self.points
                for sensor in point.sensors
            },
            "full_t_h": self.returns.full_t_h if self.returns is not None else None,
            "yield_t_ha": self.now.yield_t_ha,
            "yield_is_typed": self.now.yield_is_typed,
        }

    def _restore_learned(self, body: dict[str, Any]) -> None:
        for point in self.points:
            for sensor in point.sensors:
                hz, u_hz = body["vibration"].get(str(sensor.at), (sensor.vibration_hz, sensor.vibration_u_hz))
                sensor.vibration_hz, sensor.vibration_u_hz = float(hz), float(u_hz)
        if self.returns is not None and body["full_t_h"] is not None:
            self.returns.full_t_h = float(body["full_t_h"])
        self.now.yield_t_ha, self.now.yield_is_typed = body["yield_t_ha"], bool(body["yield_is_typed"])

    def _vibration_hz(self) -> list[float]:
        return [point.vibration_hz for point in self.points]

    def _dispersion(self) -> list[float]:
        return [smoother.dispersion.value for smoother in self.smoothers]

    # ---------------------------------------------------------------- entries

    def admit(self, entry: entries.AnyEntry, stamp_ms: int) -> entries.AnyEntry:
        """Check an entry against what is in force; returns it completed (a tray with its mark's time).

        Raises EntryError naming the key; nothing has changed then.
        """
        if isinstance(entry, entries.Tray):
            mark = given(entry.mark)
            if mark is not None and given(entry.at) is None:
                if mark not in self.now.marks:
                    known = f"1 to {max(self.now.marks)}" if self.now.marks else "no mark was set yet"
                    raise EntryError(f"tray: mark: found {mark}; allowed: {known}")
                entry = _with_at(entry, self.now.marks[mark])
            width = residue_width(entry, self.now.residue_width_m, self.settings.machine.cut_width_m)
            measure(entry, self.now.tgw_g, width)
        elif isinstance(entry, entries.JobReopen) and entry.job > self.now.jobs:
            raise EntryError(f"job_reopen: job: found {entry.job}; allowed: 1 to {self.now.jobs}")
        elif isinstance(entry, entries.GroundRun) and self.ground is None:
            raise EntryError("ground_run: entry: no ground input is wired; allowed: with an [[input]] that reads ground")
        elif isinstance(entry, entries.ReturnsCatch) and self.returns is None:
            raise EntryError("returns_catch: entry: no beam input is wired; allowed: with an [[input]] that reads beam")
        return entry

    def learn(self, entry: entries.AnyEntry, stamp_ms: int) -> dict[str, Any]:
        """Act on an admitted entry that arrived at a stamp (epoch ms). Returns what the answer adds, such as `mark`."""
        at = given(entry.at)
        at_s = stamp_ms / 1000 if at is None else entries.epoch_s(at)
        match entry:
            case entries.TrayMark():
                number = self.now.add_mark(at_s)
                self.tests.mark(number, at_s)
                return {"mark": number}
            case entries.Tray():
                self.tests.learn(entry, stamp_ms, self.now, self.settings.machine.cut_width_m)
            case entries.IdleRun():
                return self._learn_idle(entry, at_s)
            case entries.GroundRun():
                self.now.pulses_per_m = entry.pulses / entry.metres
            case entries.ReturnsCatch():
                why = self.returns.learn_catch(entry.mass_kg, entry.seconds) if self.returns is not None else ""
                return {"note": f"kept, not used: {why}"} if why else {}
            case entries.Load():
                self._learn_load(entry)
            case entries.Gauge():
                return self.sieves.learn_gauge(entry, self.now)
            case entries.Setting():
                self.now.learn(entry, at_s)
                return self.sieves.learn_setting(entry, self.now)
            case entries.Crop():
                self.tests.crop_ends(self.now.crop_number)
                self.now.learn(entry, at_s)
            case _:
                self.now.learn(entry, at_s)
        return {}

    def _learn_idle(self, entry: entries.IdleRun, at_s: float) -> dict[str, Any]:
        why = self._idle.learn(entry.seconds, at_s, self.points)
        if why:
            return {"note": f"kept, not used: {why}"}
        self.calibration.refit(self.now.crop_number, self._vibration_hz(), self._dispersion())
        self._status = None
        return {}

    def _learn_load(self, entry: entries.Load) -> None:
        mass_t = given(entry.t)
        if mass_t is None:
            mass_t = given(entry.volume_m3) * given(entry.bulk_kg_m3) / VOLUME_TO_T
        self.now.add_load(mass_t, self.totals.crop(self.now.crop_number).area_m2 / AREA_HA)


def _with_at(entry: entries.Tray, at_s: float) -> entries.Tray:
    return msgspec.structs.replace(entry, at=at_s)


def _rpm(hz: float | None, shaft: ShaftInput) -> float | None:
    return None if hz is None else hz * 60 / shaft.pulses_per_rev


def _point_figure(found: Interval | None, left_share: float | None) -> PointFigure:
    if found is None:
        return PointFigure(left_share=left_share)
    return PointFigure(found.kg_ha, found.low, found.high, left_share)


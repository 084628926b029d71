"""Closed seconds and operator entries -> figures. The live loop and replay drive this same object.

`step(second)` gives the second's figures; `admit(entry, stamp)` checks an entry against what is in force and completes
it; `learn(entry, stamp)` acts on an admitted one. Nothing here reads a clock or a file.
"""

from __future__ import annotations

from itertools import zip_longest

from edge.feed.assembler import Second
from edge.reckon.figures import Figures
from edge.reckon.fit import calibration as cal
from edge.reckon.learning import Learning
from edge.reckon.secondfigures import FigureBuilder
from edge.reckon.sensors.workstate import State

LEAST_SPEED_M_S = 0.1
"""Exposure slower than this times the width in use is the tail of a headland, not ground worth a rate."""

CUTTING_WINDOW_MS = 5000
CUTTING_PULSES = 5.0


class Reckoner(Learning, FigureBuilder):
    """Drives the state of one kit second by second."""

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
        self.area.add(ms, area_m2, self.now.width_used)
        for point in self.points:
            point.step(counts, ms, threshing_ms, at_work)
        if self._quiet is not None and self._quiet.step(ms, front_ms, threshing_ms, self.now.lag_s, self.points):
            self._use_quiet_time()
        if self.work.knows_front:
            grain = sum([point.effective - point.background for point in self.points])
            self.lag.step(ms, front_ms, area_m2, grain, self.now.lag_s, self.now.width_used)
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
        counts = parts[0].counts
        if len(parts) > 1:
            counts = [sum(one) for one in zip_longest(*(part.counts for part in parts), fillvalue=0)]
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

    def _use_quiet_time(self) -> None:
        """The crop is entered after quiet time: a background learned by itself takes effect and goes to the record.

        One that leaves a tray that held grain without pulses is told, not used.
        """
        assert self._quiet is not None
        vibration_hz = self._quiet.vibration_hz(self.points)
        bears = self.calibration.bears(vibration_hz)
        self.calibration.doubted_hz = 0.0 if bears else sum(vibration_hz)
        self._status = None
        if bears and self._quiet.use(self.points):
            self.background_changed = True
            self._refit()

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
            cal.WindowSecond(second.t, state == "working", speed_kmh, metres, threshing_s, pulses, variance, half_blind, area_m2)
        )
        quiet = state not in ("working", "filling") and threshing_ms > 0
        self._idle.remember(second.t, threshing_s if quiet else 0.0, quiet, self.points)

    def _forget_times(self) -> None:
        """After a clock step, seconds before and after can't be looked up by time together."""
        self.now.forget_times()
        self.tests.forget_times()
        self._idle.forget_times()

    def _close_windows(self, now_s: float) -> None:
        if self.tests.waits:
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
        if self._unseen_crop != self.now.crop_number:
            self._unseen_crop, self._unseen_m2 = self.now.crop_number, [0.0] * len(self.points)
        for i, (point, into) in enumerate(zip(self.points, sums.points, strict=True)):
            if point.pulses > 0:
                self._unseen_m2[i] = 0.0
            else:
                self._unseen_m2[i] += lagged
            if point.blind:  # and was since its last pulse, which is only known now
                into.blind_m2 += self._unseen_m2[i]
                self._unseen_m2[i] = 0.0
            into.pulses += point.effective
            into.variance += point.effective * point.scatter
            into.threshing_s += threshing_ms / 1000
            if point.half_blind:
                into.half_blind_pulses += point.effective
            if point.saturated and state == "working" and any([sensor.saturated for sensor in point.sensors]):
                saturated = True
        totals.saturated_s += saturated

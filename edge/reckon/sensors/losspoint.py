"""One loss point (separator or cleaning): the impact sensors at its sides, as one corrected count a second."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from edge.contract.inputs import LossInput
from edge.reckon.sensors.deadtime import SATURATED, DeadTime
from edge.reckon.sensors.seen import SecondSeen

POINTS = ("separator", "cleaning")

SHARE_WINDOW_S = 30
SILENT_TWIN_PULSES = 60
"""Pulses of the live side during which the other must not have had one to be called silent."""

SILENT_S = 10.0
BLIND_PULSES = 60.0
BLIND_S = 20.0
SATURATED_LASTS_S = 5
RATE_MEMORY_S = 300.0
HIDDEN_MEMORY_S = 10.0


@dataclass(slots=True)
class Sensor:
    """One input of the point, with what is learned about it.

    `background_from`: "nothing", "settings", "automatic" (turns and idling) or "idle run", which always wins.
    """

    at: int
    side: str
    dead_time: DeadTime
    wired_vibration_hz: float
    vibration_hz: float = 0.0
    vibration_u_hz: float = 0.0
    silent_s: float = 0.0
    twin_pulses: float = 0.0
    silent: bool = False
    saturated: bool = False
    count: float = 0.0
    background_from: str = "nothing"

    def begin_background(self) -> None:
        """The background is that of the settings again, as before anything was learned."""
        self.vibration_hz, self.vibration_u_hz = self.wired_vibration_hz, 0.0
        self.background_from = "settings" if self.wired_vibration_hz > 0 else "nothing"


class LossPoint:
    """Counts of one point's sensors -> pulses of the point, second by second.

    After `step`: `pulses` dead-time corrected, sides summed; `effective` the same with a silent side stood in for by its
    twin; `background` pulses of `effective` expected without grain; `scatter` variance over mean that the dead-time
    correction brings; `hidden` d ln pulses / d ln dead time over the last 10 s or so.
    """

    def __init__(self, name: str, inputs: list[LossInput]) -> None:
        self.name = name
        self.sensors = [Sensor(one.at, one.side, DeadTime(one.dead_time_us), one.vibration_hz) for one in inputs]
        for sensor in self.sensors:
            sensor.begin_background()
        self.pulses = self.effective = self.background = 0.0
        self.scatter = 1.0
        self.hidden = 0.0
        self.half_blind = self.blind = self.saturated = False
        self._saturated_for_s = 0.0
        self._quiet_s = 0.0
        self._rate = self._rate_s = 0.0
        self._shares: deque[tuple[float, float]] = deque()
        self._left_sum = self._share_sum = 0.0
        self._sides = sorted(sensor.side for sensor in self.sensors)
        self._pair = [sensor for sensor in self.sensors if sensor.side in ("left", "right")]

    def step(self, counts: list[int], ms: int, threshing_ms: int, working: bool) -> None:
        """Take one second: increments per input, exposure, exposure with the thresher on, and whether it was work."""
        total = measured = vibration_hz = 0.0
        saturated = False
        for sensor in self.sensors:
            count = counts[sensor.at] if sensor.at < len(counts) else 0
            sensor.count = sensor.dead_time.correct(count, ms)
            sensor.saturated = ms > 0 and sensor.dead_time.share >= SATURATED
            saturated = saturated or sensor.saturated
            vibration_hz += sensor.vibration_hz
            total += sensor.count
            measured += count
        self.pulses = total
        self.scatter = total / measured if measured else 1.0
        seconds = ms / 1000
        if ms:
            # m tau / (1 - m tau) is also how far the correction stretches the counts.
            self.hidden += (self.scatter - 1.0 - self.hidden) * min(1.0, seconds / HIDDEN_MEMORY_S)
        self._judge_silence(seconds, working)
        self._judge_saturation(saturated, seconds)
        self.effective, self.background = total, vibration_hz * (threshing_ms / 1000)
        if self.half_blind:
            self._stand_in(threshing_ms / 1000)
        if working and "left" in self._sides and "right" in self._sides:
            self._share(sum([sensor.count for sensor in self.sensors if sensor.side == "left"]), total)

    def expect(self, pulses_per_s: float) -> None:
        """What an earlier run's tray tests saw at work: with a dead cable this run would never learn that anything is missing."""
        if not self._rate_s:
            self._rate = pulses_per_s

    @property
    def left_share(self) -> float | None:
        """Share of the left side over the last half minute of work; None if a side is missing or silent."""
        if not self._shares or self.half_blind or self.blind:
            return None
        left, total = self._left_sum, self._share_sum
        least = 1e-9 * total  # running sums: what is left of cancelled parts is no pulse
        return left / total if total > 0 and least < left < total - least else None

    def _share(self, left: float, total: float) -> None:
        self._shares.append((left, total))
        self._left_sum += left
        self._share_sum += total
        if len(self._shares) > SHARE_WINDOW_S:
            old_left, old_total = self._shares.popleft()
            self._left_sum -= old_left
            self._share_sum -= old_total

    @property
    def vibration_hz(self) -> float:
        """Background of all sides together."""
        return sum(sensor.vibration_hz for sensor in self.sensors)

    @property
    def vibration_u_hz(self) -> float:
        """Its standard uncertainty."""
        return float(sum(sensor.vibration_u_hz**2 for sensor in self.sensors) ** 0.5)

    def _judge_silence(self, seconds: float, working: bool) -> None:
        pair = self._pair
        if len(pair) == 2:
            for sensor, twin in (pair, pair[::-1]):
                if sensor.count > 0:
                    sensor.silent_s, sensor.twin_pulses, sensor.silent = 0.0, 0.0, False
                elif working:
                    sensor.silent_s += seconds
                    sensor.twin_pulses += twin.count
                    sensor.silent = sensor.silent_s >= SILENT_S and sensor.twin_pulses >= SILENT_TWIN_PULSES
        self.half_blind = len(pair) == 2 and pair[0].silent != pair[1].silent
        if self.pulses > 0:
            self._quiet_s, self.blind = 0.0, False
        elif working:
            self._quiet_s += seconds
            self.blind = self._quiet_s >= BLIND_S and self._quiet_s * self._rate >= BLIND_PULSES
        if working and self._quiet_s == 0 and seconds > 0:
            self._rate_s = min(self._rate_s + seconds, RATE_MEMORY_S)
            self._rate += (self.pulses / seconds - self._rate) * min(1.0, seconds / self._rate_s)

    def _judge_saturation(self, saturated: bool, seconds: float) -> None:
        if saturated:
            self._saturated_for_s = SATURATED_LASTS_S
        elif self._saturated_for_s > 0:
            self._saturated_for_s -= max(seconds, 0.0)
        self.saturated = self._saturated_for_s > 0

    def _stand_in(self, threshing_s: float) -> None:
        for sensor in self.sensors:
            if sensor.silent:
                twin = next(one for one in self.sensors if one is not sensor and one.side in ("left", "right"))
                self.effective += twin.count
                self.background += (twin.vibration_hz - sensor.vibration_hz) * threshing_s


class LossSensors:
    """All impact sensors, by the loss points they listen to. `points` in the order of the contract."""

    def __init__(self, wired: Sequence[LossInput]) -> None:
        names = [name for name in POINTS if any(sensor.point == name for sensor in wired)]
        self.points = [LossPoint(name, [sensor for sensor in wired if sensor.point == name]) for name in names]

    def step(self, seen: SecondSeen) -> None:
        """Take one closed second."""
        for point in self.points:
            point.step(seen.counts, seen.ms, seen.threshing_ms, seen.at_work)

    def live(self, silent: bool) -> dict[str, Any]:
        """Nothing of its own: loss and pulses stand in the figures, with their intervals."""
        return {}

"""Vibration background: pulses with the thresher on and no crop, learned from an idle run that the operator names, or without
one from turns and idling."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from edge.reckon.sensors.losspoint import LossPoint, Sensor

KEPT_S = 3600
SHORTEST_S = 5.0
"""An idle run under this says too little of a vibration of a few pulses a second (from memory)."""

ENOUGH = 0.8
"""Share of the stated seconds that must have been threshing with no crop."""


class IdleSeconds:
    """The last hour's seconds, as an idle run needs them."""

    def __init__(self) -> None:
        self._rows: deque[tuple[int, float, bool, tuple[float, ...]]] = deque(maxlen=KEPT_S)

    @property
    def history(self) -> deque[tuple[int, float, bool, tuple[float, ...]]]:
        """Those seconds."""
        return self._rows

    def remember(self, t: int, threshing_s: float, quiet: bool, points: Sequence[LossPoint]) -> None:
        """One closed second: whether it was threshing with no crop, and the corrected count of each sensor then."""
        counts = tuple([sensor.count for point in points for sensor in point.sensors]) if quiet else ()
        self._rows.append((t, threshing_s, quiet, counts))

    def forget_times(self) -> None:
        """The clock stepped."""
        self._rows.clear()

    def learn(self, seconds: float, at_s: float, points: Sequence[LossPoint]) -> str:
        """Set each sensor's background from the seconds before `at_s`; returns why that can't be done, or nothing."""
        if seconds < SHORTEST_S:
            return f"{seconds:g} s is too short to learn from; {SHORTEST_S:g} s or more are needed"
        chosen = [row for row in self._rows if at_s - seconds < row[0] <= at_s]
        quiet = [row for row in chosen if row[2]]
        threshing_s = sum(row[1] for row in quiet)
        if len(quiet) < len(chosen) or threshing_s < ENOUGH * seconds:
            return f"only {threshing_s:.0f} of {seconds:.0f} s were threshing on with no crop"
        for i, sensor in enumerate(sensor for point in points for sensor in point.sensors):
            pulses = sum(row[3][i] for row in quiet)
            sensor.vibration_hz = pulses / threshing_s
            sensor.vibration_u_hz = max(pulses, 1.0) ** 0.5 / threshing_s
            sensor.background_from = "idle run"
        return ""


EMPTY_WAIT_MS = 15_000
"""Front up this long beyond the lag before the machine is taken for empty. From memory: no published figure."""

GAP_MS = 2000
"""Nobody knows what the machine did in a longer second, which closes a gap."""

ENOUGH_S = 30.0
POOLED_S = 600.0
"""Older quiet time counts for at most this much: vibration changes with wear and rotor speed."""


class QuietTime:
    """Automatic estimate: pulses of whole seconds with the thresher on and the machine empty, pooled over stretches.

    A stretch ends where the crop is entered; only then is it used, so that one figure holds for a whole pass.
    """

    def __init__(self, inputs: int) -> None:
        self.seconds = 0.0
        self.pulses = [0.0] * inputs
        self.is_restored = False
        self._up_ms = 0
        self._has_cut = False
        self._stretch_ms = 0
        self._stretch = [0.0] * inputs

    def step(self, ms: int, front_ms: int, threshing_ms: int, lag_s: float, points: Sequence[LossPoint]) -> bool:
        """One closed second; True when the crop has just been entered after a stretch of quiet time, which waits for `pool`."""
        if front_ms:
            entered = self._stretch_ms > 0
            self._up_ms, self._has_cut = 0, True
            return entered
        self._up_ms += ms
        # Before the first cut the machine is empty once the lag has run: the kit may have been started with crop in it.
        wait_ms = lag_s * 1000 + (EMPTY_WAIT_MS if self._has_cut or self.is_restored else 0)
        empty = self._up_ms > wait_ms
        if 0 < ms <= GAP_MS and threshing_ms == ms and empty:
            self._stretch_ms += ms
            i = 0
            for point in points:
                for sensor in point.sensors:
                    self._stretch[i] += sensor.count
                    i += 1
        return False

    @property
    def stretch_s(self) -> float:
        """Length of the stretch that waits."""
        return self._stretch_ms / 1000

    def stretch_hz(self, points: Sequence[LossPoint]) -> list[float]:
        """Pulses/s of each point in the stretch that waits."""
        return _by_point(points, [pulses / self.stretch_s for pulses in self._stretch])

    def drop_stretch(self) -> None:
        """What was counted in the stretch that waits is no vibration."""
        self._stretch_ms, self._stretch = 0, [0.0] * len(self.pulses)

    def pool(self) -> bool:
        """Pool the stretch that waits with those before it; returns whether there is enough to use."""
        keep = min(1.0, max(POOLED_S - self._stretch_ms / 1000, 0.0) / self.seconds) if self.seconds else 1.0
        self.seconds = self.seconds * keep + self._stretch_ms / 1000
        self.pulses = [old * keep + new for old, new in zip(self.pulses, self._stretch, strict=True)]
        self.drop_stretch()
        return self.seconds >= ENOUGH_S

    def vibration_hz(self, points: Sequence[LossPoint]) -> list[float]:
        """Background of each point in pulses/s as `use` would set it."""
        return _by_point(points, [pulses / self.seconds for pulses in self.pulses])

    def is_automatic(self, points: Sequence[LossPoint]) -> bool:
        """Whether any input would go by it: one without an entry in the settings and without an idle run."""
        return any(_is_automatic(sensor) for point in points for sensor in point.sensors)

    def in_force(self, points: Sequence[LossPoint]) -> bool:
        """Whether any input goes by it."""
        return any(sensor.background_from == "automatic" for point in points for sensor in point.sensors)

    def take_back(self, points: Sequence[LossPoint]) -> None:
        """What was learned so far is not believed any more: nothing is taken off, and learning begins anew."""
        self.seconds, self.pulses = 0.0, [0.0] * len(self.pulses)
        for sensor in [sensor for point in points for sensor in point.sensors if sensor.background_from == "automatic"]:
            sensor.vibration_hz = sensor.vibration_u_hz = 0.0
            sensor.background_from = "nothing"

    def use(self, points: Sequence[LossPoint]) -> bool:
        """Set the background of each input that has neither an entry in the settings nor an idle run; True if one changed."""
        changed = False
        for pulses, sensor in zip(self.pulses, [sensor for point in points for sensor in point.sensors], strict=True):
            if not _is_automatic(sensor):
                continue
            found = pulses / self.seconds, max(pulses, 1.0) ** 0.5 / self.seconds
            changed = changed or found != (sensor.vibration_hz, sensor.vibration_u_hz)
            sensor.vibration_hz, sensor.vibration_u_hz = found
            sensor.background_from = "automatic"
        return changed


def _is_automatic(sensor: Sensor) -> bool:
    return sensor.background_from in ("nothing", "automatic")


def _by_point(points: Sequence[LossPoint], rates: Sequence[float]) -> list[float]:
    """Rates of each input, or what settings and idle runs say of it, summed over the inputs of each point."""
    found = iter(rates)
    return [
        sum([rate if _is_automatic(sensor) else sensor.vibration_hz for sensor, rate in zip(point.sensors, found, strict=False)])
        for point in points
    ]

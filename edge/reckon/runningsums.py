"""The sums of closed seconds: of the present minute, and of all minutes before it."""

from __future__ import annotations

from edge.reckon.lag.cutarea import CutArea
from edge.reckon.sensors.losspoint import LossPoint
from edge.reckon.sensors.workstate import State
from edge.reckon.tables.units import M2_PER_HA
from edge.reckon.totals import Totals


class RunningSums:
    """Adds up seconds, and hands over a minute at a time. `points`: the loss points in order."""

    def __init__(self, points: list[LossPoint]) -> None:
        self._points = points
        self._names = tuple([point.name for point in points])
        self._done = Totals(self._names)
        self._minute = Totals(self._names)
        self._lagged_m2 = 0.0
        self._unseen_m2 = [0.0] * len(points)
        self._unseen_crop = 0

    @property
    def totals(self) -> Totals:
        """Sums from the first second on."""
        whole = Totals(self._names)
        whole.add(self._done)
        whole.add(self._minute)
        return whole

    @property
    def minute_begun(self) -> bool:
        """Whether any second was closed since the last minute was taken."""
        return any(self._minute.seconds.values())

    def take_minute(self) -> Totals:
        """The totals since the last call; a new minute begins."""
        minute, self._minute = self._minute, Totals(self._names)
        self._done.add(minute)
        return minute

    @property
    def cut_ha(self) -> float:
        """Hectares cut from the first second on."""
        return (self._done.area_m2 + self._minute.area_m2) / M2_PER_HA

    def add_returns(self, pct: float, ms: int) -> None:
        """Returns in percent of full over some exposure of work."""
        self._minute.returns_blocked += pct * ms
        self._minute.returns_weight += ms

    def add(self, state: State, metres: float, area_m2: float, threshing_ms: int, area: CutArea, lag_s: float, crop: int) -> None:
        """One closed second, after `area` and the points took it. `crop`: number of the crop in front."""
        # By the difference, so that a changed lag leaves the whole right: area cut up to the lag before now.
        lagged_total = area.until(area.clock_ms - lag_s * 1000)
        lagged, self._lagged_m2 = lagged_total - self._lagged_m2, lagged_total
        saturated = False
        totals = self._minute
        totals.seconds[state] += 1
        totals.distance_m += metres
        totals.area_m2 += area_m2
        if area.total_m2 <= 0:
            return  # before the first cut
        sums = totals.crop(crop)
        sums.area_m2 += area_m2
        sums.lagged_m2 += lagged
        if self._unseen_crop != crop:
            self._unseen_crop, self._unseen_m2 = crop, [0.0] * len(self._points)
        for i, (point, into) in enumerate(zip(self._points, sums.points, strict=True)):
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

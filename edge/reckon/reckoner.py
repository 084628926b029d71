"""Closed seconds and operator entries -> figures. The live loop and replay drive this same object.

`step(second)` gives the second's figures; `admit(entry, stamp)` checks an entry against what is in force and completes
it; `learn(entry, stamp)` acts on an admitted one. Nothing here reads a clock or a file.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from itertools import zip_longest
from typing import Any

from edge.contract.entries import Entry
from edge.contract.settings import Settings
from edge.feed.assembler import Part, Second
from edge.reckon.background import LearnedBackground
from edge.reckon.entered.money import UNKNOWN, ValueLost, value
from edge.reckon.entered.question import HardlyMeant
from edge.reckon.figures import CalibrationFigure, Figures, LossFigure
from edge.reckon.fit.calibration import WindowSecond
from edge.reckon.kitstate import KitState
from edge.reckon.learning import Learning
from edge.reckon.secondfigures import FigureBuilder
from edge.reckon.sensors.seen import SecondSeen
from edge.reckon.totals import MeanLoss, Totals

LEAST_SPEED_M_S = 0.1
"""Exposure slower than this times the width in use is the tail of a headland, not ground worth a rate."""

CUTTING_WINDOW_MS = 5000
CUTTING_PULSES = 5.0


class Reckoner:
    """Drives the state of one kit second by second.

    It holds four parts: the state itself, what learns into it from entries and records, what decides on its background, and what
    reads figures off it. `now`, `points`, `tests` and the like are parts of the state that others look at.
    """

    def __init__(self, settings: Settings, struck: frozenset[int] = frozenset()) -> None:
        """`struck`: numbers of records whose entries were struck out, for what `restore` takes up."""
        self.kit = kit = KitState(settings)
        self._learning, self._builder, self._background = Learning(kit, struck), FigureBuilder(kit), LearnedBackground(kit)
        self.settings, self.points, self.names = settings, kit.points, kit.names
        self.work, self.lag, self.rows = kit.work, kit.lag, kit.rows
        self._show_entered()

    def _show_entered(self) -> None:
        kit = self.kit
        self.now, self.calibration, self.tests, self.sieves = kit.now, kit.calibration, kit.tests, kit.sieves

    def begin_again(self, struck: frozenset[int]) -> None:
        """Entries were struck out: what is in force begins anew, to be followed by `restore` of every record so far. What the
        seconds gave stays."""
        self.kit.begin_entered()
        self._learning = Learning(self.kit, struck, live=True)
        self._show_entered()

    # ---------------------------------------------------------------- seconds

    def step(self, second: Second) -> Figures:
        """One closed second -> its figures. Causal: what is published is never rewritten."""
        kit = self.kit
        ms, counts, front_ms, threshing_ms, front_ground = self._sum_parts(second)
        if any(event.kind == "clock step" for event in second.events):
            self._forget_times()
        kit.receiver.step(second)
        speed_kmh, metres, front_metres = self._move(second, ms, counts, front_ms, front_ground)
        state = kit.work.step(second, speed_kmh, self._is_cutting(speed_kmh))
        if kit.work.inferred:
            front_metres = metres if state in ("working", "filling") else 0.0
        area_m2 = front_metres * self.settings.machine.cut_width_m * self.now.width_used
        kit.area.add(ms, area_m2, self.now.width_used)
        seen = SecondSeen(second, counts, ms, front_ms, threshing_ms, state, self.now.lag_s, not kit.work.inferred)
        for sensors in kit.sensors.values():
            sensors.step(seen)
        if kit.quiet is not None and kit.quiet.step(ms, front_ms, threshing_ms, self.now.lag_s, self.points):
            self._background.crop_entered()
        if kit.work.knows_front:
            grain = sum([point.effective - point.background for point in self.points])
            kit.lag.step(ms, front_ms, area_m2, grain, self.now.lag_s, self.now.width_used)
        self._watch_pulses(ms)
        self._smooth(ms)
        if kit.returns is not None and ms and state == "working":
            kit.sums.add_returns(kit.returns.percent(seen.count(kit.returns.at), ms), ms)
        self._remember(seen, speed_kmh, metres, area_m2)
        self._close_windows(second.t)
        kit.sums.add(state, metres, area_m2, threshing_ms, kit.area, kit.lag_s, self.now.crop_number)
        return self._builder.build(second, state, speed_kmh, metres, area_m2, ms)

    def finish(self, stamp_ms: int) -> None:
        """The input has ended: tests whose time has come by this stamp take effect without another second."""
        self._close_windows(stamp_ms / 1000)

    def _sum_parts(self, second: Second) -> tuple[int, list[int], int, int, int]:
        """Exposure, counts, exposure with the front down and with the thresher on, ground pulses with the front down."""
        parts, kit = second.parts, self.kit
        if not parts:
            return 0, [], 0, 0, 0
        ground_at = kit.ground.at if kit.ground is not None else -1
        ms = front_ms = threshing_ms = front_ground = 0
        counts = parts[0].counts
        if len(parts) > 1:
            counts = [sum(each) for each in zip_longest(*(part.counts for part in parts), fillvalue=0)]
        for part in parts:
            ms += part.ms
            if kit.work.front_down(part):
                front_ms += part.ms
                if 0 <= ground_at < len(part.counts):
                    front_ground += part.counts[ground_at]
            if kit.work.threshing_on(part):
                threshing_ms += part.ms
        return ms, counts, front_ms, threshing_ms, front_ground

    def _move(
        self, second: Second, ms: int, counts: list[int], front_ms: int, front_ground: int
    ) -> tuple[float | None, float, float]:
        """Speed in km/h, metres travelled, metres with the front down."""
        ground = self.kit.ground
        if ground is not None:
            pulses = counts[ground.at] if ground.at < len(counts) else 0
            hz = ground.step(second, pulses, ms)
            per_m = self.now.pulses_per_m
            return None if hz is None else hz / per_m * 3.6, pulses / per_m, front_ground / per_m
        kmh = self.kit.receiver.kmh(second.t)
        if kmh is None:
            return None, 0.0, 0.0
        return kmh, kmh / 3.6 * ms / 1000, kmh / 3.6 * front_ms / 1000

    def _watch_pulses(self, ms: int) -> None:
        """Grain pulses of the last 5 s: with no level wired they tell crop from headland."""
        if not self.work.inferred or not ms:
            return
        window = self.kit.pulse_window
        window.append((sum(point.effective - point.background for point in self.points), ms))
        while sum(one for _, one in window) - window[0][1] >= CUTTING_WINDOW_MS:
            window.popleft()

    def _is_cutting(self, speed_kmh: float | None) -> bool:
        return (speed_kmh or 0.0) >= 1.0 and sum(grain for grain, _ in self.kit.pulse_window) >= CUTTING_PULSES

    def _smooth(self, ms: int) -> None:
        kit = self.kit
        exposure = kit.exposure.step(kit.area, ms, kit.lag_s)
        width = self.settings.machine.cut_width_m * max(self.now.width_used, 0.05)
        if not ms or exposure < LEAST_SPEED_M_S * width * ms / 1000:
            for smoother in kit.smoothers:
                smoother.dispersion.interrupt()
            return
        for point, smoother in zip(self.points, kit.smoothers, strict=True):
            if not point.blind:
                smoother.step(point.effective, exposure, ms / 1000, point.scatter, point.background)

    def _remember(self, seen: SecondSeen, speed_kmh: float | None, metres: float, area_m2: float) -> None:
        t, threshing_s = seen.second.t, seen.threshing_ms / 1000
        pulses = tuple([point.effective for point in self.points])
        variance = tuple([point.effective * point.scatter for point in self.points])
        half_blind = any(point.half_blind for point in self.points)
        is_work = seen.state == "working"
        self.rows.remember(WindowSecond(t, is_work, speed_kmh, metres, threshing_s, pulses, variance, half_blind, area_m2))
        quiet = not seen.at_work and seen.threshing_ms > 0
        self.kit.idle.remember(t, threshing_s if quiet else 0.0, quiet, self.points)

    def _forget_times(self) -> None:
        """After a clock step, seconds before and after can't be looked up by time together."""
        self.now.forget_times()
        self.rows.forget_times()
        self.kit.idle.forget_times()

    def _close_windows(self, now_s: float) -> None:
        if not self.tests.waits:
            return
        known = len(self.calibration.tests)
        self.tests.close(now_s, self.now, self.kit.vibration_hz(), self.kit.dispersion())
        if len(self.calibration.tests) > known:
            self._background.tests_judged()

    # ---------------------------------------------------------------- entries and records

    def admit(self, entry: Entry, stamp_ms: int) -> Entry:
        """Check an entry against what is in force; returns it completed (a tray with its mark's time). Raises EntryError."""
        return self._learning.admit(entry, stamp_ms)

    def question(self, entry: Entry, stamp_ms: int) -> HardlyMeant | None:
        """What is to be asked about an admitted entry before it is kept, None for nothing."""
        return self._learning.question(entry, stamp_ms)

    def learn(self, entry: Entry, stamp_ms: int, seq: int = 0) -> dict[str, Any]:
        """Act on an admitted entry that arrived at a stamp (epoch ms); `seq`: the number of its record. Returns what the answer
        adds, such as `mark`."""
        return self._learning.learn(entry, stamp_ms, seq)

    def restore(self, kind: str, body: dict[str, Any], at_ms: int, seq: int = 0) -> None:
        """Take up a record, in order; `seq`: its number."""
        self._learning.restore(kind, body, at_ms, seq)

    @property
    def has_news(self) -> bool:
        """Whether something was learned by itself that is worth a record."""
        return self._learning.has_news

    def learned(self) -> dict[str, Any]:
        """What was learned beyond the entries themselves, for the record."""
        return self._learning.learned()

    def take_learned(self, after: str | None = None, used: bool = True) -> dict[str, Any]:
        """The same, about to be recorded: it is news no more. `after`: the kind of the entry that taught it, None: seconds
        did; `used`: whether that entry could be used."""
        return self._learning.take_learned(after, used)

    # ---------------------------------------------------------------- what is asked at any time

    def calibration_figure(self, now_s: float) -> CalibrationFigure:
        """State of the calibration at a time (epoch s), with the reason in words."""
        return self.kit.status.figure(now_s)

    def mean_loss(self, totals: Totals, names: tuple[str, ...] | None = None) -> MeanLoss:
        """Mean machine loss of totals by the latest valid factor of each crop (live figures never look back so)."""
        totals = totals.by_crop(self.now.crop_of)
        crops = {number: self.tests.fits.get(number, self.calibration.factors) for number in totals.crops}
        return totals.mean_loss(
            crops,
            self.kit.vibration_hz(),
            self.kit.vibration_u_hz(),
            self.kit.dispersion(),
            self.calibration.extra_u(self.now.mill, crops.values()),
            names,
            self.now.yield_t_ha,
        )

    def value_ha(self, totals: Totals, loss: MeanLoss, percents: Mapping[str, float] | None = None) -> ValueLost:
        """Money a hectare of totals whose mean loss is given; unknown when they hold more than the crop in front.

        `percents`: trash and cracked grain in the tank, None for the newest samples.
        """
        totals = totals.by_crop(self.now.crop_of)
        if any(sums.area_m2 > 0 for number, sums in totals.crops.items() if number != self.now.crop_number):
            return UNKNOWN
        if not totals.area_m2:
            return UNKNOWN
        lost_t = None if loss.kg_ha is None else loss.kg_ha / 1000
        return value(lost_t, self.now.yield_t_ha, self.now.price_per_t, self.now.discount_per_t(percents))

    def loss_now(self) -> LossFigure | None:
        """The smoothed loss as it would be told of the newest second; None outside work."""
        return self._builder.loss_now()

    def trial_copy(self) -> Reckoner:
        """A kit in the same state that may be told what this one is not. It takes no seconds: it shares those of the past, which
        are most of the state, so a copy costs about a millisecond."""
        shared = (self.settings, self.rows.history, self.kit.idle.history)
        return copy.deepcopy(self, {id(one): one for one in shared})

    def open_metres(self, parts: list[Part]) -> float:
        """Metres travelled in the still open second; distance counts it although no figure does."""
        ground = self.kit.ground
        if ground is None:
            return (self.kit.receiver.last_kmh or 0.0) / 3.6 * sum(part.ms for part in parts) / 1000
        return sum(part.counts[ground.at] for part in parts if ground.at < len(part.counts)) / self.now.pulses_per_m

    @property
    def totals(self) -> Totals:
        """Sums from the first second on."""
        return self.kit.sums.totals

    @property
    def minute_begun(self) -> bool:
        """Whether any second was closed since the last minute was taken."""
        return self.kit.sums.minute_begun

    def take_minute(self) -> Totals:
        """The totals since the last call; a new minute begins."""
        return self.kit.sums.take_minute()

    @property
    def dispersion(self) -> dict[str, float]:
        """How much more than Poisson counts scatter, by point."""
        return dict(zip(self.names, self.kit.dispersion(), strict=True))

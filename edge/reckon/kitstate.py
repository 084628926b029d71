"""The state of one kit between closed seconds and figures, and what is asked of it at any time."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from edge.contract.settings import BeamInput, GroundInput, LossInput, Settings, ShaftInput
from edge.feed.assembler import Part
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.money import UNKNOWN, ValueLost, value
from edge.reckon.entered.sieves import Sieves
from edge.reckon.figures import CalibrationFigure
from edge.reckon.fit import calibration as cal
from edge.reckon.fit.traytests import TrayTests
from edge.reckon.lag.cutarea import CutArea, MixedExposure
from edge.reckon.lag.learner import LagLearner
from edge.reckon.sensors.idle import IdleSeconds, QuietTime
from edge.reckon.sensors.losspoint import LossPoint
from edge.reckon.sensors.motion import GROUND_WINDOW_MS, SHAFT_WINDOW_MS, PulseRate, ReceiverSpeed
from edge.reckon.sensors.returns import Returns
from edge.reckon.sensors.workstate import Bit, WorkState
from edge.reckon.statistics.smoothing import Smoother
from edge.reckon.totals import MeanLoss, Totals


class KitState:
    """What is known of one kit. `background_changed`: a background was learned by itself and is not on record yet."""

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
        self._quiet = QuietTime(len(loss)) if self.work.knows_both else None
        self.background_changed = False
        self.lag = LagLearner()
        self._pulse_window: deque[tuple[float, int]] = deque()
        self._lagged_m2 = 0.0
        self._unseen_m2 = [0.0] * len(names)
        self._unseen_crop = 0
        self._status: tuple[CalibrationFigure, float | None] | None = None
        self._status_known = (0, 0, 0)
        self._status_from_s = self._status_until_s = 0.0

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
            self._status_until_s = math.nextafter(stale_s, math.inf) if now_s <= stale_s else now_s + 3600
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
            self.calibration.extra_u(self.now.mill, crops.values()),
            names,
            self.now.yield_t_ha,
        )

    def value_ha(self, totals: Totals, loss: MeanLoss, percents: Mapping[str, float] | None = None) -> ValueLost:
        """Money a hectare of totals whose mean loss is given; unknown when they hold more than the crop in front.

        `percents`: trash and cracked grain in the tank, None for the newest samples.
        """
        if any(sums.area_m2 > 0 for number, sums in totals.crops.items() if number != self.now.crop_number):
            return UNKNOWN
        if not totals.area_m2:
            return UNKNOWN
        lost_t = None if loss.kg_ha is None else loss.kg_ha / 1000
        return value(lost_t, self.now.yield_t_ha, self.now.price_per_t, self.now.discount_per_t(percents))

    @property
    def _lag_s(self) -> float:
        # Inferred work begins when the pulses do: the lag is in it already.
        return 0.0 if self.work.inferred else self.now.lag_s

    def open_metres(self, parts: list[Part]) -> float:
        """Metres travelled in the still open second; distance counts it although no figure does."""
        if self.ground is None:
            return (self.receiver.last_kmh or 0.0) / 3.6 * sum(part.ms for part in parts) / 1000
        at = self.ground.at
        return sum(part.counts[at] for part in parts if at < len(part.counts)) / self.now.pulses_per_m

    @property
    def totals(self) -> Totals:
        """Sums from the first second on."""
        whole = Totals(self.names)
        whole.add(self._done)
        whole.add(self._minute)
        return whole

    @property
    def minute_begun(self) -> bool:
        """Whether any second was closed since the last minute was taken."""
        return any(self._minute.seconds.values())

    def take_minute(self) -> Totals:
        """The totals since the last call; a new minute begins."""
        minute, self._minute = self._minute, Totals(self.names)
        self._done.add(minute)
        return minute

    @property
    def dispersion(self) -> dict[str, float]:
        """How much more than Poisson counts scatter, by point."""
        return dict(zip(self.names, self._dispersion(), strict=True))

    def _vibration_hz(self) -> list[float]:
        return [point.vibration_hz for point in self.points]

    def _dispersion(self) -> list[float]:
        return [smoother.dispersion.value for smoother in self.smoothers]

    def _refit(self) -> None:
        self.tests.refit(self._vibration_hz(), self._dispersion())
        self._status = None

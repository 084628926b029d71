"""The state of one kit between closed seconds: the parts that the reckoner holds, and nothing that decides."""

from __future__ import annotations

from collections import deque

from edge.contract.settings import Settings
from edge.reckon.calibrationstatus import CalibrationStatus
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.sieves import Sieves
from edge.reckon.fit.calibration import Calibration
from edge.reckon.fit.traytests import TrayTests
from edge.reckon.lag.cutarea import CutArea, MixedExposure
from edge.reckon.lag.learner import LagLearner
from edge.reckon.runningsums import RunningSums
from edge.reckon.sensors.idle import IdleSeconds, QuietTime
from edge.reckon.sensors.inputs import sensors_of
from edge.reckon.sensors.losspoint import LossSensors
from edge.reckon.sensors.motion import GroundSensors, ReceiverSpeed
from edge.reckon.sensors.returns import BeamSensors
from edge.reckon.sensors.workstate import Bit, WorkState
from edge.reckon.statistics.smoothing import Smoother


class KitState:
    """What is known of one kit.

    `sensors` by kind of input; `points`, `ground` and `returns` are those of them that figures need by name.
    `background_changed`: a background was learned by itself and is not on record yet.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.now = InForce.from_settings(settings)
        self.sensors = sensors_of(settings)
        loss, ground, beam = self.sensors["loss"], self.sensors["ground"], self.sensors["beam"]
        assert isinstance(loss, LossSensors) and isinstance(ground, GroundSensors) and isinstance(beam, BeamSensors)
        self.points, self.ground, self.returns = loss.points, ground.rate, beam.returns
        self.names = tuple([point.name for point in self.points])
        self.smoothers = [Smoother() for _ in self.points]
        self.calibration = Calibration(self.names)
        bits = {level.means: Bit(1 << level.bit, level.inverted) for level in settings.level}
        self.work = WorkState(bits.get("front down"), bits.get("threshing on"))
        self.receiver = ReceiverSpeed()
        self.sieves = Sieves(settings)
        self.area, self.exposure = CutArea(), MixedExposure()
        self.sums = RunningSums(self.points)
        self.tests = TrayTests(self.calibration)
        self.status = CalibrationStatus(self.calibration, self.now)
        self.idle = IdleSeconds()
        inputs = sum([len(point.sensors) for point in self.points])
        self.quiet = QuietTime(inputs) if self.work.knows_both else None
        self.background_changed = False
        self.lag = LagLearner()
        self.pulse_window: deque[tuple[float, int]] = deque()
        """Grain pulses and exposure in ms of the last seconds; kept only where no level is wired."""

    @property
    def lag_s(self) -> float:
        """The lag that figures go by. Inferred work begins when the pulses do: the lag is in it already."""
        return 0.0 if self.work.inferred else self.now.lag_s

    @property
    def crop_ha(self) -> float:
        """Hectares of the crop in front that were cut in this run."""
        return self.sums.crop_ha(self.now.crop_number)

    def vibration_hz(self) -> list[float]:
        """Background of each point in pulses/s."""
        return [point.vibration_hz for point in self.points]

    def vibration_u_hz(self) -> list[float]:
        """Its standard uncertainty."""
        return [point.vibration_u_hz for point in self.points]

    def dispersion(self) -> list[float]:
        """How much more than Poisson the counts of each point scatter."""
        return [smoother.dispersion.value for smoother in self.smoothers]

    def refit(self) -> None:
        """Another background holds: all factors follow."""
        self.tests.refit(self.vibration_hz(), self.dispersion())
        self.status.forget()

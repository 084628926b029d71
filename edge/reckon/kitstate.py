"""The state of one kit between closed seconds: the parts that the reckoner holds, and nothing that decides."""

from __future__ import annotations

from collections import deque

from edge.contract.settings import Settings
from edge.reckon.calibrationstatus import CalibrationStatus
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.sieves import Sieves
from edge.reckon.fit.calibration import Calibration
from edge.reckon.fit.trayrows import TrayRows
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

    now: InForce
    sieves: Sieves
    calibration: Calibration
    tests: TrayTests
    status: CalibrationStatus

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.sensors = sensors_of(settings)
        loss, ground, beam = self.sensors["loss"], self.sensors["ground"], self.sensors["beam"]
        assert isinstance(loss, LossSensors) and isinstance(ground, GroundSensors) and isinstance(beam, BeamSensors)
        self.points, self.ground, self.returns = loss.points, ground.rate, beam.returns
        self.names = tuple([point.name for point in self.points])
        self.smoothers = [Smoother() for _ in self.points]
        bits = {level.means: Bit(1 << level.bit, level.inverted) for level in settings.level}
        self.work = WorkState(bits.get("front down"), bits.get("threshing on"))
        self.receiver = ReceiverSpeed()
        self.area, self.exposure = CutArea(), MixedExposure()
        self.sums = RunningSums(self.points)
        self._area_from_ha = 0.0
        self.rows = TrayRows()
        self.idle = IdleSeconds()
        inputs = sum([len(point.sensors) for point in self.points])
        self.quiet = QuietTime(inputs) if self.work.knows_both else None
        self.background_changed = False
        self.lag = LagLearner()
        self.pulse_window: deque[tuple[float, int]] = deque()
        """Grain pulses and exposure in ms of the last seconds; kept only where no level is wired."""
        self.begin_entered()

    def begin_entered(self) -> None:
        """What entries put in force is as if none had been made; what the seconds gave stays."""
        self.now = InForce.from_settings(self.settings)
        self.sieves = Sieves(self.settings)
        self.calibration = Calibration(self.names)
        self.tests = TrayTests(self.calibration, self.rows)
        self.status = CalibrationStatus(self.calibration, self.now)
        for sensor in [sensor for point in self.points for sensor in point.sensors]:
            sensor.begin_background()
        if self.returns is not None:
            self.returns.begin_flow()

    @property
    def lag_s(self) -> float:
        """The lag that figures go by. Inferred work begins when the pulses do: the lag is in it already."""
        return 0.0 if self.work.inferred else self.now.lag_s

    @property
    def cut_ha(self) -> float:
        """Hectares cut since the last job was started, or since the first record: loads are told over differences of it."""
        return self._area_from_ha + self.sums.cut_ha

    def begin_area(self) -> None:
        """Hectares are counted anew."""
        self._area_from_ha = -self.sums.cut_ha

    def carry_area(self, since_mark_ha: float) -> None:
        """Before the first second: hectares that earlier runs cut since the tank was last empty."""
        self._area_from_ha = self.now.loads.mark_ha + since_mark_ha - self.sums.cut_ha

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
        self.tests.refit(self.vibration_hz())
        self.status.forget()

"""Tray tests kept in order, and what they say: the factors in force, their state, and why in words.

Window rule of the contract (section 4): the closed seconds in (at - 5 s, at + 5 s]; used if at least 8 s of it were work,
the speed stayed within 15 % of its mean, and no setting changed since at - lag - 20 s.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, sqrt
from typing import Literal, NamedTuple

from edge.contract.entries import TrayEntry, epoch_s, given
from edge.reckon.entered.inforce import InForce
from edge.reckon.fit import goodness
from edge.reckon.fit.factor import ENOUGH, NO_GRAIN, Factors, Fit, Measured, factors
from edge.reckon.fit.fits import DeferredFactors
from edge.reckon.fit.trays import TrayResult
from edge.reckon.statistics.budget import HALF_BLIND_U, LIGHT_GRAIN_U, MILL_U

CalibrationState = Literal["none", "rough", "good", "stale"]

HALF_WINDOW_S = 5.0
WORKING_S = 8
SPEED_SPREAD = 0.15
SETTLING_S = 20.0
STALE_S = 7 * 86_400.0
SIEVE_STEP_MM = 3.0
SHAFT_STEP = 0.15
EXACT = 1 - 1e-9
"""15 % is 15 % whatever binary fractions make of it."""

LEAST_LEFT = 0.1
"""Part of the tests' pulses that a background learned by itself must leave. From memory: a plate that hears more of the machine
than of the grain is set wrongly."""

BEYOND_CHANCE = 3.0
"""Standard deviations of a count from which more than that is no chance."""

SIEVES = ("top_sieve_mm", "bottom_sieve_mm", "pre_sieve_mm")
SHAFTS = ("fan_rpm", "rotor_rpm")


class WindowSecond(NamedTuple):
    """One closed second as tray windows need it.

    `pulses`, `variance` per loss point: corrected pulses (silent side stood in for) and the variance that Poisson
    counting leaves them, both before background; `threshing_s` exposure of the background; `area_m2` cut.
    """

    t: int
    working: bool
    speed_kmh: float | None
    metres: float
    threshing_s: float
    pulses: tuple[float, ...]
    variance: tuple[float, ...]
    half_blind: bool
    area_m2: float = 0.0


@dataclass(frozen=True, slots=True)
class Window:
    """The ten seconds around a tray: sums of its rows. `speeds` of the seconds in km/h."""

    seconds: int
    working_s: int
    speeds: tuple[float, ...]
    metres: float
    threshing_s: float
    pulses: tuple[float, ...]
    variance: tuple[float, ...]
    half_blind: bool
    area_m2: float = 0.0


def window(rows: Sequence[WindowSecond], at_s: float) -> Window:
    """Sum the closed seconds in (at - 5 s, at + 5 s]."""
    chosen = [row for row in rows if at_s - HALF_WINDOW_S < row.t <= at_s + HALF_WINDOW_S]
    points = len(chosen[0].pulses) if chosen else 0
    return Window(
        seconds=len(chosen),
        working_s=sum(row.working for row in chosen),
        speeds=tuple(row.speed_kmh for row in chosen if row.speed_kmh is not None),
        metres=sum(row.metres for row in chosen),
        threshing_s=sum(row.threshing_s for row in chosen),
        pulses=tuple(sum(row.pulses[i] for row in chosen) for i in range(points)),
        variance=tuple(sum(row.variance[i] for row in chosen) for i in range(points)),
        half_blind=any(row.half_blind for row in chosen),
        area_m2=sum(row.area_m2 for row in chosen),
    )


def unusable(seen: Window, entry: TrayEntry, changed_before_s: float | None, changed_what: str, lag_s: float) -> str:
    """Why a test with this window can't be used, in words; empty when it can.

    `changed_before_s`: how long before the tray the last setting change was (negative: within the window after it).
    """
    if entry.mill == "engaged":
        return "the tray lay in a stream that passes an engaged mill, which destroys grain"
    if not seen.seconds:
        return "no seconds around the tray are in this record"
    if seen.working_s < WORKING_S:
        return f"only {seen.working_s} of the 10 seconds around the tray were steady work; at least {WORKING_S} are needed"
    if not seen.speeds or seen.metres <= 0:
        return "no ground speed around the tray"
    mean = sum(seen.speeds) / len(seen.speeds)
    spread = max(abs(speed / mean - 1) for speed in seen.speeds) if mean > 0 else inf
    if spread > SPEED_SPREAD:
        return f"the speed moved {spread:.0%} from its mean around the tray; at most {SPEED_SPREAD:.0%} is allowed"
    if changed_before_s is not None and changed_before_s <= lag_s + SETTLING_S:
        when = f"{changed_before_s:.0f} s before" if changed_before_s >= 0 else "just after"
        return f"{changed_what} was changed {when} the tray; {lag_s + SETTLING_S:.0f} s must pass first (lag + 20 s)"
    if sum(seen.pulses) <= 0:
        return "no loss pulses around the tray"
    return ""


@dataclass(slots=True)
class Test:
    """One tray test as it was judged. `crop` is the number of the crop it was made in, `seq` that of its entry's record (0: not
    known); `dispersion` of each loss point when it was judged."""

    number: int
    at_s: float
    why: str
    entry: TrayEntry
    seen: Window
    result: TrayResult
    crop: int
    seq: int = 0
    dispersion: tuple[float, ...] = ()

    @property
    def used(self) -> bool:
        """Whether it counts."""
        return not self.why


class Calibration:
    """All tests and the factors they give. `points`: names of the loss points in order; `tests` only ever grows.

    `doubted_hz`: a background in pulses/s, all points together, that was seen with the machine empty and not believed; else 0.
    `moves_u`: relative standard uncertainty by which the factors move in an hour since the last test, growing with the root of
    time; 0: no movement is known.
    """

    def __init__(self, points: tuple[str, ...], tests: Iterable[Test] = ()) -> None:
        self.points, self.tests = points, list(tests)
        self.inforce = DeferredFactors.of(Factors(reason="no tray test yet"))
        self.factors_crop = -1
        self.doubted_hz = self.moves_u = 0.0

    @property
    def factors(self) -> Factors:
        """The factors in force."""
        return self.inforce.factors

    @factors.setter
    def factors(self, found: Factors) -> None:
        self.inforce = DeferredFactors.of(found)

    def add(self, test: Test, vibration_hz: Sequence[float]) -> DeferredFactors | None:
        """Take one judged test; returns its crop's factors fitted anew, None when it is not used."""
        if test.used:
            self._measured(test, vibration_hz, test.dispersion)  # what can't be reckoned with is refused here, not in a figure
        self.tests.append(test)
        return self.refit(test.crop, vibration_hz) if test.used else None

    def refit(self, crop: int, vibration_hz: Sequence[float], dispersion: Sequence[float] | None = None) -> DeferredFactors:
        """The factors by the used tests so far of one crop (at least one). They come into force unless a later crop's are.

        `dispersion` None: as it was when the newest of them was judged, so that the record alone gives the same again.
        """
        if dispersion is None:
            dispersion = next(test.dispersion for test in reversed(self.tests) if test.used and test.crop == crop)
        known, hz, scatter = len(self.tests), tuple(vibration_hz), tuple(dispersion)
        found = DeferredFactors(lambda: self._fitted(crop, known, hz, scatter))
        if crop >= self.factors_crop:
            self.inforce, self.factors_crop = found, crop
        return found

    def _fitted(self, crop: int, known: int, vibration_hz: Sequence[float], dispersion: Sequence[float]) -> Factors:
        chosen = [test for test in self.tests[:known] if test.used and test.crop == crop]
        return replace(
            factors([self._measured(test, vibration_hz, dispersion) for test in chosen], self.points),
            bypassed=any(test.entry.mill == "bypassed" for test in chosen),
            counted=any(test.result.counted for test in chosen),
        )

    def bears(self, vibration_hz: Sequence[float], crop: int, seconds: float | None = None) -> bool:
        """Whether this background (pulses/s of each point) leaves each point pulses in the used tests of a crop that held grain.

        `seconds` it was counted over: then only what lies beyond chance is too much (three standard deviations of its count).
        """
        tests = [test for test in self.tests if test.used and test.crop == crop and test.result.machine_g_m > 0]
        for i, point in enumerate(self.points):
            seen = [test.seen for test in tests if test.entry.catches in ("both", point)]
            exposure_s = sum(window.threshing_s for window in seen)
            most_hz = (1 - LEAST_LEFT) * sum(window.pulses[i] for window in seen) / exposure_s if exposure_s > 0 else 0.0
            if most_hz <= 0:
                continue
            slack_hz = 0.0 if seconds is None else BEYOND_CHANCE * sqrt(most_hz / seconds)
            if vibration_hz[i] > most_hz + slack_hz:
                return False
        return True

    def _measured(self, test: Test, vibration_hz: Sequence[float], dispersion: Sequence[float]) -> Measured:
        seen, metres = test.seen, test.seen.metres
        pulses, us, hidden = {}, {}, {}
        for i, point in enumerate(self.points):
            grain_pulses = max(seen.pulses[i] - vibration_hz[i] * seen.threshing_s, 0.0)
            pulses[point] = grain_pulses / metres
            # Corrected n = m / (1 - m tau): dn / d ln tau = n x m tau / (1 - m tau), and the variance is n / (1 - m tau).
            hidden[point] = max(seen.variance[i] - seen.pulses[i], 0.0) / metres
            us[point] = sqrt(dispersion[i] * max(seen.variance[i], 1.0)) / grain_pulses if grain_pulses > 0 else 0.0
        return Measured(
            number=test.number,
            at_s=test.at_s,
            catches=test.entry.catches,
            grain_mg_m=test.result.machine_g_m * 1000,
            u_grain_mg_m=test.result.u_machine_g_m * 1000,
            pulses_m=pulses,
            u_pulses=us,
            counted=test.result.counted,
            extra_u=HALF_BLIND_U if seen.half_blind else 0.0,
            width_m=seen.area_m2 / metres,
            hidden_m=hidden,
        )

    @property
    def last_used(self) -> Test | None:
        """The newest test that counts."""
        return max((test for test in self.tests if test.used), key=lambda test: test.at_s, default=None)

    def used(self) -> int:
        """Tests behind the factors in force."""
        return sum(test.used and test.crop == self.factors_crop for test in self.tests)

    def extra_u(self, mill: str, others: Iterable[Factors] = ()) -> float:
        """Further uncertainty, common to all tests: counts weighed through the TGW; a mill that runs now and was bypassed
        in the tests. `others`: the factors meant, if not those in force."""
        meant = list(others) or [self.factors]
        counted, bypassed = any(one.counted for one in meant), any(one.bypassed for one in meant)
        return hypot(LIGHT_GRAIN_U if counted else 0.0, MILL_U if bypassed and mill == "engaged" else 0.0)

    def state(self, now_s: float, now: InForce) -> tuple[CalibrationState, str]:
        """State of the calibration, and why, in words for the user."""
        state, why = self._state(now_s, now)
        return state, why + self._why_not_taken_off()

    def _state(self, now_s: float, now: InForce) -> tuple[CalibrationState, str]:
        last = self.last_used
        if last is None or not self.factors.points:
            return "none", self._why_none()
        why = self._why_stale(last, now_s, now)
        if why:
            return "stale", why
        points = self.factors.points
        n, besides = self.used(), self._why_clicks() + self._why_trend()
        point = goodness.widest(points)
        u, dof = points[point].u, points[point].dof
        where = "" if self.factors.common or len(points) == 1 else f" at the {point}"
        known = f"the factor{where} {goodness.said(u, dof)}"
        helps = goodness.most_helpful(points, self.factors.common, self.factors.counted)
        if n < ENOUGH:
            return "rough", f"{n} tray test{'s' if n > 1 else ''} used; {ENOUGH} make a good calibration; {known}; {helps}"
        missing = [name for name in self.points if name not in points]
        if missing:
            alone = f"a tray test of both points or one that catches {' and '.join(missing)} alone would help most"
            return "rough", f"no tray test gives a factor for {' and '.join(missing)} yet, so the total is unknown; {alone}"
        asked = f"a good calibration asks for at most {100 * goodness.FARTHEST:.0f} % either way"
        if not goodness.is_good(u, dof):
            return "rough", f"after {n} tray tests {known}; {asked}; {helps}{besides}"
        hours = max(0.0, now_s - last.at_s) / 3600
        moved_u = self.moves_u * sqrt(hours)
        if not goodness.is_good(u, dof, moved_u):
            now_said = goodness.said(u, dof, moved_u)
            return "stale", f"{hours:.0f} h after the last tray test the factor{where} {now_said}; {asked}"
        outlying = sorted({number for found in points.values() for number in found.outlying})
        named = f"; test {', '.join(map(str, outlying))} lies far from the others" if outlying else ""
        return "good", f"{n} tray tests used, {known}{named}{besides}"

    def _each(self) -> list[tuple[str, Fit]]:
        """Where a fit holds, in words, and the fit; a common one once."""
        found = [(f" at the {name}", fit) for name, fit in self.factors.points.items()]
        return [("", found[0][1])] if self.factors.common or len(found) == 1 else found

    def _why_clicks(self) -> str:
        return "".join(
            f"; {fit.clicks_m2:.2g} pulses per m2{where} come with straw, not grain, and are taken off"
            for where, fit in self._each()
            if fit.clicks_m2 > 0
        )

    def _why_trend(self) -> str:
        return "".join(
            f"; the factor{where} {'rises' if fit.trend > 0 else 'falls'} about {abs(fit.trend):.0%} from test to test: "
            "look for dirt on the sensors, wear or a changing crop, and lay further trays (nothing is corrected for it)"
            for where, fit in self._each()
            if fit.trend
        )

    def _why_not_taken_off(self) -> str:
        if not self.doubted_hz:
            return ""
        return (
            f"; {self.doubted_hz:.0f} pulses per second were counted with the machine empty, too many beside those of the tray "
            "tests: they are not taken off; look at the sensors"
        )

    def _why_none(self) -> str:
        if any(test.used for test in self.tests):
            return self.factors.reason or NO_GRAIN
        if self.tests:
            return f"no tray test could be used; the last one: {self.tests[-1].why}"
        return "no tray test yet"

    def _why_stale(self, last: Test, now_s: float, now: InForce) -> str:
        if now.crop_number != self.factors_crop:
            return "the crop has changed since the last tray test"
        if now_s - last.at_s > STALE_S:
            return f"the last tray test is {(now_s - last.at_s) / 86_400:.0f} days old"
        for what in SIEVES + SHAFTS:
            moved = now.moved_since(what, last.at_s)
            if moved is None:
                continue
            was, to = moved
            step = SIEVE_STEP_MM if what in SIEVES else SHAFT_STEP * was
            if step > 0 and abs(to - was) >= step * EXACT:
                return f"{what} went from {was:g} to {to:g} since the last tray test"
        return ""


def moment_s(entry: TrayEntry, stamp_ms: int) -> float:
    """When the discharge passed the tray: its `at`, else the line's stamp."""
    at = given(entry.at)
    return stamp_ms / 1000 if at is None else epoch_s(at)

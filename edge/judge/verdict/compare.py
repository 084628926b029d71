"""Did a setting change help? One answer object with its words; `low` and `high` stay valid however often it is asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, hypot, inf, log
from typing import Any

import numpy as np

from edge.judge.verdict import grain, kernels, project, samples
from edge.judge.verdict.changes import Sides, Span, numbered, sides
from edge.judge.verdict.contrast import LEVEL, BlockSample, Effect, difference, log_ratio
from edge.judge.verdict.course import Course
from edge.judge.verdict.interval import RatioInterval
from edge.judge.verdict.words import LEAST_MINUTES, VerdictFacts, at_once_words, baseline_words, kit_setting_words, words
from edge.reckon.fit.calibration import Test
from edge.reckon.fit.factor import Factors
from edge.reckon.loss import MG_M2_PER_KG_HA

SPEED_VARIED = 0.04
"""Standard deviation of log(speed) from which it is taken out as a covariate."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a comparison draws on beside the seconds: judged tray tests, the points' vibration background, the limit of
    the returns (None: none is set), TGW in g by the crop's number."""

    tests: Sequence[Test]
    vibration_hz: Sequence[float]
    returns_limit_pct: float | None = None
    tgw_g: Mapping[int, float | None] = field(default_factory=dict)


NOTHING: dict[str, float | None] = {"ratio": None, "low": None, "high": None}


def compare(course: Course, n: int, evidence: Evidence) -> dict[str, Any]:
    """The contract's answer for change `n`, counted from 1. Raises ValueError for a number that is none."""
    known = {mark.n: mark for mark in numbered(course)}
    if n not in known:
        allowed = f"1 to {max(known)}" if known else "none; no setting change is in this source"
        raise ValueError(f"setting: found {n}; allowed: {allowed}")
    if known[n].key == "lag_s":
        return _refused(kit_setting_words(), {}, {})
    if known[n].is_baseline:
        return _refused(baseline_words(known[n]), {}, {})
    found = sides(course, n)
    return _Comparison(course, found, evidence).answer()


class _Comparison:
    """One comparison, worked out in order; everything is kept for the words."""

    def __init__(self, course: Course, found: Sides, evidence: Evidence) -> None:
        self.course, self.sides, self.evidence = course, found, evidence
        self.names = course.points
        self.key = found.change.key
        spans = [(0, *span) for span in found.before] + [(1, *span) for span in found.after]
        crop = [test for test in evidence.tests if test.crop == found.change.crop]
        self.crop_factors = grain.factors_of(crop, self.names, evidence.vibration_hz)
        self.tests = tuple([one for one in crop if self._within(one, where)] for where in (found.whole_before, found.after))
        self.weights = self._weights()
        self.side_factors, self.grain = self._grain()
        self.few = self._few()
        cut, alone = course.cut(spans), [[float(at == i) for i in range(len(self.names))] for at in range(len(self.names))]
        self._ones = [course.weighed(cut, weights) for weights in alone]
        self.rates = self._rates()
        self.clicks = self._clicks()
        self.sample = course.weighed(cut, self.weights, self.clicks)
        if any(self.clicks):
            self._ones = [course.weighed(cut, weights, self.clicks) for weights in alone]
        self.minutes = tuple(float(self.sample.seconds[self.sample.side == k].sum()) / 60 for k in (0, 1))

    def _within(self, test: Test, where: Sequence[Span]) -> bool:
        if not test.used:
            return False
        place = self.course.place(test.at_s)
        return any(low < place <= high for low, high in where)

    def _weights(self) -> list[float]:
        """Pulses of a point count by the grain behind them where that is known, else alike."""
        if self.crop_factors is None:
            return [1.0] * len(self.names)
        ks = [self.crop_factors.points[name].k for name in self.names]
        return [k * len(ks) / sum(ks) for k in ks]

    def _rates(self) -> tuple[list[float], list[float]]:
        """Pulses per m2 of each point on each side."""
        rates: tuple[list[float], list[float]] = ([], [])
        for at in range(len(self.names)):
            one = self._ones[at]
            for k in (0, 1):
                mine = one.side == k
                area = float(one.area_m2[mine].sum())
                rates[k].append(float(one.pulses[mine].sum()) / area if area > 0 else 0.0)
        return rates

    def _clicks(self) -> list[float]:
        """Straw clicks per m2 that are taken off the pulses; in grain they are taken off on each side by its own fit."""
        if self.grain:
            return [0.0] * len(self.names)
        mean = [(before + after) / 2 for before, after in zip(*self.rates, strict=True)]
        return grain.clicks_m2(self.crop_factors, self.names, mean)

    def _grain(self) -> tuple[tuple[Factors | None, Factors | None], bool]:
        """Factors of each side, and whether grain is the basis."""
        if grain.alters_share(self.key):
            before, after = (grain.factors_of(tests, self.names, self.evidence.vibration_hz) for tests in self.tests)
            empty = [kernels.found_nothing(tests) for tests in self.tests]
            if (before is not None or empty[0]) and (after is not None or empty[1]) and not all(empty):
                return (before, after), True
        return (self.crop_factors, self.crop_factors), False

    def _few(self) -> tuple[kernels.Catch, kernels.Catch] | None:
        """What the trays of each side caught, where it is so little on one that it must be counted."""
        if not self.grain or not all(kernels.can_be_counted(tests) for tests in self.tests):
            return None
        tgw_g = self.evidence.tgw_g.get(self.sides.change.crop)
        before, after = (
            kernels.catch(tests, self.names, self.evidence.vibration_hz, self.weights, tgw_g) for tests in self.tests
        )
        return (before, after) if min(before.kernels, after.kernels) < kernels.FEW else None

    def _interval(self, effect: Effect, names: Sequence[str], weights: Sequence[float]) -> tuple[RatioInterval, float]:
        """The ratio on its basis, and the half width that only further tray tests would narrow."""
        before, after = self.side_factors
        if not self.grain:
            clicks = grain.clicks_half_width(self.crop_factors, self.names, self.rates, names)
            return RatioInterval.of_log(effect.estimate, hypot(effect.half_width, clicks)), clicks
        if self.few is not None:
            share = kernels.share_ratio(*self.few)
            unbounded = RatioInterval.of_log(effect.estimate, inf)
            return unbounded if share is None else _pulses(effect).times(share), inf
        moved = None
        if before is not None and after is not None:
            moved = grain.shift((before, after), self.names, self.rates, names, weights)
        if moved is None:
            return RatioInterval.of_log(effect.estimate, inf), inf
        return RatioInterval.of_log(effect.estimate + moved.log, grain.joined(effect.half_width, moved)), moved.half_width

    def _effect(self, sample: BlockSample) -> Effect | None:
        logs = np.log(sample.kmh)
        varied = self.key != "speed_kmh" and len(logs) > 0 and float(logs.std()) >= SPEED_VARIED
        found = log_ratio(sample, speed_too=True) if varied else None
        return found if found is not None else log_ratio(sample)

    def _side(self, k: int) -> dict[str, float | None]:
        mine = self.sample.side == k
        seconds, returns = self.sample.seconds[mine], self.sample.returns[mine]
        heard = ~np.isnan(returns)
        lost = self._lost(k)
        kg_ha = None if lost is None or seconds.sum() <= 0 else sum(lost)
        found: dict[str, float | None] = {
            "minutes": round(self.minutes[k], 2),
            "kg_ha": kg_ha,
            "returns_pct": float((returns * seconds)[heard].sum() / seconds[heard].sum()) if heard.any() else None,
            "kmh": float((self.sample.kmh[mine] * seconds).sum() / seconds.sum()) if seconds.sum() > 0 else None,
        }
        found.update({key: samples.mean(self._values(k, key)) for key in samples.KEYS})
        return found

    def _lost(self, k: int) -> list[float] | None:
        """Loss of each point on a side in kg/ha; None where no test says."""
        factors = self.side_factors[k]
        if factors is None:
            return [0.0] * len(self.names) if self.grain else None  # the trays of this side were empty
        return [mg_m2 / MG_M2_PER_KG_HA for mg_m2 in grain.loss_mg_m2(factors, self.names, self.rates[k])]

    def _values(self, k: int, key: str) -> list[float]:
        """Tank samples of a side; what comes into the tank is a lag old, which the guard time covers."""
        where = self.sides.after if k else self.sides.whole_before
        marks = [mark for mark in self.course.marks if mark.kind == "sample"]
        inside = [one for one in marks if any(low < self.course.elapsed_at(one) <= high for low, high in where)]
        return [value for mark in inside for name, value in mark.values if name == key]

    def _points(self) -> dict[str, Any]:
        answer: dict[str, Any] = {}
        for at, name in enumerate(self.names):
            effect = self._effect(self._ones[at])
            plain = NOTHING if effect is None else self._interval(effect, (name,), (1.0,))[0].plain()
            each = {}
            for k, when in enumerate(("before_kg_ha", "after_kg_ha")):
                lost = self._lost(k)
                each[when] = None if lost is None else lost[at]
            answer[name] = {**plain, **each}
        return answer

    def answer(self) -> dict[str, Any]:
        """The object of the contract."""
        before, after = self._side(0), self._side(1)
        short = min(self.minutes) < LEAST_MINUTES
        effect = None if short else self._effect(self.sample)
        facts = VerdictFacts(
            change=self.sides.change, was=self.sides.was, basis="grain" if self.grain else "pulses", before=before,
            after=after, pooled=self.sides.pooled, open=self.sides.open, alters=grain.alters_share(self.key),
            tests=(len(self.tests[0]), len(self.tests[1])), beside=self.sides.beside,
            returns_limit_pct=self.evidence.returns_limit_pct, standing_min=self._standing_min(), returned=self.sides.returned,
        )  # fmt: skip
        if self.sides.beside is not None:
            return _refused(at_once_words(facts), before, after, facts)
        if effect is None:
            more = None
            if short and self.minutes[0] >= LEAST_MINUTES and self.sides.open:
                more = ceil(LEAST_MINUTES - self.minutes[1] + (0.5 if self.minutes[1] <= 0 else 0.0))
            facts.minutes_more, facts.next_s = more, self.sides.next_s
            return _refused(words(facts), before, after, facts)
        return self._judged(effect, facts)

    def _standing_min(self) -> float:
        """Minutes of steady work since the setting stands where it does."""
        now = (self.sample.side == 1) & (self.sample.mid_s > self.sides.since_s)
        return float(self.sample.seconds[now].sum()) / 60

    def _judged(self, effect: Effect, facts: VerdictFacts) -> dict[str, Any]:
        interval, further = self._interval(effect, self.names, self.weights)
        facts.risen = self._risen()
        facts.ratio, facts.low, facts.high = interval.ratio, interval.low, interval.high
        pulses = _pulses(effect)
        facts.pulses = (pulses.ratio or 0.0, pulses.low, pulses.high)
        if self.grain and interval.contradicts(pulses):
            return self._contradicted(facts)
        facts.verdict = _verdict(interval, bool(facts.risen))
        facts.detectable_pct = _detectable_pct(interval)
        facts.tests_limit = further > effect.half_width
        if facts.verdict == "no detectable change":
            wanted = interval.distance
            facts.minutes_more = project.minutes_more(self.sample, effect, wanted, further) if self.sides.open else None
            facts.drift_limits = project.drift_limits(effect)
            facts.small = wanted < log(1.1)
        return {
            "verdict": facts.verdict,
            "basis": facts.basis,
            **interval.plain(),
            "level": LEVEL,
            "smallest_detectable_pct": facts.detectable_pct,
            "minutes_more": facts.minutes_more,
            "before": facts.before,
            "after": facts.after,
            "points": self._points(),
            "pulses": pulses.plain(),
            "spans": {"before": len(self.sides.before), "after": len(self.sides.after)},
            "grade": "likely" if self.sides.pooled else "so far",
            "next": _plain(facts),
            "words": words(facts),
        }

    def _contradicted(self, facts: VerdictFacts) -> dict[str, Any]:
        """Trays and pulses can't both be right: no ratio is answered, nor the kilograms that the trays would give."""
        facts.contradicts = True
        before, after = ({**side, "kg_ha": None} for side in (facts.before, facts.after))
        return {**_refused(words(facts), before, after, facts), "basis": facts.basis}

    def _risen(self) -> tuple[str, ...]:
        """What detectably rose beside the loss: returns, trash, cracked grain."""
        risen = []
        returns = difference(self.sample)
        if returns is not None and returns.estimate - returns.half_width > 0:
            risen.append("returns_pct")
        risen += [key for key in ("trash_pct", "cracked_pct") if samples.rose(self._values(0, key), self._values(1, key))]
        return tuple(risen)


def _pulses(effect: Effect) -> RatioInterval:
    return RatioInterval.of_log(effect.estimate, effect.half_width)


def _detectable_pct(interval: RatioInterval) -> float | None:
    """The smallest fall that could have been seen; None where the interval has no middle or no end."""
    return 100 * (1 - interval.low / interval.ratio) if interval.ratio and interval.high is not None else None


def _verdict(interval: RatioInterval, risen: bool) -> str:
    if interval.low > 1:
        return "worse"
    if interval.high is not None and interval.high < 1:
        return "mixed" if risen else "better"
    return "no detectable change"


def _plain(facts: VerdictFacts | None) -> dict[str, Any] | None:
    return facts.next.to_plain() if facts is not None and facts.next is not None else None


def _refused(
    said: str, before: dict[str, Any], after: dict[str, Any], facts: VerdictFacts | None = None
) -> dict[str, Any]:
    empty = {"minutes": 0.0, "kg_ha": None, "returns_pct": None}
    return {
        "verdict": "not enough data", "basis": "pulses", **NOTHING, "level": LEVEL, "smallest_detectable_pct": None,
        "minutes_more": facts.minutes_more if facts is not None else None, "before": before or empty, "after": after or empty,
        "points": {}, "grade": None, "next": _plain(facts), "words": said,
    }  # fmt: skip

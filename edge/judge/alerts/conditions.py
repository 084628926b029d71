"""What each rule sees in one second: conditions that are on, or stand in a deadband; what is absent is off.

Own memories: each shaft's working speed, each point's usual pulses, hours of work since tray test and gauge check. All
time is counted in closed seconds, so a stepped clock changes nothing. This runs every second beside the figures: in
ordinary work it costs a few microseconds (tests/bench/bench_alerts.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, ClassVar, Literal

from edge.contract import entries
from edge.contract.entries import given
from edge.contract.flags import Flag
from edge.contract.inputs import BeamInput, GroundInput, LossInput
from edge.contract.settings import Settings
from edge.feed.assembler import Second
from edge.judge.alerts.condition import BETWEEN, ON, Condition
from edge.judge.alerts.rules import LEAVE_SETTINGS, LOOKS, RULES, AlertRule
from edge.reckon.figures import Figures
from edge.reckon.sensors.inputs import INPUTS

Key = tuple[str, str]

TWICE_EASES_P = 0.5
"""A danger eases where the loss is likelier under twice its limit than over it (from memory)."""

RETURNS_DEADBAND, LIMIT_MOVES = 0.95, 0.01
SIDE_TIMES, SIDE_CLEARS_TIMES = 2.0, 1.6
LEAST_SIDE_PER_S = 1.0
LOOK_LASTS_S = 1800

SHAFT_LEARNS_S = 60
SHAFT_MEMORY_S = 1800
RATE_EVERY_S = 4
RATE_STEP = 0.05

FASTEST_KMH = 45.0
BEAM_DARK, BEAM_PADDLES_PCT = 0.98, 3.0
"""A beam whose empty paddles darken it for this share of the time can't stay bright while they run."""

TREMBLES_PER_S = 5.0
STANDING_PER_S, STANDING_UNLEARNED_PER_S, STANDING_SHARE = 5.0, 20.0, 0.3
"""Loss pulses that belong to crop although the ground input says the machine stands; the share is of the usual rate."""

EVENT_RULES = {"restart": "board-restarted", "clock step": "clock-stepped"}


_LOSS: Key = ("loss-over-limit", "")
_RETURNS: Key = ("returns-over-limit", "")


def retold(rule: AlertRule, condition: Condition, limit: float | None, action: str) -> str | None:
    """What to do, for a standing alert whose limit an entry moved by 1 % or more, or whose action is another one by now;
    None when there is nothing to tell anew."""
    if rule.name not in (_LOSS[0], _RETURNS[0]) or condition.limit is None:
        return None
    to_do = condition.action or rule.action if rule.name == _LOSS[0] else action  # a look at the returns tells its own
    moved = limit is None or abs(condition.limit - limit) > LIMIT_MOVES * limit
    return to_do if moved or to_do != action else None


class _Shaft:
    """A shaft's own working speed, learned at work and only while it isn't low."""

    __slots__ = ("rpm", "seconds")

    def __init__(self) -> None:
        self.rpm, self.seconds = 0.0, 0

    def step(self, rpm: float, low: float) -> Literal["well", "between", "low"]:
        own = self.rpm
        if self.seconds >= SHAFT_LEARNS_S and rpm < own * (1.0 - low / 2):
            return "low" if rpm < own * (1.0 - low) else "between"
        if self.seconds < SHAFT_MEMORY_S:
            self.seconds += 1
        self.rpm = own + (rpm - own) / self.seconds
        return "well"


class Conditions:
    """The senses of one kit."""

    def __init__(self, settings: Settings) -> None:
        alerts = settings.alerts
        self._raise_p, self._clear_p = alerts.raise_p, alerts.clear_p
        self._tray_s, self._gauge_s = 3600 * alerts.tray_overdue_h, 3600 * alerts.gauge_overdue_h
        self._low = alerts.shaft_low_pct / 100
        self._by_figures = [rule for rule in RULES.values() if rule.sees is not None]
        self.returns_limit = self._wired_returns_limit = settings.limits.returns_pct
        self.mill = "none"
        self.awaits_verdict = False
        self.since_tray_s = self.since_gauge_s = 0
        self._before_tray_s = self._before_gauge_s = 0
        self._gauge: entries.GaugeEntry | None = None
        self._tests: int | None = None
        self._look: tuple[int, entries.ReturnsLookEntry] | None = None
        self._worked_s = 0
        self._shafts: dict[str, _Shaft] = {}
        self._per_s: dict[str, float] = {}
        loss = settings.inputs(LossInput)
        self._inputs: dict[str, list[LossInput]] = {}
        for one in loss:
            self._inputs.setdefault(one.point, []).append(one)
        self._sides = {name: _side_bounds(inputs) for name, inputs in self._inputs.items()}
        beams, grounds = settings.inputs(BeamInput), settings.inputs(GroundInput)
        self._beam: BeamInput | None = beams[0] if beams else None
        self._ground: GroundInput | None = grounds[0] if grounds else None
        self._names = {wired.at: INPUTS[wired.reads].name(wired) for wired in settings.input}
        self._levels: dict[str, tuple[int, bool]] = {level.means: (1 << level.bit, level.inverted) for level in settings.level}

    # ------------------------------------------------------------------ entries

    def learn(self, entry: entries.Entry) -> None:
        """Take what an entry changes for the rules."""
        learn = self.LEARNS.get(type(entry))
        if learn is not None:
            learn(self, entry)

    def _learn_limit(self, entry: entries.LimitEntry) -> None:
        if "returns_pct" in entries.to_plain(entry):
            self.returns_limit = given(entry.returns_pct)

    def _learn_setting(self, entry: entries.SettingEntry) -> None:
        if entry.what == "mill":
            self.mill = str(entry.to)
        elif entry.what in ("fan_rpm", "rotor_rpm"):
            self._forget_shaft(entry.what.removesuffix("_rpm"))

    def _learn_gauge(self, entry: entries.GaugeEntry) -> None:
        self._before_gauge_s, self.since_gauge_s, self._gauge = self.since_gauge_s, 0, entry

    def _learn_look(self, entry: entries.ReturnsLookEntry) -> None:
        self._look = (self._worked_s, entry)

    LEARNS: ClassVar[dict[type[entries.Entry], Callable[[Any, Any], None]]] = {
        entries.LimitEntry: _learn_limit,
        entries.SettingEntry: _learn_setting,
        entries.GaugeEntry: _learn_gauge,
        entries.ReturnsLookEntry: _learn_look,
    }
    """What a kind of entry changes for the rules."""

    NOT_RESTORED: ClassVar[frozenset[type[entries.Entry]]] = frozenset({entries.ReturnsLookEntry})
    """Kinds of which the next run takes up nothing: a look at the returns is soon old."""

    def begin_again(self, counted: Iterable[entries.Entry], tests: int, newest_struck: bool) -> None:
        """What entries changed, by those that still count, in order; what the seconds taught stays. `tests` in use now;
        `newest_struck`: the newest tray test was struck out."""
        self._tests = tests if self._tests is not None else None
        if newest_struck:
            self.since_tray_s, self._before_tray_s = self.since_tray_s + self._before_tray_s, 0
        kept = list(counted)
        self.returns_limit, self.mill = self._wired_returns_limit, "none"
        for entry in kept:
            if isinstance(entry, entries.LimitEntry):
                self._learn_limit(entry)
            elif isinstance(entry, entries.SettingEntry) and entry.what == "mill":
                self.mill = str(entry.to)
        if self._look is not None and self._look[1] not in kept:
            self._look = None
        if self._gauge is not None and self._gauge not in kept:
            self._gauge, self.since_gauge_s = None, self.since_gauge_s + self._before_gauge_s

    def look(self) -> tuple[str, str]:
        """Cause and action that the last half hour's look at the returns gives; empty without one."""
        if self._look is None or self._worked_s - self._look[0] > LOOK_LASTS_S:
            return "", ""
        for amount in ("much", "some"):
            for what, words in LOOKS.items():
                if given(getattr(self._look[1], what)) == amount:
                    return words
        return "", ""

    def _forget_shaft(self, word: str) -> None:
        """A speed that was set is learned anew."""
        for name in self._shafts:
            if word in name.lower():
                self._shafts[name] = _Shaft()

    # ------------------------------------------------------------------ one second

    def step(self, figures: Figures, second: Second) -> dict[Key, Condition]:
        """Conditions by rule and object."""
        seen: dict[Key, Condition] = {}
        state = figures.state
        loss = figures.loss
        if loss is not None and loss.over_limit_p is not None and loss.over_limit_p > self._clear_p:
            seen[_LOSS] = self._loss(figures)
        if state == "working":
            self._at_work(figures, second, seen)
        elif second.parts and state != "no data":
            self._standing(figures, second, seen)
        for rule in self._by_figures:
            assert rule.sees is not None
            for about, condition in rule.sees(figures).items():
                seen[rule.name, about] = condition
        for at in figures.silent_inputs:
            seen["input-silent", str(at)] = Condition(True, subject=self._names[at])
        for at in figures.saturated_inputs:
            seen["input-saturated", str(at)] = Condition(True, subject=self._names[at])
        if figures.flags:
            self._flags(figures, seen)
        if second.events:
            for event in second.events:
                if event.kind in EVENT_RULES:
                    seen[EVENT_RULES[event.kind], ""] = ON
        if self.since_tray_s >= self._tray_s or figures.calibration.tests != self._tests:
            self._tray(figures.calibration.tests, seen)
        if self.since_gauge_s >= self._gauge_s:
            hours = self.since_gauge_s / 3600
            seen["gauge-overdue", ""] = Condition(True, round(hours, 2), self._gauge_s / 3600, detail=_hours(hours))
        return seen

    def _loss(self, figures: Figures) -> Condition:
        loss, limit = figures.loss, figures.limit_kg_ha
        assert loss is not None and loss.over_limit_p is not None
        if loss.kg_ha is None or limit is None:
            return BETWEEN
        twice_p = loss.over_twice_limit_p or 0.0
        severity = "danger" if twice_p >= self._raise_p else "caution"
        action = LEAVE_SETTINGS if self.awaits_verdict else ""
        on = loss.over_limit_p >= self._raise_p
        return Condition(on, loss.kg_ha, limit, severity, action=action, eased=twice_p < min(TWICE_EASES_P, self._raise_p))

    def _at_work(self, figures: Figures, second: Second, seen: dict[Key, Condition]) -> None:
        self.since_tray_s += 1
        self.since_gauge_s += 1
        self._worked_s += 1
        limit, pct = self.returns_limit, figures.returns_pct
        if limit is not None and pct is not None and pct >= RETURNS_DEADBAND * limit:
            cause, action = self.look()
            seen[_RETURNS] = Condition(pct > limit, pct, limit, cause=cause, action=action)
        for name, rpm in figures.shafts.items():
            if rpm is not None:
                shaft = self._shafts.get(name) or self._shafts.setdefault(name, _Shaft())
                if (found := shaft.step(rpm, self._low)) != "well":
                    seen["shaft-low", name] = self._shaft(name, rpm, shaft.rpm, found == "low")
        for name, point in figures.points.items():
            share = point.left_share
            if share is not None:
                bounds = self._sides[name]
                if (share > bounds[1] or share < bounds[0]) and self._per_s.get(name, 0.0) >= LEAST_SIDE_PER_S:
                    seen["side-imbalance", name] = _imbalance(name, share, bounds)
        if self._worked_s % RATE_EVERY_S == 0:
            for name, rate in figures.pulses_per_s.items():
                if rate is not None:
                    usual = self._per_s.setdefault(name, rate)
                    self._per_s[name] = usual + RATE_STEP * (rate - usual)
        if self.mill == "bypassed":
            seen["mill-bypassed", ""] = ON
        if self._beam is not None and second.parts:
            self._see_beam(self._beam, second, seen)
        if self._ground is not None and (figures.speed_kmh or 0.0) > FASTEST_KMH:
            at, detail = self._ground.at, f"{figures.speed_kmh:.0f} km/h can't be."
            stuck = Condition(True, figures.speed_kmh, FASTEST_KMH, detail=detail, subject=self._names[at])
            seen["input-stuck", str(at)] = stuck

    def _shaft(self, name: str, rpm: float, own: float, low: bool) -> Condition:
        limit = own * (1.0 - self._low)
        return Condition(low, round(rpm, 1), round(limit, 1), detail=f"Shaft {name}: {rpm:.0f} of {own:.0f} rpm.")

    def _see_beam(self, beam: BeamInput, second: Second, seen: dict[Key, Condition]) -> None:
        parts = second.parts
        ms, blocked = parts[0].ms, parts[0].counts[beam.at] if beam.at < len(parts[0].counts) else -1
        if len(parts) > 1:
            ms = sum([part.ms for part in parts])
            blocked = sum([part.counts[beam.at] for part in parts if beam.at < len(part.counts)])
        if blocked >= BEAM_DARK * ms or (blocked == 0 and beam.empty_pct >= BEAM_PADDLES_PCT):
            dark = "Always dark." if blocked else "Never dark."
            seen["input-stuck", str(beam.at)] = Condition(True, detail=dark, subject=self._names[beam.at])

    def _standing(self, figures: Figures, second: Second, seen: dict[Key, Condition]) -> None:
        """Idle, turning or filling: does the machine's stillness agree with its sensors?"""
        part = second.parts[-1]
        if not self._level(part.levels, "threshing on"):
            if "threshing on" in self._levels:
                self._trembling(second, seen)
            return
        if figures.state != "idle" or not self._level(part.levels, "front down"):
            return
        if figures.speed_kmh is None:
            seen["no-ground-speed", ""] = ON
        elif self._ground is not None and figures.speed_kmh == 0.0:
            rate = sum([one for one in figures.pulses_per_s.values() if one is not None])
            usual = sum(self._per_s.values())
            least = max(STANDING_PER_S, STANDING_SHARE * usual) if usual else STANDING_UNLEARNED_PER_S
            if rate >= least:
                detail = f"The ground input counts nothing while {rate:.0f} loss pulses a second arrive."
                seen["no-ground-speed", ""] = Condition(True, detail=detail)

    def _trembling(self, second: Second, seen: dict[Key, Condition]) -> None:
        ms = sum([part.ms for part in second.parts])
        for inputs in self._inputs.values():
            for one in inputs:
                count = sum([part.counts[one.at] for part in second.parts if one.at < len(part.counts)])
                if ms and count * 1000 / ms > TREMBLES_PER_S:
                    detail = f"{count} pulses a second with the thresher off."
                    seen["input-stuck", str(one.at)] = Condition(True, detail=detail, subject=self._names[one.at])

    def _level(self, levels: int, means: str) -> bool:
        """Whether a level is on; an unwired one counts as true."""
        found = self._levels.get(means)
        return found is None or bool(levels & found[0]) != found[1]

    def _flags(self, figures: Figures, seen: dict[Key, Condition]) -> None:
        blind: list[str] = []
        for flag in figures.flags:
            wired = self._inputs.get(flag.point, [])
            if flag.flag is Flag.HALF_BLIND:
                silent = [self._names[one.at] for one in wired if one.at in figures.silent_inputs]
                blind += silent or [flag.point]
            elif flag.flag is Flag.BLIND:
                for one in wired:
                    detail = f"Nothing at all arrives from the {flag.point}."
                    seen["input-silent", str(one.at)] = Condition(True, detail=detail, subject=self._names[one.at])
        if blind:
            seen["half-blind", ""] = Condition(True, subject=" and ".join(blind))

    def _tray(self, tests: int, seen: dict[Key, Condition]) -> None:
        if tests != self._tests:
            if self._tests is not None and tests > self._tests:
                self._before_tray_s, self.since_tray_s = self.since_tray_s, 0
            self._tests = tests
        if self.since_tray_s >= self._tray_s:
            hours = self.since_tray_s / 3600
            seen["tray-overdue", ""] = Condition(True, round(hours, 2), self._tray_s / 3600, detail=_hours(hours))


def _side_bounds(inputs: list[LossInput]) -> tuple[float, float, float, float]:
    """Left shares at the clearing odds (low, high), then at the raising odds; fair is the left's part of the sensors."""
    left = sum(one.side == "left" for one in inputs)
    right = len(inputs) - left
    if not left or not right:
        return 0.0, 1.0, 0.0, 1.0
    odds = left / right

    def share(times: float) -> float:
        return times * odds / (1 + times * odds)

    return share(1 / SIDE_CLEARS_TIMES), share(SIDE_CLEARS_TIMES), share(1 / SIDE_TIMES), share(SIDE_TIMES)


def _imbalance(name: str, share: float, bounds: tuple[float, float, float, float]) -> Condition:
    limit = bounds[3] if share > bounds[1] else bounds[2]
    on = share > bounds[3] or share < bounds[2]
    detail = f"{name.capitalize()}: {100 * share:.0f} % on the left, {100 - 100 * share:.0f} % elsewhere."
    return Condition(on, round(share, 3), round(limit, 3), detail=detail)


def _hours(hours: float) -> str:
    return f"{hours:.1f} h of work since the last."

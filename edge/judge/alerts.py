"""Alerts: conditions of each second -> raised, acknowledged, returned, shelved, cleared.

The life follows the open alarm standards (ISA-18.2 / IEC 62682): an alert whose condition ended before anyone
acknowledged it is `returned` and waits for the acknowledgement. Time is counted in closed seconds, so a stepped clock
changes no hold. None is raised while turning or filling.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

from edge import entries
from edge.errors import EntryError
from edge.feed.assembler import Second
from edge.judge.rules import RULES, Rule
from edge.reckon.figures import Figures
from edge.settings import Settings

AlertState = Literal["raised", "acknowledged", "returned", "shelved", "cleared"]

BETWEEN_RAISES_S = 60
SETTLED_STATES = ("turning", "filling")
RETURNS_DEADBAND = 0.95
DANGER_TIMES = 2.0


@dataclass(frozen=True, slots=True)
class Change:
    """An alert's new state. Times in epoch ms; `value` and `limit` where a figure is compared."""

    rule: str
    object: str
    state: AlertState
    severity: str
    since_ms: int
    at_ms: int
    text: str
    cause: str
    action: str
    value: float | None = None
    limit: float | None = None
    ended_ms: int | None = None

    @property
    def name(self) -> str:
        """`<rule>` or `<rule>/<object>`, as `ack` names it."""
        return f"{self.rule}/{self.object}" if self.object else self.rule

    def to_plain(self) -> dict[str, Any]:
        """The record's body; times in epoch ms."""
        return {
            "rule": self.rule, "object": self.object or None, "state": self.state, "severity": self.severity,
            "since_ms": self.since_ms, "at_ms": self.at_ms, "text": self.text, "value": self.value,
            "limit": self.limit, "ended_ms": self.ended_ms,
        }  # fmt: skip


class Condition(NamedTuple):
    """What one rule sees in one second: `on` raises, `off` clears; neither holds in between."""

    object: str
    on: bool
    off: bool
    value: float | None = None
    limit: float | None = None
    severity: str = ""
    detail: str = ""


_ON = Condition("", True, False)
_EVENT_RULES = {"restart": "board-restarted", "clock step": "clock-stepped"}


@dataclass(slots=True)
class _Life:
    """What is remembered of one rule and object."""

    on_s: float = 0.0
    off_s: float = 0.0
    change: Change | None = None
    active: bool = False
    last_raise: int = -10_000
    shelved_until: int | None = None
    off_since_ms: int = 0


class Judge:
    """All alerts of one kit."""

    def __init__(self, settings: Settings) -> None:
        self._alerts = settings.alerts
        self._returns_pct = settings.limits.returns_pct
        self._lives: dict[tuple[str, str], _Life] = {}
        self._second = 0

    @property
    def open(self) -> list[Change]:
        """Alerts that are not cleared, newest state each."""
        return [life.change for life in self._lives.values() if life.change and life.change.state != "cleared"]

    def step(self, figures: Figures, second: Second) -> list[Change]:
        """Judge one second; returns the alerts whose state changed."""
        self._second = figures.number
        changes: list[Change] = []
        seen = self._conditions(figures, second)
        for key in self._lives:
            if key not in seen:
                seen[key] = Condition(key[1], False, True)
        for (name, _), condition in seen.items():
            changes += self._judge(RULES[name], condition, figures)
        return changes

    def admit(self, entry: entries.AnyEntry) -> None:
        """Check `ack` and `shelve` against the open alerts. Raises EntryError."""
        if not isinstance(entry, (entries.Ack, entries.Shelve)):
            return
        names = [change.name for change in self.open]
        if entry.alert not in names:
            kind = entries.kind_of(entry)
            raise EntryError(f"{kind}: alert: found {entry.alert!r}; allowed: {', '.join(names) or 'none is open'}")

    def learn(self, entry: entries.AnyEntry, stamp_ms: int) -> list[Change]:
        """Act on `ack`, `shelve` and `limit`."""
        if isinstance(entry, entries.Limit):
            self.restore(entries.to_plain(entry))
        if not isinstance(entry, (entries.Ack, entries.Shelve)):
            return []
        life = next(one for one in self._lives.values() if one.change and one.change.name == entry.alert)
        assert life.change is not None
        state: AlertState
        if isinstance(entry, entries.Shelve):
            life.shelved_until = self._second + round(entry.minutes * 60)
            state = "shelved"
        else:
            life.shelved_until = None
            state = "acknowledged" if life.active else "cleared"
        life.change = replace(life.change, state=state, at_ms=stamp_ms)
        return [life.change]

    def restore(self, body: dict[str, Any]) -> None:
        """Take up an entry of an earlier run."""
        if body["entry"] == "limit" and "returns_pct" in body:
            self._returns_pct = body["returns_pct"]

    # ------------------------------------------------------------------ the life of one alert

    def _judge(self, rule: Rule, condition: Condition, figures: Figures) -> list[Change]:
        life = self._lives.setdefault((rule.name, condition.object), _Life())
        if rule.in_work and figures.state in SETTLED_STATES:
            return []
        now_ms = figures.t * 1000
        if condition.off and life.off_s == 0:
            life.off_since_ms = now_ms
        life.on_s = life.on_s + 1 if condition.on else 0.0
        life.off_s = life.off_s + 1 if condition.off else 0.0
        raise_s = self._alerts.raise_s if rule.raise_s is None else rule.raise_s
        clear_s = self._alerts.clear_s if rule.clear_s is None else rule.clear_s
        changes: list[Change] = []
        if life.shelved_until is not None and self._second >= life.shelved_until:
            changes += self._unshelve(life, now_ms)
        if not life.active and condition.on and life.on_s >= max(raise_s, 1):
            changes += self._raise(rule, condition, life, now_ms)
        elif life.active and condition.off and life.off_s >= max(clear_s, 1):
            changes += self._end(life, now_ms)
        elif life.active and condition.on:
            changes += self._worsen(condition, life, now_ms)
        return changes

    def _raise(self, rule: Rule, condition: Condition, life: _Life, now_ms: int) -> list[Change]:
        if self._second - life.last_raise < BETWEEN_RAISES_S:
            return []
        life.active, life.last_raise = True, self._second
        state: AlertState = "shelved" if life.shelved_until is not None else "raised"
        life.change = Change(
            rule=rule.name,
            object=condition.object,
            state=state,
            severity=condition.severity or rule.severity,
            since_ms=now_ms,
            at_ms=now_ms,
            text=f"{rule.text} {condition.detail}".strip(),
            cause=rule.cause,
            action=rule.action,
            value=condition.value,
            limit=condition.limit,
        )
        return [life.change]

    def _worsen(self, condition: Condition, life: _Life, now_ms: int) -> list[Change]:
        """A caution that became a danger is told again, as new, at most once a minute."""
        change = life.change
        if change is None or condition.severity != "danger" or change.severity == "danger":
            return []
        if change.state == "shelved" or self._second - life.last_raise < BETWEEN_RAISES_S:
            return []
        life.last_raise = self._second
        life.change = replace(
            change, state="raised", severity="danger", at_ms=now_ms, value=condition.value, limit=condition.limit
        )
        return [life.change]

    def _end(self, life: _Life, now_ms: int) -> list[Change]:
        life.active = False
        assert life.change is not None
        state: AlertState = "returned" if life.change.state == "raised" else "cleared"
        if life.change.state == "shelved":
            life.shelved_until = None
        life.change = replace(life.change, state=state, at_ms=now_ms, ended_ms=life.off_since_ms)
        return [life.change]

    def _unshelve(self, life: _Life, now_ms: int) -> list[Change]:
        life.shelved_until = None
        if life.change is None or life.change.state != "shelved":
            return []
        life.change = replace(life.change, state="raised" if life.active else "cleared", at_ms=now_ms)
        return [life.change]

    # ------------------------------------------------------------------ what each rule sees

    def _conditions(self, figures: Figures, second: Second) -> dict[tuple[str, str], Condition]:
        """Conditions that hold or stand in between, by rule and object; what is absent is off."""
        seen: dict[tuple[str, str], Condition] = {}
        for name, condition in (
            ("loss-over-limit", self._loss_condition(figures)),
            ("returns-over-limit", self._returns_condition(figures)),
        ):
            if not condition.off:
                seen[name, ""] = condition
        for at in figures.silent_inputs:
            seen["input-silent", str(at)] = Condition(str(at), True, False, detail=f"Input {at}.")
        for at in figures.saturated_inputs:
            seen["input-saturated", str(at)] = Condition(str(at), True, False, detail=f"Input {at}.")
        blind = [flag for flag in figures.flags if flag.startswith("half-blind")]
        if blind:
            seen["half-blind", ""] = Condition("", True, False, detail=_sides(blind))
        if figures.state == "no data":
            seen["no-data", ""] = _ON
        elif figures.speed_kmh is None and figures.state == "idle" and second.parts:
            seen["no-ground-speed", ""] = _ON
        for event in second.events:
            if event.kind in _EVENT_RULES:
                seen[_EVENT_RULES[event.kind], ""] = _ON
        return seen

    def _loss_condition(self, figures: Figures) -> Condition:
        loss, limit = figures.loss, figures.limit_kg_ha
        if loss is None or loss.over_limit_p is None or loss.kg_ha is None or limit is None:
            return Condition("", False, figures.state not in SETTLED_STATES)
        p = loss.over_limit_p
        severity = "danger" if loss.kg_ha >= DANGER_TIMES * limit else "caution"
        return Condition("", p >= self._alerts.raise_p, p <= self._alerts.clear_p, loss.kg_ha, limit, severity)

    def _returns_condition(self, figures: Figures) -> Condition:
        limit, pct = self._returns_pct, figures.returns_pct
        if limit is None or pct is None or figures.state != "working":
            return Condition("", False, True)
        return Condition("", pct > limit, pct < RETURNS_DEADBAND * limit, pct, limit)


def _sides(flags: list[str]) -> str:
    return "Point: " + ", ".join(flag.removeprefix("half-blind ") for flag in flags) + "." if flags else ""

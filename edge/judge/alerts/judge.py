"""Alerts: conditions of each second -> raised, acknowledged, returned, shelved, cleared.

The life follows the open alarm standards (ISA-18.2 / IEC 62682): an alert whose condition ended before anyone
acknowledged it is `returned` and waits for the acknowledgement; a shelved one stays away for its stated time, also when
its condition comes and goes, and is told again if it still stands then. Time is counted in closed seconds, so a stepped
clock changes no hold. None is raised while turning or filling, none twice in a minute.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Literal

from edge.contract import entries
from edge.contract.allowed import ChoiceRule
from edge.contract.refusal import value_found
from edge.contract.settings import Settings
from edge.feed.assembler import Second
from edge.judge.alerts.condition import ON, Condition
from edge.judge.alerts.conditions import EVENT_RULES, Conditions, Key, retold
from edge.judge.alerts.flood import SHOWN, Flood
from edge.judge.alerts.rules import RANK, RULES, AlertRule
from edge.reckon.figures import Figures

AlertState = Literal["raised", "acknowledged", "returned", "shelved", "cleared"]

BETWEEN_RAISES_S = 60
SETTLED_STATES = ("turning", "filling")
LONGEST_STEP_S = 60
EVENTS = frozenset(EVENT_RULES.values())
_FLOOD: Key = ("flood", "")


@dataclass(frozen=True, slots=True)
class AlertChange:
    """An alert's new state. Times in epoch ms; `value` and `limit` where a figure is compared.

    `suppressed`: raised in a flood and not among the worst three; `until_ms`: about when a shelf ends; `ended_ms`: when its
    condition ended: then `text` tells what was, and `action` is empty.
    """

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
    suppressed: bool = False
    until_ms: int | None = None

    @property
    def name(self) -> str:
        """`<rule>` or `<rule>/<object>`, as `ack` names it."""
        return f"{self.rule}/{self.object}" if self.object else self.rule

    def to_plain(self) -> dict[str, Any]:
        """The record's body; times in epoch ms."""
        return {
            "rule": self.rule, "object": self.object or None, "state": self.state, "severity": self.severity,
            "since_ms": self.since_ms, "at_ms": self.at_ms, "text": self.text, "value": self.value,
            "limit": self.limit, "ended_ms": self.ended_ms, "suppressed": self.suppressed, "until_ms": self.until_ms,
        }  # fmt: skip


@dataclass(slots=True)
class _AlertLife:
    """What is remembered of one rule and object; times in judged seconds."""

    on_s: int = 0
    off_s: int = 0
    worse_s: int = 0
    eased_s: int = 0
    change: AlertChange | None = None
    active: bool = False
    last_raise: int = -10_000
    shelved_until: int | None = None
    off_since_ms: int = 0
    pending: bool = False
    """An event on a headland: told when work goes on."""

    @property
    def watched(self) -> bool:
        """Whether a second without its condition matters."""
        return self.active or self.on_s > 0 or self.shelved_until is not None or self.pending


class Judge:
    """All alerts of one kit."""

    def __init__(self, settings: Settings) -> None:
        self._alerts = settings.alerts
        self._conditions = Conditions(settings)
        self._lives: dict[Key, _AlertLife] = {}
        self._watched: set[Key] = set()
        self._noted: dict[Key, Condition] = {}
        self._ever_noted: set[Key] = set()
        self._flood = Flood()
        self._clock = self._number = 0
        self._now_ms: int | None = None

    @property
    def open(self) -> list[AlertChange]:
        """Alerts that are not cleared, newest state each."""
        return [life.change for life in self._lives.values() if life.change and life.change.state != "cleared"]

    @property
    def hours(self) -> tuple[float, float]:
        """Hours of work since the last used tray test and the last gauge check."""
        return self._conditions.since_tray_s / 3600, self._conditions.since_gauge_s / 3600

    def await_verdict(self, waits: bool) -> None:
        """Whether the newest change of a setting still waits for its verdict, so that no alert calls for another one."""
        self._conditions.awaits_verdict = waits

    def restore_hours(self, tray_h: float, gauge_h: float) -> None:
        """Hours of work of earlier runs since the last used tray test and the last gauge check."""
        self._conditions.since_tray_s = round(3600 * tray_h)
        self._conditions.since_gauge_s = round(3600 * gauge_h)

    # ------------------------------------------------------------------ what time and others bring

    def step(self, figures: Figures, second: Second) -> list[AlertChange]:
        """Judge one second; returns the alerts whose state changed."""
        number = figures.number
        self._clock += number - self._number if number > self._number else 1
        self._number = number
        self._now_ms = now_ms = figures.t * 1000
        seen = self._conditions.step(figures, second)
        if self._noted:
            seen.update(self._noted)
        if not seen and not self._watched and self._flood.quiet:
            return []
        settled = figures.state in SETTLED_STATES
        changes: list[AlertChange] = []
        for key in [*seen, *(self._watched - seen.keys())] if self._watched else list(seen):
            changes += self._judge(key, seen.get(key), now_ms, settled, 1)
        return self._in_flood(changes, now_ms, settled)

    def note(
        self, rule: str, object: str, on: bool, detail: str = "", value: float | None = None, limit: float | None = None
    ) -> None:
        """A standing condition from outside (disk, store, broker): it holds until noted otherwise.

        Judged with the next second, or by `facts` when none closes. Raises KeyError for an unknown rule.
        """
        key = RULES[rule].name, object
        self._ever_noted.add(key)
        if on:
            self._noted[key] = Condition(True, value, limit, detail=detail)
        else:
            self._noted.pop(key, None)

    def facts(self, at_ms: int) -> list[AlertChange]:
        """Judge noted conditions alone, for when no second closes (no counter yet); call it about once a second."""
        passed = 1 if self._now_ms is None else min((at_ms - self._now_ms) // 1000, LONGEST_STEP_S)
        if passed < 1:
            return []
        self._now_ms = at_ms
        self._clock += passed
        changes: list[AlertChange] = []
        for key in self._ever_noted:
            if key in self._noted or key in self._watched:
                changes += self._judge(key, self._noted.get(key), at_ms, False, passed)
        return self._in_flood(changes, at_ms, False)

    def admit(self, entry: entries.Entry) -> None:
        """Check `ack` and `shelve` against the open alerts. Raises EntryError."""
        if not isinstance(entry, (entries.AckEntry, entries.ShelveEntry)):
            return
        names = [change.name for change in self.open]
        if entry.alert not in names:
            raise entry.refused(("alert",), value_found(entry.alert), ChoiceRule(tuple(names) or ("none is open",)))

    def learn(self, entry: entries.Entry, stamp_ms: int) -> list[AlertChange]:
        """Act on `ack` and `shelve`; take what other entries change for the rules."""
        self._conditions.learn(entry)
        if isinstance(entry, entries.ReturnsLookEntry):
            return self._looked(stamp_ms)
        if not isinstance(entry, (entries.AckEntry, entries.ShelveEntry)):
            return []
        key = next(key for key, life in self._lives.items() if life.change and life.change.name == entry.alert)
        life = self._lives[key]
        assert life.change is not None
        if isinstance(entry, entries.ShelveEntry):
            life.shelved_until = self._clock + round(entry.minutes * 60)
            until_ms = stamp_ms + round(entry.minutes * 60_000)
            life.change = replace(life.change, state="shelved", at_ms=stamp_ms, suppressed=False, until_ms=until_ms)
        else:
            life.shelved_until = None
            state: AlertState = "acknowledged" if life.active else "cleared"
            life.change = replace(life.change, state=state, at_ms=stamp_ms, suppressed=False, until_ms=None)
        self._watch(key, life)
        return [life.change]

    def restore(self, body: dict[str, Any]) -> None:
        """Take up an entry of an earlier run."""
        entry = entries.from_plain(body)
        if type(entry) not in self._conditions.NOT_RESTORED:
            self._conditions.learn(entry)

    def begin_again(self, counted: Iterable[entries.Entry], tests: int, newest_struck: bool) -> None:
        """Entries were struck out: the rules go by those that still count, in order. Alerts stay as they are. `tests` in use
        now; `newest_struck`: the newest tray test was struck out."""
        self._conditions.begin_again(counted, tests, newest_struck)

    def restore_alerts(self, bodies: Iterable[dict[str, Any]], now_ms: int) -> list[AlertChange]:
        """Take up the newest record of each alert of earlier runs: what was acknowledged or shelved stays so while its
        condition lasts, what waited for an acknowledgement goes on waiting. Returns those that are open."""
        for body in bodies:
            rule, until_ms = RULES.get(body["rule"]), body.get("until_ms")
            left_ms = min(until_ms - now_ms, until_ms - body["at_ms"]) if until_ms is not None else 0
            if rule is None or (body["state"] in ("shelved", "cleared") and left_ms <= 0):
                continue  # a shelf that is over: it is told anew if it still stands
            plain = {**body, "object": body["object"] or "", "suppressed": False}
            action = "" if body["state"] in ("returned", "cleared") else rule.action
            change = AlertChange(cause=rule.cause, action=action, **plain)
            life = self._lives[rule.name, change.object] = _AlertLife(change=change)
            life.active = change.state in ("raised", "acknowledged", "shelved")
            if left_ms > 0:
                life.shelved_until = self._clock + -(-left_ms // 1000)
            self._watch((rule.name, change.object), life)
        return self.open

    def _looked(self, stamp_ms: int) -> list[AlertChange]:
        """A look at the returns is the answer to their alert: it acknowledges, and says more of the cause."""
        life = self._lives.get(("returns-over-limit", ""))
        cause, action = self._conditions.look()
        if life is None or not life.active or life.change is None or not cause:
            return []
        state: AlertState = "acknowledged" if life.change.state == "raised" else life.change.state
        life.change = replace(life.change, state=state, at_ms=stamp_ms, cause=cause, action=action, suppressed=False)
        return [life.change]

    # ------------------------------------------------------------------ the life of one alert

    def _watch(self, key: Key, life: _AlertLife) -> None:
        if life.watched:
            self._watched.add(key)
        else:
            self._watched.discard(key)

    def _judge(self, key: Key, condition: Condition | None, now_ms: int, settled: bool, passed: int) -> list[AlertChange]:
        """One rule and object in this second; `condition` None: it is off."""
        rule = RULES[key[0]]
        life = self._lives.get(key)
        if life is None:
            if condition is None or not condition.on:
                return []
            life = self._lives[key] = _AlertLife()
        if settled and rule.in_work:
            life.on_s = 0  # what held before the headland says nothing about the next pass
            return self._shelf(key, life, now_ms, settled)
        on = condition is not None and condition.on
        if condition is None and life.off_s == 0:
            life.off_since_ms = now_ms
        life.on_s = life.on_s + passed if on else 0
        life.off_s = life.off_s + passed if condition is None else 0
        raise_s = self._alerts.raise_s if rule.raise_s is None else rule.raise_s
        clear_s = self._alerts.clear_s if rule.clear_s is None else rule.clear_s
        changes: list[AlertChange] = []
        if settled and on and rule.name in EVENTS:
            life.pending = True
        if life.active:
            if condition is not None:
                changes = self._reweigh(condition, life, now_ms, passed, (raise_s, clear_s))
                changes = changes or self._refresh(rule, condition, life, now_ms)
            elif life.off_s >= max(clear_s, 1):
                changes = self._end(rule, life, now_ms)
        elif not settled and (life.pending or (on and life.on_s >= max(raise_s, 1))):
            changes = self._raise(rule, key[1], condition or ON, life, now_ms)
        return changes + self._shelf(key, life, now_ms, settled)

    def _shelf(self, key: Key, life: _AlertLife, now_ms: int, settled: bool) -> list[AlertChange]:
        """Whether a shelf's time is over; and whether the life needs looking at when its condition is gone."""
        changes: list[AlertChange] = []
        if life.shelved_until is not None and self._clock >= life.shelved_until:
            changes = self._unshelve(life, now_ms, settled)
        self._watch(key, life)
        return changes

    def _raise(self, rule: AlertRule, object_: str, condition: Condition, life: _AlertLife, now_ms: int) -> list[AlertChange]:
        if self._clock - life.last_raise < BETWEEN_RAISES_S:
            return []
        life.active, life.pending, life.last_raise, life.worse_s, life.eased_s = True, False, self._clock, 0, 0
        shelved = life.shelved_until is not None
        if not shelved and rule.name != "flood":
            self._flood.raised(self._clock)
        until_ms = now_ms + 1000 * (life.shelved_until - self._clock) if life.shelved_until is not None else None
        life.change = AlertChange(
            rule=rule.name,
            object=object_,
            state="shelved" if shelved else "raised",
            severity=condition.severity or rule.severity,
            since_ms=now_ms,
            at_ms=now_ms,
            text=rule.told(condition),
            cause=condition.cause or rule.cause,
            action=condition.action or rule.action,
            value=condition.value,
            limit=condition.limit,
            until_ms=until_ms,
        )
        return [life.change]

    def _reweigh(
        self, condition: Condition, life: _AlertLife, now_ms: int, passed: int, holds_s: tuple[float, float]
    ) -> list[AlertChange]:
        """A caution that became a danger is told again, as new; a danger that eased is shown as caution, as it stands.

        `holds_s`: how long a danger must hold to be told, and how long it must have eased.
        """
        change, (raise_s, clear_s) = life.change, holds_s
        if change is None or not condition.severity:
            return []
        danger, was = condition.severity == "danger", change.severity == "danger"
        life.worse_s = life.worse_s + passed if danger and not was else 0
        life.eased_s = life.eased_s + passed if condition.eased and was else 0
        if self._clock - life.last_raise < BETWEEN_RAISES_S:
            return []
        if life.worse_s >= max(raise_s, 1) and change.state != "shelved":
            life.last_raise, life.worse_s = self._clock, 0
            return self._rewrite(life, now_ms, condition, state="raised", severity="danger", suppressed=False)
        if life.eased_s >= max(clear_s, 1):
            life.last_raise, life.eased_s = self._clock, 0
            return self._rewrite(life, now_ms, condition, severity=condition.severity)
        return []

    def _refresh(self, rule: AlertRule, condition: Condition, life: _AlertLife, now_ms: int) -> list[AlertChange]:
        """The limit was changed, or what to do: the alert is told again as it stands, at most once a minute."""
        change = life.change
        if change is None or change.state == "shelved" or self._clock - life.last_raise < BETWEEN_RAISES_S:
            return []
        if (action := retold(rule, condition, change.limit, change.action)) is None:
            return []
        life.last_raise = self._clock
        return self._rewrite(life, now_ms, condition, action=action)

    def _rewrite(self, life: _AlertLife, now_ms: int, condition: Condition, **changed: Any) -> list[AlertChange]:
        assert life.change is not None
        life.change = replace(life.change, at_ms=now_ms, value=condition.value, limit=condition.limit, **changed)
        return [life.change]

    def _end(self, rule: AlertRule, life: _AlertLife, now_ms: int) -> list[AlertChange]:
        """The condition is gone: the alert tells what was, and gives no order any more."""
        life.active, life.on_s = False, 0
        assert life.change is not None
        state: AlertState = "returned" if life.change.state == "raised" else "cleared"
        text = rule.ended(life.change.text)
        life.change = replace(
            life.change, state=state, at_ms=now_ms, ended_ms=life.off_since_ms, suppressed=False, text=text, action=""
        )
        return [life.change]

    def _unshelve(self, life: _AlertLife, now_ms: int, settled: bool) -> list[AlertChange]:
        if life.active and (settled or self._clock - life.last_raise < BETWEEN_RAISES_S):
            return []
        life.shelved_until = None
        if life.change is None or life.change.state != "shelved":
            return []
        if life.active:
            life.last_raise = self._clock
        life.change = replace(life.change, state="raised" if life.active else "cleared", at_ms=now_ms, until_ms=None)
        return [life.change]

    # ------------------------------------------------------------------ floods

    def _in_flood(self, changes: list[AlertChange], now_ms: int, settled: bool) -> list[AlertChange]:
        """Mark what a flood keeps back, bring forward what it no longer does, and count the rest."""
        flooding = self._flood.step(self._clock)
        if not flooding and _FLOOD not in self._watched:
            return changes
        waiting = [
            life for key, life in self._lives.items() if key != _FLOOD and life.change and life.change.state == "raised"
        ]
        waiting.sort(key=_worst_first)
        fresh = {change.name: place for place, change in enumerate(changes)}
        told = list(changes)
        for place, life in enumerate(waiting):
            assert life.change is not None
            back, name = flooding and place >= SHOWN, life.change.name
            if back and name in fresh and not life.change.suppressed:
                life.change = told[fresh[name]] = replace(life.change, suppressed=True)
            elif not back and life.change.suppressed and not settled and self._clock - life.last_raise >= BETWEEN_RAISES_S:
                life.last_raise = self._clock
                life.change = replace(life.change, suppressed=False, at_ms=now_ms)
                told.append(life.change)
        kept_back = sum(life.change is not None and life.change.suppressed for life in waiting)
        return told + self._count(kept_back, now_ms, settled)

    def _count(self, kept_back: int, now_ms: int, settled: bool) -> list[AlertChange]:
        """The alert that stands for the rest."""
        condition = None
        if kept_back:
            condition = Condition(True, float(kept_back), float(SHOWN), detail=f"{kept_back} more are kept back.")
        changes = self._judge(_FLOOD, condition, now_ms, settled, 1)
        life = self._lives.get(_FLOOD)
        if changes or condition is None or life is None or life.change is None or life.change.value == condition.value:
            return changes
        if settled or self._clock - life.last_raise < BETWEEN_RAISES_S or life.change.state != "raised":
            return []
        life.last_raise = self._clock
        return self._rewrite(life, now_ms, condition, text=f"{RULES['flood'].text} {condition.detail}")


def _worst_first(life: _AlertLife) -> tuple[int, int]:
    """Severity, then the oldest: what was there first is more often the cause."""
    assert life.change is not None
    return RANK[life.change.severity], life.change.since_ms

"""What advice needs, gathered beside the loop: figures each second, entries, verdicts -> a situation once a minute.

`step` after `Reckoner.step`, `learn` after `Reckoner.learn`, `verdict` with each answer of `compare`, `minute` once a minute.
"""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from edge.contract import entries
from edge.contract.settings import Settings
from edge.judge.advice import rules
from edge.judge.advice.advise import TRAY_FOR_VERDICT, WAIT_FOR_VERDICT, advise
from edge.judge.advice.advisedsecond import AdvisedSecond, SecondJudged
from edge.judge.advice.settingsbook import GoodSet, SettingsBook
from edge.judge.advice.situation import LOOKS, SETTINGS, Situation, Tried
from edge.judge.advice.worth import worth
from edge.judge.alerts.judge import AlertChange
from edge.judge.verdict.course import SETTLING_S
from edge.judge.verdict.nextstep import NextStep
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.inforce import SettingChange as SettingChange
from edge.reckon.entered.sieves import SETTING_OF, Sieves
from edge.reckon.figures import Figures
from edge.reckon.fit.calibration import Test
from edge.reckon.tables import crops

ROW_S = 60
EVERY_S = 4
"""Figures are smoothed already: every fourth second tells a minute's mean as well, for a quarter of the time."""

KEPT_ROWS = 40
MEAN_ROWS, RECENT_ROWS, LEAST_ROWS = 15, 5, 3
LOOK_LASTS_S = 2 * 3600
"""A look at the returns or a tank sample speaks for the settings it was taken under, and for two hours at most."""

TRIED_S = 12 * 3600
NIGHT_S = 4 * 3600
FIRST_LOAD_S = 300
STANDING = ("step", "look", "hold")
HELD_S = 15 * 60
"""Such advice stands for so much work, unless something was done or seen: figures that hover must not make it waver."""

SHAFTS = {"fan": "fan_rpm", "rotor": "rotor_rpm"}


@dataclass(slots=True)
class _WorkMinute:
    """Sums over up to a minute of steady work: seconds, and (sum, seconds) of each quantity that was known."""

    seconds: int = 0
    sums: dict[str, list[float]] = field(default_factory=dict)

    def add(self, name: str, value: float | None) -> None:
        if value is not None:
            into = self.sums.setdefault(name, [0.0, 0.0])
            into[0] += value
            into[1] += 1.0


def _mean(rows: Iterable[_WorkMinute], name: str) -> float | None:
    parts = [row.sums[name] for row in rows if name in row.sums]
    seconds = sum(part[1] for part in parts)
    return sum(part[0] for part in parts) / seconds if seconds else None


class Adviser:
    """Advice of one kit, and its settings book. `awaits_verdict`: the newest change is not judged, so none is called for."""

    def __init__(self, settings: Settings) -> None:
        self.book = SettingsBook()
        self._settings = settings
        self._crops = crops.table(settings.crop_data)
        self._rows: deque[_WorkMinute] = deque(maxlen=KEPT_ROWS)
        self._clock = 0
        self._steady_from = 0
        self._worked_s = self._today_s = 0
        self._last_work_t: int | None = None
        self._look: tuple[float, dict[str, str]] | None = None
        self._sample: tuple[float, dict[str, float]] | None = None
        self._heads_kg_ha: float | None = None
        self._verdicts: dict[int, dict[str, Any]] = {}
        self._is_judging = False
        self._crop_from, self._crop_number = 0, 1
        self._shafts: dict[str, float] = {}
        self._calibration = "none"
        self._limit_kg_ha: float | None = None
        self.awaits_verdict = False
        self._told: dict[str, Any] | None = None
        self._told_time = ""
        self._told_events: Any = None
        self._told_worked_s = 0

    def as_now(self) -> Adviser:
        """A copy, to go on from when something that came after is taken back."""
        then = copy.copy(self)
        shared = ("_settings", "_crops")
        vars(then).update(copy.deepcopy({key: one for key, one in vars(self).items() if key not in shared}))
        return then

    def without_past(self) -> Adviser:
        """One that knows the work done so far, and nothing that was entered, judged or told."""
        then, new = self.as_now(), Adviser(self._settings)
        told = ("_told", "_told_time", "_told_events", "_verdicts", "_is_judging", "_crop_from", "_crop_number")
        for name in ("book", "_look", "_sample", "_heads_kg_ha", *told):
            setattr(then, name, getattr(new, name))
        return then

    @property
    def told(self) -> dict[str, Any] | None:
        """The advice in force, as it was told."""
        return None if self._told is None else {**self._told, "t": self._told_time}

    @property
    def verdicts(self) -> dict[int, dict[str, Any]]:
        """The newest answer of `compare` for each change, by its number."""
        return dict(self._verdicts)

    # ------------------------------------------------------------------ what comes in

    def step(self, figures: Figures) -> None:
        """One closed second, after the reckoner."""
        points = {name: point.kg_ha for name, point in figures.points.items()}
        kg_ha = figures.loss.kg_ha if figures.loss is not None else None
        self.take(AdvisedSecond.of(figures), SecondJudged(kg_ha, points, figures.limit_kg_ha, figures.calibration.state))

    def take(self, second: AdvisedSecond | None, judged: SecondJudged) -> None:
        """The same from its parts."""
        self._clock += 1
        if second is None:
            return
        t = second.t
        if self._last_work_t is None or t - self._last_work_t > NIGHT_S:
            self._today_s = 0
        self._last_work_t = t
        self._today_s += 1
        if self._clock < self._steady_from:
            return
        self._worked_s += 1
        self._limit_kg_ha, self._calibration = judged.limit_kg_ha, judged.calibration
        rows = self._rows
        if not rows or rows[-1].seconds >= ROW_S:
            rows.append(_WorkMinute())
        row = rows[-1]
        row.seconds += 1
        if self._worked_s % EVERY_S:
            return
        row.add("loss", judged.kg_ha)
        for name, pulses, left_share in zip(second.points, second.pulses_per_s, second.left_share, strict=True):
            row.add(name, judged.points.get(name))
            row.add("pulses", pulses)
            row.add(f"left.{name}", left_share)
        row.add("returns", second.returns_pct)
        row.add("speed", second.speed_kmh)
        row.add("load", second.load_ha_h)
        for shaft, rpm in zip(second.shafts, second.rpm, strict=True):
            row.add(f"shaft.{shaft}", rpm)

    def learn(self, entry: entries.Entry, stamp_ms: int, now: InForce) -> None:
        """One admitted entry, after the reckoner learned it."""
        learn = self.LEARNS.get(type(entry))
        if learn is not None:
            learn(self, entry, stamp_ms / 1000, now)

    def _learn_look(self, entry: entries.ReturnsLookEntry, at_s: float, now: InForce) -> None:
        plain = entries.to_plain(entry)
        self._look = at_s, {name: plain[name] for name in LOOKS if name in plain}

    def _learn_sample(self, entry: entries.SampleEntry, at_s: float, now: InForce) -> None:
        plain = entries.to_plain(entry)
        self._sample = at_s, {key: float(plain[key]) for key in plain if key.endswith("_pct")}

    def _learn_crop(self, entry: entries.CropEntry, at_s: float, now: InForce) -> None:
        if now.crop_number != self._crop_number:
            self._begin(now, forget=True)
            self.awaits_verdict, self._told = False, None  # what was told was of the crop before
            self._crop_number, self._crop_from = now.crop_number, len(now.changes)

    def _learn_setting(self, entry: entries.SettingEntry, at_s: float, now: InForce) -> None:
        change = now.changes[-1]
        stood = change.to if change.is_baseline else change.was
        if isinstance(stood, float) and entry.what != "lag_s":
            self.book.told(now.crop, entry.what, stood)
        if change.moves_machine:
            self._begin(now, forget=False)
            self.awaits_verdict = self._is_judging = True

    LEARNS: ClassVar[dict[type[entries.Entry], Callable[[Any, Any, float, InForce], None]]] = {
        entries.ReturnsLookEntry: _learn_look,
        entries.SampleEntry: _learn_sample,
        entries.CropEntry: _learn_crop,
        entries.SettingEntry: _learn_setting,
    }
    """What a kind of entry tells the adviser."""

    def tested(self, test: Test) -> None:
        """A judged tray test: its heads are threshing loss."""
        if test.used and test.result.heads_given:
            width_m = test.seen.area_m2 / test.seen.metres if test.seen.metres else 0.0
            self.heads(10 * test.result.threshing_g_m / width_m if width_m else None)

    def heads(self, kg_ha: float | None) -> None:
        """Threshing loss by the heads of the newest tray test, kg/ha."""
        self._heads_kg_ha = kg_ha

    def verdict(self, n: int, answer: dict[str, Any]) -> None:
        """`compare`'s answer for change `n`; a minute without one says that none will come any more."""
        self._verdicts[n], self._is_judging = answer, True

    def restore(self, kind: str, body: dict[str, Any], at_ms: int, now: InForce) -> None:
        """Take up a record of an earlier run: entries, verdicts, pages of the settings book."""
        if kind == "entry":
            self.learn(entries.from_plain(body), at_ms, now)
        elif kind == "verdict":
            self.verdict(int(body["setting"]), body)
        elif kind == "good set":
            self.book.restore(body)
        elif kind == "advice":
            self._told = {key: value for key, value in body.items() if key != "t"}
            self._told_time = body["t"]

    def take_up(self, work_t: int | None, worked_s: int, now_s: int) -> dict[str, Any] | None:
        """Go on with the day that an earlier run began: its last second of work and its seconds of work. Returns the advice
        that still stands, None when it is of another day."""
        if work_t is None or not 0 <= now_s - work_t <= NIGHT_S:
            self._told = None
            return None
        self._last_work_t, self._today_s = work_t, worked_s
        return self.told

    def _begin(self, now: InForce, forget: bool) -> None:
        """New settings or a new crop: what was measured and seen belongs to the old ones."""
        self._rows.clear()
        self._worked_s = 0
        self._steady_from = self._clock + round(now.lag_s + SETTLING_S)
        self._look = None
        if forget:
            self._sample, self._heads_kg_ha = None, None

    # ------------------------------------------------------------------ what comes out

    def minute(
        self, now: InForce, sieves: Sieves, open_alerts: Iterable[AlertChange], t: int, gauge_h: float | None = None,
        rfc3339: str = "",
    ) -> tuple[dict[str, Any] | None, GoodSet | None]:  # fmt: skip
        """The advice in force when it is another than before (None otherwise), and a page of the book that changed.

        `rfc3339`: the time `t` (epoch s) as advice tells it.
        """
        situation = self.situation(now, sieves, open_alerts, t, gauge_h)
        self._is_judging = False
        page = self.book.consider(situation, worth(situation), float(t)) or self.book.take_amended(now.crop)
        advice = advise(situation)
        if advice is not None or situation.last is None:  # before any work under a new setting nothing is told, and it waits
            self.awaits_verdict = advice is not None and (advice.kind == "wait" or advice.rule == TRAY_FOR_VERDICT)
        events = (situation.tried, dict(situation.look), dict(situation.sample), situation.crop, situation.first_load)
        plain = None if advice is None else advice.to_plain()
        if plain is None or (self._told is not None and _same(plain, self._told)):
            return None, page
        standing = self._told is not None and self._told["kind"] in STANDING and plain["kind"] in STANDING
        if standing and events == self._told_events and self._worked_s - self._told_worked_s < HELD_S and not _at_once(plain):
            return None, page
        self._told, self._told_events, self._told_worked_s = plain, events, self._worked_s
        self._told_time = rfc3339
        return plain, page

    def situation(
        self, now: InForce, sieves: Sieves, open_alerts: Iterable[AlertChange], t: int, gauge_h: float | None = None
    ) -> Situation:
        """The present situation as data."""
        machine = self._settings.machine
        recent = list(self._rows)[-MEAN_ROWS:]
        row = crops.find(now.crop, self._crops) if now.crop else None
        settings = self._in_force(now, recent)
        good = self.book.page(now.crop)
        left = {name: _mean(recent, f"left.{name}") for name in ("separator", "cleaning")}
        idle = self._last_work_t is None or t - self._last_work_t > NIGHT_S or self._today_s < FIRST_LOAD_S
        return Situation(
            crop=now.crop,
            crop_kind=(row.kind or None) if row is not None else None,
            price_per_t=now.price_per_t,
            yield_t_ha=now.yield_t_ha,
            trash_discount=now.trash_discount,
            cracked_discount=now.cracked_discount,
            moisture_pct=now.moisture_pct,
            limit_kg_ha=self._limit_kg_ha,
            returns_limit_pct=now.returns_pct,
            loss_kg_ha=_mean(recent, "loss"),
            separator_kg_ha=_mean(recent, "separator"),
            cleaning_kg_ha=_mean(recent, "cleaning"),
            heads_kg_ha=self._heads_kg_ha,
            loss_rise=self._rise("loss") or self._rise("pulses"),
            load_rise=self._rise("load"),
            returns_pct=_mean(recent, "returns"),
            speed_kmh=_mean(recent, "speed"),
            minutes=self._worked_s / 60,
            look=_fresh(self._look, t) or {},
            sample=_fresh(self._sample, t) or {},
            left_share={name: share for name, share in left.items() if share is not None},
            alerts=frozenset(change.name for change in open_alerts if change.state in ("raised", "acknowledged")),
            calibration=self._calibration,
            gauge_h=gauge_h,
            settings=settings,
            measured=tuple(what for what in SHAFTS.values() if what in settings and what not in now.machine_settings),
            gaps_mm=_gaps(sieves, settings),
            kernel_width_mm=row.kernel_width_mm if row is not None else None,
            sieve_guards=machine.sieve_guards,
            separator=machine.separator,
            fan=machine.fan,
            pre_sieve=machine.pre_sieve,
            returns_to=machine.returns_to,
            tried=self._tried(now, t),
            first_load=idle,
            good_set=good.to_plain() if good is not None else None,
        )

    def _in_force(self, now: InForce, recent: list[_WorkMinute]) -> dict[str, float]:
        """Numeric settings as entered; fan and rotor as their shafts turn where nobody entered them."""
        found = {what: value for what in SETTINGS if isinstance(value := now.machine_settings.get(what), float)}
        for shaft, what in SHAFTS.items():
            rpm = _mean(recent, f"shaft.{shaft}")
            if what not in found and rpm is not None and rpm > 0:
                found[what] = round(rpm)
        return found

    def _rise(self, name: str) -> float | None:
        """Mean of the last minutes over that of the earlier ones under the same settings."""
        rows = list(self._rows)
        recent, earlier = _mean(rows[-RECENT_ROWS:], name), _mean(rows[:-RECENT_ROWS], name)
        if len(rows) < RECENT_ROWS + LEAST_ROWS or recent is None or not earlier:
            return None
        return recent / earlier

    def _tried(self, now: InForce, t: int) -> tuple[Tried, ...]:
        found: list[Tried] = []
        for change in now.changes[self._crop_from :]:
            if change.moves_machine and t - change.at_s <= TRIED_S:
                found.append(self._one_tried(change, found))
        if found:
            found[-1] = replace(found[-1], is_open=self._is_judging)
        return tuple(found)

    def _one_tried(self, change: SettingChange, before: list[Tried]) -> Tried:
        answer = self._verdicts.get(change.n, {})
        same = [one for one in before if one.what == change.key]
        undone = bool(same) and not same[-1].returned and any(one.was == change.to for one in same)
        step = answer.get("next")
        return Tried(
            change.key, change.was, change.to, answer.get("verdict", "not enough data"),
            (answer.get("after") or {}).get("minutes") or 0.0, answer.get("minutes_more"), answer.get("ratio"), undone,
            None if step is None else NextStep(**step),
        )  # fmt: skip


def _fresh(kept: tuple[float, Any] | None, t: int) -> Any:
    return kept[1] if kept is not None and 0 <= t - kept[0] <= LOOK_LASTS_S else None


def _gaps(sieves: Sieves, settings: dict[str, float]) -> dict[str, float]:
    """Gaps of the sieves that were gauged, at their present readouts."""
    gaps = {}
    for sieve, what in SETTING_OF.items():
        found = sieves.check_of(sieve)
        if found is not None and found.unit == "mm" and what in settings:
            gap = found.gap_mm(settings[what])
            if gap is not None:
                gaps[sieve] = gap
    return gaps


def _same(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """The same advice, whatever its figures did since; how long to wait, by a minute or so."""
    if any(one[key] != other[key] for key in ("rule", "kind", "settings")):
        return False
    if one["rule"] in (WAIT_FOR_VERDICT, TRAY_FOR_VERDICT):
        asked = [plain["data"].get("until_minutes") or 0.0 for plain in (one, other)]
        return abs(asked[0] - asked[1]) < 2 and all(one["data"].get(key) == other["data"].get(key) for key in ("what", "to"))
    keys = ("what", "direction", "size", "to") if one["kind"] == "back" else ("what", "direction", "size")
    steps = [{key: (plain["step"] or {}).get(key) for key in keys} for plain in (one, other)]
    return steps[0] == steps[1]


def _at_once(plain: dict[str, Any]) -> bool:
    """A machine that isn't fit is told at once."""
    return any(rule.name == plain["rule"] for rule in rules.rules(("trust",)))

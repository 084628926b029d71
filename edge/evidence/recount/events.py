"""What was done during the job: setting changes with verdicts, tray tests, gauge checks, alerts and what followed. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf
from typing import Any

from edge.contract import entries
from edge.evidence.recount.material import OPENING, Material, ToldRecord
from edge.judge.alerts.rules import RULES
from edge.judge.verdict.grain import alters_share
from edge.judge.verdict.words import name_of, shown
from edge.reckon.entered.gauge import check
from edge.reckon.entered.inforce import same_value
from edge.reckon.fit.calibration import Test

MOST_ALERTS = 60
"""Alerts that are printed one by one. Of the others it is not looked up what was done: every setting against every alert
would make some megabytes of records cost gigabytes."""

MOST_DONE = 20
"""Things done about one alert that are kept; the others are counted."""

AFTERWARDS_S = 600.0
"""A setting changed while an alert stood, or this long after its raise, is named beside it."""

SIEVE_NAMES = {"pre": "pre-sieve", "top": "top sieve", "bottom": "bottom sieve"}
FOLLOWED = ("loss", "returns", "shaft", "side")
"""Alerts that a setting may answer."""


@dataclass(slots=True)
class JudgedChange:
    """One setting entry. `verdict`: the last answer on record, None when none was given; `stood`: it only says where the
    setting stands, and nothing was changed."""

    n: int
    at_s: float
    name: str
    was: str | None
    to: str
    note: str
    verdict: dict[str, Any] | None
    of_kit: bool = False
    alters: bool = False
    stood: bool = False

    @property
    def moved(self) -> bool:
        """Whether something on the machine was changed."""
        return not self.of_kit and not self.stood


@dataclass(slots=True)
class TestLine:
    """One tray test. `factor`: grain per pulse of this test alone (mg); `weighed`: the catch was weighed, not counted."""

    number: int
    at_s: float
    used: bool
    why: str
    catches: str
    trays: int
    laid: str
    grains_m2: float | None
    kg_ha: float | None
    pulses_m2: float | None
    factor: float | None
    weighed: bool
    before_job: bool


@dataclass(slots=True)
class GaugeLine:
    """One gauge check: the readout, the gaps measured at the sieve, and what followed for the dial."""

    at_s: float
    sieve: str
    readout: str
    gaps_mm: list[float]
    offset_mm: float | None
    warnings: list[str]


@dataclass(slots=True)
class StruckLine:
    """One entry that was struck out. `at_s`: when it was made (None: before the job); `body`: what it said; `by`: who took it
    back."""

    at_s: float | None
    struck_s: float
    body: dict[str, Any]
    why: str
    by: str


@dataclass(slots=True)
class Alert:
    """One alert from its raise to its end. `done`: what was done about it, the first `MOST_DONE`; `more`: how many besides."""

    name: str
    severity: str
    text: str
    raised_s: float
    ended_s: float | None = None
    done: list[tuple[float, str]] = field(default_factory=list)
    more: int = 0

    def was_met(self, at_s: float, what: str) -> None:
        """Something was done about it."""
        if len(self.done) < MOST_DONE:
            self.done.append((at_s, what))
        else:
            self.more += 1


def changes(material: Material) -> list[JudgedChange]:
    """Every setting entry of the job, numbered as the kit counts them, with the last verdict given while it was the newest."""
    found: list[JudgedChange] = []
    judged: dict[int, JudgedChange] = {}
    known: dict[str, Any] = {}
    struck_too: set[tuple[str, str | None]] = set()
    count = 0
    for one in material.told:
        if one.kind == OPENING:
            known, count = dict(one.body["settings"]), int(one.body["setting_changes"])
        elif one.kind == "entry" and one.body.get("entry") == "setting":
            count += 1
            if one.seq in material.struck:
                struck_too.add((one.body["what"], one.body.get("name")))
                continue
            found.append(_change(one, count, known))
            if found[-1].stood and (one.body["what"], one.body.get("name")) in struck_too:
                continue  # what it was judged against was never so
            if not found[-1].of_kit:
                judged.setdefault(count, found[-1])
        elif one.kind == "verdict" and one.body.get("setting") in judged:
            change = judged[one.body["setting"]]
            change.verdict, change.stood = one.body, False  # the kit knew what stood before, or judged first values too
    for change in found:
        change.alters = change.alters and change.moved
    return found


def _change(one: ToldRecord, n: int, known: dict[str, Any]) -> JudgedChange:
    what, to, label = str(one.body["what"]), one.body["to"], str(one.body.get("name", ""))
    key = f"other: {label}" if what == "other" else what
    was = one.body.get("from", known.get(key))
    known[key] = to
    name = "Lag (of the kit)" if what == "lag_s" else sentence(name_of(key, label).removeprefix("the "))
    said = None if was is None else shown(was, what)
    note, of_kit = str(one.body.get("note", "")), what == "lag_s"
    stood = not of_kit and (was is None or same_value(was, to))
    return JudgedChange(n, one.moment_s, name, said, shown(to, what), note, None, of_kit, not of_kit and alters_share(key), stood)


def sentence(words: str) -> str:
    """With a capital letter."""
    return f"{words[:1].upper()}{words[1:]}"


def tests(material: Material) -> list[TestLine]:
    """Every tray test behind the factors, and those that could not be used."""
    calibration, start = material.reckoner.calibration, material.told[0].at_s if material.told else 0.0
    return [_test(material, one, one.at_s < start - 1) for one in calibration.tests]


def _test(material: Material, test: Test, before: bool) -> TestLine:
    seen, result = test.seen, test.result
    net = 0.0
    for i, pulses in enumerate(seen.pulses):
        if i < len(material.names) and test.entry.catches in ("both", material.names[i]):
            net += max(pulses - material.vibration_hz[i] * seen.threshing_s, 0.0)
    per_m = net / seen.metres if seen.metres > 0 else 0.0
    width_m = seen.area_m2 / seen.metres if seen.metres > 0 else 0.0
    return TestLine(
        test.number, test.at_s, test.used, test.why, test.entry.catches, result.tray_count, result.laid, result.grains_m2,
        10 * result.machine_g_m / width_m if width_m > 0 else None,
        per_m / width_m if width_m > 0 else None,
        result.machine_g_m * 1000 / per_m if test.used and per_m > 0 else None,
        not result.counted, before,
    )  # fmt: skip


def struck(material: Material) -> list[StruckLine]:
    """Every entry that was struck out, in the order in which that was done. What was said before the job is not in the pack."""
    told = {one.seq: one for one in material.told if one.kind == "entry"}
    openings = list(material.of_kind(OPENING))
    before = {test.get("entry_seq"): test["entry"] for one in openings for test in one.body["tests"]}
    found = []
    for one in material.entries("strike_out"):
        meant = told.get(int(one.body.get("seq", 0)))
        if not one.body.get("elsewhere"):
            body = before.get(one.body.get("seq"), {}) if meant is None else meant.body
            at_s = None if meant is None else meant.moment_s
            found.append(StruckLine(at_s, one.at_s, body, str(one.body["why"]), str(one.body.get("by", ""))))
    return found


def gauges(material: Material) -> list[GaugeLine]:
    """Every gauge check of the job."""
    found = []
    for one in material.entries("gauge"):
        entry = entries.from_plain(one.body)
        assert isinstance(entry, entries.GaugeEntry)
        body = one.body
        readout = f"{body['readout_mm']:g} mm" if "readout_mm" in body else f"{body['readout']:g} {body.get('unit', '')}".strip()
        gaps = body["measured_mm"] if isinstance(body["measured_mm"], list) else [body["measured_mm"]]
        checked = check([entry])
        found.append(
            GaugeLine(one.moment_s, SIEVE_NAMES[body["sieve"]], readout, gaps, checked.offset_mm, list(checked.warnings))
        )
    return found


def alerts(material: Material) -> list[Alert]:
    """Every alert of the job from raise to end, with what was done."""
    found: list[Alert] = []
    live: dict[str, Alert] = {}
    moved = iter([change.moved for change in changes(material)])
    for one in material.told:
        body = one.body
        if one.kind == "alert":
            name = f"{body['rule']}/{body['object']}" if body.get("object") else str(body["rule"])
            if name not in live:
                if body["state"] not in ("raised", "shelved"):
                    continue
                what = RULES[body["rule"]].what if body["rule"] in RULES else body["rule"]
                live[name] = Alert(name, str(body["severity"]), what, one.at_s)
                found.append(live[name])
            alert = live[name]
            if body["severity"] == "danger":
                alert.severity = "danger"
            if body.get("ended_ms") is not None and alert.ended_s is None:
                alert.ended_s = body["ended_ms"] / 1000 + (one.at_s - body["at_ms"] / 1000)
            if body["state"] in ("acknowledged", "shelved"):
                alert.was_met(one.at_s, str(body["state"]))
            if body["state"] == "cleared" or (body["state"] == "raised" and body.get("ended_ms") is not None):
                live.pop(name)
        elif one.kind == "entry" and body.get("entry") == "setting" and one.seq not in material.struck and next(moved):
            key = f"other: {body.get('name')}" if body["what"] == "other" else body["what"]
            words = f"{name_of(key, str(body.get('name', '')))} set to {shown(body['to'], body['what'])}"
            for alert in found[:MOST_ALERTS]:
                until_s = inf if alert.ended_s is None else max(alert.raised_s + AFTERWARDS_S, alert.ended_s)
                if alert.name.startswith(FOLLOWED) and alert.raised_s <= one.moment_s <= until_s:
                    alert.was_met(one.moment_s, words)
    return found

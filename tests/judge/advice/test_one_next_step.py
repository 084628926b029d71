"""The words of a verdict and the advice beside it never ask for two different things, whatever the case."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from edge.engine.engine import Nowhere
from edge.judge.advice.advise import TRAY_FOR_VERDICT, advise
from edge.judge.advice.situation import Situation, Tried
from edge.judge.verdict.course import CourseMark
from edge.judge.verdict.nextstep import NextStep, half_way, next_step
from edge.judge.verdict.words import VerdictFacts, at_once_words, shown, words
from tests.kits.engines import EngineKit
from tests.kits.wire import count_line

SETTINGS = {
    "fan_rpm": 860.0, "rotor_rpm": 800.0, "concave_mm": 18.0, "top_sieve_mm": 16.0, "bottom_sieve_mm": 10.0, "speed_kmh": 7.0,
}  # fmt: skip
ORDERS = {
    "keep": r"Keep [^.]+; any further step goes on from there\.",
    "back": r"Put [^.]+ back to [^.]+\.",
    "weigh": r"Else go (half way|all the way) back",
    "wait": r"Work on until about \d+ minutes of steady work",
    "tray": r"Then lay another tray test at",
}


def disagree(verdict: dict[str, Any], advice: dict[str, Any], key: str, was: Any, to: Any) -> str:
    """What a verdict and the advice told at the same time say against each other; empty: nothing."""
    said = {name for name, pattern in ORDERS.items() if re.search(pattern, verdict["words"])}
    decided = verdict["next"]
    if said != ({decided["step"]} - {"free"} if decided is not None else set()):
        return f"the words say {said}, decided is {decided}"
    if decided is None or decided["step"] == "free":
        return ""
    step, kind = advice["step"], advice["kind"]
    back = step is not None and step["what"] == key
    if decided["step"] == "back":
        is_same = kind == "back" and back and step["to"] == decided["to"] and shown(decided["to"], key) in verdict["words"]
        return "" if is_same else f"back to {decided['to']}, and advice: {advice['words']}"
    if decided["step"] == "wait":
        amount = f"until about {decided['minutes']} minutes of steady work have been done at {shown(to, key)}"
        return "" if kind == "wait" and step is None and amount in advice["words"] else f"wait, and advice: {advice['words']}"
    if decided["step"] == "tray":
        return "" if advice["rule"] == TRAY_FOR_VERDICT and step is None else f"a tray, and advice: {advice['words']}"
    if decided["step"] == "weigh" and kind == "back" and back:
        return "" if step["to"] == decided["to"] else f"half way to {decided['to']}, and advice: {advice['words']}"
    if kind == "book" and advice["settings"].get(key, to) != to:
        return f"keep, and the book: {advice['words']}"
    if back and isinstance(was, float) and isinstance(to, float) and (step["to"] - to) * (was - to) > 0:
        return f"keep {to}, and advice: {advice['words']}"
    return ""


# ---------------------------------------------------------------------------------------- over random cases


@st.composite
def facts(draw: st.DrawFn) -> VerdictFacts:
    """A verdict of any kind on any setting, as a comparison may come to it."""
    key = draw(st.sampled_from([*SETTINGS, "mill", "other: rasp bars"]))
    number = key != "mill"
    was, to = (draw(st.floats(300, 1200)), SETTINGS.get(key, 860.0)) if number else ("bypassed", "engaged")
    if key in SETTINGS:
        was = round(SETTINGS[key] * draw(st.sampled_from([0.7, 0.9, 0.95, 1.04, 1.1, 1.4])), 1)
    minutes = st.one_of(st.floats(0, 45), st.sampled_from([3.0, 8.0, 20.0]))
    verdict = draw(st.sampled_from(["better", "worse", "mixed", "no detectable change", "not enough data"]))
    ratio = {"better": 0.7, "worse": 1.4, "mixed": 0.7}.get(verdict, 0.97)
    after = draw(minutes)
    if verdict != "not enough data":
        after = max(after, 3.0)
    found = VerdictFacts(
        change=CourseMark("setting", 0, 0.0, 30.0, 1, 1, key, key.removeprefix("other: "), was, to), was=was,
        basis=draw(st.sampled_from(["pulses", "grain"])),
        before={"minutes": draw(minutes) if verdict == "not enough data" else 12.0, "kg_ha": None, "returns_pct": 30.0},
        after={"minutes": after, "kg_ha": None, "returns_pct": draw(st.sampled_from([None, 42.0, 78.0]))},
        pooled=draw(st.booleans()), open=draw(st.sampled_from([True, True, True, False])), alters=True,
        tests=(draw(st.integers(0, 4)), draw(st.integers(0, 4))), verdict=verdict, ratio=ratio, low=0.9 * ratio, high=1.1 * ratio,
        pulses=(0.8, 0.7, 0.9), standing_min=min(after, draw(minutes)), returned=draw(st.booleans()),
        minutes_more=draw(st.one_of(st.none(), st.integers(1, 60))), returns_limit_pct=draw(st.sampled_from([None, 80.0])),
    )  # fmt: skip
    if verdict == "mixed":
        found.risen = ("returns_pct",) if found.after["returns_pct"] is not None else ("trash_pct",)
        found.before["trash_pct"], found.after["trash_pct"] = 1.0, 3.0
    if verdict == "no detectable change":
        found.tests_limit, found.small = draw(st.booleans()), draw(st.booleans())
    if verdict == "not enough data":
        found.beside = draw(st.sampled_from([None, None, ("concave_mm", 40.0)]))
        found.contradicts = found.beside is None and found.before["minutes"] >= 3 and after >= 3 and draw(st.booleans())
    return found


@st.composite
def situations(draw: st.DrawFn) -> Situation:
    """Any state of a machine whose advice may be asked for."""
    cleaning = draw(st.sampled_from([10.0, 75.0]))
    separator = draw(st.sampled_from([10.0, 75.0]))
    return Situation(
        crop="wheat", crop_kind="cereal", price_per_t=draw(st.sampled_from([None, 300.0])), yield_t_ha=3.0, limit_kg_ha=60.0,
        loss_kg_ha=cleaning + separator, separator_kg_ha=separator, cleaning_kg_ha=cleaning, returns_pct=35.0, speed_kmh=7.0,
        minutes=draw(st.floats(0, 40)), look={"chaff": draw(st.sampled_from(["none", "much"]))},
        sample={"cracked_pct": draw(st.sampled_from([1.0, 5.0])), "trash_pct": draw(st.sampled_from([0.4, 6.0]))},
        alerts=draw(st.sampled_from([frozenset(), frozenset({"shaft-low/fan"})])), calibration="good", settings=SETTINGS,
        separator="rotor", first_load=draw(st.sampled_from([False, False, True])),
        good_set=draw(st.sampled_from([None, {
            "crop": "wheat", "settings": {"fan_rpm": 980.0, "rotor_rpm": 700.0, "concave_mm": 22.0}, "loss_kg_ha": 20.0,
            "returns_pct": 30.0, "sample": {}, "cost_ha": 1.0, "unit": "money/ha", "at_s": 1.0,
        }])),
    )  # fmt: skip


@given(facts(), situations())
def test_words_and_advice_agree_in_every_case(found: VerdictFacts, situation: Situation) -> None:
    verdict = {
        "words": at_once_words(found) if found.beside else words(found),
        "next": None if found.next is None else found.next.to_plain(),
    }
    step = None if verdict["next"] is None else NextStep(**verdict["next"])
    tried = Tried(
        found.change.key, found.was, found.change.to or 0.0, found.verdict, found.after["minutes"] or 0.0, found.minutes_more,
        found.ratio, found.returned, step or NextStep("free"), found.open,
    )  # fmt: skip
    advice = advise(replace(situation, tried=(tried,)))
    if advice is None:
        assert step is None or step.step in ("free", "keep", "weigh")
        return
    assert disagree(verdict, advice.to_plain(), found.change.key, found.was, found.change.to) == ""


@given(facts())
def test_a_change_that_is_over_asks_for_nothing(found: VerdictFacts) -> None:
    found.open = False
    said = at_once_words(found) if found.beside else words(found)
    assert found.next is None
    assert not any(re.search(pattern, said) for pattern in ORDERS.values())


def test_a_verdict_that_can_not_come_is_not_waited_for() -> None:
    for minutes in (0.0, 5.0, 12.0):
        assert next_step("not enough data", "fan_rpm", 980.0, 860.0, minutes, is_judgeable=False) == NextStep("free")
    assert next_step("not enough data", "fan_rpm", 980.0, 860.0, 2.0, 1) == NextStep("wait", 860.0, 8)
    assert next_step("not enough data", "fan_rpm", 980.0, 860.0, 20.0, 1) == NextStep("free")
    assert next_step("no detectable change", "fan_rpm", 980.0, 860.0, 9.0, 6) == NextStep("wait", 860.0, 15)
    assert next_step("no detectable change", "fan_rpm", 980.0, 860.0, 9.0, 6, returned=True) == NextStep("free")
    assert next_step("no detectable change", "fan_rpm", 980.0, 860.0, 9.0, 60) == NextStep("free")
    assert next_step("no detectable change", "fan_rpm", 980.0, 860.0, 9.0, wants_tray=True) == NextStep("tray", 860.0)
    assert next_step("no detectable change", "fan_rpm", 980.0, 860.0, 20.0, wants_tray=True) == NextStep("free")


def test_half_way_is_a_value_that_can_be_set() -> None:
    assert half_way(980.0, 860.0, "fan_rpm") == 920.0
    assert half_way(16.0, 17.0, "top_sieve_mm") == 16.5
    assert half_way(16.0, 16.5, "top_sieve_mm") == 16.0, "nothing lies between"
    assert half_way("bypassed", "engaged", "mill") == "bypassed"


# ---------------------------------------------------------------------------------------- on the road


class Told(Nowhere):
    """The verdict and the advice that stand."""

    def __init__(self) -> None:
        super().__init__()
        self.stands: dict[str, dict[str, Any] | None] = {"verdict": None, "advice": None}

    def state(self, name: str, message: dict[str, Any] | None) -> None:
        if name in self.stands:
            self.stands[name] = message


class Afternoon(EngineKit):
    """Hours of a kit whose machine answers to its fan, with an operator who enters what comes to his mind."""

    def __init__(self, path: Path, seed: int) -> None:
        super().__init__(path)
        self.random = np.random.default_rng(seed)
        self.told = Told()
        self.engine._teller = self.told
        self.fan = 900.0
        self.counts = np.zeros(3, dtype=np.int64)

    def minute(self) -> None:
        for _ in range(60):
            rates = np.array([30.0 * (self.fan / 860.0) ** 4, 20.0 * (860.0 / self.fan) ** 2])
            self.counts += np.append(self.random.poisson(rates), 20)
            self.at_s, self.seq = self.at_s + 1, self.seq + 1
            line = count_line(self.seq, 1000 * self.seq, *(int(one) for one in self.counts), levels=3)
            self.engine.take_line(self.at_s * 1000 - 500, line)

    def does_something(self) -> None:
        what = self.random.choice(["nothing", "fan", "fan", "concave", "crop", "stands", "price", "tray", "mill"])
        if what == "fan":
            self.fan = float(self.random.choice([760.0, 860.0, 900.0, 980.0]))
            self.enter(entry="setting", what="fan_rpm", to=self.fan)
        elif what == "concave":
            self.enter(entry="setting", what="concave_mm", to=float(self.random.choice([14.0, 18.0])))
        elif what == "crop":
            self.enter(entry="crop", name=str(self.random.choice(["wheat", "barley"])), tgw_g=42)
        elif what == "stands":
            self.enter(**{"entry": "setting", "what": "fan_rpm", "from": self.fan, "to": self.fan})
        elif what == "price":
            self.enter(entry="crop", price_per_t=210)
        elif what == "tray":
            grams = float(self.random.uniform(5, 20))
            self.enter(entry="tray", residue_width_m=9.0, trays=[{"mass_g": grams, "length_m": 1.0, "width_m": 3.0}])
        elif what == "mill":
            self.enter(entry="setting", what="mill", to=str(self.random.choice(["bypassed", "none"])))


def test_what_stands_told_agrees_minute_by_minute(tmp_path: Path) -> None:
    asked: set[str] = set()
    for seed in range(5):
        kit = Afternoon(tmp_path / f"{seed}.db", seed)
        kit.minute()
        for minute in range(150):
            if minute % 10 == 5 and kit.random.random() < 0.8:
                kit.does_something()
                if kit.random.random() < 0.3:
                    kit.does_something()
            kit.minute()
            verdict, advice = kit.told.stands["verdict"], kit.told.stands["advice"]
            if verdict is None:
                continue
            change = next(one for one in kit.engine.reckoner.now.changes if one.n == verdict["setting"])
            assert advice is not None
            found = disagree(verdict, advice, change.key, change.was, change.to)
            assert found == "", (seed, minute, verdict["words"])
            asked.add(verdict["next"]["step"])
        kit.drop()
    assert {"keep", "back", "wait", "free"} <= asked, "the cases that matter came up"

"""One piece of advice from a situation: what is seen -> one setting, how far, what to watch, when to stop, on what basis.

Pure: `advise(situation)` is the same whenever asked. What the verdict on the last step decided goes first (go back, wait, lay
a tray): it is decided there, and only followed here. Then the rules, threshing before cleaning, one change at a time; a step
that showed nothing is followed by the larger one; what stays within reach of nothing worth chasing is left alone. Guard rails of
the sieves are never stepped over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from edge.judge.advice import rules as advicerules
from edge.judge.advice.rules import AdviceRule, caution
from edge.judge.advice.situation import Situation, Tried
from edge.judge.advice.worth import Worth, worth
from edge.judge.verdict.nextstep import BEFORE_MIN, NextStep, Value, rounded
from edge.judge.verdict.words import name_of, shown, until
from edge.reckon.tables import guards

Kind = Literal["step", "back", "wait", "look", "book", "hold"]

FARTHEST_PCT, FARTHEST_MM = 30.0, 9.0
"""Nobody is advised further than this from where a setting stood first."""

LEAST_MM, MOST_MM = 1.0, 45.0
SIEVE_OF = {"pre_sieve_mm": "pre", "top_sieve_mm": "top", "bottom_sieve_mm": "bottom"}
VERBS = {
    "concave_mm": ("Open", "Tighten"), "top_sieve_mm": ("Open", "Close"), "bottom_sieve_mm": ("Open", "Close"),
    "pre_sieve_mm": ("Open", "Close"),
}  # fmt: skip
WAIT_FOR_VERDICT, TRAY_FOR_VERDICT = "one-at-a-time", "tray-for-the-verdict"
_BASIS_ORDER = "common practice: one setting at a time; a step that showed nothing is followed by a clearly larger one"


@dataclass(frozen=True, slots=True)
class AdvisedStep:
    """One change. `by` in `unit` (% of the present value, or mm); `was`, `to` None where the present value isn't known."""

    what: str
    direction: str
    size: Literal["first", "larger", "back"]
    by: float | None
    unit: str
    was: Value
    to: Value
    words: str


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do now and why. `data`: the figures that led to it; `worth_ha`: the most it can gain, in `unit`."""

    rule: str
    kind: Kind
    seen: str
    data: dict[str, Value]
    why: str
    words: str
    step: AdvisedStep | None = None
    watch: str = ""
    stop: str = ""
    caution: str = ""
    basis: str = ""
    worth_ha: float | None = None
    unit: str = ""
    settings: Mapping[str, float] = field(default_factory=dict)

    def to_plain(self) -> dict[str, Any]:
        """The object of topic `advice`."""
        plain = asdict(self)
        if plain["step"] is not None:
            plain["step"]["from"] = plain["step"].pop("was")
        plain["settings"] = dict(self.settings) or None
        return plain


def advise(situation: Situation) -> Advice | None:
    """The advice in force; None while there is nothing to go by."""
    reckoned, last = worth(situation), situation.last
    decided = last.decided if last is not None else None
    if situation.first_load and decided is None and (offer := _from_book(situation)) is not None:
        return offer
    if last is not None and decided is not None and against(last, situation, reckoned):
        return _back(last, decided)
    if last is not None and decided is not None and decided.holds:
        return _tray(last, decided) if decided.step == "tray" else _wait(last, situation, decided.minutes or 1)
    if situation.minutes < BEFORE_MIN and last is not None:
        return _wait(last, situation, round(BEFORE_MIN))
    if situation.minutes <= 0 and not situation.alerts:
        return None
    if situation.minutes < BEFORE_MIN:  # too early for any setting; a machine that isn't fit is told at once
        return _by_rules(situation, reckoned, advicerules.rules(("trust",)))
    return _by_rules(situation, reckoned, advicerules.rules()) or _nothing(situation, reckoned)


# ---------------------------------------------------------------------- the last change


def against(last: Tried, situation: Situation, reckoned: Worth) -> bool:
    """Whether the last step cost more than it brought."""
    decided = last.decided
    if decided is None or decided.step != "weigh":
        return decided is not None and decided.step == "back"
    saved = 0.0
    if last.ratio and "loss" in reckoned.cost:
        saved = reckoned.cost["loss"] / last.ratio - reckoned.cost["loss"]
    tank = sum(reckoned.gain.get(name, 0.0) for name in ("trash", "cracked"))
    heavy = "returns" in reckoned.gain
    return tank + (reckoned.gain["returns"] if heavy else 0.0) > saved


def _name(last: Tried) -> str:
    return name_of(last.what, last.what.removeprefix("other: "))


def _back(last: Tried, decided: NextStep) -> Advice:
    name = _name(last)
    to = shown(decided.to, last.what) if decided.to is not None else "where it was"
    seen = f"{name} went to {shown(last.to, last.what)} and the verdict is: {last.verdict}"
    seen += f", loss {last.ratio:.2f} times what it was." if last.ratio is not None else "."
    direction = {"more": "less", "less": "more"}.get(last.direction, "")
    words = f"Put {name} back to {to}." if decided.to in (None, last.was) else f"Put {name} half way back, to {to}."
    return Advice(
        rule="back",
        kind="back",
        seen=seen[0].upper() + seen[1:],
        data={"verdict": last.verdict, "ratio": last.ratio, "minutes": last.minutes},
        why="The last step went the wrong way, or cost the tank more than it saved on the ground.",
        words=words,
        step=AdvisedStep(last.what, direction, "back", None, "", last.to, decided.to, words),
        watch="loss, returns and the tank sample, as before the step",
        stop="when it stands there",
        caution=caution("drive" if last.what == "speed_kmh" else "cab"),
        basis=_BASIS_ORDER,
    )


def _wait(last: Tried, situation: Situation, minutes: int) -> Advice:
    """One change at a time: the last one is to be judged, and the next one needs work to be compared with."""
    slower = "slowing down is fine." if last.what != "speed_kmh" else "hold the speed too, unless the loss asks for less."
    seen = f"{situation.minutes:.0f} min of steady work since {_name(last)} went to {shown(last.to, last.what)}; "
    why = "its verdict isn't in yet." if last.decided is not None and last.decided.holds else "the next step is compared with it."
    return Advice(
        rule=WAIT_FOR_VERDICT, kind="wait", seen=seen + why,
        data=_about(last, minutes) | {"minutes": situation.minutes, "minutes_more": last.minutes_more},
        why="Two changes at once are evidence for neither.",
        words=f"Leave the settings as they are {until(minutes, shown(last.to, last.what))}; {slower}",
        watch="the verdict", stop="when that work is done", basis=_BASIS_ORDER,
    )  # fmt: skip


def _tray(last: Tried, decided: NextStep) -> Advice:
    """The verdict lacks a tray test more than it lacks work."""
    at = shown(decided.to, last.what)
    return Advice(
        rule=TRAY_FOR_VERDICT, kind="look", seen=f"The verdict on {_name(last)} at {at} lacks tray tests.",
        data=_about(last, None), why="Pulses are not grain: only what lies on the trays settles what this change did.",
        words=f"Lay another tray test at {at}, and change nothing until then.",
        watch="the verdict", stop="when the tray test is entered", caution=caution("tray"), basis=_BASIS_ORDER,
    )  # fmt: skip


def _about(last: Tried, minutes: int | None) -> dict[str, Value]:
    return {"what": last.what, "to": last.to, "verdict": last.verdict, "until_minutes": minutes}


def _undoes(what: str, to: Value, situation: Situation) -> bool:
    """Whether a step would take back what the verdict on the last change wants kept, or weighed."""
    last = situation.last
    if last is None or last.what != what or last.decided is None:
        return False
    back = isinstance(to, float) and isinstance(last.to, float) and (to > last.to) == (last.direction == "less")
    return last.decided.step in ("keep", "weigh") and back and to != last.to


# ---------------------------------------------------------------------- the rules


def _by_rules(situation: Situation, reckoned: Worth, rules: Sequence[AdviceRule]) -> Advice | None:
    """The costliest concern's rule of the first stage in which any holds; None when none does."""
    values = situation.values()
    best: tuple[int, float, AdviceRule, AdvisedStep | None] | None = None
    for rule in rules:
        stage = advicerules.STAGES.index(rule.stage)
        if best is not None and stage > best[0]:
            break
        if not reckoned.costly(rule.concern) or not rule.holds(values):
            continue
        step = _step_of(rule, situation) if rule.change else None
        if rule.change and (step is None or _guard(step, situation)):
            continue
        gain = reckoned.gain.get(rule.concern, 0.0)
        if best is None or gain > best[1]:
            best = stage, gain, rule, step
    return None if best is None else _told(best[2], best[3], best[1], situation, reckoned)


def _held(situation: Situation, reckoned: Worth) -> list[str]:
    """The guard rails that stand before steps that would fit."""
    values = situation.values()
    fitting = [rule for rule in advicerules.rules() if rule.change and reckoned.costly(rule.concern) and rule.holds(values)]
    steps = [step for rule in fitting if (step := _step_of(rule, situation)) is not None]
    return list(dict.fromkeys(guard for step in steps if (guard := _guard(step, situation))))


def _step_of(rule: AdviceRule, situation: Situation) -> AdvisedStep | None:
    size = _size(rule, situation)
    step = None if size is None else _step(rule, size, situation)
    return None if step is None or _undoes(step.what, step.to, situation) else step


def _size(rule: AdviceRule, situation: Situation) -> Literal["first", "larger"] | None:
    """First or larger step by what was tried; None when this way is closed or used up."""
    mine = [one for one in situation.tried if one.what == rule.change and not one.returned]
    same = [one for one in mine if one.direction == rule.direction]
    if any(one.verdict == "better" for one in mine if one.direction not in ("", rule.direction)):
        return None
    if any(one.verdict in ("worse", "mixed") for one in same):
        return None
    vain = [one for one in same if one.verdict in ("no detectable change", "not enough data")]
    if any(_share(one, rule) > 0.75 * rule.larger for one in vain):
        return None
    return "larger" if vain else "first"


def _share(tried: Tried, rule: AdviceRule) -> float:
    """How large a step was, in the rule's unit."""
    if isinstance(tried.was, str) or isinstance(tried.to, str) or tried.was is None:
        return 0.0
    by = abs(tried.to - tried.was)
    return by if rule.unit == "mm" else 100 * by / abs(tried.was) if tried.was else 0.0


def _step(rule: AdviceRule, size: Literal["first", "larger"], situation: Situation) -> AdvisedStep | None:
    by = rule.first if size == "first" else rule.larger
    sign = 1.0 if rule.direction == "more" else -1.0
    was = situation.settings.get(rule.change, situation.speed_kmh if rule.change == "speed_kmh" else None)
    to = None
    if was is not None:
        to = was + sign * by if rule.unit == "mm" else was * (1 + sign * by / 100)
        to = rounded(to, rule.change)
        first = next((one.was for one in situation.tried if one.what == rule.change and isinstance(one.was, float)), was)
        far = abs(to - first)
        if to == was or far > (FARTHEST_MM if rule.unit == "mm" else FARTHEST_PCT / 100 * abs(first)):
            return None
        if rule.unit == "mm" and not LEAST_MM <= to <= MOST_MM:
            return None
    verb = VERBS.get(rule.change, ("Raise", "Lower"))[rule.direction == "less"]
    name = name_of(rule.change)
    if rule.change == "rotor_rpm" and situation.separator == "walkers":
        name = "the threshing cylinder"
    if to is None:
        words = f"{verb} {name} by about {by:g} {rule.unit}."
    else:
        stood = round(was or 0.0, 0 if rule.unit == "%" and rule.change != "speed_kmh" else 1)
        words = f"{verb} {name} from {shown(stood, rule.change)} to {shown(to, rule.change)}."
    return AdvisedStep(rule.change, rule.direction, size, by, rule.unit, was, to, words)


def _guard(step: AdvisedStep, situation: Situation) -> str:
    """The guard rail that a sieve step would cross, or go further behind; empty when none."""
    sieve = SIEVE_OF.get(step.what)
    if sieve is None or not isinstance(step.to, float) or not isinstance(step.was, float) or not situation.sieve_guards:
        return ""
    was = situation.gaps_mm.get(sieve, step.was)
    gap = was + step.to - step.was
    before = _noticed(situation, sieve, was)
    for name in _noticed(situation, sieve, gap):
        clear = [one for one in range(int(LEAST_MM), int(MOST_MM)) if name not in _noticed(situation, sieve, float(one))]
        ahead = [one for one in clear if (one - gap) * (step.to - step.was) > 0]
        if clear and not (name in before and ahead):  # a rail that no gap clears is a matter of words
            return name
    return ""


def _noticed(situation: Situation, sieve: str, gap_mm: float) -> list[str]:
    return [one.name for one in guards.notices(situation.sieve_guards, _sieves(situation, {sieve: gap_mm}))]


def _sieves(situation: Situation, moved: Mapping[str, float]) -> guards.SieveState:
    return guards.SieveState(
        gaps_mm={**situation.gaps_mm, **moved},
        crop_kind=situation.crop_kind,
        kernel_width_mm=situation.kernel_width_mm,
        yield_t_ha=situation.yield_t_ha,
        fan=situation.fan,
        pre_sieve=situation.pre_sieve,
    )


def _told(rule: AdviceRule, step: AdvisedStep | None, gain: float, situation: Situation, reckoned: Worth) -> Advice:
    values = situation.values()
    words = step.words if step is not None else rule.words
    if step is not None and step.size == "larger":
        words += " The first step showed nothing: this is the larger one."
    if step is not None and step.what in SIEVE_OF:
        words += " Come to the gap from the open side, or as the manual says."
        if SIEVE_OF[step.what] not in situation.gaps_mm:
            words += " The readout is unchecked: gauge the gap when you can."
    return Advice(
        rule=rule.name,
        kind="look" if step is None else "step",
        seen=rule.shown(values, situation.look),
        data={name: values[name] for name in rule.quantities if values[name] is not None},
        why=rule.why,
        words=words,
        step=step,
        watch=rule.watch,
        stop=rule.stop,
        caution=caution(rule.caution),
        basis=rule.basis,
        worth_ha=round(gain, 2) if gain else None,
        unit=reckoned.unit,
    )


# ---------------------------------------------------------------------- nothing to change


def _nothing(situation: Situation, reckoned: Worth) -> Advice:
    """Nothing is worth chasing, or nothing is left that fits."""
    most = max(reckoned.gain.values(), default=0.0)
    known = {name: round(cost, 2) for name, cost in reckoned.cost.items()}
    data: dict[str, Value] = {f"cost.{name}": cost for name, cost in known.items()}
    data["least_worth"] = round(reckoned.least, 2)
    parts = [f"{name} {cost:.1f} {reckoned.unit}" for name, cost in known.items() if name not in ("separator", "cleaning")]
    seen = f"Costs now: {', '.join(parts)}." if parts else "No loss, sample or look is known yet."
    if most < reckoned.least or not parts:
        why = (
            f"A better setting could save about {most:.1f} {reckoned.unit} at most; "
            f"under {reckoned.least:.1f} {reckoned.unit} a change is not worth it."
        )
        words = "Nothing is worth chasing now: leave the settings as they are."
        if not parts:
            words = "Keep the settings until more is known."
        return Advice("nothing-to-chase", "hold", seen, data, why, words, basis="NDSU 1978: below 1 to 2 % loss is hard to reach",
                      worth_ha=round(most, 2), unit=reckoned.unit)  # fmt: skip
    if (back := _way_back(situation, reckoned)) is not None:
        return back
    held = _held(situation, reckoned)
    why = "Every step that fits was tried"
    why += f", or is held by the guard rail {', '.join(held)}." if held else "."
    words = "No further step is known: keep the settings, and drive for the limit. Look again when crop or weather change."
    return Advice("nothing-left", "hold", seen, data, why, words, basis=_BASIS_ORDER, worth_ha=round(most, 2), unit=reckoned.unit)


def _differing(situation: Situation) -> dict[str, float]:
    book = (situation.good_set or {}).get("settings", {})
    return {what: to for what, to in book.items() if what != "speed_kmh" and situation.settings.get(what) not in (None, to)}


def _way_back(situation: Situation, reckoned: Worth) -> Advice | None:
    """Back to the best set so far, one setting at a time, when it did clearly better than the present one."""
    good, differing = situation.good_set, _differing(situation)
    if good is None or not differing or good.get("unit") not in (None, "", reckoned.unit):
        return None
    if good["cost_ha"] > reckoned.total - reckoned.least:
        return None
    closed = {(one.what, one.to) for one in situation.tried}
    free = (one for one in differing if (one, differing[one]) not in closed and not _undoes(one, differing[one], situation))
    what = next(free, None)
    if what is None:
        return None
    was, to = situation.settings[what], differing[what]
    words = f"Put {name_of(what)} back to {shown(to, what)}, as in the best set so far."
    return Advice(
        rule="way-back", kind="back",
        seen=f"The best set so far for {good['crop']} cost {good['cost_ha']:.1f} {reckoned.unit}; now: {reckoned.total:.1f}.",
        data={"good.loss_kg_ha": good["loss_kg_ha"], "good.cost_ha": good["cost_ha"], "loss_kg_ha": situation.loss_kg_ha},
        why="What was good before is the surest way back; one setting at a time shows which of them mattered.",
        words=words, step=AdvisedStep(what, "more" if to > was else "less", "back", None, "", was, to, words),
        watch="loss, returns and the tank sample", stop="when the set stands again", caution=caution("cab"),
        basis="the kit's own settings book", worth_ha=round(reckoned.total - good["cost_ha"], 2), unit=reckoned.unit,
    )  # fmt: skip


def _from_book(situation: Situation) -> Advice | None:
    """The best set so far, offered at the first load of the day."""
    good = situation.good_set
    if good is None or not good["settings"]:
        return None
    listed = ", ".join(f"{name_of(what).removeprefix('the ')} {shown(to, what)}" for what, to in good["settings"].items())
    sample = ", ".join(f"{key.removesuffix('_pct')} {value:.1f} %" for key, value in good["sample"].items())
    seen = f"First load of {good['crop']} today. The best set so far lost {good['loss_kg_ha']:.0f} kg/ha"
    seen += f", returns {good['returns_pct']:z.0f} % of full" if good["returns_pct"] is not None else ""
    seen += f", tank sample {sample}." if sample else "."
    return Advice(
        rule="start-from-the-book", kind="book", seen=seen,
        data={"good.loss_kg_ha": good["loss_kg_ha"], "good.returns_pct": good["returns_pct"], "good.at_s": good["at_s"]},
        why="What was good in this crop is the best start; dew, ripeness and yield then ask for small steps from there.",
        words=f"Start from: {listed}. Enter what you set.",
        watch="loss and the tank sample of the first load", stop="when the first ten minutes are judged",
        caution=caution("inside"), basis="the kit's own settings book", settings=dict(good["settings"]),
    )  # fmt: skip

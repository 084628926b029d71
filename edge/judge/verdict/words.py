"""The words of a comparison: what was seen, how sure it is, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

from edge.contract.entries import SETTING_UNITS
from edge.judge.verdict.course import CourseMark
from edge.judge.verdict.nextstep import BEFORE_MIN, NextStep, next_step

NAMES = {
    "fan_rpm": "the fan", "rotor_rpm": "the rotor", "concave_mm": "the concave", "top_sieve_mm": "the top sieve",
    "bottom_sieve_mm": "the bottom sieve", "pre_sieve_mm": "the pre-sieve", "speed_kmh": "ground speed", "mill": "the mill",
    "returns_pct": "returns", "trash_pct": "trash in the tank", "cracked_pct": "cracked grain in the tank",
}  # fmt: skip
LEAST_MINUTES = 3.0
ENOUGH_TRAYS = 3
"""Tray tests on a side from which a further one narrows little (from memory)."""

ROOMY = 0.8
"""Returns under this share of their limit leave room."""

REACHED_INTO = ("concave_mm", "top_sieve_mm", "bottom_sieve_mm", "pre_sieve_mm", "mill")
HANDS = "If it is not set from the cab: stop, engine off, key out before reaching in; the operator's manual goes first."
TRAYS = (
    "Before laying a tray: two people in radio contact, chopper and spreader off and stopped, never in front of a wheel or "
    "behind the discharge; the operator's manual goes first."
)


@dataclass(slots=True)
class VerdictFacts:
    """Everything the words draw on."""

    change: CourseMark
    was: float | str | None
    basis: str
    before: dict[str, float | None]
    after: dict[str, float | None]
    pooled: bool
    open: bool
    alters: bool
    tests: tuple[int, int]
    beside: tuple[str, float] | None = None
    verdict: str = "not enough data"
    ratio: float | None = 1.0
    low: float = 0.0
    high: float | None = None
    pulses: tuple[float, float, float | None] = (1.0, 0.0, None)
    contradicts: bool = False
    standing_min: float = 0.0
    returned: bool = False
    detectable_pct: float | None = None
    minutes_more: int | None = None
    next_s: float = inf
    risen: tuple[str, ...] = field(default_factory=tuple)
    drift_limits: bool = False
    tests_limit: bool = False
    small: bool = False
    returns_limit_pct: float | None = None

    @property
    def next(self) -> NextStep | None:
        """What to do now; None where the change is over: the newest one says what to do."""
        if not self.open:
            return None
        return next_step(
            self.verdict, self.change.key, self.was, self.change.to, self.standing_min, self.minutes_more,
            is_small=self.small, returned=self.returned,
            is_judgeable=self.beside is None and (self.before.get("minutes") or 0.0) >= LEAST_MINUTES,
            wants_tray=self.contradicts or (self.tests_limit and min(self.tests) < ENOUGH_TRAYS),
        )  # fmt: skip

    @property
    def name(self) -> str:
        """The setting in words."""
        return NAMES.get(self.change.key, self.change.label)

    @property
    def to(self) -> str:
        """The new value with its unit."""
        return shown(self.change.to, self.change.key)

    @property
    def back(self) -> str:
        """The old value with its unit, or words for it."""
        return shown(self.was, self.change.key) if self.was is not None else "where it was"


def shown(value: float | str | None, key: str) -> str:
    """A setting's value with its unit."""
    unit = SETTING_UNITS.get(key, "")
    text = f"{value:g}" if isinstance(value, float | int) else str(value)
    return f"{text} {unit}".rstrip()


def name_of(key: str, label: str = "") -> str:
    """A setting in words."""
    return NAMES.get(key, label or key)


def kit_setting_words() -> str:
    """For a change of the lag."""
    return "The lag is the kit's own setting: nothing on the machine changed, so there is nothing to judge. Ask about another."


def baseline_words(change: CourseMark) -> str:
    """For an entry that changed nothing."""
    name = NAMES.get(change.key, change.label)
    return (
        f"Not enough data: nothing was changed. {name[:1].upper()}{name[1:]} is at {shown(change.to, change.key)}: taken as what "
        "it stood at; give `from` if you changed it."
    )


def at_once_words(facts: VerdictFacts) -> str:
    """For two settings changed together."""
    assert facts.beside is not None
    other, seconds = facts.beside
    apart = "at the same moment" if seconds < 1 else f"within {seconds:.0f} s of each other"
    return (
        f"Two settings at once: {facts.name} and {name_of(other, other)} were changed {apart}, so this is evidence for neither."
        f"{_start_here(facts)}"
    )


def words(facts: VerdictFacts) -> str:
    """The whole answer for an operator."""
    if facts.contradicts:
        return _contradiction(facts)
    if facts.verdict == "not enough data":
        return _too_little(facts)
    if facts.verdict == "no detectable change":
        return _nothing(facts)
    seen = f"{_moved(facts)} after {_change(facts)}."
    if facts.verdict == "mixed":
        rises = " and ".join(_rise(key, facts) for key in facts.risen)
        return f"Mixed: {seen} But {rises}.{_order(facts)}{_confirm(facts)}"
    rest = f"{seen}{_order(facts)}{_side_by_side(facts)}{_confirm(facts)}"
    return f"Better: {rest}" if facts.verdict == "better" else f"Worse: {rest}"


def _order(facts: VerdictFacts) -> str:
    """What to do next, as it was decided; nothing for a change that is over."""
    step = facts.next
    if step is None or step.step == "free":
        return ""
    if step.step == "keep":
        return f" Keep {facts.to}; any further step goes on from there."
    if step.step == "back":
        return f"{_hands(facts)} Put {facts.name} back to {facts.back}."
    if step.step == "weigh":
        return _weigh(facts, step)
    if step.step == "tray":
        return f" {TRAYS} Then lay another tray test at {facts.to}, and change nothing until then."
    return f" Work on {until(step.minutes, facts.to)}, and change nothing meanwhile."


def until(minutes: int | None, value: str) -> str:
    """How long to change nothing: minutes of steady work at a value, so that it stays true while they pass."""
    return f"until about {minutes} minutes of steady work have been done at {value}"


def _start_here(facts: VerdictFacts) -> str:
    """Where no verdict can come of a change: the present settings are what the next one is compared with."""
    if facts.next is None:
        return ""
    return (
        f"{_hands(facts)} What stands now is what the next change is compared with: it can be judged once {BEFORE_MIN:.0f} "
        "minutes of steady work stand before it and it is made alone."
    )


def _weigh(facts: VerdictFacts, step: NextStep) -> str:
    """What to do when one thing is bought with another."""
    returns, limit = facts.after["returns_pct"], facts.returns_limit_pct
    where = f"half way back, to {shown(step.to, facts.change.key)}"
    if step.to == facts.was:
        where = f"all the way back to {facts.back}"
    if facts.risen == ("returns_pct",) and returns is not None and limit is not None and returns < ROOMY * limit:
        return (
            f" They stay well under their limit of {limit:.0f} %: keep {facts.to} if the tank shows no more trash or cracked "
            f"grain than before.{_hands(facts)} Else go {where}."
        )
    return (
        f" What left the loss goes round or into the tank: keep {facts.to} only if the grain saved is worth more than "
        f"that costs.{_hands(facts)} Else go {where}, then look again."
    )


def _contradiction(facts: VerdictFacts) -> str:
    """Trays and pulses say things that can't both be true: both are told, neither counts."""
    ratio, low, high = facts.pulses
    trays = _moved_by("grain lost per hectare", facts.ratio, facts.low, facts.high)
    return (
        f"Not enough data: tray tests and pulses contradict each other after {_change(facts)}. By the tray tests {trays}; by the "
        f"pulses alone {_moved_by('loss pulses per hectare', ratio, low, high)}. One of them misleads, so neither counts. Look "
        f"through the tray tests for a slip: width, length, count, time.{_order(facts)}"
    )


def _change(facts: VerdictFacts) -> str:
    came = f" from {facts.back}" if facts.was is not None else ""
    pooled = ", worked to and fro" if facts.pooled else ""
    return f"{facts.name} went{came} to {facts.to}{pooled}"


def _moved(facts: VerdictFacts) -> str:
    what = "grain lost per hectare" if facts.basis == "grain" else "loss pulses per hectare"
    return _moved_by(what, facts.ratio, facts.low, facts.high)


def _moved_by(what: str, ratio: float | None, low: float, high: float | None) -> str:
    if ratio is None:
        return f"{what} rose from none that was found ({_range(low, high)})"
    return f"{what} {'fell' if ratio < 1 else 'rose'} {_percent(ratio)} ({_range(low, high)})"


def _percent(ratio: float) -> str:
    return f"{abs(ratio - 1) * 100:.0f} %"


def _range(low: float, high: float | None) -> str:
    """The interval as percent less or more."""
    if high is None and low > 1:
        return f"90 % interval {(low - 1) * 100:.0f} % more or beyond"
    if high is None:
        return "nothing bounds it yet"
    if high < 1:
        return f"90 % interval {(1 - high) * 100:.0f} to {(1 - low) * 100:.0f} % less"
    if low > 1:
        return f"90 % interval {(low - 1) * 100:.0f} to {(high - 1) * 100:.0f} % more"
    return f"90 % interval {(1 - low) * 100:.0f} % less to {(high - 1) * 100:.0f} % more"


def _rise(key: str, facts: VerdictFacts) -> str:
    return f"{NAMES[key]} rose from {facts.before[key] or 0.0:.1f} to {facts.after[key] or 0.0:.1f} %"


def _side_by_side(facts: VerdictFacts) -> str:
    parts = []
    for key in ("returns_pct", "trash_pct", "cracked_pct"):
        before, after = facts.before.get(key), facts.after.get(key)
        if before is not None and after is not None:
            parts.append(f"{NAMES[key]} {before:z.0f} -> {after:z.0f} %" if key == "returns_pct" else
                         f"{NAMES[key]} {before:.1f} -> {after:.1f} %")  # fmt: skip
    if not any(facts.after.get(key) is not None for key in ("trash_pct", "cracked_pct")):
        parts.append("look at the tank for trash and cracked grain too")
    text = "; ".join(parts)
    return f" {text[0].upper()}{text[1:]}."


def _confirm(facts: VerdictFacts) -> str:
    """Pulses are not grain: what would confirm it."""
    if facts.basis == "grain" or not facts.alters:
        return ""
    if facts.tests[0] and not facts.tests[1] and facts.open:
        wanted = f"a tray test now, at {facts.to},"
    elif facts.tests[0] or facts.tests[1]:
        wanted = "a tray test on the other side of the change too"
    else:
        wanted = "a tray test on each side"
    return f" This counts pulses, not grain. {TRAYS} With that in mind, {wanted} would confirm it."


def _hands(facts: VerdictFacts) -> str:
    """The caution; it stands before the step it is for."""
    return f" {HANDS}" if facts.change.key in REACHED_INTO else ""


def _nothing(facts: VerdictFacts) -> str:
    what = "grain lost" if facts.basis == "grain" else "loss pulses"
    if facts.ratio is None:
        seen = f"{what} per hectare went from none that was found to some after {_change(facts)}"
    else:
        way = "less" if facts.ratio < 1 else "more"
        seen = f"{_percent(facts.ratio)} {way} {what} per hectare ({_range(facts.low, facts.high)}) after {_change(facts)}"
    least = facts.detectable_pct
    could = "" if least is None else f" So far only a change of {least:.0f} % or more could be seen."
    limit = ""
    if facts.tests_limit:
        limit = (
            f" The tray tests are the limit ({facts.tests[0]} before, {facts.tests[1]} after): pulses alone went to "
            f"{facts.pulses[0]:.2f} of before."
        )
    return f"No detectable change: {seen}.{could}{limit}{_order(facts)}{_to_settle(facts)}"


def _to_settle(facts: VerdictFacts) -> str:
    """Ways to settle it, where nothing is waited for: offered, not asked for."""
    if facts.next is None or facts.next.step != "free":
        return ""
    if facts.tests_limit:
        return " A larger step is easier to see than more trays."
    to_and_fro = f"work 10 minutes at {facts.back}, 10 at {facts.to}, and so on to and fro"
    if facts.small:
        return (
            f"{_hands(facts)} If there is an effect it is small: a clearly larger step is the quicker answer, then see "
            f"whether it goes the right way. To look for a small one, {to_and_fro}: that cancels the field's drift."
        )
    why = "the field's own drift is the limit" if facts.drift_limits else "waiting alone takes long"
    return f"{_hands(facts)} To settle it {to_and_fro} ({why}), or take a clearly larger step."


def _too_little(facts: VerdictFacts) -> str:
    before, after = facts.before.get("minutes") or 0.0, facts.after.get("minutes") or 0.0
    seen = f"{before:.1f} min of steady work before and {after:.1f} min after {_change(facts)}"
    head = f"Not enough data: {seen}; {LEAST_MINUTES:.0f} are needed on each side."
    if before < LEAST_MINUTES:
        return f"{head}{_start_here(facts)}"
    if facts.next_s < inf and after < LEAST_MINUTES:
        return f"{head} The next change came too early, after {facts.next_s / 60:.0f} min: give each setting 10 minutes or more."
    few = " Too few pulses to compare." if min(before, after) >= LEAST_MINUTES else ""
    return f"{head}{few}{_order(facts)}"

"""The rules of `advice.toml`, read once: typed, checked, in the order in which they are asked."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Literal

import msgspec

from edge.judge.advice.situation import SETTINGS, Situation
from edge.judge.verdict.nextstep import Value

STAGES = ("trust", "feed", "threshing", "separation", "cleaning", "quality", "last")
CONCERNS = ("always", "loss", "heads", "separator", "cleaning", "returns", "trash", "cracked")
OPERATORS = (">=", "<=", "not over", "is", "is not")
_NAMED = re.compile(r"\{([a-z0-9_.-]+)\}")
_SHOWN = re.compile(r"\{([a-z0-9_.-]+)\}( % of full| %| kg/ha| t/ha)?")


class AdviceRule(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One rule as the file has it; `words` stand for the step where no setting is changed."""

    name: str
    stage: str
    concern: str
    when: tuple[tuple[str, str, float | str], ...]
    seen: str
    why: str
    watch: str
    stop: str
    caution: str
    basis: str
    change: str = ""
    direction: Literal["more", "less", ""] = ""
    first: float = 0.0
    larger: float = 0.0
    unit: Literal["mm", "%", ""] = ""
    words: str = ""

    @property
    def quantities(self) -> list[str]:
        """Every quantity that the rule looks at or shows."""
        return list(dict.fromkeys([*(one[0] for one in self.when), *_NAMED.findall(self.seen)]))

    def holds(self, values: Mapping[str, Value]) -> bool:
        """Whether all conditions hold; an unknown quantity fails, save for `not over` and `is not`."""
        return all(_holds(values.get(name), operator, wanted) for name, operator, wanted in self.when)

    def shown(self, values: Mapping[str, Value], look: Mapping[str, str]) -> str:
        """`seen` with its quantities filled in."""

        def fill(found: re.Match[str]) -> str:
            name = found[1]
            if name not in look and values.get(name) is None:
                return "not known"
            return show(name, values.get(name), look) + (found[2] or "")

        return _SHOWN.sub(fill, self.seen)


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    cautions: dict[str, str]
    rule: tuple[AdviceRule, ...]


@lru_cache(maxsize=1)
def _file() -> _File:
    found = msgspec.convert(tomllib.loads(files("edge.judge.advice").joinpath("advice.toml").read_text("utf-8")), _File)
    known = set(Situation().values())
    for rule in found.rule:
        faults = [
            rule.stage not in STAGES,
            rule.concern not in CONCERNS,
            rule.caution not in found.cautions,
            any(operator not in OPERATORS for _, operator, _ in rule.when),
            not set(rule.quantities) <= known,
            bool(rule.change) and (rule.change not in SETTINGS or not rule.direction or not 0 < rule.first < rule.larger),
            not rule.change and not rule.words,
        ]
        if any(faults):
            raise ValueError(f"advice.toml: rule {rule.name}: fault number {faults.index(True) + 1}")
    return found


@lru_cache(maxsize=4)
def rules(stages: tuple[str, ...] = STAGES) -> tuple[AdviceRule, ...]:
    """The rules of these stages in order, within a stage as the file has them."""
    return tuple(rule for stage in STAGES if stage in stages for rule in _file().rule if rule.stage == stage)


def caution(name: str) -> str:
    """The words of a caution."""
    return _file().cautions[name]


def _holds(value: Value, operator: str, wanted: float | str) -> bool:
    if operator in ("is", "is not"):
        return (value is not None and value == wanted) == (operator == "is")
    if value is None:
        return operator == "not over"
    if isinstance(value, str) or isinstance(wanted, str):
        return False
    return value >= wanted if operator == ">=" else value <= wanted


def show(name: str, value: Value, look: Mapping[str, str]) -> str:
    """A quantity as an operator reads it."""
    if name in look:
        return look[name]
    if value is None:
        return "not known"
    if isinstance(value, str):
        return value
    if name.endswith("_share") or name.startswith("left."):
        return f"{100 * value:.0f} %"
    if name in ("cracked_pct", "trash_pct", "unthreshed_pct", "yield_t_ha", "speed_kmh"):
        return f"{value:z.1f}"
    return f"{value:z.2f}" if name.endswith("_rise") or name == "over_limit" else f"{value:z.0f}"

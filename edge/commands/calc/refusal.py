"""Refusals of `calc` in the user's own words: options where options were typed, JSON keys where a file was read, and US
customary keys and figures where those were given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from edge.commands.calc.us import US_KEYS, all_keys, factor
from edge.contract.allowed import NULL, AnyRule, InWords, KeyRule, ListRule
from edge.contract.errors import EntryError, SettingsError, WrongInput
from edge.contract.refusal import KeyPath, Refusal
from edge.contract.said import NamedKey, Retelling, bare, say
from edge.contract.typed import TypedFault

SI_KEYS = {si: key for key, si in US_KEYS.items()}


@dataclass(frozen=True)
class Customary:
    """Input in US customary keys that were read into SI ones: what was given, and the mass of a bushel."""

    given: frozenset[str]
    bushel_lb: float | None

    @classmethod
    def of(cls, plain: Mapping[str, Any], bushel_lb: float | None = None) -> Customary:
        """Of a whole object."""
        return cls(frozenset(all_keys(plain)), bushel_lb)

    def name(self, key: str) -> str:
        """The US customary key of an SI one, unless that was given itself."""
        us = SI_KEYS.get(key, key)
        return key if key in self.given and us not in self.given else us

    def retold(self, refusal: Refusal) -> Refusal:
        """A refusal of an SI key in the key and the unit that it was read from."""
        key = str(refusal.path[-1]) if refusal.path else ""
        us = self.name(key)
        per = factor(us, self.bushel_lb) if us != key else None
        return refusal.changed(Retelling(self.name, per or 1.0, {"m": "ft"}))


@contextmanager
def retold(customary: Customary | None) -> Iterator[None]:
    """Refusals inside are told in US customary keys and figures where some were given. Raises TypedFault."""
    try:
        yield
    except (TypedFault, EntryError) as fault:
        if customary is None or fault.refusal is None:
            raise
        raise TypedFault(customary.retold(fault.refusal)) from fault


@contextmanager
def spoken(verb: str, options: Mapping[str, Any], source: str | None, us: bool) -> Iterator[None]:
    """Refusals of a verb name what was typed; faults of settings pass as they are. Raises WrongInput.

    `options`: all of the verb's, None where not given.
    """
    try:
        yield
    except SettingsError:
        raise
    except (TypedFault, WrongInput) as fault:
        if fault.refusal is None:
            raise
        line = as_typed(fault.refusal, options, source is not None, us)
        raise WrongInput(f"calc {verb}: {line}", fault.refusal, f"calc {verb}") from fault


def as_typed(refusal: Refusal, options: Mapping[str, Any], from_file: bool, us: bool = False) -> str:
    """A refusal with options for keys: all of them, or beside a file those that were given."""
    known = {name for name, value in options.items() if not from_file or (value is not None and value != ())}

    def called(key: NamedKey) -> str:
        return _option(key.name) if key.name in known else bare(key)

    typed = _typed(refusal.path, known)
    if typed is None and not from_file and refusal.path:
        typed = _several(refusal.path, us)
    if typed is None:
        return refusal.line(key=called)
    rule = None if refusal.allowed is None else _by_option(refusal.allowed)
    return replace(refusal, allowed=rule).line(typed, called)


def _typed(path: KeyPath, known: set[str]) -> str | None:
    """The option that stands for a key; those of a tray or a ground count lie deeper in the object."""
    steps = [step for step in path if isinstance(step, str)]
    name = "_".join(steps[1:] if steps[:1] == ["trays"] else steps)
    return _option(name) if name in known else None


def _several(path: KeyPath, us: bool) -> str | None:
    """The options that together stand for a whole tray or ground count."""
    if path[0] == "trays" and isinstance(path[-1], int):
        return f"{_option('length_m')} by {_option('width_m')}"
    if path in (("front",), ("before_harvest",)):
        return f"{_option(f'{path[0]}_grains')} and {_option(f'{path[0]}_' + ('area_ft2' if us else 'area_m2'))}"
    return None


def _by_option(rule: KeyRule) -> KeyRule:
    """An option can't say null, and takes several values one after the other."""
    if isinstance(rule, AnyRule):
        return AnyRule(tuple(one for one in rule.rules if one != NULL and not isinstance(one, ListRule)) or rule.rules)
    if isinstance(rule, ListRule) and rule.least == rule.most == 2:
        return InWords(say("two numbers, one after the other"))
    return rule


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")

"""Texts that name keys and hold figures, as data: whoever shows one decides what a key is called and in which unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from string import Formatter


@dataclass(frozen=True)
class NamedKey:
    """A key that a text names. `marked`: it stands in backticks where keys are shown as they are."""

    name: str
    marked: bool = True


@dataclass(frozen=True)
class Figure:
    """A number in a text, and how it is written there; with a `unit`, that is written behind it."""

    value: float
    text: str
    unit: str = ""


Part = str | NamedKey | Figure
Said = tuple[Part, ...]
"""A text in parts."""


@dataclass(frozen=True)
class Retelling:
    """Another way to tell the same: names for keys, and a unit that is `per` of the old one."""

    name: Callable[[str], str]
    per: float = 1.0
    units: Mapping[str, str] = field(default_factory=dict)
    """Old name of a unit -> new one."""

    def number(self, value: float) -> float:
        """A number in the new unit, in four digits; as it was without a new unit."""
        return value if self.per == 1.0 else float(f"{value / self.per:.4g}")

    def said(self, text: Said) -> Said:
        """A text with its keys and figures changed."""
        return tuple(map(self._part, text))

    def _part(self, part: Part) -> Part:
        if isinstance(part, NamedKey):
            return replace(part, name=self.name(part.name))
        if isinstance(part, Figure) and self.per != 1.0:
            return Figure(self.number(part.value), f"{self.number(part.value):g}", self.units.get(part.unit, part.unit))
        return part


def say(text: str, **values: Part) -> Said:
    """The parts of a text. What stands in braces is one of `values`, or else a key: `{kmh}`, without backticks `{kmh:bare}`.

    What a user wrote belongs in `values`, because braces in it mean nothing.
    """
    parts: list[Part] = []
    for plain, name, form, _ in Formatter().parse(text):
        if plain:
            parts.append(plain)
        if name is not None:
            parts.append(values[name] if name in values else NamedKey(name, marked=form != "bare"))
    return tuple(parts)


def bare(key: NamedKey) -> str:
    """A key as it is."""
    return f"`{key.name}`" if key.marked else key.name


def written(text: Said, key: Callable[[NamedKey], str] = bare) -> str:
    """The words of a text."""
    return "".join(_written(part, key) for part in text)


def _written(part: Part, key: Callable[[NamedKey], str]) -> str:
    if isinstance(part, NamedKey):
        return key(part)
    if isinstance(part, Figure):
        return f"{part.text} {part.unit}" if part.unit else part.text
    return part


def printable(text: str) -> str:
    """A text on one line, whatever signs a user put into it."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)

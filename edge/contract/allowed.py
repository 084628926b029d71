"""What a key takes, as data: rules that are put in words, or in another unit, only where they are shown."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace

from edge.contract.said import Retelling, Said


class KeyRule(ABC):
    """Base of all rules."""

    @abstractmethod
    def said(self) -> Said:
        """The rule in words."""

    def changed(self, change: Retelling) -> KeyRule:
        """The rule with other names of keys and in another unit."""
        return self


@dataclass(frozen=True)
class InWords(KeyRule):
    """A rule of its own kind, in its own words."""

    text: Said

    def said(self) -> Said:
        return self.text

    def changed(self, change: Retelling) -> KeyRule:
        return InWords(change.said(self.text))


NULL = InWords(("null",))


@dataclass(frozen=True)
class NumberRule(KeyRule):
    """A number within bounds."""

    ge: float | None = None
    gt: float | None = None
    le: float | None = None
    lt: float | None = None
    whole: bool = False

    def said(self) -> Said:
        words = ["a whole number" if self.whole else "a number"]
        if self.ge is not None:
            words.append(f"from {self.ge:g}")
        if self.gt is not None:
            words.append(f"over {self.gt:g}")
        if self.le is not None:
            words.append(f"up to {self.le:g}")
        if self.lt is not None:
            words.append(f"{'and ' if len(words) > 1 else ''}under {self.lt:g}")
        return (" ".join(words),)

    def changed(self, change: Retelling) -> KeyRule:
        ge, gt, le, lt = (None if bound is None else change.number(bound) for bound in (self.ge, self.gt, self.le, self.lt))
        return NumberRule(ge, gt, le, lt, self.whole)


@dataclass(frozen=True)
class BetweenRule(KeyRule):
    """A number between two bounds, both allowed, in few words."""

    least: float
    most: float

    def said(self) -> Said:
        return (f"{self.least:g} to {self.most:g}",)

    def changed(self, change: Retelling) -> KeyRule:
        return BetweenRule(change.number(self.least), change.number(self.most))


@dataclass(frozen=True)
class ChoiceRule(KeyRule):
    """One of some words, which `lead` may introduce (`a table with `)."""

    words: tuple[str, ...]
    lead: str = ""

    def said(self) -> Said:
        return (self.lead + ", ".join(self.words),)


@dataclass(frozen=True)
class TextRule(KeyRule):
    """Text, perhaps of a form or a length."""

    pattern: str | None = None
    least: int | None = None
    most: int | None = None

    def said(self) -> Said:
        words = "text"
        if self.pattern:
            words += f" of the form {self.pattern}"
        if self.least or self.most:
            words += f" of {self.least or 0} to {self.most or 'any number of'} characters"
        return (words,)


@dataclass(frozen=True)
class ListRule(KeyRule):
    """A list of so many."""

    item: KeyRule
    least: int | None = None
    most: int | None = None

    def said(self) -> Said:
        if self.least is not None and self.least == self.most:
            return (f"a list of {self.least}, each ", *self.item.said())
        return (f"a list of {self.least or 0} to {self.most or 'any number of'}: ", *self.item.said())

    def changed(self, change: Retelling) -> KeyRule:
        return replace(self, item=self.item.changed(change))


@dataclass(frozen=True)
class SeveralRule(KeyRule):
    """One, or a list of several of the same."""

    item: KeyRule
    most: int | None = None

    def said(self) -> Said:
        return (*self.item.said(), f"; one, or up to {self.most or 'any number'} of them")

    def changed(self, change: Retelling) -> KeyRule:
        return replace(self, item=self.item.changed(change))


@dataclass(frozen=True)
class AnyRule(KeyRule):
    """One rule or the other."""

    rules: tuple[KeyRule, ...]

    def said(self) -> Said:
        first, *others = self.rules
        return (*first.said(), *(part for rule in others for part in (" or ", *rule.said())))

    def changed(self, change: Retelling) -> KeyRule:
        return AnyRule(tuple(rule.changed(change) for rule in self.rules))

"""Why a key was refused, as data: which key, what was found, what is allowed. The one line is made where it is shown."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from edge.contract.allowed import KeyRule
from edge.contract.said import Figure, NamedKey, Retelling, Said, bare, printable, written

KeyPath = tuple[str | int, ...]
"""Keys and numbers in lists, the outermost first."""

MISSING: Said = ("missing",)

LONGEST_BITS = 200
"""Whole numbers longer than this are no figure any more: a float may not hold them."""


@dataclass(frozen=True)
class Refusal:
    """One fault of one key, or of several that go together (an empty path)."""

    path: KeyPath
    found: Said
    allowed: KeyRule | None = None
    by: str = "allowed"
    """What introduces the rule: `allowed`, or `required` for what is missing."""
    note: Said = ()
    """What is said behind the rule."""

    @property
    def number(self) -> float | None:
        """The number that was found, if one was."""
        return next((part.value for part in self.found if isinstance(part, Figure)), None)

    def line(self, where: str | None = None, key: Callable[[NamedKey], str] = bare) -> str:
        """The refusal in words. `where` stands for the path, `key` says what the keys in its texts are called."""
        rule = f"; {self.by}: {written(self.allowed.said(), key)}" if self.allowed is not None else ""
        text = written(self.found, key) + rule + written(self.note, key)
        where = dotted(self.path) if where is None else where
        return printable(f"{where}: {text}" if where else text)

    def changed(self, change: Retelling) -> Refusal:
        """The same with other names of keys and in another unit."""
        return replace(
            self,
            path=tuple(change.name(step) if isinstance(step, str) else step for step in self.path),
            found=change.said(self.found),
            allowed=None if self.allowed is None else self.allowed.changed(change),
            note=change.said(self.note),
        )


def dotted(path: KeyPath) -> str:
    """A path in words, such as `trays[0].x_m`."""
    words = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return words.removeprefix(".")


def value_found(value: object, text: str | None = None, near: str = "") -> Said:
    """`found 50`: a value as `text`, else as Python writes it, with the hint at a near one behind it."""
    text = repr(value) if text is None else text
    if isinstance(value, bool) or not isinstance(value, (int, float)) or _endless(value):
        return (f"found {text}{near}",)
    return ("found ", Figure(float(value), text), *((near,) if near else ()))


def _endless(value: float) -> bool:
    return value.bit_length() > LONGEST_BITS if isinstance(value, int) else not math.isfinite(value)

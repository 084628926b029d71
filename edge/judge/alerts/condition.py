"""What a rule sees in one second."""

from __future__ import annotations

from typing import NamedTuple


class Condition(NamedTuple):
    """What one rule sees: `on` raises; not on is the deadband. `cause`, `action` empty: the rule's own.

    `subject`: what it is about, by its name on every screen ("separator, left"); `detail`: a further sentence.
    `eased`: what made a danger of it no longer holds.
    """

    on: bool
    value: float | None = None
    limit: float | None = None
    severity: str = ""
    detail: str = ""
    cause: str = ""
    action: str = ""
    eased: bool = False
    subject: str = ""


BETWEEN = Condition(False)
ON = Condition(True)

"""What a rule sees in one second."""

from __future__ import annotations

from typing import NamedTuple


class Condition(NamedTuple):
    """What one rule sees: `on` raises; not on is the deadband. `cause`, `action` empty: the rule's own.

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


BETWEEN = Condition(False)
ON = Condition(True)

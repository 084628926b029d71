"""What the page's server bears of many or of bad guests. Tests make it shorter."""

from __future__ import annotations

from typing import NamedTuple


class Limits(NamedTuple):
    """`pin_together` tries of the PIN at once from everywhere, then one each `pin_turn_s`."""

    pin_together: int = 20
    pin_turn_s: float = 10.0


LIMITS = Limits()

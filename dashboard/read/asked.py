"""What a page asks of the database: where it lies, the kit's settings, the words of the question."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NamedTuple

from edge.contract.errors import WrongInput
from edge.contract.settings import Settings


class Question(NamedTuple):
    """`store`: the database file; `query`: the question's own words."""

    store: Path
    settings: Settings
    query: dict[str, str]

    def one_of(self, key: str, allowed: Iterable[int]) -> int:
        """A whole number of a given choice. Raises WrongInput."""
        given = self.query.get(key, "")
        choice = [str(one) for one in allowed]
        if given not in choice:
            raise WrongInput(f"{key}: found {given[:20]!r}; allowed: {', '.join(choice)}")
        return int(given)

    def number(self, key: str, least: float, most: float) -> float:
        """A number within bounds. Raises WrongInput."""
        given = self.query.get(key, "")
        try:
            value = float(given)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            raise WrongInput(f"{key}: found {given[:20]!r}; allowed: a number from {least:g} to {most:g}")
        return value


Reading = Callable[[Question], dict[str, Any]]
"""A read-only answer for a page. Raises WrongInput for a wrong question, StoreError when the database can't be read."""

"""The settings book: the last good set of settings for each crop, offered at the first load of the day and as the way back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from edge.judge.situation import Situation
from edge.judge.worth import Worth
from edge.reckon.crops import plain_name

STEADY_MIN = 10.0
"""Steady work under one set before it can be called good."""


@dataclass(frozen=True, slots=True)
class GoodSet:
    """Settings that did well, with what they gave; None is unknown. `at_s` in epoch s; `cost_ha` as `worth` reckons it."""

    crop: str
    at_s: float
    settings: Mapping[str, float]
    loss_kg_ha: float
    returns_pct: float | None
    sample: Mapping[str, float] = field(default_factory=dict)
    cost_ha: float = 0.0

    def to_plain(self) -> dict[str, Any]:
        """The record's body; `from_plain` reads it back."""
        return asdict(self)


class SettingsBook:
    """One page a crop."""

    def __init__(self) -> None:
        self._pages: dict[str, GoodSet] = {}

    def page(self, crop: str | None) -> GoodSet | None:
        """The last good set of a crop, by its plain name."""
        return None if crop is None else self._pages.get(plain_name(crop))

    def consider(self, situation: Situation, worth: Worth, at_s: float) -> GoodSet | None:
        """Keep the present set if it is good: known loss under its limit, steady for ten minutes, nothing costly in the
        tank, and no verdict against it. Returns the page when it is new or changed."""
        loss, limit = situation.loss_kg_ha, situation.limit_kg_ha
        if situation.crop is None or loss is None or not situation.settings or situation.minutes < STEADY_MIN:
            return None
        if situation.calibration in ("none", "stale") or (limit is not None and loss > limit):
            return None
        last = situation.last
        if last is not None and last.verdict in ("worse", "mixed"):
            return None
        if worth.costly("trash") or worth.costly("cracked"):
            return None
        known = self.page(situation.crop)
        same = known is not None and dict(known.settings) == dict(situation.settings)
        if known is not None and not same and worth.total > 1.1 * known.cost_ha and last is not None and last.verdict != "better":
            return None  # no better than what stands there, and no verdict speaks for it
        page = GoodSet(
            situation.crop, at_s, dict(situation.settings), loss, situation.returns_pct, dict(situation.sample), worth.total
        )
        if same and known is not None and abs(page.loss_kg_ha - known.loss_kg_ha) < 0.2 * max(known.loss_kg_ha, 1.0):
            return None
        self.restore(page.to_plain())
        return page

    def restore(self, body: Mapping[str, Any]) -> None:
        """Take up a page out of the record."""
        page = GoodSet(**body)
        self._pages[plain_name(page.crop)] = page

"""The settings book: the best set of settings for each crop, offered at the first load of the day and as the way back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from edge.judge.advice.advise import against
from edge.judge.advice.situation import Situation
from edge.judge.advice.worth import Worth
from edge.reckon.tables.crops import plain_name

STEADY_MIN = 10.0
"""Steady work under one set before it can be called good."""

MEASURED_SHARE = 0.03
"""Shafts give way under load: measured values within this share are one setting."""

TOLD_SHARE = 0.05
"""A cab's readout lies so near the measured shaft, or it is another setting that somebody told."""


@dataclass(frozen=True, slots=True)
class GoodSet:
    """Settings that did well, with what they gave; None is unknown. `at_s` in epoch s; `cost_ha` as `worth` reckons it.

    `unit` of that cost (empty in records of before); `measured`: settings that nobody entered, as their shafts turned.
    """

    crop: str
    at_s: float
    settings: Mapping[str, float]
    loss_kg_ha: float
    returns_pct: float | None
    sample: Mapping[str, float] = field(default_factory=dict)
    cost_ha: float = 0.0
    unit: str = ""
    measured: tuple[str, ...] = ()

    def to_plain(self) -> dict[str, Any]:
        """The record's body; `from_plain` reads it back."""
        return asdict(self)

    def cheaper_than(self, other: GoodSet) -> bool:
        """By what it cost; by its loss where the costs are of different units."""
        if self.unit == other.unit:
            return self.cost_ha < other.cost_ha
        return self.loss_kg_ha < other.loss_kg_ha

    def near(self, other: GoodSet, what: str) -> bool:
        """Whether both have the same value, or a measured one that may be the same."""
        one, two = self.settings[what], other.settings[what]
        slack = MEASURED_SHARE if what in self.measured or what in other.measured else 0.0
        return abs(one - two) <= slack * abs(two)

    def same_as(self, other: GoodSet) -> bool:
        """Whether it is the same set of settings."""
        return self.settings.keys() == other.settings.keys() and all(self.near(other, what) for what in self.settings)


class SettingsBook:
    """One page a crop: the set that cost least."""

    def __init__(self) -> None:
        self._pages: dict[str, GoodSet] = {}
        self._amended: set[str] = set()

    def page(self, crop: str | None) -> GoodSet | None:
        """The best set of a crop, by its plain name."""
        return None if crop is None else self._pages.get(plain_name(crop))

    @property
    def pages(self) -> dict[str, GoodSet]:
        """Every page, by the plain name of its crop."""
        return dict(self._pages)

    def consider(self, situation: Situation, worth: Worth, at_s: float) -> GoodSet | None:
        """Keep the present set if it is good: known loss under its limit, steady for ten minutes, nothing costly in the
        tank, no verdict against it, and cheaper than what stands there. Returns the page when it is new or changed."""
        loss, limit = situation.loss_kg_ha, situation.limit_kg_ha
        if situation.crop is None or loss is None or not situation.settings or situation.minutes < STEADY_MIN:
            return None
        if situation.calibration in ("none", "stale") or (limit is not None and loss > limit):
            return None
        if situation.last is not None and against(situation.last, situation, worth):
            return None
        if worth.costly("trash") or worth.costly("cracked"):
            return None
        page = GoodSet(
            situation.crop, at_s, dict(situation.settings), loss, situation.returns_pct, dict(situation.sample), worth.total,
            worth.unit, tuple(what for what in situation.measured if what in situation.settings),
        )  # fmt: skip
        known = self.page(situation.crop)
        if known is not None and page.same_as(known):  # the newest figures of the same set are the truer ones
            if abs(page.loss_kg_ha - known.loss_kg_ha) < 0.2 * max(known.loss_kg_ha, 1.0):
                return None
            page = _as_told(page, known)
        elif known is not None and not page.cheaper_than(known):
            return None
        self.restore(page.to_plain())
        return page

    def told(self, crop: str | None, what: str, was: float) -> None:
        """Somebody entered where a setting stood: a page that had only measured it has the entered value from now on."""
        page = self.page(crop)
        if page is None or what not in page.measured or abs(page.settings[what] - was) > TOLD_SHARE * abs(was):
            return
        measured = tuple(one for one in page.measured if one != what)
        name = plain_name(page.crop)
        self._pages[name] = replace(page, settings={**page.settings, what: was}, measured=measured)
        self._amended.add(name)

    def take_amended(self, crop: str | None) -> GoodSet | None:
        """The page of a crop if it was amended since it was recorded."""
        page = self.page(crop)
        if page is None or plain_name(page.crop) not in self._amended:
            return None
        self._amended.discard(plain_name(page.crop))
        return page

    def restore(self, body: Mapping[str, Any]) -> None:
        """Take up a page out of the record, or that one was taken back."""
        if body.get("taken_back"):
            self._pages.pop(plain_name(str(body["crop"])), None)
            return
        page = GoodSet(**{**body, "measured": tuple(body.get("measured", ()))})
        self._pages[plain_name(page.crop)] = page
        self._amended.discard(plain_name(page.crop))


def _as_told(page: GoodSet, known: GoodSet) -> GoodSet:
    """A value that was once entered stays, however its shaft turns today."""
    entered = {what for what in page.measured if what not in known.measured}
    settings = {what: known.settings[what] if what in entered else value for what, value in page.settings.items()}
    return replace(page, settings=settings, measured=tuple(what for what in page.measured if what not in entered))

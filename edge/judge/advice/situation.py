"""All that advice is drawn from, as one plain object: what is lost where, what it is worth, what is set, what was tried."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from edge.judge.verdict.nextstep import NextStep, Value, next_step

AMOUNTS = {"none": 0, "some": 1, "much": 2}
LOOKS = ("clean_grain", "unthreshed_heads", "chaff")
SETTINGS = ("fan_rpm", "rotor_rpm", "concave_mm", "top_sieve_mm", "bottom_sieve_mm", "pre_sieve_mm", "speed_kmh")


@dataclass(frozen=True, slots=True)
class Tried:
    """A setting change of this crop and what came of it.

    `what` as the entry has it, `other: NAME` for others. `verdict`: `compare`'s word; `ratio`, `minutes_more` and `next` as
    it says; `minutes` of steady work since the change. `is_open`: its verdict may still become another.
    """

    what: str
    was: Value
    to: float | str
    verdict: str = "not enough data"
    minutes: float = 0.0
    minutes_more: float | None = None
    ratio: float | None = None
    returned: bool = False
    """Went back to a value that stood before: it asks for no verdict."""

    next: NextStep | None = None
    is_open: bool = True

    @property
    def direction(self) -> str:
        """`more`, `less`, or empty when the old value isn't known, or no number."""
        if isinstance(self.was, str) or isinstance(self.to, str) or self.was is None or self.was == self.to:
            return ""
        return "more" if self.to > self.was else "less"

    @property
    def decided(self) -> NextStep | None:
        """What its verdict decided to do next; None where it asks for nothing, or nobody need wait for it any more."""
        step = self.next
        if step is None and not self.returned:
            step = next_step(self.verdict, self.what, self.was, self.to, self.minutes, self.minutes_more)
        return None if step is None or step.step == "free" or (step.holds and not self.is_open) else step


@dataclass(frozen=True, slots=True)
class Situation:
    """One moment's data. None is unknown; losses in kg/ha are means of steady work since the last change.

    `*_rise`: recent over earlier work of the same settings. `settings`: numeric settings in force, by the entry's names;
    `measured`: those of them that nobody entered, as their shafts turn.
    `gaps_mm`: sieve gaps by gauge check, else by readout. `alerts`: names of open alerts, with their objects.
    `minutes`: steady work since the last change. `gauge_h`: hours of work since the last gauge check.
    """

    crop: str | None = None
    crop_kind: str | None = None
    price_per_t: float | None = None
    yield_t_ha: float | None = None
    trash_discount: float | None = None
    cracked_discount: float | None = None
    moisture_pct: float | None = None
    limit_kg_ha: float | None = None
    returns_limit_pct: float | None = None
    loss_kg_ha: float | None = None
    separator_kg_ha: float | None = None
    cleaning_kg_ha: float | None = None
    heads_kg_ha: float | None = None
    loss_rise: float | None = None
    load_rise: float | None = None
    returns_pct: float | None = None
    speed_kmh: float | None = None
    minutes: float = 0.0
    look: Mapping[str, str] = field(default_factory=dict)
    sample: Mapping[str, float] = field(default_factory=dict)
    left_share: Mapping[str, float] = field(default_factory=dict)
    alerts: frozenset[str] = frozenset()
    calibration: str = "none"
    gauge_h: float | None = None
    settings: Mapping[str, float] = field(default_factory=dict)
    measured: tuple[str, ...] = ()
    gaps_mm: Mapping[str, float] = field(default_factory=dict)
    kernel_width_mm: float | None = None
    sieve_guards: tuple[str, ...] = ()
    separator: str | None = None
    fan: str | None = None
    pre_sieve: str | None = None
    returns_to: str | None = None
    tried: tuple[Tried, ...] = ()
    first_load: bool = False
    good_set: Mapping[str, Any] | None = None

    @property
    def last(self) -> Tried | None:
        """The newest change of a setting."""
        return self.tried[-1] if self.tried else None

    def values(self) -> dict[str, Value]:
        """Every quantity that a rule may name."""
        heads = [AMOUNTS.get(self.look.get("unthreshed_heads", "")), _step(self.sample.get("unthreshed_pct"), 0.5, 2.0)]
        known = [one for one in [*heads, _step(self.heads_kg_ha, 5.0, 30.0)] if one is not None]
        found: dict[str, Value] = {
            name: getattr(self, name)
            for name in (
                "crop_kind", "yield_t_ha", "moisture_pct", "loss_kg_ha", "separator_kg_ha", "cleaning_kg_ha", "heads_kg_ha",
                "loss_rise", "load_rise", "returns_pct", "speed_kmh", "calibration", "gauge_h", "separator", "fan", "pre_sieve",
                "returns_to",
            )
        }  # fmt: skip
        found["unthreshed"] = max(known) if known else None
        found["over_limit"] = _ratio(self.loss_kg_ha, self.limit_kg_ha)
        found["separator_share"] = _share(self.separator_kg_ha, self.cleaning_kg_ha)
        found["cleaning_share"] = _share(self.cleaning_kg_ha, self.separator_kg_ha)
        found["look_known"], found["sample_known"] = float(bool(self.look)), float(bool(self.sample))
        for name in LOOKS:
            found[name] = AMOUNTS.get(self.look.get(name, ""))
        for name in ("cracked_pct", "trash_pct", "unthreshed_pct"):
            found[name] = self.sample.get(name)
        for point in ("separator", "cleaning"):
            found[f"left.{point}"] = self.left_share.get(point)
        for what in SETTINGS:
            for direction in ("more", "less"):
                tried = [one for one in self.tried if (one.what, one.direction) == (what, direction)]
                vain = [one for one in tried if one.verdict in ("worse", "no detectable change")]
                found[f"tried.{what}.{direction}"] = float(len(vain))
        rules = {name.split("/")[0] for name in self.alerts}
        for rule in ("shaft-low", "side-imbalance", "gauge-overdue"):
            found[f"alert.{rule}"] = float(rule in rules)
        found["alert.input"] = float(bool(rules & {"input-silent", "input-stuck", "half-blind"}))
        return found


def _step(value: float | None, some: float, much: float) -> int | None:
    return None if value is None else int(value >= some) + int(value >= much)


def _ratio(value: float | None, by: float | None) -> float | None:
    return None if value is None or not by else value / by


def _share(one: float | None, other: float | None) -> float | None:
    if one is None or other is None or one + other <= 0:
        return None
    return one / (one + other)

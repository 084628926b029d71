"""What each kind of loss costs a hectare, and whether it is worth chasing: the aim is value in the tank, not least loss.

Machine loss under about 1 % of the yield is hard to reach (NDSU, smallgrains.org technical file, September 1978: below 1 to 2 %
hard to reach), so only what stands above counts as a gain. Without a price all is in kg/ha instead of money.
"""

from __future__ import annotations

from dataclasses import dataclass

from edge.judge.advice.situation import Situation

REACHABLE_PCT = 1.0
REACHABLE_KG_HA = 25.0
"""Without a known yield (from memory)."""

REACHABLE_OF_LIMIT = 0.8
SAVED_SHARE = 0.5
"""Of the loss above the reachable, what one setting is hoped to save at best (from memory)."""

CLEAN_PCT = {"trash": 1.0, "cracked": 1.5}
"""What a tank sample may hold before anything is set for its sake (from memory)."""

TRASH_SHARE, CRACKED_SHARE = 0.01, 0.003
"""Part of the price taken off for each percent while no discount is entered: trash is no grain; cracked from memory."""

LEAST_SHARE, LEAST_KG_HA = 0.002, 6.0
"""A gain under this part of the crop's value is not worth a change (from memory)."""

RETURNS_FULL_PCT, RETURNS_OF_LIMIT = 70.0, 0.8
RETURNS_SHARE = 0.003
"""What overfull returns are reckoned to cost in cracked grain and lost room, of the crop's value (from memory)."""


@dataclass(frozen=True, slots=True)
class Worth:
    """Costs a hectare by concern, and what of them a better setting could save; in money, or kg/ha without a price."""

    unit: str
    cost: dict[str, float]
    gain: dict[str, float]
    least: float

    @property
    def total(self) -> float:
        """All costs known, the machine loss once; the returns' indirect one left out."""
        return sum(cost for concern, cost in self.cost.items() if concern not in ("returns", "separator", "cleaning"))

    def costly(self, concern: str) -> bool:
        """Whether a concern is worth chasing; `always` is."""
        return concern == "always" or self.gain.get(concern, 0.0) >= self.least


def worth(situation: Situation) -> Worth:
    """Reckon the costs of a situation."""
    price = situation.price_per_t
    per_kg = price / 1000 if price else 1.0
    crop = situation.yield_t_ha
    cost, gain = _losses(situation, per_kg)
    value = crop * 1000 * per_kg if crop else None
    for name, share, discount in (
        ("trash", TRASH_SHARE, situation.trash_discount), ("cracked", CRACKED_SHARE, situation.cracked_discount)
    ):  # fmt: skip
        pct = situation.sample.get(f"{name}_pct")
        if pct is None:
            continue
        tank_t = crop or 3.0
        each = (discount if discount is not None and price else share * (price or 1000.0)) * tank_t
        cost[name] = each * pct
        gain[name] = each * max(0.0, pct - CLEAN_PCT[name])
    least = LEAST_SHARE * value if value else LEAST_KG_HA * per_kg
    unthreshed = situation.sample.get("unthreshed_pct", 0.0) >= 0.5 or situation.look.get("unthreshed_heads") in ("some", "much")
    if unthreshed:  # seen, though not in kilograms: half of it is taken to be worth having
        gain["heads"] = max(gain.get("heads", 0.0), 2 * least)
    if _returns_heavy(situation):
        cost["returns"] = gain["returns"] = max(RETURNS_SHARE * value if value else 0.0, 1.5 * least)
    return Worth("money/ha" if price else "kg/ha", cost, gain, least)


def _losses(situation: Situation, per_kg: float) -> tuple[dict[str, float], dict[str, float]]:
    cost: dict[str, float] = {}
    gain: dict[str, float] = {}
    if situation.heads_kg_ha is not None:
        cost["heads"] = gain["heads"] = situation.heads_kg_ha * per_kg
    loss = situation.loss_kg_ha
    if loss is None:
        return cost, gain
    reachable = REACHABLE_KG_HA if situation.yield_t_ha is None else situation.yield_t_ha * 10 * REACHABLE_PCT
    if situation.limit_kg_ha is not None:
        reachable = min(reachable, REACHABLE_OF_LIMIT * situation.limit_kg_ha)
    above = max(0.0, loss - reachable)
    cost["loss"], gain["loss"] = loss * per_kg, SAVED_SHARE * above * per_kg
    points = {"separator": situation.separator_kg_ha, "cleaning": situation.cleaning_kg_ha}
    for name, kg_ha in points.items():
        if kg_ha is not None:
            cost[name] = kg_ha * per_kg
            gain[name] = SAVED_SHARE * min(kg_ha, above) * per_kg
    return cost, gain


def _returns_heavy(situation: Situation) -> bool:
    if situation.look.get("clean_grain") == "much" or situation.look.get("chaff") == "much":
        return True
    if situation.returns_pct is None:
        return False
    limit = situation.returns_limit_pct
    return situation.returns_pct >= (RETURNS_FULL_PCT if limit is None else RETURNS_OF_LIMIT * limit)

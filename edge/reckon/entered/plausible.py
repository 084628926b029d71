"""What is asked about crop, limits, samples, residue and loads before they are kept. Nothing is refused here.

Bands are wide on purpose: what lies outside is a slip of digit or unit far more often than a rare crop.
"""

from __future__ import annotations

from collections.abc import Mapping

from edge.contract import entries
from edge.contract.entries import given
from edge.contract.typed import did_you_mean
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.loads import MOST_T_HA, plain
from edge.reckon.entered.question import FOOT_M, HardlyMeant, digits_off, meant, times
from edge.reckon.tables.crops import CropRow, find, names, plain_name

TGW_TIMES = 2.5
"""Varieties and years lie nearer to the table than this factor; a slipped digit lies further off (from memory)."""

TANK_PCT = 25.0
"""More of one kind than a tank sample of a machine at work holds (from memory)."""

RESIDUE_PARTS = (0.1, 1.5)
"""Choppers and spreaders lay the residue about as wide as the cut, a row of straw at a tenth of it (from memory)."""

YIELD_T_HA = {
    "cereal": (0.2, 16.0), "coarse": (0.2, 22.0), "pulse": (0.1, 9.0), "small oilseed": (0.1, 8.0), "small seed": (0.03, 6.0),
}  # fmt: skip
ANY_YIELD = (0.03, 22.0)
"""Yields that a harvester meets, t/ha by kind of crop (from memory)."""

YIELD_TIMES = 5.0
"""As many times the yield in force is another crop, or another unit."""

MOISTURE_PCT = (4.0, 40.0)
"""Grain that a harvester threshes, % of wet mass (from memory)."""

PRICE_PER_T = (10.0, 10_000.0)
"""Money for a tonne in most currencies (from memory); a price in force says more."""

PRICE_TIMES = 5.0
LIMIT_TIMES = 8.0
LIMIT_KG_HA = (3.0, 1000.0)
LIMIT_PCT = (0.05, 10.0)
LIMIT_RETURNS_PCT = (5.0, 100.0)
"""Limits that somebody would harvest by (from memory)."""

LOAD_T = 60.0
LOAD_M3 = 80.0
"""More than one ticket's vehicle carries (from memory)."""

BULK_TIMES = 1.6
"""Bulk density moves less than this about the table's (from memory)."""

LEAST_HA = 0.01


def ask_crop(entry: entries.CropEntry, now: InForce, rows: Mapping[str, CropRow]) -> HardlyMeant | None:
    """`now`: what is in force before the entry."""
    name = given(entry.name, now.crop)
    row = find(name, rows) if name else None
    goes_on = given(entry.name) in (None, now.crop)
    return (
        _crop_name(entry, now, rows)
        or _tgw(entry, name, row)
        or _yield(given(entry.yield_t_ha), row, now.yield_t_ha if goes_on else None)
        or _moisture(given(entry.moisture_pct))
        or _price(given(entry.price_per_t), now.price_per_t if goes_on else None)
        or _discounts(entry, now)
    )


def _crop_name(entry: entries.CropEntry, now: InForce, rows: Mapping[str, CropRow]) -> HardlyMeant | None:
    name = given(entry.name)
    if name is None or name == now.crop or find(name, rows) is not None:
        return None
    words = f"The table of crops has no {name}, so its kernels and its kind are not known."
    near = did_you_mean(plain_name(name), names(rows)).partition("`")[2].partition("`")[0]
    return HardlyMeant(f"{words} Did you mean {near}?", {"name": near}) if near else HardlyMeant(words)


def _tgw(entry: entries.CropEntry, name: str | None, row: CropRow | None) -> HardlyMeant | None:
    usual = row.tgw_g if row is not None else None
    typed, counted = given(entry.tgw_g), given(entry.grains)
    tgw = typed if counted is None else given(entry.mass_g) / counted * 1000
    if tgw is None or not usual or usual / TGW_TIMES <= tgw <= usual * TGW_TIMES:
        return None
    words = f"A thousand kernels of {name} at {tgw:.4g} g? They weigh about {usual:g} g."
    guess = digits_off(tgw, usual / TGW_TIMES, usual * TGW_TIMES)
    if counted is None:
        return meant(words, "tgw_g", guess, "{:g} g")
    # The count is a round number that people choose; the weight is what they read off the scale.
    mass = None if guess is None else round(given(entry.mass_g) * guess / tgw, 6)
    return meant(words, "mass_g", mass, f"{{:g}} g for {counted:g} kernels")


def _yield(t_ha: float | None, row: CropRow | None, known: float | None) -> HardlyMeant | None:
    if t_ha is None:
        return None
    low, high = YIELD_T_HA.get(row.kind, ANY_YIELD) if row is not None else ANY_YIELD
    if known:
        if low <= t_ha <= high and times(t_ha, known) < YIELD_TIMES:
            return None
        words = f"{t_ha:g} t/ha? So far the yield was {known:.3g} t/ha."
        guess = digits_off(t_ha, known / 2, known * 2)
    elif low <= t_ha <= high:
        return None
    else:
        words = f"{t_ha:g} t/ha? This crop yields {low:g} to {high:g} t/ha."
        guess = digits_off(t_ha, max(low, 0.5), high)
    return meant(words, "yield_t_ha", guess, "{:g} t/ha")


def _moisture(pct: float | None) -> HardlyMeant | None:
    low, high = MOISTURE_PCT
    if pct is None or low <= pct <= high:
        return None
    guess = digits_off(pct, 8, 30)
    return meant(f"{pct:g} % moisture? Grain is threshed at {low:g} to {high:g} %.", "moisture_pct", guess, "{:g} %")


def _price(price: float | None, known: float | None) -> HardlyMeant | None:
    if price is None:
        return None
    if known:
        if price and times(price, known) < PRICE_TIMES:
            return None
        guess = digits_off(price, known / 2, known * 2)
        return meant(f"A price of {price:g} a tonne? So far it was {known:g}.", "price_per_t", guess)
    low, high = PRICE_PER_T
    return None if low <= price <= high else HardlyMeant(f"A price of {price:g} for a tonne? It is the price of 1,000 kg.")


def _discounts(entry: entries.CropEntry, now: InForce) -> HardlyMeant | None:
    price = given(entry.price_per_t, now.price_per_t)
    for value, what in ((given(entry.trash_discount), "trash"), (given(entry.cracked_discount), "cracked grain")):
        if value and price and value > price / 2:
            return HardlyMeant(f"{value:g} off a tonne for each percent of {what}? The price is {price:g} a tonne.")
    return None


def ask_limit(entry: entries.LimitEntry, now: InForce) -> HardlyMeant | None:
    """A limit that nothing would keep, or everything."""
    bands = {"loss_kg_ha": (LIMIT_KG_HA, "kg/ha"), "loss_pct": (LIMIT_PCT, "%"), "returns_pct": (LIMIT_RETURNS_PCT, "% of full")}
    for key, ((low, high), unit) in bands.items():
        value = given(getattr(entry, key))
        known = getattr(now, key)
        if value is None or (low <= value <= high and not (known and times(value, known) >= LIMIT_TIMES)):
            continue
        guess = digits_off(value, known / 2, known * 2) if known else digits_off(value, 3 * low, high / 5)
        side = "Hardly any machine stays below that." if value < low else "No alert would ever come." if value > high else ""
        side = side or f"So far it was {known:g} {unit}."
        return meant(f"A limit of {value:g} {unit}? {side}", key, guess, f"{{:g}} {unit}")
    return None


def ask_sample(entry: entries.SampleEntry) -> HardlyMeant | None:
    """Percents that no tank holds."""
    kinds = {"cracked": entry.cracked_pct, "trash": entry.trash_pct, "unthreshed": entry.unthreshed_pct}
    found = {name: pct for name, one in kinds.items() if (pct := given(one)) is not None}
    listed = ", ".join(f"{name} {pct:g} %" for name, pct in found.items())
    far = [name for name, pct in found.items() if pct > TANK_PCT]
    if sum(found.values()) > 100:
        return HardlyMeant(f"{listed.capitalize()}: together that is {sum(found.values()):g} % of the sample.")
    if not far:
        return None
    words = f"{listed.capitalize()}? That is far more than a tank usually holds."
    return meant(words, f"{far[0]}_pct", found[far[0]] / 10, "{:g} %") if len(far) == 1 else HardlyMeant(words)


def ask_residue(width_m: float | None, cut_width_m: float) -> HardlyMeant | None:
    """A residue width beside the width of the cut, both in m."""
    low, high = (part * cut_width_m for part in RESIDUE_PARTS)
    if width_m is None or low < width_m <= high:
        return None
    in_feet = round(width_m * FOOT_M, 3)
    guess = in_feet if 0.8 * cut_width_m <= in_feet <= 1.2 * cut_width_m else None
    guess = guess or digits_off(width_m, 0.3 * cut_width_m, 1.2 * cut_width_m)
    words = f"A residue width of {width_m:g} m? The cut is {cut_width_m:g} m wide."
    return meant(words, "residue_width_m", guess, "{:.3g} m")


def ask_width_used(entry: entries.WidthUsedEntry) -> HardlyMeant | None:
    """A part so small that the machine would be turning round for nothing."""
    if entry.part >= 0.1:
        return None
    guess = digits_off(entry.part, 0.2, 1.0, (10.0,)) if entry.part else None
    words = f"{100 * entry.part:.3g} % of the cut width in crop?"
    return HardlyMeant(words) if guess is None else HardlyMeant(f"{words} Did you mean {100 * guess:.3g} %?", {"part": guess})


def ask_load(entry: entries.LoadEntry, now: InForce, span_ha: float, row: CropRow | None) -> HardlyMeant | None:
    """A load that no vehicle or area could carry; `span_ha` was cut since the last one."""
    mass_t, volume, bulk = given(entry.t), given(entry.volume_m3), given(entry.bulk_kg_m3)
    usual = row.bulk_kg_m3 if row is not None else None
    if bulk is not None and usual and times(bulk, usual) > BULK_TIMES:
        guess = digits_off(bulk, usual / BULK_TIMES, usual * BULK_TIMES, (1000.0, 0.1, 10.0, 0.001))
        return meant(f"{bulk:g} kg/m3? This crop weighs about {usual:.0f} kg/m3.", "bulk_kg_m3", guess, "{:g} kg/m3")
    if volume is not None and volume > LOAD_M3:
        guess = digits_off(volume, 0.5, LOAD_M3 / 2, (0.001, 0.1, 0.01))
        return meant(f"{volume:g} m3 in one load?", "volume_m3", guess, "{:g} m3")
    found_t = mass_t if mass_t is not None else given(volume) * given(bulk) / 1000
    if span_ha < LEAST_HA:
        if found_t <= LOAD_T:
            return None
        words = f"{plain(found_t)} t in one load?"
        guess = digits_off(found_t, 1.0, LOAD_T / 2, (0.1, 0.001)) if mass_t is not None else None
        return meant(words, "t", guess, "{:g} t")
    t_ha, known = found_t / span_ha, now.yield_t_ha
    low, high = (known / YIELD_TIMES, min(known * YIELD_TIMES, MOST_T_HA)) if known else (0.0, MOST_T_HA)
    if t_ha <= high and (t_ha >= low or span_ha < 10 * LEAST_HA):
        return None
    near = (known / 3, known * 3) if known else (0.3, 15.0)
    guess = digits_off(found_t, near[0] * span_ha, near[1] * span_ha, (0.1, 0.001, 10.0))
    beside = f"; the yield so far is {plain(known)} t/ha" if known else ""
    words = f"{plain(found_t)} t from the {plain(span_ha)} ha cut since the last load would be {plain(t_ha)} t/ha{beside}."
    return meant(words, "t", guess if mass_t is not None else None, "{:g} t")


def ask_job_finish(entry: entries.JobFinishEntry, now: InForce, row: CropRow | None) -> HardlyMeant | None:
    """Weighed grain over measured area."""
    mass_t, area_ha = given(entry.harvested_t), given(entry.area_ha)
    if mass_t is None or area_ha is None:
        return None
    t_ha, known = mass_t / area_ha, now.yield_t_ha
    low, high = YIELD_T_HA.get(row.kind, ANY_YIELD) if row is not None else ANY_YIELD
    if low <= t_ha <= high and (not known or times(t_ha, known) < YIELD_TIMES):
        return None
    best = (known / 3, known * 3) if known else (max(low, 0.5), high)
    guess = digits_off(mass_t, best[0] * area_ha, best[1] * area_ha, (0.001,))  # a digit may be lost in either of the two
    beside = f"; the yield so far is {plain(known)} t/ha" if known else ""
    words = f"{plain(mass_t)} t from {plain(area_ha)} ha are {plain(t_ha)} t/ha{beside}."
    return meant(words, "harvested_t", guess, "{:g} t")

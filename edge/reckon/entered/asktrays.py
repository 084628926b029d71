"""What is asked about trays before they are kept: their size beside the discharge, and what they caught."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from msgspec import UNSET
from msgspec.structs import replace

from edge.contract import entries
from edge.contract.entries import OneTray, given, plain_of
from edge.reckon.entered.question import CM_M, INCH_M, HardlyMeant, length, times

SMALLEST_TRAY_M = 0.05
"""A tray that is narrower or shorter than this holds no crop (from memory); a slipped decimal point does."""

USUAL_TRAY_M = (0.1, 3.0)
"""Lengths and widths of trays and ground strips that people carry and rake (from memory)."""

SLACK = 1.05
"""A tray cut to the width of the discharge may be told a little wider than it."""

MOST_TIMES = 7.0
"""As many times the last test's catch, either way, is hardly a change of the machine; a digit too many or too few is ten times a
catch that differs a little from the last (from memory)."""

MOST_KG_HA = 20_000.0
"""More grain than stands on a hectare of the heaviest crops, where no yield is known (from memory)."""

FEWEST_KG_HA = 1.0
"""Catches under this are compared as this: two near-empty trays may differ by any factor."""

LIKE_LAST = 3.0
SIDES = {"width_m": "wide", "length_m": "long"}


class CatchSeen(NamedTuple):
    """What a tray test is held against: the discharge (m), the catch as it was entered and that of the crop's last test (kg/ha of
    the machine's loss, heads in), and the grain that stood there (kg/ha; None is unknown)."""

    discharge_m: float
    cut_width_m: float
    kg_ha: float | None
    last_kg_ha: float | None
    yield_kg_ha: float | None
    tgw_g: float | None
    us: bool
    kg_ha_of: Callable[[entries.TrayEntry], float | None]


def ask_trays(entry: entries.TrayEntry, seen: CatchSeen) -> HardlyMeant | None:
    """The first thing in a tray test that is hardly meant so."""
    return _size(entry, seen) or _kernels(entry) or _zeros(entry) or _ground(entry, seen) or _catch(entry, seen)


def _size(entry: entries.TrayEntry, seen: CatchSeen) -> HardlyMeant | None:
    """Too wide or too long, or too small to be a tray. Ground strips may reach across the cut."""
    widest = seen.discharge_m if entry.laid != "ground" else max(seen.discharge_m, seen.cut_width_m)
    off = [(key, value) for tray in entry.trays for key in SIDES if not _fits(value := getattr(tray, key), widest)]
    if not off:
        return None
    key, value = off[0]
    beside = f"The discharge is {length(widest)}." if value > widest else f"That is {1000 * value:.3g} mm, hardly a tray."
    words = f"{length(value)} {SIDES[key]}? {beside}"
    meant = _sizes_meant(entry, seen, widest)
    if meant is None:
        return HardlyMeant(words)
    first = next(tray for tray, was in zip(meant, entry.trays, strict=True) if getattr(was, key) == value)
    return HardlyMeant(f"{words} Did you mean {length(getattr(first, key))}?", {"trays": _plain(meant)})


def _fits(value: float, widest: float) -> bool:
    return SMALLEST_TRAY_M <= value <= widest * SLACK


def _sizes_meant(entry: entries.TrayEntry, seen: CatchSeen, widest: float) -> list[OneTray] | None:
    """The trays in another unit, or with the decimal point moved: the likeliest, unless only a later guess comes near the last
    test's catch. Whole feet in inches (12, 24, 36, 48) are taken for inches also where the page shows metres (from memory)."""
    sides = [getattr(tray, key) for tray in entry.trays for key in SIDES]
    too_long = [value for value in sides if value > widest * SLACK]
    if not too_long:
        units: tuple[float, ...] = (10.0, 100.0)
    elif seen.us or all(value % 12 == 0 and value % 10 != 0 for value in too_long):
        units = (INCH_M, CM_M, 0.1)
    else:
        units = (CM_M, 0.1)
    low, high = USUAL_TRAY_M[0], min(USUAL_TRAY_M[1], widest)
    guesses = []
    for unit in units:
        changed = [
            replace(tray, **{key: round(value * unit, 3) for key in SIDES if not _fits(value := getattr(tray, key), widest)})
            for tray in entry.trays
        ]
        pairs = zip(changed, entry.trays, strict=True)
        if all(low <= getattr(to, key) <= high for to, was in pairs for key in SIDES if getattr(to, key) != getattr(was, key)):
            guesses.append(changed)
    return next((guess for guess in guesses if _like_last(entry, guess, seen)), guesses[0] if guesses else None)


def _like_last(entry: entries.TrayEntry, trays: list[OneTray], seen: CatchSeen) -> bool:
    """Whether trays would say about what the last test said."""
    kg_ha = seen.kg_ha_of(replace(entry, trays=tuple(trays)))
    return bool(kg_ha and kg_ha > 0 and seen.last_kg_ha and seen.last_kg_ha > 0 and times(kg_ha, seen.last_kg_ha) <= LIKE_LAST)


def _kernels(entry: entries.TrayEntry) -> HardlyMeant | None:
    """A part of a kernel was weighed, not counted."""
    part = next((tray.grains for tray in entry.trays if not float(given(tray.grains, 0.0)).is_integer()), None)
    if part is None:
        return None
    changed = [_as_mass(tray) for tray in entry.trays]
    return HardlyMeant(f"{part:g} kernels? Kernels are counted whole. Did you mean {part:g} g?", {"trays": _plain(changed)})


def _zeros(entry: entries.TrayEntry) -> HardlyMeant | None:
    keys = ("grains", "mass_g", "heads_grains", "heads_mass_g")
    if any(given(getattr(tray, key), 0.0) for tray in entry.trays for key in keys):
        return None
    where = "the tray" if len(entry.trays) == 1 else f"any of the {len(entry.trays)} trays"
    return HardlyMeant(f"No grain at all on {where}? It would say that the machine loses nothing.")


def _catch(entry: entries.TrayEntry, seen: CatchSeen) -> HardlyMeant | None:
    """Above what stood there, or ten times the last test or a tenth of it."""
    if seen.kg_ha is None:
        return None
    most = seen.yield_kg_ha or MOST_KG_HA
    found = _kg_ha(seen.kg_ha)
    if seen.kg_ha > most:
        stood = f"the yield is {_kg_ha(most)}" if seen.yield_kg_ha else f"few crops yield {_kg_ha(most)}"
        return _as_kernels(f"These trays say that {found} were lost; {stood}.", entry, seen)
    if seen.last_kg_ha is None:
        return None
    if seen.kg_ha < -max(seen.last_kg_ha, FEWEST_KG_HA):
        return HardlyMeant("These trays hold far less grain than the ground beside them.")
    apart = times(max(seen.kg_ha, FEWEST_KG_HA), max(seen.last_kg_ha, FEWEST_KG_HA))
    if apart < MOST_TIMES:
        return None
    return _as_kernels(f"These trays say that {found} were lost; the last test said {_kg_ha(seen.last_kg_ha)}.", entry, seen)


def _as_kernels(words: str, entry: entries.TrayEntry, seen: CatchSeen) -> HardlyMeant:
    """Masses that were perhaps counts, or counts that were masses, where that comes near the last test."""
    last = seen.last_kg_ha or 0.0
    if last <= 0 or any(last / 2 < (seen.kg_ha or 0.0) * power < last * 2 for power in (0.01, 0.1, 10.0, 100.0)):
        return HardlyMeant(words)  # a digit in the catch, or in a width or length: nobody can tell which
    swaps = []
    if seen.tgw_g is not None and all(given(tray.mass_g, 0.5).is_integer() for tray in entry.trays):
        swaps.append(("kernels", [_as_count(tray) for tray in entry.trays]))
    if all(given(tray.grains) is not None for tray in entry.trays):
        swaps.append(("g", [_as_mass(tray) for tray in entry.trays]))
    for unit, trays in swaps:
        if _like_last(entry, trays, seen):
            first = trays[0]
            value = given(first.grains) if unit == "kernels" else given(first.mass_g)
            return HardlyMeant(f"{words} Did you mean {value:g} {unit} on the first tray?", {"trays": _plain(trays)})
    return HardlyMeant(words)


def _ground(entry: entries.TrayEntry, seen: CatchSeen) -> HardlyMeant | None:
    most = seen.yield_kg_ha or MOST_KG_HA
    for key, name in (("before_harvest", "on the ground before harvest"), ("front", "on the ground behind the front")):
        count = given(getattr(entry, key))
        if count is None or seen.tgw_g is None:
            continue
        kg_ha = count.grains * seen.tgw_g / 1000 / count.area_m2 * 10
        if kg_ha > most:
            counted = f"{count.grains:g} kernels {name} on {count.area_m2:g} m2"
            return HardlyMeant(f"{counted} are {_kg_ha(kg_ha)}; the crop stands at {_kg_ha(most)}.")
    return None


def _kg_ha(value: float) -> str:
    return f"{value:,.0f} kg/ha" if value >= 100 else f"{value:.3g} kg/ha"


def _as_mass(tray: OneTray) -> OneTray:
    grains = given(tray.grains)
    return tray if grains is None else replace(tray, mass_g=grains, grains=UNSET)


def _as_count(tray: OneTray) -> OneTray:
    mass = given(tray.mass_g)
    return tray if mass is None else replace(tray, grains=mass, mass_g=UNSET)


def _plain(trays: list[OneTray]) -> list[dict[str, Any]]:
    return [plain_of(tray) for tray in trays]

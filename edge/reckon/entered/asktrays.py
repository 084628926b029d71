"""What is asked about trays before they are kept: their size beside the discharge, and what they caught."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from msgspec import UNSET
from msgspec.structs import replace

from edge.contract import entries
from edge.contract.entries import OneTray, given, plain_of
from edge.reckon.entered.question import Question, length, metres_meant, times

SMALLEST_TRAY_M = 0.05
"""A tray that is narrower or shorter than this holds no crop (from memory); a slipped decimal point does."""

USUAL_TRAY_M = (0.1, 3.0)
"""Lengths and widths of trays and ground strips that people carry and rake (from memory)."""

SLACK = 1.05
"""A tray cut to the width of the discharge may be told a little wider than it."""

MOST_TIMES = 10.0
"""As many times the last test's catch, either way, is hardly a change of the machine."""

MOST_KG_HA = 20_000.0
"""More grain than stands on a hectare of the heaviest crops, where no yield is known (from memory)."""

FEWEST_KG_HA = 1.0
"""Catches under this are compared as this: two near-empty trays may differ by any factor."""

LIKE_LAST = 3.0


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


def ask_trays(entry: entries.TrayEntry, seen: CatchSeen) -> Question | None:
    """The first thing in a tray test that is hardly meant so."""
    return _size(entry, seen) or _kernels(entry) or _zeros(entry) or _catch(entry, seen) or _ground(entry, seen)


def _size(entry: entries.TrayEntry, seen: CatchSeen) -> Question | None:
    """Too wide or too long, or too small to be a tray. Ground strips may reach across the cut."""
    widest = seen.discharge_m if entry.laid != "ground" else max(seen.discharge_m, seen.cut_width_m)
    words = ""
    changed: list[OneTray] = []
    all_guessed = True
    for tray in entry.trays:
        keys: dict[str, float] = {}
        for key, name in (("width_m", "wide"), ("length_m", "long")):
            value = getattr(tray, key)
            if SMALLEST_TRAY_M <= value <= widest * SLACK:
                continue
            guess = _tray_meant(value, widest, seen.us)
            if not words:
                words = f"{length(value)} {name}? " + (
                    f"The discharge is {length(widest)}."
                    if value > widest
                    else f"That is {1000 * value:.3g} mm, hardly a tray."
                )
                words += f" Did you mean {length(guess)}?" if guess is not None else ""
            all_guessed &= guess is not None
            keys[key] = value if guess is None else guess
        changed.append(_with(tray, keys))
    if not words:
        return None
    return Question(words, {"trays": _plain(changed)} if all_guessed else None)


def _tray_meant(value: float, widest: float, us: bool) -> float | None:
    low, high = USUAL_TRAY_M[0], min(USUAL_TRAY_M[1], widest)
    if value > widest:
        return metres_meant(value, low, high, us)
    return next((round(value * power, 4) for power in (10.0, 100.0) if low <= value * power <= high), None)


def _kernels(entry: entries.TrayEntry) -> Question | None:
    """A part of a kernel was weighed, not counted."""
    part = next((tray.grains for tray in entry.trays if not float(given(tray.grains, 0.0)).is_integer()), None)
    if part is None:
        return None
    changed = [_as_mass(tray) for tray in entry.trays]
    return Question(f"{part:g} kernels? Kernels are counted whole. Did you mean {part:g} g?", {"trays": _plain(changed)})


def _zeros(entry: entries.TrayEntry) -> Question | None:
    keys = ("grains", "mass_g", "heads_grains", "heads_mass_g")
    if any(given(getattr(tray, key), 0.0) for tray in entry.trays for key in keys):
        return None
    where = "the tray" if len(entry.trays) == 1 else f"any of the {len(entry.trays)} trays"
    return Question(f"No grain at all on {where}? It would say that the machine loses nothing.")


def _catch(entry: entries.TrayEntry, seen: CatchSeen) -> Question | None:
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
    apart = times(max(seen.kg_ha, FEWEST_KG_HA), max(seen.last_kg_ha, FEWEST_KG_HA))
    if apart < MOST_TIMES:
        return None
    return _as_kernels(f"These trays say that {found} were lost; the last test said {_kg_ha(seen.last_kg_ha)}.", entry, seen)


def _as_kernels(words: str, entry: entries.TrayEntry, seen: CatchSeen) -> Question:
    """Masses that were perhaps counts, or counts that were masses, where that comes near the last test."""
    near = seen.last_kg_ha
    if near is None or near <= 0:
        return Question(words)
    swaps = []
    if seen.tgw_g is not None and all(given(tray.mass_g, 0.5).is_integer() for tray in entry.trays):
        swaps.append(("kernels", [_as_count(tray) for tray in entry.trays]))
    if all(given(tray.grains) is not None for tray in entry.trays):
        swaps.append(("g", [_as_mass(tray) for tray in entry.trays]))
    for unit, trays in swaps:
        other = _entry_with(entry, trays)
        kg_ha = seen.kg_ha_of(other)
        if kg_ha is not None and kg_ha > 0 and times(kg_ha, near) <= LIKE_LAST:
            first = trays[0]
            value = given(first.grains) if unit == "kernels" else given(first.mass_g)
            return Question(f"{words} Did you mean {value:g} {unit} on the first tray?", {"trays": _plain(trays)})
    return Question(words)


def _ground(entry: entries.TrayEntry, seen: CatchSeen) -> Question | None:
    most = seen.yield_kg_ha or MOST_KG_HA
    for key, name in (("before_harvest", "on the ground before harvest"), ("front", "on the ground behind the front")):
        count = given(getattr(entry, key))
        if count is None or seen.tgw_g is None:
            continue
        kg_ha = count.grains * seen.tgw_g / 1000 / count.area_m2 * 10
        if kg_ha > most:
            counted = f"{count.grains:g} kernels {name} on {count.area_m2:g} m2"
            return Question(f"{counted} are {_kg_ha(kg_ha)}; the crop stands at {_kg_ha(most)}.")
    return None


def _kg_ha(value: float) -> str:
    return f"{value:,.0f} kg/ha" if value >= 100 else f"{value:.3g} kg/ha"


def _with(tray: OneTray, keys: dict[str, float]) -> OneTray:
    return replace(tray, **keys)


def _as_mass(tray: OneTray) -> OneTray:
    grains = given(tray.grains)
    return tray if grains is None else replace(tray, mass_g=grains, grains=UNSET)


def _as_count(tray: OneTray) -> OneTray:
    mass = given(tray.mass_g)
    return tray if mass is None else replace(tray, grains=mass, mass_g=UNSET)


def _entry_with(entry: entries.TrayEntry, trays: list[OneTray]) -> entries.TrayEntry:
    return replace(entry, trays=tuple(trays))


def _plain(trays: list[OneTray]) -> list[dict[str, Any]]:
    return [plain_of(tray) for tray in trays]

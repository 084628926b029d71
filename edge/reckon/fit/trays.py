"""Tray tests: from what lay on the trays to grain per metre travelled, with its standard uncertainty.

Grain is integrated across the residue width by the trapezoid rule; from the outermost tray to the edge the density is
held constant. What a tray holds besides machine loss depends on how it was laid: released from the machine, nothing;
laid ahead, front loss; the ground itself, front loss and shed grain (measurement section 2, Attribution; the places A,
B and C are those of extension leaflets, for example NDSU and DPIRD).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from msgspec import UNSET

from edge.contract.allowed import BetweenRule, InWords
from edge.contract.entries import GroundCount, OneTray, TrayEntry, given
from edge.contract.errors import EntryError
from edge.contract.refusal import Refusal, value_found
from edge.contract.said import Figure, say

WEIGHING_U_G = 0.05
"""Standard uncertainty of one weighing, g: a pocket scale that reads 0.1 g (common practice)."""

TYPICAL_TGW_G = 40.0
"""Stands in for an unknown TGW, only to judge how many kernels a weighed catch held (from memory: wheat)."""

COUNTED_MASS_U = 0.05
"""Relative standard uncertainty of mass from a count: lost grain is lighter and more variable than tank grain
(two-year Kansas wheat survey, published); the size of the term is from memory. Not in `u_machine_g_m`."""

SMALLEST_AREA_M2 = 1e-6
"""A tray or ground count under this is a slip of the keyboard, and its square no longer a number to divide by."""

LARGE_ENOUGH = InWords(say("{area} or more", area=Figure(SMALLEST_AREA_M2, f"{SMALLEST_AREA_M2:g}")))

PLACED_TO_SEE_SCATTER = 5
"""Trays at their places from which scatter can be told from the shape of the residue across (from memory)."""


@dataclass(frozen=True)
class TrayResult:
    """What a tray test says. `u_` is a standard uncertainty; grams per metre are per metre travelled, all widths in."""

    machine_g_m: float
    """Loose grain out of the machine, heads left out; negative where the ground counts exceed the trays."""
    u_machine_g_m: float
    dof: float
    """Effective degrees of freedom of `u_machine_g_m`; infinite where counting rules."""
    spread_g_m: float
    """The part of `u_machine_g_m` by which the trays scatter beyond counting."""
    spread_dof: float
    """Its degrees of freedom; 0 where scatter can't be seen (one tray, or fewer than five at their places)."""
    threshing_g_m: float
    """Grain in heads; 0 where no tray says (`heads_given` false)."""
    u_threshing_g_m: float
    heads_given: bool
    front_g_m2: float | None
    u_front_g_m2: float | None
    before_harvest_g_m2: float | None
    u_before_harvest_g_m2: float | None
    grains_m2: float | None
    """Mean kernels per square metre on the trays, heads left out; None if a tray was weighed."""
    counted: bool
    """At least one tray was counted, so its mass rests on the TGW."""
    full_width: bool
    """Every tray spans the residue."""
    laid: str
    tray_count: int
    tray_g_m: float
    u_tray_g_m: float
    """Loose grain on the trays, before the ground counts were taken off."""
    ground_width_m: float
    """Width across which the ground counts were taken off (0 for released trays)."""
    u_cut_strip_g_m2: float | None

    def total_g_m(self, cut_width_m: float) -> tuple[float, float] | None:
        """Front plus machine (heads in) per metre travelled and its u; None without front loss.

        The same ground counts stand in both parts, so their variances do not simply add.
        """
        if self.front_g_m2 is None or self.u_front_g_m2 is None:
            return None
        total = self.front_g_m2 * cut_width_m + self.machine_g_m + self.threshing_g_m
        variance = self.u_tray_g_m**2 + self.u_threshing_g_m**2
        if self.laid == "ground":
            strip, shed = self.u_cut_strip_g_m2 or 0.0, self.u_before_harvest_g_m2 or 0.0
            variance += (strip * (cut_width_m - self.ground_width_m)) ** 2 + (shed * cut_width_m) ** 2
        else:
            variance += (self.u_front_g_m2 * (cut_width_m - self.ground_width_m)) ** 2
        return total, math.sqrt(variance)


def residue_width(entry: TrayEntry, in_force_m: float | None, cut_width_m: float | None) -> float:
    """Width (m) over which the machine lays the residue of this test.

    Raises EntryError without one, or for a tray placed outside it.
    """
    width = known_residue_width(entry, in_force_m, cut_width_m)
    if width is None:
        found = say("missing with a tray that may be narrower than the discharge")
        raise TrayEntry.refused(("residue_width_m",), found, InWords(say("the width in metres here or in a `residue` entry")))
    for number, tray in enumerate(entry.trays):
        if tray.x_m is not UNSET and abs(tray.x_m) > 0.5 * width * (1 + 1e-9):
            found = value_found(tray.x_m, f"{tray.x_m:g}")
            half = say(" (half the residue width of {width})", width=Figure(width, f"{width:g}", "m"))
            inside = BetweenRule(-width / 2, width / 2)
            raise EntryError.of("tray", Refusal(("trays", number, "x_m"), found, inside, note=half))
    return width


def known_residue_width(entry: TrayEntry, in_force_m: float | None, cut_width_m: float | None) -> float | None:
    """As `residue_width`, without a look at the places; None where nobody knows."""
    if entry.residue_width_m is not UNSET:
        return float(entry.residue_width_m)
    if in_force_m is not None:
        return in_force_m
    if entry.laid == "ground":
        return max(tray.width_m + 2 * abs(float(given(tray.x_m, 0.0))) for tray in entry.trays)
    narrowest = min(tray.width_m for tray in entry.trays)
    if cut_width_m is not None and narrowest >= cut_width_m:
        return max(tray.width_m for tray in entry.trays)
    return None


def measure(entry: TrayEntry, tgw_g: float | None, residue_width_m: float) -> TrayResult:
    """Grain per metre travelled from the trays of one test; `residue_width_m` from `residue_width`.

    Raises EntryError naming the ground count that is missing, or grains without a TGW.
    """
    if residue_width_m <= 0 or not math.isfinite(residue_width_m):
        raise TrayEntry.refused(("residue_width_m",), value_found(residue_width_m), InWords(say("over 0")))
    _check_known(entry, tgw_g)
    trays = sorted(entry.trays, key=lambda tray: given(tray.x_m, 0.0))
    shed, strip = _ground(entry.before_harvest, tgw_g), _ground(entry.front, tgw_g)
    front = None if shed is None or strip is None else (strip[0] - shed[0], strip[1] + shed[1])
    taken = {"released": (0.0, 0.0), "ahead": front, "ground": strip}[entry.laid] or (0.0, 0.0)

    # A tray wider than the residue still meets the ground's grain over its whole width.
    spans = [min(tray.width_m, residue_width_m) for tray in trays]
    weights = _weights(trays, residue_width_m)
    for number, (tray, span) in enumerate(zip(trays, spans, strict=True)):
        if tray.length_m * span < SMALLEST_AREA_M2:
            found = say("so extreme a size ({area} m2)", area=f"{tray.length_m * span:.3g}")
            raise TrayEntry.refused(("trays", number), found, LARGE_ENOUGH)
    loose = [_mass(given(tray.grains), given(tray.mass_g), tgw_g) for tray in trays]
    if not any(mass for mass, _ in loose):  # nothing found: one kernel's worth of doubt over the whole test
        loose = [(0.0, variance / len(trays)) for _, variance in loose]
    density = [mass / (tray.length_m * span) for (mass, _), tray, span in zip(loose, trays, spans, strict=True)]
    variance = [v / (tray.length_m * span) ** 2 for (_, v), tray, span in zip(loose, trays, spans, strict=True)]
    ground_width = sum(weight * tray.width_m / span for weight, tray, span in zip(weights, trays, spans, strict=True))
    counting = sum(weight**2 * v for weight, v in zip(weights, variance, strict=True))
    scatter, scatter_dof = _scatter(trays, density, weights)
    excess = max(0.0, scatter - counting)
    from_trays, from_ground = counting + excess, taken[1] * ground_width**2
    whole = from_trays + from_ground
    on_trays = sum(w * d for w, d in zip(weights, density, strict=True))
    heads = _heads(trays, residue_width_m, tgw_g)
    return TrayResult(
        machine_g_m=on_trays - taken[0] * ground_width,
        u_machine_g_m=math.sqrt(whole),
        dof=whole**2 * scatter_dof / excess**2 if excess > 0 else math.inf,
        spread_g_m=math.sqrt(excess),
        spread_dof=scatter_dof,
        threshing_g_m=heads[0] if heads else 0.0,
        u_threshing_g_m=math.sqrt(heads[1]) if heads else 0.0,
        heads_given=heads is not None,
        front_g_m2=front[0] if front else None,
        u_front_g_m2=math.sqrt(front[1]) if front else None,
        before_harvest_g_m2=shed[0] if shed else None,
        u_before_harvest_g_m2=math.sqrt(shed[1]) if shed else None,
        grains_m2=_grains_m2(trays),
        counted=any(tray.grains is not UNSET for tray in trays),
        full_width=all(tray.width_m >= residue_width_m for tray in trays),
        laid=entry.laid,
        tray_count=len(trays),
        tray_g_m=on_trays,
        u_tray_g_m=math.sqrt(from_trays),
        ground_width_m=0.0 if entry.laid == "released" else ground_width,
        u_cut_strip_g_m2=math.sqrt(strip[1]) if strip else None,
    )


def _check_known(entry: TrayEntry, tgw_g: float | None) -> None:
    needed = {"released": (), "ahead": ("front", "before_harvest"), "ground": ("front",)}[entry.laid]
    for key in needed:
        if getattr(entry, key) is UNSET:
            raise TrayEntry.refused((key,), (f'missing; laid "{entry.laid}" needs this ground count to take off',))
    if tgw_g is not None:
        return
    why = say("needs a TGW ({tgw_g} of the crop, or a known {crop:bare})")
    for tray in entry.trays:
        for key in ("grains", "heads_grains"):
            if getattr(tray, key) is not UNSET:
                raise TrayEntry.refused((key,), why)
    for key in ("front", "before_harvest"):
        if getattr(entry, key) is not UNSET:
            raise TrayEntry.refused((key, "grains"), why)


def _mass(grains: float | None, mass_g: float | None, tgw_g: float | None) -> tuple[float, float]:
    """Mass (g) and its variance: kernels scatter as Poisson counts, weighed or counted; weighing adds its own."""
    kernel_g = (TYPICAL_TGW_G if tgw_g is None else tgw_g) / 1000.0
    if grains is not None:
        return grains * kernel_g, max(grains, 1.0) * kernel_g**2
    mass = mass_g or 0.0
    return mass, max(mass / kernel_g, 1.0) * kernel_g**2 + WEIGHING_U_G**2


def _ground(count: GroundCount | object, tgw_g: float | None) -> tuple[float, float] | None:
    """Grams per square metre of a ground count, and the variance."""
    if not isinstance(count, GroundCount):
        return None
    if count.area_m2 < SMALLEST_AREA_M2:
        raise TrayEntry.refused(("area_m2",), value_found(count.area_m2, f"{count.area_m2:.3g}"), LARGE_ENOUGH)
    mass, variance = _mass(count.grains, None, tgw_g)
    return mass / count.area_m2, variance / count.area_m2**2


def _weights(trays: Sequence[OneTray], width_m: float) -> list[float]:
    """Metres of the residue width that each tray stands for; they sum to the width. Trays sorted by place."""
    if trays[0].x_m is UNSET:
        return [width_m / len(trays)] * len(trays)
    places = [given(tray.x_m) for tray in trays]
    between = [(left + right) / 2 for left, right in pairwise(places)]
    edges = [-width_m / 2, *between, width_m / 2]
    return [right - left for left, right in pairwise(edges)]


def _scatter(trays: Sequence[OneTray], density: Sequence[float], weights: Sequence[float]) -> tuple[float, float]:
    """Variance of the integral as the trays themselves scatter, and its degrees of freedom; 0, 0 where none is seen.

    Placed trays differ because the residue is uneven across, which the integral follows: there the scatter is what each
    inner tray lies off the line between its neighbours (Gasser, Sroka and Jennen-Steinmetz 1986), from five trays on.
    """
    count, squares = len(density), sum(weight**2 for weight in weights)
    if trays[0].x_m is UNSET:
        if count < 2:
            return 0.0, 0.0
        mean = sum(density) / count
        return sum((value - mean) ** 2 for value in density) / (count - 1) * squares, count - 1.0
    if count < PLACED_TO_SEE_SCATTER:
        return 0.0, 0.0
    total = 0.0
    for number in range(1, count - 1):
        left, place, right = (given(tray.x_m) for tray in trays[number - 1 : number + 2])
        share = (place - left) / (right - left)
        off = (1 - share) * density[number - 1] + share * density[number + 1] - density[number]
        total += off**2 / (1 + share**2 + (1 - share) ** 2)
    return total / (count - 2) * squares, count - 2.0


def _heads(trays: Sequence[OneTray], width_m: float, tgw_g: float | None) -> tuple[float, float] | None:
    """Grain in heads per metre travelled and its variance, over the trays that say; None if none does."""
    looked = [tray for tray in trays if tray.heads_grains is not UNSET or tray.heads_mass_g is not UNSET]
    if not looked:
        return None
    total = variance = 0.0
    for weight, tray in zip(_weights(looked, width_m), looked, strict=True):
        mass, spread = _mass(given(tray.heads_grains), given(tray.heads_mass_g), tgw_g)
        scale = weight / (tray.length_m * min(tray.width_m, width_m))
        total += mass * scale
        if mass > 0:
            variance += spread * scale**2
    return total, variance


def _grains_m2(trays: Sequence[OneTray]) -> float | None:
    if any(tray.grains is UNSET for tray in trays):
        return None
    return sum(float(given(tray.grains)) / (tray.length_m * tray.width_m) for tray in trays) / len(trays)

"""What an entry would do, before it is kept: a copy of the kit's state is told it, and the two are compared.

The kit itself is not changed. As far as an entry takes effect later (a tray test at its line and 5 s after its time), the copy
is told that the time has come.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from msgspec.structs import replace

from edge.contract.allowed import InWords
from edge.contract.entries import Entry, GaugeEntry, StrikeOutEntry, TrayEntry
from edge.engine.engine import Engine
from edge.reckon.entered.gauge import GaugeCheck, measured_mm
from edge.reckon.entries import NOT_USED
from edge.reckon.fit.calibration import HALF_WINDOW_S, moment_s
from edge.reckon.reckoner import Reckoner

WAIT_MS = round(1000 * HALF_WINDOW_S)

IN_FORCE = {
    "crop": ("The crop", ""), "tgw_g": ("The weight of a thousand kernels", "g"), "yield_t_ha": ("The yield", "t/ha"),
    "moisture_pct": ("The moisture", "%"), "price_per_t": ("The price of a tonne", ""),
    "trash_discount": ("The discount for trash", "a tonne and %"),
    "cracked_discount": ("The discount for cracked grain", "a tonne and %"), "loss_kg_ha": ("The limit", "kg/ha"),
    "loss_pct": ("The limit", "% of the grain"), "returns_pct": ("The limit of the returns", "% of full"),
    "width_used": ("The part of the cut width in crop", ""), "lag_s": ("The lag", "s"),
    "pulses_per_m": ("The wheel sensor", "pulses a metre"), "residue_width_m": ("The residue width of later tray tests", "m"),
    "chopper": ("", ""), "spreader": ("", ""), "job": ("", ""),
}  # fmt: skip
"""What entries can put in force: its name and unit in words; none is said of what has no name."""

Two = list[Any]
"""Before and after."""


class KitSeen(NamedTuple):
    """What a person sees of a kit, at one moment. None is unknown."""

    loss_kg_ha: float | None
    loss_pct: float | None
    mean_kg_ha: float | None
    factors: dict[str, float]
    calibration: str
    in_force: dict[str, Any]
    gauge: GaugeCheck | None


def preview(engine: Engine, entry: Entry, at_ms: int) -> dict[str, Any]:
    """The answer without its id: what an entry at a stamp would change, and what would be asked first. Raises EntryError."""
    reckoner = engine.reckoner
    if isinstance(entry, StrikeOutEntry):
        raise entry.refused(("entry",), ("a strike-out",), InWords(("any other kind of entry",)))
    engine.judge.admit(entry)
    entry = reckoner.admit(entry, at_ms)
    question = reckoner.question(entry, at_ms)
    without, told = reckoner.trial_copy(), reckoner.trial_copy()
    extra = told.learn(_seen_whole(entry, at_ms), at_ms)
    for copy in (without, told):
        copy.finish(at_ms + WAIT_MS)
    before, after = (_seen(copy, entry, at_ms + WAIT_MS) for copy in (without, told))
    note = extra.get("note") or _unused(without, told)
    why, suggest = question or (None, None)
    asks = {"ask_again": question is not None, "why": why, "suggest": suggest}
    return {"ok": True, "would": _would(entry, before, after, note), **asks}


def _seen_whole(entry: Entry, at_ms: int) -> Entry:
    """A tray that lies now is judged as if the seconds after it were like those before."""
    latest_s = (at_ms - WAIT_MS) / 1000
    if isinstance(entry, TrayEntry) and moment_s(entry, at_ms) > latest_s:
        return replace(entry, at=latest_s)
    return entry


def _seen(reckoner: Reckoner, entry: Entry, now_ms: int) -> KitSeen:
    loss, status = reckoner.loss_now(), reckoner.calibration_figure(now_ms / 1000)
    return KitSeen(
        loss_kg_ha=loss.kg_ha if loss is not None else None,
        loss_pct=loss.pct if loss is not None else None,
        mean_kg_ha=reckoner.mean_loss(reckoner.totals).kg_ha,
        factors=dict(status.factor_mg_per_pulse),
        calibration=status.state,
        in_force={key: getattr(reckoner.now, key) for key in IN_FORCE},
        gauge=reckoner.sieves.check_of(entry.sieve) if isinstance(entry, GaugeEntry) else None,
    )


def _unused(without: Reckoner, told: Reckoner) -> str | None:
    """Why a tray test would be kept and not used."""
    tests = told.calibration.tests
    if len(tests) == len(without.calibration.tests) or tests[-1].used:
        return None
    return f"{NOT_USED}: {tests[-1].why}"


def _would(entry: Entry, before: KitSeen, after: KitSeen, note: str | None) -> dict[str, Any]:
    names = sorted({*before.factors, *after.factors}, reverse=True)
    factors = {name: two for name in names if (two := _two(before.factors.get(name), after.factors.get(name)))}
    in_force = {key: two for key in IN_FORCE if (two := _two(before.in_force[key], after.in_force[key]))}
    would = {
        "loss_kg_ha": _two(before.loss_kg_ha, after.loss_kg_ha),
        "loss_pct": _two(before.loss_pct, after.loss_pct),
        "mean_kg_ha": _two(before.mean_kg_ha, after.mean_kg_ha),
        "factor_mg_per_pulse": factors,
        "calibration": _two(before.calibration, after.calibration),
        "gauge": _gauge(entry, before.gauge, after.gauge),
        "in_force": in_force,
        "note": note,
    }
    return {**would, "words": _words(would, entry)}


def _two(before: Any, after: Any) -> Two | None:
    return None if before == after else [before, after]


def _gauge(entry: Entry, before: GaugeCheck | None, after: GaugeCheck | None) -> dict[str, Two] | None:
    """The readout's model, and what to set for the gap that was measured."""
    if not isinstance(entry, GaugeEntry) or after is None:
        return None
    gaps = measured_mm(entry)
    want = sum(gaps) / len(gaps)
    dials = [None if one is None else one.dial(want) for one in (before, after)]
    gains = [None if one is None else one.gain for one in (before, after)]
    return {"offset_mm": [None if one is None else one.offset_mm for one in (before, after)], "gain": gains, "dial": dials}


def _words(would: dict[str, Any], entry: Entry) -> list[str]:
    """What would change, most wanted first; what looks the same in figures is left out."""
    found = [
        _instead("Loss would read", would["loss_kg_ha"], "kg/ha"),
        _instead("Loss would read", would["loss_pct"], "% of the grain") if not would["loss_kg_ha"] else "",
        _instead("The mean so far would be", would["mean_kg_ha"], "kg/ha"),
        *_factor_words(would["factor_mg_per_pulse"]),
        _instead("The calibration would be", would["calibration"], ""),
        _gauge_words(would["gauge"], entry),
        *[_instead(f"{name} would be", would["in_force"].get(key), unit) for key, (name, unit) in IN_FORCE.items() if name],
        f"It would be {would['note']}." if (would["note"] or "").startswith(NOT_USED) else "",
    ]
    return [words for words in found if words]


def _factor_words(factors: dict[str, Two]) -> list[str]:
    if len(factors) > 1 and len({(_said(was), _said(to)) for was, to in factors.values()}) == 1:
        return [_from_to("The factor", next(iter(factors.values())))]
    return [_from_to(f"The factor of the {name}", two) for name, two in factors.items()]


def _from_to(what: str, two: Two) -> str:
    was, to = map(_said, two)
    if was == to:
        return ""
    if two[0] is None:
        return f"{what} would be {to} mg a pulse."
    return f"{what} would no longer be known." if two[1] is None else f"{what} would go from {was} to {to} mg a pulse."


def _gauge_words(gauge: dict[str, Two] | None, entry: Entry) -> str:
    if gauge is None or not isinstance(entry, GaugeEntry):
        return ""
    gaps = measured_mm(entry)
    return _instead(f"For a gap of {_said(sum(gaps) / len(gaps))} mm the cab would be set to", gauge["dial"], "")


def _instead(what: str, two: Two | None, unit: str) -> str:
    """`Loss would read 25 instead of 32 kg/ha.`"""
    if two is None:
        return ""
    was, to = map(_said, two)
    if was == to:
        return ""
    behind = f" {unit}" if unit else ""
    if two[1] is None:
        return f"{what} unknown instead of {was}{behind}."
    return f"{what} {to}{behind}." if two[0] is None else f"{what} {to} instead of {was}{behind}."


def _said(value: Any) -> str:
    """Three figures, and never a power of ten."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    return f"{value:.3g}" if abs(value) < 100 else f"{value:,.0f}"

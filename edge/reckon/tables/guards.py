"""Guard rails for sieve gaps: notices by machine build and crop, off unless the settings name them.

They are no alerts: a reason in the entry's note (`override NAME: reason`) takes a notice back, and stays in the record.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any

_OVERRIDE = re.compile(r"override\s+([a-z0-9-]+)\s*:\s*([^;\n]+)", re.IGNORECASE)


@dataclass(frozen=True)
class SieveState:
    """What a guard looks at; None is unknown. Gaps in mm as last measured or entered, `opened_to_mm` by sieve."""

    gaps_mm: Mapping[str, float] = field(default_factory=dict)
    opened_to_mm: Mapping[str, float] = field(default_factory=dict)
    crop_kind: str | None = None
    kernel_width_mm: float | None = None
    yield_t_ha: float | None = None
    fan: str | None = None
    pre_sieve: str | None = None


@dataclass(frozen=True)
class Notice:
    """One guard that the present gaps are outside of; `reason` is the operator's, when overridden."""

    name: str
    text: str
    reason: str | None = None


@lru_cache(maxsize=1)
def _guards() -> dict[str, dict[str, Any]]:
    data = tomllib.loads(files("edge.reckon.tables").joinpath("guards.toml").read_text("utf-8"))
    return {guard["name"]: guard for guard in data["guard"]}


def guard_names() -> list[str]:
    """The names that `[machine] sieve_guards` may hold."""
    return list(_guards())


def overrides_in(note: str) -> dict[str, str]:
    """Reasons given in an entry's note as `override NAME: reason`, by the guard's name."""
    return {name.lower(): reason.strip() for name, reason in _OVERRIDE.findall(note) if reason.strip()}


def notices(names: Sequence[str], state: SieveState, overrides: Mapping[str, str] | None = None) -> list[Notice]:
    """The guards named that the gaps are outside of, in the order named."""
    found = []
    for name in names:
        guard = _guards()[name]
        seen = _seen(guard, state) if _applies(guard, state) else None
        if seen is None:
            continue
        reason = (overrides or {}).get(name)
        ending = f"overridden: {reason}" if reason else f"to go on, say why in the note: override {name}: ..."
        text = f"guard rail: {guard['words']} ({guard['source']}); {seen}; {ending}"
        found.append(Notice(name, text, reason))
    return found


def _applies(guard: Mapping[str, Any], state: SieveState) -> bool:
    """An unknown crop, fan or yield is never held against the operator: the guard then stays silent."""
    if "crops" in guard and state.crop_kind not in guard["crops"]:
        return False
    if any(key in guard and getattr(state, key) != guard[key] for key in ("fan", "pre_sieve")):
        return False
    crop_yield = state.yield_t_ha
    if "up_to_t_ha" in guard and (crop_yield is None or crop_yield >= guard["up_to_t_ha"]):
        return False
    return not ("over_t_ha" in guard and (crop_yield is None or crop_yield < guard["over_t_ha"]))


def _seen(guard: Mapping[str, Any], state: SieveState) -> str | None:
    """What is outside the guard, in words; None where all is well or unknown."""
    gaps, low, high = state.gaps_mm, guard.get("low", -1e9), guard.get("high", 1e9)
    match guard["rule"]:
        case "gap":
            gap = gaps.get(guard["sieve"])
            return None if gap is None or low <= gap <= high else f"the {guard['sieve']} sieve is at {gap:.3g} mm"
        case "difference":
            if "top" not in gaps or "bottom" not in gaps:
                return None
            difference = gaps["top"] - gaps["bottom"]
            if low <= difference <= high:
                return None
            return f"top is at {gaps['top']:.3g} mm and bottom at {gaps['bottom']:.3g} mm"
        case "opened_past":
            for sieve, opened in state.opened_to_mm.items():
                if gaps.get(sieve, 1e9) <= guard["closed_to"] and opened <= low:
                    return f"the {sieve} sieve was opened to {opened:.3g} mm only"
            return None
        case "kernel_width":
            gap, width = gaps.get(guard["sieve"]), state.kernel_width_mm
            if gap is None or width is None or low * width <= gap <= high * width:
                return None
            return f"the {guard['sieve']}-sieve is at {gap:.3g} mm, a kernel is {width:.3g} mm wide"
        case _:
            gap = gaps.get(guard["sieve"])
            return None if gap is None else f"the {guard['sieve']}-sieve is at {gap:.3g} mm"

"""The words of the speed answer: what stands behind it, and which steps to drive next."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log


@dataclass(slots=True)
class Said:
    """What the words draw on. `problem`: why no best speed is named; empty when one is."""

    steps: int = 0
    problem: str = ""
    slowest: float = 0.0
    fastest: float = 0.0
    present_kmh: float | None = None
    exponent: tuple[float, float, float] | None = None
    best: tuple[float, float, float] | None = None
    extra: float | None = None
    limit_kg_ha: float | None = None
    at_limit: float | None = None
    loss_at: tuple[float, float] | None = None


SAFE = "where ground, crop and the operator's manual allow it"


def plan_kmh(around_kmh: float | None) -> tuple[float, float, float]:
    """Three speeds around the present one, to be driven as steps."""
    middle = max(2.0, round((around_kmh or 6.0) * 2) / 2)
    return middle - 1, middle, middle + 1


def plan(around_kmh: float | None) -> str:
    """Steps to drive, in words."""
    low, middle, high = plan_kmh(around_kmh)
    return f"hold {low:g}, {middle:g} and {high:g} km/h for 90 s each on one pass, {SAFE}, then back down on the next"


def said(told: Said) -> str:
    """The whole `why`."""
    problems = {
        "no work": f"No steady work in this source yet. Once at work: {plan(told.present_kmh)}.",
        "held": (
            f"Speed was held near {told.present_kmh or 0.0:.1f} km/h throughout: nothing shows what another speed would lose. "
            f"To find out: {plan(told.present_kmh)}."
        ),
        "followed": (
            f"Speed followed the crop ({told.slowest:.1f} to {told.fastest:.1f} km/h without a deliberate step): easing off in "
            f"heavy crop hides what speed does, so no best speed is named. To find out: {plan(told.present_kmh)}."
        ),
        "few pulses": f"{_steps(told)}, but too few pulses around to compare. More steps: {plan(told.present_kmh)}.",
        "no tray test": (
            f"{_steps(told)}: {_rise(told)}. Without a tray test pulses can't be turned into kg and money, so no best speed "
            "is named. Lay a tray test (first read its cautions: two people, chopper off, never behind the discharge)."
        ),
        "no price": f"{_steps(told)}: {_rise(told)}. No price is known: enter the crop's price_per_t.",
        "no hourly cost": f"{_steps(told)}: {_rise(told)}. No hourly cost is known: give --hourly-cost, or [costs] hourly.",
    }
    text = problems[told.problem] if told.problem else _best(told)
    return text + _limit(told)


def _steps(told: Said) -> str:
    plural = "s" if told.steps != 1 else ""
    return f"{told.steps} deliberate speed step{plural} between {told.slowest:.1f} and {told.fastest:.1f} km/h"


def _rise(told: Said) -> str:
    """What one km/h more does at the middle of the speeds driven."""
    if told.exponent is None:
        return "nothing known"
    b, u, t = told.exponent
    middle = (told.slowest + told.fastest) / 2
    factor = log((middle + 0.5) / (middle - 0.5)) if middle > 1 else 0.0
    mean, low, high = (100 * (exp(one * factor) - 1) for one in (b, b - t * u, b + t * u))
    way = "rises" if mean >= 0 else "falls"
    return f"loss per hectare {way} {abs(mean):.0f} % for each km/h more (90 % interval {low:+.0f} to {high:+.0f} %)"


def _best(told: Said) -> str:
    assert told.best is not None
    best, low, high = told.best
    sure = f"90 % interval {low:.1f} to {high:.1f}" if high - low >= 0.05 else "the whole 90 % interval lies there"
    parts = [f"{_steps(told)}: {_rise(told)}. A hectare costs least at {best:.1f} km/h ({sure})."]
    if best >= told.fastest - 0.05:
        parts.append(f"That is the fastest speed driven in steps; faster was not tried. To look: {plan(told.fastest)}.")
    elif best <= told.slowest + 0.05:
        parts.append(f"That is the slowest speed driven in steps; slower was not tried. To look: {plan(told.slowest)}.")
    if high - low > 0.9 * (told.fastest - told.slowest):
        parts.append(f"The steps so far hardly narrow it; more of them would: {plan(told.present_kmh)}.")
    if told.extra is not None and told.present_kmh is not None:
        parts.append(f"The present {told.present_kmh:.1f} km/h costs {told.extra:.2f} per ha more than that.")
    elif told.present_kmh is not None:
        parts.append(f"The present {told.present_kmh:.1f} km/h lies outside the steps, so nothing is said about it.")
    return " ".join(parts)


def _limit(told: Said) -> str:
    if told.limit_kg_ha is None or told.loss_at is None:
        return ""
    if told.at_limit is not None:
        return f" The limit of {told.limit_kg_ha:.0f} kg/ha is reached at {told.at_limit:.1f} km/h."
    low, high = told.loss_at
    if max(low, high) < told.limit_kg_ha:
        return f" All speeds driven stay under the limit of {told.limit_kg_ha:.0f} kg/ha."
    if min(low, high) > told.limit_kg_ha:
        return f" All speeds driven lie over the limit of {told.limit_kg_ha:.0f} kg/ha: ease off or change a setting."
    return ""

"""The `calc` verbs that are one formula each: plain keys -> the figures of the contract, and words for a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from msgspec import Meta, Struct

from edge.commands.calc import keys as calc_input
from edge.commands.calc.keys import show
from edge.commands.calc.refusal import Customary, retold
from edge.commands.calc.us import to_si
from edge.contract.allowed import NumberRule
from edge.contract.refusal import MISSING, Refusal
from edge.contract.said import say
from edge.contract.settings import Settings
from edge.contract.typed import TypedFault, convert
from edge.reckon.statistics.ratio import RateOutside, rate_ratio
from edge.reckon.tables import units

Answer = tuple[dict[str, Any], list[str]]
Positive = Annotated[float, Meta(gt=0, le=1e12)]
NotNegative = Annotated[float, Meta(ge=0, le=1e12)]
Moisture = Annotated[float, Meta(ge=0, le=99)]
Pair = Annotated[tuple[float, ...], Meta(min_length=2, max_length=2)]


class KernelKeys(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """`calc kernels`."""

    tgw_g: Annotated[float, Meta(ge=0.5, le=2000)] | None = None
    bushel_lb: Annotated[float, Meta(gt=0, le=200)] | None = None
    crop: str | None = None


class AreaRateKeys(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """`calc area-rate`."""

    kmh: Annotated[float, Meta(ge=0, le=100)]
    width_m: Annotated[float, Meta(gt=0, le=100)]
    efficiency: Annotated[float, Meta(gt=0, le=1)] = 1.0


class MoistureKeys(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """`calc moisture`."""

    mass: NotNegative
    from_pct: Moisture
    to_pct: Moisture


class RatioKeys(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """`calc ratio`."""

    events: Pair
    exposure: Pair
    level: Annotated[float, Meta(gt=0, lt=1)] = 0.95


class ConcentrationKeys(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """`calc concentration`."""

    cut: Positive
    discharge: Positive


def kernels(plain: Mapping[str, Any], config: Settings | None, us: bool = False) -> Answer:
    """Kernels for 100 kg/ha and for 1 bu/ac, from the TGW and the bushel or from a crop's. Raises TypedFault."""
    keys = convert(dict(plain), KernelKeys)
    crop = calc_input.known_crop(keys.crop, config)
    tgw = keys.tgw_g if keys.tgw_g is not None else (crop.tgw_g if crop else None)
    bushel = keys.bushel_lb if keys.bushel_lb is not None else (crop.bushel_lb if crop else None)
    if tgw is None:
        or_crop = say(", or a known {crop:bare}")
        raise TypedFault(Refusal(("tgw_g",), MISSING, NumberRule(ge=0.5, le=2000), by="required", note=or_crop))
    per_m2 = units.kernels_per_m2(100.0, tgw)
    per_ft2 = None if bushel is None else units.kernels_per_ft2_for_1_bu_ac(tgw, bushel)
    words = [f"{show(per_m2)} kernels per m2 are 100 kg/ha (TGW {tgw:g} g)"]
    if per_ft2 is not None:
        words.append(f"{show(per_ft2)} kernels per ft2 are 1 bu/ac (a bushel of {bushel:g} lb)")
    else:
        words.append("kernels per ft2 for 1 bu/ac: unknown without --bushel-lb or a known --crop")
    if us:
        words.reverse()
    if crop is not None:
        used = {"tgw_g": keys.tgw_g is None, "bushel_lb": keys.bushel_lb is None}
        sources = (crop.sources or {}).items()
        names = {"tgw_g": "TGW", "bushel_lb": "bushel"}
        words += [f"{names[key]} of {crop.name} after {source}" for key, source in sources if used.get(key)]
        words += [f"Note: {note}" for note in crop.notes if not note.startswith("moisture")]
    return {"per_m2_for_100_kg_ha": per_m2, "per_ft2_for_1_bu_ac": per_ft2}, words


def area_rate(plain: Mapping[str, Any], us: bool) -> Answer:
    """Area an hour: km/h x m / 10 (field capacity, ASABE machinery management data). Raises TypedFault."""
    calc_input.check_keys(plain, AreaRateKeys.__struct_fields__, us)
    with retold(Customary.of(plain) if us else None):
        keys = convert(to_si(plain, None), AreaRateKeys)
    ha_h = keys.kmh * keys.width_m / 10 * keys.efficiency
    ac_h = ha_h / units.ACRE_HA
    shown = [show(ha_h, "ha/h"), show(ac_h, "ac/h")]
    first, second = reversed(shown) if us else shown
    return {"ha_h": ha_h, "ac_h": ac_h}, [f"{first} ({second})"]


def moisture(plain: Mapping[str, Any]) -> Answer:
    """Mass of the same dry matter at another moisture (wet basis), and the shrink. Raises TypedFault."""
    keys = convert(dict(plain), MoistureKeys)
    share = (100 - keys.from_pct) / (100 - keys.to_pct)
    figures = {"mass": keys.mass * share, "shrink_pct": 100 * (1 - share)}
    change = "less" if share <= 1 else "more"
    words = [
        f"{keys.mass:,.6g} at {keys.from_pct:g} % is {figures['mass']:,.6g} at {keys.to_pct:g} %",
        f"{abs(figures['shrink_pct']):.2f} % {change}; water only, a buyer's handling shrink comes on top",
    ]
    return figures, words


def ratio(plain: Mapping[str, Any]) -> Answer:
    """Rate of the first over the second with its exact central interval. Raises TypedFault."""
    keys = convert(dict(plain), RatioKeys)
    try:
        found = rate_ratio((keys.events[0], keys.events[1]), (keys.exposure[0], keys.exposure[1]), keys.level)
    except RateOutside as fault:
        raise TypedFault(fault.refusal) from fault
    high = "no upper limit" if found.high is None else show(found.high, digits=4)
    words = [f"ratio {show(found.ratio, digits=4)} ({100 * keys.level:g} %: {show(found.low, digits=4)} to {high})"]
    if found.low <= 1 and (found.high is None or found.high >= 1):
        words.append("no difference is shown: the interval holds 1")
    return {"ratio": found.ratio, "low": found.low, "high": found.high}, words


def concentration(plain: Mapping[str, Any]) -> Answer:
    """Width of the cut over width of the discharge. Raises TypedFault."""
    keys = convert(dict(plain), ConcentrationKeys)
    factor = keys.cut / keys.discharge
    words = [f"machine loss lies {show(factor)} times as thick in the discharge as over the whole cut"]
    if factor < 1:
        words.append(f"Note: the discharge ({keys.discharge:g}) is wider than the cut ({keys.cut:g}); are the two swapped?")
    return {"factor": factor}, words

"""US customary keys of `calc`: what each stands for, and the way into SI."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from edge.contract.allowed import InWords, NumberRule
from edge.contract.refusal import Refusal, value_found
from edge.contract.said import NamedKey, say
from edge.contract.typed import TypedFault
from edge.reckon.tables import units

US_LENGTHS = {"length_ft": "length_m", "width_ft": "width_m", "x_ft": "x_m", "residue_width_ft": "residue_width_m",
              "cut_width_ft": "cut_width_m"}  # fmt: skip
US_KEYS = {**US_LENGTHS, "area_ft2": "area_m2", "mph": "kmh", "yield_bu_ac": "yield_t_ha",
           "price_per_bu": "price_per_t"}  # fmt: skip
"""US customary key -> the SI key it stands for."""

FACTORS = {**dict.fromkeys(US_LENGTHS, units.FT_M), "area_ft2": units.FT2_M2, "mph": units.MILE_KM}
"""US customary key -> SI per unit of it; those in bushels depend on the crop."""


def factor(key: str, bushel_lb: float | None) -> float | None:
    """SI per unit of a US customary key; None where it takes the mass of a bushel and nobody knows that."""
    if key in FACTORS or bushel_lb is None:
        return FACTORS.get(key)
    if key == "yield_bu_ac":
        return units.kg_ha_from_bu_ac(1.0, bushel_lb) / 1000
    return units.per_t_from_per_bu(1.0, bushel_lb)


def check_us(plain: Any, us: bool) -> None:
    """US customary keys only under `us`, and none beside the SI key it stands for. Raises TypedFault."""
    if isinstance(plain, list):
        for one in plain:
            check_us(one, us)
    if not isinstance(plain, Mapping):
        return
    for key, value in plain.items():
        if key in US_KEYS:
            _check_one(key, US_KEYS[key] in plain, us)
        check_us(value, us)


def _check_one(key: str, both: bool, us: bool) -> None:
    si = NamedKey(US_KEYS[key], marked=False)
    if both:
        note = () if us else say(" ({key} with --units us)", key=NamedKey(key, marked=False))
        beside = say("given beside {si}", si=si)
        raise TypedFault(Refusal((key,), beside, InWords(say("one of the two")), note=note))
    if not us:
        instead = InWords(say("with --units us, or give {si} instead", si=si))
        raise TypedFault(Refusal((key,), say("a US customary unit"), instead))


def to_si(plain: Mapping[str, Any], bushel_lb: float | None) -> dict[str, Any]:
    """The object with US customary keys turned into SI, nested ones too. Raises TypedFault."""
    answer: dict[str, Any] = {}
    for key, value in plain.items():
        if key not in US_KEYS:
            answer[key] = _nested(value, bushel_lb)
            continue
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise TypedFault(Refusal((key,), value_found(value, f"{value!r:.60}"), NumberRule()))
        per = factor(key, bushel_lb)
        if per is None:
            needs = say("needs the mass of a bushel; give {bushel_lb:bare} or a known {crop:bare}")
            raise TypedFault(Refusal((key,), needs))
        answer[US_KEYS[key]] = value * per
    return answer


def _nested(value: Any, bushel_lb: float | None) -> Any:
    if isinstance(value, dict):
        return to_si(value, bushel_lb)
    if isinstance(value, list):
        return [_nested(one, bushel_lb) for one in value]
    return value


def all_keys(plain: Any) -> set[str]:
    """Every key of an object, nested ones too."""
    if isinstance(plain, Mapping):
        return set(plain).union(*map(all_keys, plain.values()))
    return set().union(*map(all_keys, plain)) if isinstance(plain, list) else set()

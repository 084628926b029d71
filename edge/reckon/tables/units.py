"""US customary units in and out; inside, everything is SI with the trade's usual multiples.

Every factor is exact by definition: the pound 0.45359237 kg and the foot 0.3048 m (international yard and pound,
1959), the acre 43,560 square feet, the bushel 2,150.42 cubic inches. A bushel as a mass is a convention of the crop,
so it always comes with its pounds.
"""

from __future__ import annotations

from typing import Final

LB_KG: Final = 0.45359237
FT_M: Final = 0.3048
INCH_MM: Final = 25.4
MILE_KM: Final = 1.609344
FT2_M2: Final = FT_M * FT_M
M2_PER_HA: Final = 10_000.0
ACRE_HA: Final = 43_560 * FT2_M2 / M2_PER_HA
BUSHEL_M3: Final = 2150.42 * (INCH_MM / 1000) ** 3
LB_AC_KG_HA: Final = LB_KG / ACRE_HA


def bushel_kg(bushel_lb: float) -> float:
    """Mass of a bushel, kg. Raises ValueError unless the pounds are over 0."""
    if not bushel_lb > 0:
        raise ValueError(f"bushel_lb: found {bushel_lb}; allowed: over 0")
    return bushel_lb * LB_KG


def bu_ac(kg_ha: float, bushel_lb: float) -> float:
    """kg/ha as bushels per acre."""
    return kg_ha * ACRE_HA / bushel_kg(bushel_lb)


def kg_ha_from_bu_ac(value: float, bushel_lb: float) -> float:
    """Bushels per acre as kg/ha."""
    return value * bushel_kg(bushel_lb) / ACRE_HA


def per_t_from_per_bu(price: float, bushel_lb: float) -> float:
    """A price per bushel as a price per tonne."""
    return price * 1000 / bushel_kg(bushel_lb)


def per_bu_from_per_t(price: float, bushel_lb: float) -> float:
    """A price per tonne as a price per bushel."""
    return price * bushel_kg(bushel_lb) / 1000


def bulk_kg_m3(bushel_lb: float) -> float:
    """Bulk density of grain whose measured bushel weighs so much, kg/m3."""
    return bushel_kg(bushel_lb) / BUSHEL_M3


def kernels_per_m2(kg_ha: float, tgw_g: float) -> float:
    """Kernels per square metre that make up a loss. Raises ValueError unless the TGW (g) is over 0."""
    if not tgw_g > 0:
        raise ValueError(f"tgw_g: found {tgw_g}; allowed: over 0")
    return kg_ha * 100 / tgw_g


def kernels_per_ft2_for_1_bu_ac(tgw_g: float, bushel_lb: float) -> float:
    """Kernels per square foot that make up one bushel per acre."""
    return kernels_per_m2(kg_ha_from_bu_ac(1.0, bushel_lb), tgw_g) * FT2_M2


_US: Final = {
    "kg/ha": (1 / LB_AC_KG_HA, "lb/ac"),
    "t/ha": (1000 / LB_AC_KG_HA, "lb/ac"),
    "t/h": (1000 / LB_KG, "lb/h"),
    "t": (1000 / LB_KG, "lb"),
    "kg": (1 / LB_KG, "lb"),
    "ha/h": (1 / ACRE_HA, "ac/h"),
    "ha": (1 / ACRE_HA, "ac"),
    "km/h": (1 / MILE_KM, "mph"),
    "km": (1 / MILE_KM, "mi"),
    "m": (1 / FT_M, "ft"),
    "m2": (1 / FT2_M2, "ft2"),
    "mm": (1 / INCH_MM, "in"),
    "grains/m2": (FT2_M2, "grains/ft2"),
    "value/ha": (ACRE_HA, "value/ac"),
}
_KG_OF: Final = {"kg/ha": ("bu/ac", ACRE_HA), "t/ha": ("bu/ac", 1000 * ACRE_HA), "t/h": ("bu/h", 1000.0),
                 "t": ("bu", 1000.0)}  # fmt: skip


def us_shown(value: float, unit: str, bushel_lb: float | None = None) -> tuple[float, str]:
    """A figure in SI and its unit -> the US customary figure and unit; grain in bushels where their mass is known.

    A unit with no US counterpart (%, rpm, value/h) comes back as it is.
    """
    if unit == "value/t":
        return (per_bu_from_per_t(value, bushel_lb), "value/bu") if bushel_lb else (value * LB_KG / 1000, "value/lb")
    if bushel_lb and unit in _KG_OF:
        name, factor = _KG_OF[unit]
        return value * factor / bushel_kg(bushel_lb), name
    factor, name = _US.get(unit, (1.0, unit))
    return value * factor, name

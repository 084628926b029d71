"""What a hectare costs at a speed: grain left behind, hours worked, weather waited for. No currency is assumed.

Loss per hectare is a power of speed (percent loss as a power of feed rate: Nyborg 1967, Grain combine loss
characteristics, MS thesis, Michigan State University), so the cost has one cheapest speed in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

KG_PER_T = 1000.0


@dataclass(frozen=True, slots=True)
class DrivingCosts:
    """What an hour of the machine and an hour of weather risk cost; None is unknown."""

    hourly: float | None = None
    weather_hourly: float | None = None

    @property
    def an_hour(self) -> float | None:
        """Both together; None without the hourly cost."""
        return None if self.hourly is None else self.hourly + (self.weather_hourly or 0.0)


@dataclass(frozen=True, slots=True)
class Curve:
    """Loss in kg/ha as a power of speed, through `kg_ha` at `kmh`."""

    kmh: float
    kg_ha: float
    exponent: float

    def at(self, kmh: float) -> float:
        """Loss in kg/ha at a speed."""
        return self.kg_ha * exp(self.exponent * log(kmh / self.kmh))

    def reaches(self, kg_ha: float) -> float | None:
        """The speed at which loss reaches a limit; None where it doesn't rise with speed."""
        if self.exponent <= 0 or kg_ha <= 0 or self.kg_ha <= 0:
            return None
        return self.kmh * exp(log(kg_ha / self.kg_ha) / self.exponent)


def area_rate_ha_h(kmh: float, width_m: float) -> float:
    """Area rate at efficiency 1 (field-capacity formula; Srivastava et al. 2006, Engineering Principles of Agricultural
    Machines, ch. 15)."""
    return kmh * width_m / 10.0


def cost_per_ha(kg_ha: float, kmh: float, width_m: float, price_per_t: float, an_hour: float) -> float:
    """Value of the grain lost on a hectare and of the time spent on it."""
    return price_per_t * kg_ha / KG_PER_T + an_hour / area_rate_ha_h(kmh, width_m)


def cheapest_kmh(curve: Curve, width_m: float, price_per_t: float, an_hour: float, slowest: float, fastest: float) -> float:
    """The speed with the least cost per hectare, never outside the speeds driven.

    From d(cost)/dv = 0: price a b v^(b - 1) = hourly / (width v^2 / 10); the cost has no other turning point.
    """
    rising = price_per_t * curve.kg_ha / KG_PER_T * curve.exponent
    if rising <= 0:
        return fastest
    time = an_hour / area_rate_ha_h(curve.kmh, width_m)
    best = curve.kmh * (time / rising) ** (1 / (curve.exponent + 1)) if time > 0 else 0.0
    return min(max(best, slowest), fastest)

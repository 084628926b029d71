"""Area rate against published field-capacity figures (efficiency 1)."""

from __future__ import annotations

import pytest

from tests.kits.drive import Drive, driven
from tests.kits.settings import ground

FT, MILE, ACRE_HA = 0.3048, 1.609344, 0.40468564224  # exact (the acre by the international foot)


def rate(kmh: float, width_m: float, width_used: float = 1.0) -> float:
    """ha/h that the kit shows at a speed and cut width."""
    drive = Drive(kit=driven(ground(1000.0), cut_width_m=width_m, width_used=width_used))
    figures = drive.go(4, metres=100 * kmh / 3.6)
    assert figures.area_rate_ha_h is not None
    return figures.area_rate_ha_h


def test_field_capacity_formula():
    """Ca = v w eff / 10 ha/h, km/h and m (Srivastava et al. 2006, Engineering Principles of Agricultural Machines, ch. 15)."""
    assert rate(8, 12) == pytest.approx(9.6, rel=3e-4)
    assert rate(7.2, 9.1) == pytest.approx(6.552, rel=3e-4)


@pytest.mark.parametrize(("mph", "acres"), [(3, 14.5), (4, 19.4)])
def test_published_acres_an_hour_of_a_40_ft_front(mph, acres):
    """Field example of a test institute's speaker (farm press, February 2016): 40 ft at 3 and 4 mph cover 14.5 and 19.4 ac/h."""
    assert rate(mph * MILE, 40 * FT) / ACRE_HA == pytest.approx(acres, abs=0.06)


def test_part_of_the_width_is_part_of_the_rate():
    assert rate(8, 12, width_used=0.25) == pytest.approx(2.4, rel=3e-4)

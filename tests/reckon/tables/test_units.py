"""US customary factors against pint (reference in tests only) and exact definitions."""

import pint
import pytest

from edge.reckon.tables import units

UREG = pint.UnitRegistry()


def of(quantity: str, unit: str) -> float:
    return float((UREG(quantity) / UREG(unit)).to("dimensionless").magnitude)


# pint's acre is the US survey acre (4e-6 larger); the international acre is 43,560 international square feet.
ACRE = "(43560 * foot ** 2)"


@pytest.mark.parametrize(
    ("ours", "reference"),
    [
        (units.LB_KG, of("pound", "kg")),
        (units.FT_M, of("foot", "m")),
        (units.INCH_MM, of("inch", "mm")),
        (units.MILE_KM, of("mile", "km")),
        (units.FT2_M2, of("foot ** 2", "m ** 2")),
        (units.ACRE_HA, of(ACRE, "hectare")),
        (units.BUSHEL_M3, of("bushel", "m ** 3")),
        (units.LB_AC_KG_HA, of(f"pound / {ACRE}", "kg / hectare")),
        (units.kg_ha_from_bu_ac(1, 60), of(f"60 * pound / {ACRE}", "kg / hectare")),
        (units.bu_ac(100, 56), of("100 * kg / hectare", f"pound / {ACRE}") / 56),
        (units.bulk_kg_m3(60), of("60 * pound / bushel", "kg / m ** 3")),
    ],
)
def test_factors_are_pints(ours: float, reference: float) -> None:
    assert ours == pytest.approx(reference, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "name", "pints"),
    [
        ("kg/ha", "lb/ac", ("kg / hectare", f"pound / {ACRE}")),
        ("t/ha", "lb/ac", ("tonne / hectare", f"pound / {ACRE}")),
        ("t/h", "lb/h", ("tonne / hour", "pound / hour")),
        ("t", "lb", ("tonne", "pound")),
        ("kg", "lb", ("kg", "pound")),
        ("ha/h", "ac/h", ("hectare / hour", f"{ACRE} / hour")),
        ("ha", "ac", ("hectare", ACRE)),
        ("km/h", "mph", ("km / hour", "mile / hour")),
        ("km", "mi", ("km", "mile")),
        ("m", "ft", ("m", "foot")),
        ("m2", "ft2", ("m ** 2", "foot ** 2")),
        ("mm", "in", ("mm", "inch")),
        ("grains/m2", "grains/ft2", ("1 / m ** 2", "1 / foot ** 2")),
        ("value/ha", "value/ac", ("1 / hectare", f"1 / {ACRE}")),
        ("value/t", "value/lb", ("1 / tonne", "1 / pound")),
    ],
)
def test_shown_in_us_units_as_pint_has_them(unit: str, name: str, pints: tuple[str, str]) -> None:
    assert units.us_shown(7, unit) == (pytest.approx(7 * of(*pints), rel=1e-12), name)


def test_grain_comes_in_bushels_where_their_mass_is_known() -> None:
    assert units.us_shown(67.251, "kg/ha", 60) == (pytest.approx(1.0, rel=1e-5), "bu/ac")
    assert units.us_shown(1, "t", 60) == (pytest.approx(36.7437, rel=1e-5), "bu")
    assert units.us_shown(1, "t/h", 60)[1] == "bu/h"
    assert units.us_shown(4, "t/ha", 60) == (pytest.approx(4000 / 67.251, rel=1e-5), "bu/ac")
    assert units.us_shown(250, "value/t", 60) == (pytest.approx(250 / 36.7437, rel=1e-5), "value/bu")
    assert units.us_shown(43.0, "%") == (43.0, "%")
    assert units.us_shown(43.0, "rpm", 60) == (43.0, "rpm")


def test_there_and_back() -> None:
    assert units.bu_ac(units.kg_ha_from_bu_ac(1.7, 50), 50) == pytest.approx(1.7, rel=1e-15)
    assert units.per_bu_from_per_t(units.per_t_from_per_bu(12, 50), 50) == pytest.approx(12, rel=1e-15)


def test_bushels_and_kernels_without_mass_are_refused() -> None:
    with pytest.raises(ValueError, match="^bushel_lb: found 0; allowed: over 0"):
        units.bushel_kg(0)
    with pytest.raises(ValueError, match="^tgw_g: "):
        units.kernels_per_m2(100, 0)

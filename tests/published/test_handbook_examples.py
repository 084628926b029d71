"""Worked examples of extension leaflets, done with `tailgrain calc` as a reader would do them."""

import json
from typing import Any

import pytest
from click.testing import CliRunner

from edge.commands.calc.verbs import calc
from edge.reckon.tables import units


def answer(*args: object) -> dict[str, Any]:
    """The JSON answer of a verb."""
    words = [str(arg) for arg in args]
    result = CliRunner().invoke(calc, [*words, "--json"], standalone_mode=False, catch_exceptions=False)
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def strip(grains: float, width_ft: float, length_ft: float, tgw_g: float, bushel_lb: float) -> float:
    """bu/ac from a strip or frame across the whole cut: no concentration factor."""
    found = answer(
        "tray", "--units", "us", "--grains", grains, "--length-ft", length_ft, "--width-ft", width_ft,
        "--cut-width-ft", width_ft, "--residue-width-ft", width_ft, "--tgw-g", tgw_g, "--bushel-lb", bushel_lb,
    )  # fmt: skip
    return float(found["machine_bu_ac"])


# MSU, Staton, in farmprogress 13 September 2012: soybeans a square foot in the cut strip 10, 9, 11, 11, in the standing
# crop 2, 1, 2, 2; printed mean front loss 8.5, 2.2 bu/ac at 4 a bushel (2.125 unrounded). TGW of 4 seeds a bushel: MU
# Extension G1280, 1993.
def test_soybean_front_loss_of_four_places() -> None:
    found = answer(
        "tray", "--units", "us", "--grains", 0, "--length-ft", 1, "--width-ft", 5, "--residue-width-ft", 5,
        "--cut-width-ft", 20, "--tgw-g", 156.2, "--bushel-lb", 60, "--front-grains", 10 + 9 + 11 + 11,
        "--front-area-ft2", 4, "--before-harvest-grains", 2 + 1 + 2 + 2, "--before-harvest-area-ft2", 4,
    )  # fmt: skip
    assert found["front_bu_ac"] == pytest.approx(8.5 / 4, rel=0.001)
    assert found["before_harvest_bu_ac"] == pytest.approx(1.75 / 4, rel=0.001)
    assert found["total_bu_ac"] == pytest.approx(found["front_bu_ac"])


# Univ. Arkansas rice update, 14 September 2020: strips of 10 ft2 across the cut. Printed counts 25, 100, 125, 250 ->
# 1.3, 5.1, 6.4, 12.8 bu/ac a square foot; TGW 24.0 g at 45 lb.
@pytest.mark.parametrize(("width_ft", "inches"), [(20, 6), (25, 4.8), (30, 4), (35, 3.43)])
@pytest.mark.parametrize(("per_ft2", "printed"), [(25, 1.3), (100, 5.1), (125, 6.4), (250, 12.8)])
def test_rice_strips_across_the_cut(width_ft: float, inches: float, per_ft2: float, printed: float) -> None:
    assert strip(per_ft2 * 10, width_ft, inches / 12, 24.0, 45) == pytest.approx(printed, abs=0.06)


# MU Extension G1280, 1993: frames of 10 ft2 by cut width; 40 soybeans in one are 1 bu/ac.
@pytest.mark.parametrize(
    ("feet", "inches"),
    [(8, 15), (10, 12), (12, 10), (13, 9.25), (14, 8.6), (15, 8), (16, 7.5), (20, 6), (22, 5.45), (24, 5)],
)
def test_soybean_frames(feet: float, inches: float) -> None:
    assert strip(40, feet, inches / 12, 156.2, 60) == pytest.approx(1.0, rel=0.004)


# UGA, Sumner & Williams: frames of 10 ft2 by row width (inches), 20 corn kernels in one are 1 bu/ac; 24 are 1.2.
@pytest.mark.parametrize(("row", "along"), [(28, 51.5), (30, 48), (36, 40), (38, 38), (40, 36), (42, 34)])
def test_corn_frames(row: float, along: float) -> None:
    assert strip(24, row / 12, along / 12, 291.6, 56) == pytest.approx(1.2, rel=0.01)


# K-State (farms.com): 20 corn kernels on a square foot are 10 bu/ac.
def test_twenty_corn_kernels_a_square_foot() -> None:
    assert strip(20, 1, 1, 291.6, 56) == pytest.approx(10, rel=0.001)


# Alberta Agriculture, econ5169: 26 heads a square foot of 24 kernels at 35 g a thousand stand for 951.4 kg an acre, about
# 35 bu/ac (its formula line prints 0.43560 for 0.043560; the example is right).
def test_yield_by_heads() -> None:
    assert strip(26 * 24, 1, 1, 35, 60) == pytest.approx(34.96, abs=0.005)
    found = answer("tray", "--grains", 26 * 24, "--length-m", 0.3048, "--width-m", 0.3048, "--cut-width-m", 0.3048,
                   "--residue-width-m", 0.3048, "--tgw-g", 35)  # fmt: skip
    assert found["machine_kg_ha"] * units.ACRE_HA == pytest.approx(951.4, abs=0.06)


# LSU AgCenter, 2018: 42 barrels of rice of 162 lb an acre are 6,804 lb or 151 bu.
def test_barrels_of_rice() -> None:
    kg_ha = 42 * 162 * units.LB_AC_KG_HA
    assert units.us_shown(kg_ha, "kg/ha") == (pytest.approx(6804), "lb/ac")
    assert units.us_shown(kg_ha, "kg/ha", 45) == (pytest.approx(151, abs=0.5), "bu/ac")


# Canola Council / PAMI in grainews: cut 30 ft, discharge 5 ft -> 6.
def test_concentration_factor() -> None:
    assert answer("concentration", "--cut", 30, "--discharge", 5) == {"factor": 6.0}


# Canola Watch, 23 August 2017: 3 g a square foot in the pan at factor 6; 0.96 bu/ac and 53.8 kg/ha are computed from
# it. A pan of 1,000 / 682 / 600 seeds at 3 / 4.4 / 5 g is the same mass.
@pytest.mark.parametrize("grain", [("--mass-g", 3), ("--grains", 1000, "--tgw-g", 3), ("--grains", 682, "--tgw-g", 4.4),
                                   ("--grains", 600, "--tgw-g", 5)])  # fmt: skip
def test_canola_pan(grain: tuple[object, ...]) -> None:
    shared = ("tray", "--units", "us", *grain, "--length-ft", 1, "--width-ft", 1, "--residue-width-ft", 5,
              "--cut-width-ft", 30)  # fmt: skip
    found = answer(*shared, "--crop", "canola", "--price-per-bu", 12)
    assert found["machine_bu_ac"] == pytest.approx(0.960, abs=0.001)
    assert found["value_ac"] == pytest.approx(0.960 * 12, rel=0.001)
    in_pounds = answer(*shared, "--bushel-lb", 1)  # a "bushel" of one pound answers in lb/ac
    assert in_pounds["machine_bu_ac"] == pytest.approx(48.0, abs=0.05)
    metres = ("--length-m", 0.3048, "--width-m", 0.3048, "--residue-width-m", 1.524, "--cut-width-m", 9.144)
    assert answer("tray", *grain, *metres)["machine_kg_ha"] == pytest.approx(53.8, abs=0.05)


# Univ. Saskatchewan, Haile et al. 2010: canola loss of 135.5 kg/ha, 4,400 seeds/m2, is 5.8 % of total yield (2,336
# kg/ha and 3.08 g a thousand, both computed from that).
def test_canola_percent_of_all_grain() -> None:
    found = answer(
        "tray", "--grains", 4400, "--length-m", 1, "--width-m", 1, "--cut-width-m", 1, "--residue-width-m", 1,
        "--tgw-g", 3.08, "--yield-t-ha", (2336 - 135.5) / 1000,
    )  # fmt: skip
    assert found["machine_kg_ha"] == pytest.approx(135.5, abs=0.1)
    assert found["machine_pct"] == pytest.approx(5.8, abs=0.005)
    assert found["grains_m2"] == 4400


# DPIRD Western Australia 2018, wheat, 27 per 0.1 m2 are 100 kg/ha: places A (standing crop), B (cut strip) and C
# (behind). Front = 100 B / K - shed; shed is in kg/ha already, so it is taken off after the division (the print has it
# before). Machine = (C - B) x residue width / cut width: never the whole of C. The counts are our own.
def test_attribution_by_place() -> None:
    keys = {
        "trays": [{"grains": 130, "length_m": 0.5, "width_m": 0.2}],
        "laid": "ground", "residue_width_m": 3.0, "cut_width_m": 12.0, "tgw_g": 1000 / 27,
        "before_harvest": {"grains": 5, "area_m2": 0.1}, "front": {"grains": 13, "area_m2": 0.1},
    }  # fmt: skip
    result = CliRunner().invoke(calc, ["tray", "--from", "-", "--json"], input=json.dumps(keys), standalone_mode=False)
    found = json.loads(result.stdout)
    assert found["before_harvest_kg_ha"] == pytest.approx(100 * 5 / 27)
    assert found["front_kg_ha"] == pytest.approx(100 * 13 / 27 - 100 * 5 / 27)
    assert found["machine_kg_ha"] == pytest.approx(100 * (130 - 13) / 27 * 3 / 12)
    assert found["total_kg_ha"] == pytest.approx(found["front_kg_ha"] + found["machine_kg_ha"])


# INTA 2005, maize: 7,000 kg/ha, 65 before harvest + 320 by the machine (front 233, rear 87); printed 4.6 %.
def test_maize_percent() -> None:
    keys = {
        "trays": [{"mass_g": 8.7, "length_m": 1, "width_m": 1}], "cut_width_m": 1, "residue_width_m": 1, "tgw_g": 300,
        "before_harvest": {"grains": 6.5 / 0.3, "area_m2": 1}, "front": {"grains": 29.8 / 0.3, "area_m2": 1},
        "yield_t_ha": (7000 - 385) / 1000,
    }  # fmt: skip
    result = CliRunner().invoke(calc, ["tray", "--from", "-", "--json"], input=json.dumps(keys), standalone_mode=False)
    found = json.loads(result.stdout)
    assert found["before_harvest_kg_ha"] == pytest.approx(65)
    assert found["front_kg_ha"] == pytest.approx(233)
    assert found["total_kg_ha"] == pytest.approx(320)
    assert round(found["total_pct"], 1) == 4.6
    assert found["front_kg_ha"] / found["total_kg_ha"] == pytest.approx(0.728, abs=0.0005)


# Embrapa, Dall'Agnol 2018: 2 sacks of 60 kg/ha over 36 million ha at 60 a sack are about 4.3 thousand million.
def test_soybean_money() -> None:
    found = answer("tray", "--mass-g", 12, "--length-m", 1, "--width-m", 1, "--cut-width-m", 1, "--residue-width-m", 1,
                   "--price-per-t", 1000)  # fmt: skip
    assert found["machine_kg_ha"] == pytest.approx(120)
    assert found["value_ha"] * 36e6 == pytest.approx(4.3e9, rel=0.01)


# INTA 2009, sunflower: 122 kg/ha over 2.0 million ha at 259 a tonne; printed 244,000 t and 63,074,352.
def test_sunflower_money() -> None:
    found = answer("tray", "--mass-g", 12.2, "--length-m", 1, "--width-m", 1, "--cut-width-m", 1,
                   "--residue-width-m", 1, "--price-per-t", 259)  # fmt: skip
    assert found["machine_kg_ha"] * 2.0e6 / 1000 == pytest.approx(244_000)
    assert found["value_ha"] * 2.0e6 == pytest.approx(63_074_352, rel=0.003)


# A test institute's speaker in producer.com, February 2016: 160 ac of canola, 10 a bushel, 40 ft; 3 mph 14.5 ac/h and
# 1 bu/ac lost, 4 mph 19.4 ac/h and 3 bu/ac; going faster saves 2.8 h (840 at 300/h) and costs 3,200: net 2,360.
# Formula: ac/h = mph x ft / 8.25, Iowa State PM 696 / AgDM A3-24.
def test_faster_costs_more_than_the_time_it_saves() -> None:
    slow = answer("area-rate", "--units", "us", "--mph", 3, "--width-ft", 40)["ac_h"]
    fast = answer("area-rate", "--units", "us", "--mph", 4, "--width-ft", 40)["ac_h"]
    assert (round(slow, 1), round(fast, 1)) == (14.5, 19.4)
    assert slow == pytest.approx(3 * 40 / 8.25)
    saved = (160 / slow - 160 / fast) * 300
    shared = ("--length-ft", 1, "--width-ft", 1, "--cut-width-ft", 1, "--residue-width-ft", 1, "--crop", "canola",
              "--price-per-bu", 10)  # fmt: skip
    one_bu_ft2 = 50 * 453.59237 / 43_560
    slow_loss = answer("tray", "--units", "us", "--mass-g", one_bu_ft2, *shared)["value_ac"] * 160
    fast_loss = answer("tray", "--units", "us", "--mass-g", 3 * one_bu_ft2, *shared)["value_ac"] * 160
    assert (slow_loss, fast_loss) == (pytest.approx(1600), pytest.approx(4800))
    assert saved == pytest.approx(825)  # printed 840: 8.25 h was rounded to 8.2
    assert fast_loss - slow_loss - saved == pytest.approx(2360, abs=15.1)


# Srivastava et al. 2006, ch. 15: Ca = v w e / 10.
def test_field_capacity() -> None:
    assert answer("area-rate", "--kmh", 8, "--width-m", 12)["ha_h"] == pytest.approx(9.6)
    assert answer("area-rate", "--kmh", 5, "--width-m", 9, "--efficiency", 0.7)["ha_h"] == pytest.approx(3.15)


# UF/IFAS AG442, 2020: 10,000 lb at 20 % to 15.5 %. The wrong way round (dry matter x 1.155) gives 9,240; the right
# answer is computed: 9,467.5.
def test_moisture_the_right_way_round() -> None:
    found = answer("moisture", "--mass", 10_000, "--from-pct", 20, "--to-pct", 15.5)
    assert found["mass"] == pytest.approx(9467.5, abs=0.05)
    assert found["mass"] != pytest.approx(9240, abs=1)


# SDSU Extension, 12 August 2020: corn from 25 to 15.5 %: 11.24 %. Shrink per point by final moisture (the print's 1.13
# at 11 % is a slip: 1.12).
def test_shrink() -> None:
    assert answer("moisture", "--mass", 1, "--from-pct", 25, "--to-pct", 15.5)["shrink_pct"] == pytest.approx(11.24, abs=0.005)
    printed = {15.5: 1.18, 15: 1.18, 14: 1.16, 13: 1.15, 12: 1.14, 11: 1.12, 10: 1.11}
    for final, factor in printed.items():
        found = answer("moisture", "--mass", 1, "--from-pct", final + 1, "--to-pct", final)["shrink_pct"]
        assert found == pytest.approx(factor, abs=0.0051)


# University of Missouri moisture table (reprint): pounds equal to a dry bushel. Soybean at 19 % is printed 64.64: 64.44.
@pytest.mark.parametrize(
    ("bushel_lb", "standard", "wet", "printed"),
    [
        (56, 15.5, 20, 59.15), (56, 15.5, 25, 63.09), (56, 15.5, 30, 67.60), (56, 15.5, 35, 72.80),
        (60, 13, 18, 63.66), (60, 13, 19, 64.44), (60, 13, 20, 65.25), (60, 13, 30, 74.57),
    ],
)  # fmt: skip
def test_pounds_equal_to_a_dry_bushel(bushel_lb: float, standard: float, wet: float, printed: float) -> None:
    found = answer("moisture", "--mass", bushel_lb, "--from-pct", standard, "--to-pct", wet)["mass"]
    assert found == pytest.approx(printed, abs=0.0051)

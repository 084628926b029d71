"""Tray tests: grain per metre travelled and its uncertainty, against arithmetic by hand, numpy and simulation."""

import math
from typing import Any

import numpy as np
import pytest
from msgspec import UNSET

from edge.contract import entries
from edge.contract.errors import EntryError
from edge.reckon.fit import trays


def tray(*several: dict[str, Any], **keys: Any) -> entries.TrayEntry:
    entry = entries.from_plain({"entry": "tray", "trays": list(several), **keys})
    assert isinstance(entry, entries.TrayEntry)
    return entry


def one(grains: float | None = None, length_m: float = 0.5, width_m: float = 0.2, **more: Any) -> dict[str, Any]:
    plain = {"length_m": length_m, "width_m": width_m, **more}
    return plain if grains is None else {"grains": grains, **plain}


SHED = {"grains": 10, "area_m2": 1}
STRIP = {"grains": 40, "area_m2": 2}


# --- residue width


def test_the_entrys_own_width_comes_first() -> None:
    assert trays.residue_width(tray(one(5), residue_width_m=4), 6.0, 9.0) == 4


def test_then_the_width_in_force() -> None:
    assert trays.residue_width(tray(one(5)), 6.0, 9.0) == 6


def test_a_ground_strip_is_its_own_width() -> None:
    assert trays.residue_width(tray(one(5, width_m=1.5), laid="ground"), None, 9.0) == 1.5


def test_a_tray_as_wide_as_the_cut_surely_spans_the_discharge() -> None:
    assert trays.residue_width(tray(one(5, width_m=9)), None, 9.0) == 9


@pytest.mark.parametrize("cut", [None, 9.0])
def test_a_narrow_tray_without_a_width_is_refused(cut: float | None) -> None:
    with pytest.raises(EntryError, match="^tray: residue_width_m: missing"):
        trays.residue_width(tray(one(5)), None, cut)


def test_a_tray_outside_the_residue_is_refused() -> None:
    entry = tray(one(5, x_m=-1), one(5, x_m=2.1), residue_width_m=4)
    with pytest.raises(EntryError, match=r"^tray: trays\[1\]\.x_m: found 2\.1; allowed: -2 to 2"):
        trays.residue_width(entry, None, 9.0)
    assert trays.residue_width(tray(one(5, x_m=2.0), residue_width_m=4), None, 9.0) == 4


# --- the figure


def test_one_tray_stands_for_the_whole_width() -> None:
    found = trays.measure(tray(one(50)), 40.0, 3.0)
    assert found.machine_g_m == pytest.approx(50 * 0.040 / (0.5 * 0.2) * 3.0)
    assert found.grains_m2 == pytest.approx(500)
    assert found.counted
    assert not found.full_width


def test_without_places_the_mean() -> None:
    found = trays.measure(tray(one(50), one(70), one(60)), 40.0, 3.0)
    assert found.machine_g_m == pytest.approx(60 * 0.040 / 0.1 * 3.0)


def test_places_are_integrated_by_the_trapezoid_and_held_to_the_edges() -> None:
    places, grains = np.array([-1.2, 0.1, 0.9]), np.array([20.0, 90.0, 55.0])
    several = [one(float(n), x_m=float(x)) for n, x in zip(grains, places, strict=True)]
    found = trays.measure(tray(several[2], several[0], several[1]), 35.0, 4.0)
    density = grains * 0.035 / 0.1
    x = np.concatenate([[-2.0], places, [2.0]])
    y = np.concatenate([density[:1], density, density[-1:]])
    assert found.machine_g_m == pytest.approx(float(np.trapezoid(y, x)), rel=1e-12)


def test_a_tray_as_wide_as_the_discharge_or_wider_is_grain_over_length() -> None:
    for width in (3.0, 5.0):
        found = trays.measure(tray(one(mass_g=12.0, width_m=width)), None, 3.0)
        assert found.machine_g_m == pytest.approx(24.0)
        assert found.full_width
        assert found.grains_m2 is None
        assert not found.counted


def test_heads_are_threshing_loss_and_left_out_of_the_machine() -> None:
    plain = trays.measure(tray(one(50)), 40.0, 3.0)
    found = trays.measure(tray(one(50, heads_grains=20)), 40.0, 3.0)
    assert found.machine_g_m == plain.machine_g_m
    assert found.grains_m2 == plain.grains_m2
    assert found.threshing_g_m == pytest.approx(20 * 0.040 / 0.1 * 3.0)
    assert found.heads_given
    assert (plain.threshing_g_m, plain.heads_given) == (0.0, False)
    weighed = trays.measure(tray(one(50, heads_mass_g=0.8)), 40.0, 3.0)
    assert weighed.threshing_g_m == pytest.approx(found.threshing_g_m)


def test_heads_are_averaged_over_the_trays_that_say() -> None:
    found = trays.measure(tray(one(50, heads_grains=20), one(50)), 40.0, 3.0)
    assert found.threshing_g_m == pytest.approx(20 * 0.040 / 0.1 * 3.0)


# --- attribution


def test_a_released_tray_has_nothing_taken_off() -> None:
    found = trays.measure(tray(one(50), before_harvest=SHED, front=STRIP), 40.0, 3.0)
    assert found.machine_g_m == pytest.approx(60.0)
    assert found.front_g_m2 == pytest.approx((20 - 10) * 0.040)
    assert found.before_harvest_g_m2 == pytest.approx(0.4)


def test_a_tray_laid_ahead_also_holds_front_loss() -> None:
    found = trays.measure(tray(one(50), laid="ahead", before_harvest=SHED, front=STRIP), 40.0, 3.0)
    assert found.machine_g_m == pytest.approx((20.0 - 0.4) * 3.0)


def test_the_ground_holds_all_three() -> None:
    found = trays.measure(tray(one(50), laid="ground", front=STRIP), 40.0, 3.0)
    assert found.machine_g_m == pytest.approx((20.0 - 0.8) * 3.0)
    assert found.front_g_m2 is None
    assert found.before_harvest_g_m2 is None


def test_a_tray_wider_than_the_residue_meets_the_grounds_grain_over_all_its_width() -> None:
    found = trays.measure(tray(one(200, width_m=4.0), laid="ahead", before_harvest=SHED, front=STRIP), 40.0, 3.0)
    assert found.machine_g_m == pytest.approx(200 * 0.040 / 0.5 - 0.4 * 4.0)


def test_a_negative_result_is_reported() -> None:
    found = trays.measure(tray(one(1), laid="ground", front={"grains": 60, "area_m2": 1}), 40.0, 3.0)
    assert found.machine_g_m == pytest.approx((0.4 - 2.4) * 3.0)
    assert found.u_machine_g_m > 0


@pytest.mark.parametrize(
    ("keys", "names"),
    [
        ({"laid": "ahead", "before_harvest": SHED}, "front"),
        ({"laid": "ahead", "front": STRIP}, "before_harvest"),
        ({"laid": "ground"}, "front"),
    ],
)
def test_a_missing_ground_count_is_named(keys: dict[str, Any], names: str) -> None:
    with pytest.raises(EntryError, match=f"^tray: {names}: missing"):
        trays.measure(tray(one(50), **keys), 40.0, 3.0)


@pytest.mark.parametrize(
    ("entry", "names"),
    [
        (tray(one(50)), "grains"),
        (tray(one(mass_g=5, heads_grains=3)), "heads_grains"),
        (tray(one(mass_g=5), front=STRIP), "front.grains"),
    ],
)
def test_grains_need_a_tgw(entry: entries.TrayEntry, names: str) -> None:
    with pytest.raises(EntryError, match=f"^tray: {names}: needs a TGW"):
        trays.measure(entry, None, 3.0)


# --- the uncertainty


def test_counting_is_poisson() -> None:
    found = trays.measure(tray(one(100)), 40.0, 3.0)
    assert found.u_machine_g_m / found.machine_g_m == pytest.approx(0.1)
    assert found.dof == math.inf
    twin = trays.measure(tray(one(100), one(100)), 40.0, 3.0)
    assert twin.u_machine_g_m / twin.machine_g_m == pytest.approx(0.1 / math.sqrt(2))


@pytest.mark.parametrize("count", [1, 3])
def test_no_grain_still_has_the_doubt_of_one_kernel(count: int) -> None:
    found = trays.measure(tray(*[one(0)] * count), 40.0, 3.0)
    assert found.machine_g_m == 0
    assert found.u_machine_g_m == pytest.approx(0.040 / 0.1 * 3.0 / count)
    weighed = trays.measure(tray(*[one(mass_g=0)] * count), None, 3.0)
    assert weighed.u_machine_g_m > 0


def test_a_weighed_catch_has_its_kernels_scatter_and_the_weighing() -> None:
    found = trays.measure(tray(one(mass_g=4.0)), 40.0, 3.0)  # a hundred kernels
    kernels, scale = 10 * 0.040, 3.0 / 0.1
    assert found.u_machine_g_m == pytest.approx(scale * math.hypot(kernels, trays.WEIGHING_U_G))


def test_trays_that_scatter_more_than_counting_widen_it() -> None:
    found = trays.measure(tray(one(20), one(100), one(180)), 40.0, 3.0)
    standard_error = float(np.std([20, 100, 180], ddof=1)) / math.sqrt(3) * 0.040 / 0.1 * 3.0
    assert found.u_machine_g_m == pytest.approx(standard_error)
    assert 2 <= found.dof < 2.5


def test_placed_trays_are_not_charged_with_the_shape_of_the_residue() -> None:
    slope = trays.measure(tray(*[one(40 + 20 * n, x_m=n - 2.0) for n in range(5)]), 40.0, 6.0)
    assert slope.spread_g_m == 0
    rough = trays.measure(tray(*[one(n, x_m=x) for n, x in zip((40, 200, 30, 220, 50), range(-2, 3), strict=True)]), 40, 6)
    assert rough.spread_g_m > 0.2 * rough.machine_g_m
    assert rough.spread_dof == 3


def test_a_ground_count_taken_off_adds_its_variance() -> None:
    found = trays.measure(tray(one(50), laid="ground", front=STRIP), 40.0, 3.0)
    of_tray, of_strip = math.sqrt(50) * 0.040 / 0.1 * 3.0, math.sqrt(40) * 0.040 / 2 * 3.0
    assert found.u_machine_g_m == pytest.approx(math.hypot(of_tray, of_strip))


@pytest.mark.parametrize("laid", ["released", "ahead", "ground"])
def test_total_and_its_uncertainty_against_simulation(laid: str) -> None:
    """The same ground counts stand in front and machine loss: their variances do not simply add."""
    random = np.random.default_rng(5)
    cut, expected = 9.0, []
    for _ in range(1500):
        grains, shed, strip = (float(random.poisson(mean)) for mean in (900, 20, 60))
        ground = {"before_harvest": {"grains": shed, "area_m2": 0.2}, "front": {"grains": strip, "area_m2": 0.2}}
        total = trays.measure(tray(one(grains, width_m=6.0), laid=laid, **ground), 40.0, 6.0).total_g_m(cut)
        assert total is not None
        expected.append(total)
    values, us = np.array(expected).T
    assert float(np.mean(us)) == pytest.approx(float(np.std(values)), rel=0.06)


def test_without_front_loss_there_is_no_total() -> None:
    assert trays.measure(tray(one(50)), 40.0, 3.0).total_g_m(9.0) is None


def test_a_width_of_nothing_is_refused() -> None:
    assert tray(one(5)).residue_width_m is UNSET
    with pytest.raises(EntryError, match="residue_width_m"):
        trays.measure(tray(one(5)), 40.0, 0.0)

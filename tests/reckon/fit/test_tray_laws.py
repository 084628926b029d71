"""Laws of tray arithmetic for any trays: what must not matter does not, what must scale scales, every attribution adds up."""

from __future__ import annotations

from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import assume, given

from edge.contract import entries
from edge.contract.entries import TrayEntry
from edge.reckon.fit.trays import TrayResult, measure
from tests.kits.drive import Drive

TGW_G = 40.0
GRAINS = st.integers(0, 2000)
SIZES = st.floats(0.1, 2.0)
WIDTHS = st.floats(2.0, 12.0)
COUNTS = st.lists(GRAINS, min_size=1, max_size=7)


def found(trays: list[dict[str, Any]], width_m: float, **keys: Any) -> TrayResult:
    entry = entries.from_plain({"entry": "tray", "trays": trays, "residue_width_m": width_m, **keys})
    assert isinstance(entry, TrayEntry)
    return measure(entry, TGW_G, width_m)


def row(counts: list[int], width_m: float, shares: list[float] | None = None, size: float = 0.2) -> list[dict[str, Any]]:
    """Trays of this many kernels; at places (shares of half the residue width) or without."""
    trays: list[dict[str, Any]] = [{"grains": count, "length_m": size, "width_m": size} for count in counts]
    if shares is not None:
        for tray, share in zip(trays, shares, strict=True):
            tray["x_m"] = share * width_m / 2
    return trays


PLACED = st.integers(1, 7).flatmap(
    lambda n: st.tuples(
        st.lists(GRAINS, min_size=n, max_size=n),
        st.lists(st.integers(-100, 100), min_size=n, max_size=n, unique=True).map(lambda xs: [x / 100 for x in xs]),
    )
)


@given(PLACED, WIDTHS)
def test_placed_trays_are_the_integral_of_the_line_through_them_held_to_the_edges(placed, width_m):
    """Independent: numpy's trapezoid over the densities, with the outermost ones repeated at the edges. Any spacing."""
    counts, shares = placed
    density = np.array(counts) * TGW_G / 1000 / 0.04
    order = np.argsort(shares)
    x = np.concatenate([[-width_m / 2], np.array(shares)[order] * width_m / 2, [width_m / 2]])
    y = np.concatenate([[density[order][0]], density[order], [density[order][-1]]])
    assert found(row(counts, width_m, shares), width_m).machine_g_m == pytest.approx(float(np.trapezoid(y, x)))


@given(PLACED, WIDTHS, st.randoms())
def test_the_order_of_trays_and_the_side_they_are_counted_from_do_not_matter(placed, width_m, random):
    counts, shares = placed
    trays = row(counts, width_m, shares)
    one = found(trays, width_m)
    mixed = [dict(tray) for tray in trays]
    random.shuffle(mixed)
    mirrored = [{**tray, "x_m": -tray["x_m"]} for tray in trays]
    for other in (found(mixed, width_m), found(mirrored, width_m)):
        assert other.machine_g_m == pytest.approx(one.machine_g_m)
        assert other.u_machine_g_m == pytest.approx(one.u_machine_g_m)


@given(COUNTS, WIDTHS, SIZES)
def test_twice_the_tray_with_twice_the_grain_is_the_same_loss_known_better(counts, width_m, size):
    assume(sum(counts) > 0 and 2 * size <= width_m)
    one = found(row(counts, width_m, size=size), width_m)
    longer = [{**tray, "length_m": 2 * size, "grains": 2 * tray["grains"]} for tray in row(counts, width_m, size=size)]
    two = found(longer, width_m)
    assert two.machine_g_m == pytest.approx(one.machine_g_m) and two.grains_m2 == pytest.approx(one.grains_m2)
    assert two.u_machine_g_m <= one.u_machine_g_m * (1 + 1e-9)


@given(COUNTS, WIDTHS, st.floats(0.1, 10))
def test_weighed_grain_scales_and_a_count_is_its_weight_by_the_tgw(counts, width_m, times):
    def weighed(factor: float) -> list[dict[str, Any]]:
        return [{"mass_g": n * TGW_G / 1000 * factor, "length_m": 0.2, "width_m": 0.2} for n in counts]

    one = found(weighed(1.0), width_m)
    assert found(weighed(times), width_m).machine_g_m == pytest.approx(times * one.machine_g_m)
    counted = found(row(counts, width_m), width_m)
    assert counted.machine_g_m == pytest.approx(one.machine_g_m) and (counted.counted, one.counted) == (True, False)


@given(COUNTS, WIDTHS, st.floats(1.0, 6.0))
def test_concentration_a_windrow_holds_the_loss_of_the_whole_cut(counts, width_m, times):
    """Grain per metre is density times the width it lies on: the same trays in a windrow so much narrower are so much less."""
    wide, narrow = (found(row(counts, width), width).machine_g_m for width in (width_m, width_m / times))
    assert wide == pytest.approx(times * narrow)


@given(GRAINS, st.floats(1.0, 3.0), st.floats(0.3, 3.0), st.floats(0.2, 2.0))
def test_a_strip_as_wide_as_the_discharge_or_wider_needs_no_concentration(grains, wider, width_m, length_m):
    one = found([{"grains": grains, "length_m": length_m, "width_m": width_m * wider}], width_m)
    assert one.machine_g_m == pytest.approx(grains * TGW_G / 1000 / length_m) and one.full_width


GROUND = st.tuples(st.integers(0, 400), st.floats(0.25, 4.0))


@given(COUNTS, WIDTHS, GROUND, GROUND, st.floats(0.0, 6.0))
def test_what_each_place_of_a_tray_takes_off(counts, width_m, shed, strip, beyond):
    """A = shed, B = strip: front = B - A; released takes nothing off, ahead B - A, the ground B; the total adds the front."""
    cut_m = width_m + beyond
    keys = {
        "before_harvest": {"grains": shed[0], "area_m2": shed[1]},
        "front": {"grains": strip[0], "area_m2": strip[1]},
    }
    a, b = (n / area * TGW_G / 1000 for n, area in (shed, strip))
    laids = ("released", "ahead", "ground")
    released, ahead, ground = (found(row(counts, width_m), width_m, laid=laid, **keys) for laid in laids)
    assert released.before_harvest_g_m2 == pytest.approx(a) and released.front_g_m2 == pytest.approx(b - a, abs=1e-9)
    assert ahead.machine_g_m == pytest.approx(released.machine_g_m - (b - a) * width_m, abs=1e-6)
    assert ground.machine_g_m == pytest.approx(released.machine_g_m - b * width_m, abs=1e-6)
    for one in (released, ahead, ground):
        whole = one.total_g_m(cut_m)
        assert whole is not None and whole[0] == pytest.approx((b - a) * cut_m + one.machine_g_m, abs=1e-6)
        assert whole[1] > 0
    # Ground counts are uncertain too: taking them off never makes the machine loss surer.
    assert ground.u_machine_g_m >= released.u_machine_g_m and ahead.u_machine_g_m >= released.u_machine_g_m


@given(st.integers(0, 5), st.integers(50, 500), WIDTHS)
def test_a_negative_difference_is_reported_with_its_uncertainty(grains, strip, width_m):
    one = found(row([grains], width_m), width_m, laid="ground", front={"grains": strip * 10, "area_m2": 1.0})
    assert one.machine_g_m < 0 < one.u_machine_g_m


@given(COUNTS, st.integers(0, 200), WIDTHS)
def test_heads_go_to_threshing_and_never_to_the_machine(counts, heads, width_m):
    plain = row(counts, width_m)
    one, other = found(plain, width_m), found([{**tray, "heads_grains": heads} for tray in plain], width_m)
    assert other.machine_g_m == one.machine_g_m and other.u_machine_g_m == one.u_machine_g_m
    assert other.threshing_g_m == pytest.approx(heads * TGW_G / 1000 / 0.04 * width_m) and other.heads_given
    assert other.grains_m2 == one.grains_m2


@given(COUNTS, WIDTHS, st.integers(1, 500))
def test_more_grain_on_any_tray_is_more_loss(counts, width_m, more):
    one = found(row(counts, width_m), width_m)
    for i in range(len(counts)):
        other = [*counts]
        other[i] += more
        assert found(row(other, width_m), width_m).machine_g_m > one.machine_g_m


# --- a weed-seed mill


def milled(mill: str, now: str) -> Drive:
    drive = Drive()
    drive.tell(entry="setting", what="mill", to=now)
    drive.go(60)
    return drive.tested(2.0, 2.0, 2.0, mill=mill)


def test_a_tray_behind_an_engaged_mill_makes_no_factor():
    figures = milled("engaged", "engaged").figures[-1]
    assert figures.calibration.state == "none" and "mill" in figures.calibration.why
    assert figures.loss is not None and figures.loss.kg_ha is None


def test_a_mill_bypassed_in_the_tests_adds_its_doubt_only_while_it_runs():
    """Measurement 7: relative u + 0.15 while the mill runs, marked."""
    drive = milled("bypassed", "bypassed")
    quiet = drive.reckoner.mean_loss(drive.reckoner.totals)
    assert "mill bypassed in tray tests" in drive.figures[-1].flag_words
    assert drive.reckoner.calibration.extra_u("bypassed") == 0.0
    before = drive.figures[-1].loss
    drive.tell(entry="setting", what="mill", to="engaged")
    after = drive.go(1).loss
    assert after.kg_ha == pytest.approx(before.kg_ha, rel=1e-3)
    assert after.high / after.kg_ha > 1.03 * before.high / before.kg_ha
    runs = drive.reckoner.mean_loss(drive.reckoner.totals)
    assert runs.budget.u**2 - quiet.budget.u**2 == pytest.approx(0.15**2, rel=0.02)
    plain = milled("none", "none")
    plain.tell(entry="setting", what="mill", to="engaged")
    assert plain.reckoner.calibration.extra_u("engaged") == 0.0

"""Gauge checks and guard rails."""

from typing import Any, get_args

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from edge.contract import entries
from edge.contract.errors import EntryError, SettingsError
from edge.contract.settings import GuardName, parse
from edge.reckon.entered import gauge
from edge.reckon.tables import guards


def entry(**keys: Any) -> entries.GaugeEntry:
    found = entries.from_plain({"entry": "gauge", "sieve": "top", **keys})
    assert isinstance(found, entries.GaugeEntry)
    return found


def test_one_reading_in_mm_gives_the_offset() -> None:
    found = gauge.check([entry(readout_mm=12, measured_mm=20.5, opened_to_mm=26)])
    assert (found.offset_mm, found.gain, found.spread_mm) == (8.5, 1.0, None)
    assert found.dial(16) == pytest.approx(7.5)
    assert found.gap_mm(7.5) == pytest.approx(16)
    assert len(found.warnings) == 1  # 8 to 10 mm out is common practice, and is said
    assert "8.5 mm wider" in found.warnings[0]


def test_several_readings_give_offset_and_gain_by_least_squares() -> None:
    readouts, gaps = [4.0, 9.0, 15.0], [6.2, 10.6, 16.9]
    several = [entry(readout_mm=r, measured_mm=g, opened_to_mm=25) for r, g in zip(readouts, gaps, strict=True)]
    found = gauge.check(several)
    gain, offset = np.polyfit(readouts, gaps, 1)
    assert found.gain == pytest.approx(float(gain))
    assert found.offset_mm == pytest.approx(float(offset))
    assert found.dial(12) == pytest.approx((12 - float(offset)) / float(gain))
    assert found.warnings == ()


def test_positions_are_averaged_and_their_spread_told() -> None:
    found = gauge.check([entry(readout_mm=10, measured_mm=[9.0, 10.0, 12.5], opened_to_mm=20)])
    assert found.offset_mm == pytest.approx(0.5)
    assert found.spread_mm == pytest.approx(3.5)
    assert any(warning.startswith("spread: 3.5 mm") for warning in found.warnings)


def test_a_second_reading_at_the_same_readout_is_another_position() -> None:
    found = gauge.check([entry(readout_mm=10, measured_mm=9.0), entry(readout_mm=10, measured_mm=10.0)])
    assert (found.offset_mm, found.gain, found.spread_mm) == (-0.5, 1.0, 1.0)


@pytest.mark.parametrize("unit", ["percent", "notch"])
def test_other_scales_need_two_readings(unit: str) -> None:
    first = entry(readout=2, unit=unit, measured_mm=8, opened_to_mm=20)
    alone = gauge.check([first])
    assert (alone.offset_mm, alone.gain, alone.dial(10)) == (None, None, None)
    assert any(warning.startswith("gain: one") for warning in alone.warnings)
    both = gauge.check([first, entry(readout=6, unit=unit, measured_mm=16, opened_to_mm=25)])
    assert both.unit == unit
    assert both.dial(12) == pytest.approx(4)


@pytest.mark.parametrize(
    ("opened", "said"), [({}, "from the open side"), ({"opened_to_mm": 10}, "opened to 10 mm"), ({"opened_to_mm": 20}, "")]
)
def test_slack_is_minded(opened: dict[str, float], said: str) -> None:
    warnings = gauge.check([entry(readout_mm=10, measured_mm=10, **opened)]).warnings
    assert [said in warning for warning in warnings] == ([True] if said else [])


def test_odd_gains_are_minded() -> None:
    stuck = [entry(readout_mm=r, measured_mm=9, opened_to_mm=20) for r in (5, 10)]
    found = gauge.check(stuck)
    assert found.dial(9) is None
    assert any("did not change" in warning for warning in found.warnings)
    steep = [entry(readout_mm=5, measured_mm=5, opened_to_mm=20), entry(readout_mm=10, measured_mm=16, opened_to_mm=20)]
    assert any(warning.startswith("gain: 2.20") for warning in gauge.check(steep).warnings)


def test_a_dial_value_out_of_reach_is_minded() -> None:
    found = gauge.check([entry(readout_mm=12, measured_mm=20, opened_to_mm=26)])
    assert any("below zero" in warning for warning in found.warnings_for(5))
    assert any("far from what was checked" in warning for warning in found.warnings_for(40))
    assert found.warnings_for(18) == []
    scale = [entry(readout=r, unit="percent", measured_mm=g, opened_to_mm=30) for r, g in ((40, 8), (80, 16))]
    assert any("past the end" in warning for warning in gauge.check(scale).warnings_for(24))


def test_mixed_sieves_units_or_nothing_are_refused() -> None:
    with pytest.raises(EntryError, match="^gauge: sieve: found bottom and top"):
        gauge.check([entry(readout_mm=1, measured_mm=2), entry(sieve="bottom", readout_mm=1, measured_mm=2)])
    with pytest.raises(EntryError, match="^gauge: unit: found mm and percent"):
        gauge.check([entry(readout_mm=1, measured_mm=2), entry(readout=3, unit="percent", measured_mm=2)])
    with pytest.raises(EntryError, match="no entry"):
        gauge.check([])


# --- a model that can't be so is not used


def checks(*pairs: tuple[float, float], unit: str = "mm") -> list[entries.GaugeEntry]:
    """Checks as (readout, gap), each come to from the open side."""
    key = {"readout_mm": 0.0} if unit == "mm" else {"readout": 0.0, "unit": unit}
    name = next(iter(key))
    return [entry(**{**key, name: readout}, measured_mm=gap, opened_to_mm=40) for readout, gap in pairs]


NOT_BELIEVED = {
    "the gap narrows": (checks((8, 16), (14, 10)), "narrows by 1.00 mm for each mm"),
    "percent that narrow": (checks((40, 16), (80, 8), unit="percent"), "narrows by 0.20 mm for each percent"),
    "too steep": (checks((5, 5), (10, 16)), "2.20 mm a millimetre is far from 1"),
    "too flat": (checks((5, 10), (15, 13)), "0.30 mm a millimetre is far from 1"),
    "the same gap": (checks((5, 9), (10, 9)), "did not change with the readout"),
    "two at one readout": (checks((12, 14), (12, 22)), "can't both be right"),
    "off the line": (checks((6, 8), (10, 12), (14, 22), (18, 20)), "readout 14 mm (measured 22 mm) disagrees with the rest"),
}


@pytest.mark.parametrize("name", NOT_BELIEVED)
def test_a_model_that_can_not_be_so_tells_no_readout_and_no_gap(name: str) -> None:
    measured, said = NOT_BELIEVED[name]
    found = gauge.check(measured)
    assert not found.believed
    assert (found.dial(12), found.dial_set(12), found.gap_mm(12), found.warnings_for(12)) == (None, None, None, [])
    assert any(said in warning for warning in found.warnings), found.warnings
    assert "dial: no readout is told until the checks agree" in found.warnings


@pytest.mark.parametrize(("gain", "believed"), [(0.69, False), (0.71, True), (1.29, True), (1.31, False)])
def test_the_band_of_a_millimetre_readout_ends_where_it_says(gain: float, believed: bool) -> None:
    assert gauge.check(checks((6, 5 + 6 * gain), (16, 5 + 16 * gain))).believed is believed


@given(
    st.floats(-5, 9), st.floats(0.8, 1.2), st.lists(st.integers(4, 25), min_size=4, max_size=8, unique=True), st.data(),
    st.sampled_from([-1, 1]), st.floats(5, 9),
)  # fmt: skip
def test_one_stray_check_among_many_is_named_wherever_it_lies(
    offset: float, gain: float, readouts: list[int], data: st.DataObject, sign: int, off: float
) -> None:
    """Any true line, one gap 5 to 9 mm off it: never believed, and never another check named."""
    stray = data.draw(st.integers(0, len(readouts) - 1))
    gaps = [60 + offset + gain * readout + (sign * off if place == stray else 0.0) for place, readout in enumerate(readouts)]
    found = gauge.check(checks(*zip(map(float, readouts), gaps, strict=True)))
    named = [warning for warning in found.warnings if "disagrees with the rest" in warning]
    others = [readout for place, readout in enumerate(readouts) if place != stray]
    if max(others) - min(others) >= 8 and sum(abs(one - readouts[stray]) <= 6 for one in others) >= 2:
        assert not found.believed
    if not found.believed and named:
        assert f"readout {readouts[stray]:g} mm" in named[0]


def test_of_three_millimetre_checks_the_gain_tells_which_one_strays() -> None:
    """In the middle, where the largest leave-one-out residual would name an end: without it the gain is 1."""
    for pairs, stray in ((((8, 9.5), (12, 18), (16, 17.5)), 12), (((8, 18), (12, 13.5), (16, 17.5)), 8)):
        found = gauge.check(checks(*pairs))
        assert not found.believed and any(f"the one at readout {stray} mm" in one for one in found.warnings), found.warnings


def test_of_three_percent_checks_none_is_named_where_any_could_stray() -> None:
    found = gauge.check(checks((20, 4), (50, 16), (80, 16), unit="percent"))
    assert not found.believed and any("don't lie on one line" in one for one in found.warnings)
    assert not any("disagrees" in one for one in found.warnings)


def test_reading_to_half_a_millimetre_and_slack_is_believed() -> None:
    """Four checks, each up to 1 mm off: no gauge and no linkage is better (from memory)."""
    assert gauge.check(checks((6, 9), (10, 11), (14, 17), (18, 19))).believed
    assert gauge.check(checks((12, 14), (12, 15.5))).believed


# --- a readout is told as it can be set


@pytest.mark.parametrize(
    ("measured", "step", "dial", "dial_set"),
    [
        (checks((12, 14.3)), 0.5, 11.7, 11.5),
        (checks((12.5, 14.8)), 0.5, 11.7, 11.5),
        (checks((12.3, 14.6)), 0.1, 11.7, 11.7),
        (checks((12.25, 14.58)), 0.01, 11.67, 11.67),
        (checks((40, 8), (80, 16), unit="percent"), 1.0, 70.0, 70.0),
        (checks((40, 8), (85, 16), unit="percent"), 1.0, 73.75, 74.0),
        (checks((2, 8), (6, 16), unit="notch"), 1.0, 5.0, 5.0),
        (checks((2.5, 8), (6, 16), unit="notch"), 0.5, 5.125, 5.0),
    ],
)
def test_the_step_follows_how_the_readouts_were_typed(measured: Any, step: float, dial: float, dial_set: float) -> None:
    """The exact readout for a gap of 14 mm, and the nearest that can be set."""
    found = gauge.check(measured)
    assert found.step == step
    assert found.dial(14) == pytest.approx(dial) and found.dial_set(14) == dial_set


def test_what_lies_off_the_scale_can_not_be_set_and_nothing_is_minus_zero() -> None:
    found = gauge.check(checks((12, 20)))
    assert found.dial(5) == pytest.approx(-3.0) and found.dial_set(5) is None
    assert found.dial(7.9) == pytest.approx(-0.1) and str(found.dial_set(7.9)) == "0.0"
    full = gauge.check(checks((40, 8), (80, 16), unit="percent"))
    assert full.dial_set(20) == 100.0 and full.dial_set(20.2) is None


# --- guard rails: common practice for some builds; off unless named


OUTSIDE: dict[str, guards.SieveState] = {
    "top-16-to-18-cereals": guards.SieveState(gaps_mm={"top": 14}, crop_kind="cereal"),
    "top-bottom-within-2": guards.SieveState(gaps_mm={"top": 16, "bottom": 10}),
    "bottom-6-cross-flow": guards.SieveState(gaps_mm={"bottom": 5}, fan="cross-flow"),
    "open-past-14": guards.SieveState(gaps_mm={"bottom": 6}, opened_to_mm={"bottom": 13}),
    "pre-sieve-kernel-width": guards.SieveState(gaps_mm={"pre": 10}, kernel_width_mm=3.3),
    "pre-sieve-middle-light-crop": guards.SieveState(
        gaps_mm={"pre": 10}, pre_sieve="adjustable", yield_t_ha=1.5, crop_kind="cereal"
    ),
    "pre-sieve-wide-heavy-crop": guards.SieveState(gaps_mm={"pre": 10}, pre_sieve="adjustable", yield_t_ha=4),
    "pre-sieve-wide-pulses": guards.SieveState(gaps_mm={"pre": 10}, pre_sieve="adjustable", crop_kind="pulse"),
    "bottom-4-to-8-tighter": guards.SieveState(gaps_mm={"top": 16, "bottom": 15}),
    "bottom-3-to-6-small-oilseeds": guards.SieveState(gaps_mm={"bottom": 8}, crop_kind="small oilseed"),
}


def test_every_guard_has_a_case() -> None:
    assert set(OUTSIDE) == set(guards.guard_names())


@pytest.mark.parametrize("name", list(OUTSIDE))
def test_a_guard_outside_is_a_notice_with_its_source(name: str) -> None:
    (notice,) = guards.notices([name], OUTSIDE[name])
    assert notice.name == name
    assert "common practice" in notice.text or "from memory" in notice.text
    assert f"override {name}:" in notice.text
    assert notice.reason is None


@pytest.mark.parametrize("name", list(OUTSIDE))
def test_guards_are_off_unless_named_and_silent_when_nothing_is_known(name: str) -> None:
    assert guards.notices([], OUTSIDE[name]) == []
    assert guards.notices([name], guards.SieveState()) == []


@pytest.mark.parametrize(
    ("name", "state"),
    [
        ("top-16-to-18-cereals", guards.SieveState(gaps_mm={"top": 17}, crop_kind="cereal")),
        ("top-16-to-18-cereals", guards.SieveState(gaps_mm={"top": 10}, crop_kind="small oilseed")),
        ("top-bottom-within-2", guards.SieveState(gaps_mm={"top": 16, "bottom": 14})),
        ("bottom-6-cross-flow", guards.SieveState(gaps_mm={"bottom": 6}, fan="cross-flow")),
        ("bottom-6-cross-flow", guards.SieveState(gaps_mm={"bottom": 5}, fan="other")),
        ("open-past-14", guards.SieveState(gaps_mm={"bottom": 6}, opened_to_mm={"bottom": 14.5})),
        ("pre-sieve-kernel-width", guards.SieveState(gaps_mm={"pre": 3.3}, kernel_width_mm=3.3)),
        ("pre-sieve-wide-heavy-crop", guards.SieveState(gaps_mm={"pre": 3}, pre_sieve="adjustable", yield_t_ha=1)),
        ("bottom-4-to-8-tighter", guards.SieveState(gaps_mm={"top": 16, "bottom": 10})),
    ],
)
def test_inside_a_guard_nothing_is_said(name: str, state: guards.SieveState) -> None:
    assert guards.notices([name], state) == []


def test_a_reason_in_the_note_overrides() -> None:
    reasons = guards.overrides_in("damp; override top-16-to-18-cereals: thistles in the sample")
    assert reasons == {"top-16-to-18-cereals": "thistles in the sample"}
    (notice,) = guards.notices(["top-16-to-18-cereals"], OUTSIDE["top-16-to-18-cereals"], reasons)
    assert notice.reason == "thistles in the sample"
    assert "overridden: thistles" in notice.text
    assert guards.overrides_in("override top-16-to-18-cereals:  ") == {}


def test_an_unknown_guard_is_named_with_the_nearest() -> None:
    text = '[machine]\nname = "m"\ncut_width_m = 9\nsieve_guards = ["open-past-15"]\n'
    with pytest.raises(SettingsError, match=r"machine.sieve_guards\[0\]: found 'open-past-15'.*did you mean `open-past-14`"):
        parse(text)


def test_the_settings_may_name_each_guard_of_the_table_and_no_other() -> None:
    assert sorted(get_args(GuardName)) == sorted(guards.guard_names())

"""Gauge checks and guard rails."""

from typing import Any, get_args

import numpy as np
import pytest

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

"""Advice: every rule reachable, sourced and safe; one change at a time; verdicts, guard rails and the settings book heeded."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from edge.contract import entries, settings
from edge.judge.advice import rules
from edge.judge.advice.advise import BEFORE_MIN, advise
from edge.judge.advice.adviser import Adviser
from edge.judge.advice.settingsbook import SettingsBook
from edge.judge.advice.situation import Situation, Tried
from edge.judge.advice.worth import worth
from edge.judge.alerts.judge import AlertChange
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.sieves import Sieves
from edge.reckon.figures import CalibrationFigure, Figures, LossFigure, PointFigure
from tests.bench import follower
from tests.kits.figures import told_by_inputs
from tests.kits.settings import kit_toml

SETTINGS = {
    "fan_rpm": 860.0, "rotor_rpm": 800.0, "concave_mm": 18.0, "top_sieve_mm": 16.0, "bottom_sieve_mm": 10.0,
    "pre_sieve_mm": 8.0, "speed_kmh": 7.0,
}  # fmt: skip
CALM = Situation(
    crop="wheat", crop_kind="cereal", price_per_t=300.0, yield_t_ha=3.0, trash_discount=3.0, cracked_discount=1.0,
    limit_kg_ha=60.0, returns_limit_pct=80.0, loss_kg_ha=25.0, separator_kg_ha=15.0, cleaning_kg_ha=10.0, returns_pct=35.0,
    speed_kmh=7.0, minutes=12.0, look={"clean_grain": "none", "unthreshed_heads": "none", "chaff": "none"},
    sample={"cracked_pct": 1.0, "trash_pct": 0.4, "unthreshed_pct": 0.1}, calibration="good", gauge_h=10.0, settings=SETTINGS,
    separator="rotor", fan="cross-flow", pre_sieve="fixed", returns_to="thresher",
)  # fmt: skip
SEPARATOR = {"loss_kg_ha": 90.0, "separator_kg_ha": 75.0, "cleaning_kg_ha": 15.0}
EVEN = {"separator_kg_ha": 10.0, "cleaning_kg_ha": 15.0}
CLEANING = {"loss_kg_ha": 90.0, "separator_kg_ha": 15.0, "cleaning_kg_ha": 75.0}


def look(**seen: str) -> dict[str, str]:
    return {**CALM.look, **seen}


def sample(**seen: float) -> dict[str, float]:
    return {**CALM.sample, **seen}


def vain(what: str, was: float, *to: float) -> tuple[Tried, ...]:
    """Steps one after another that showed nothing."""
    places = (was, *to)
    return tuple(Tried(what, a, b, "no detectable change", 30.0) for a, b in zip(places, places[1:], strict=False))


SPENT_CONCAVE = vain("concave_mm", 22.0, 20.0, 16.0)
SPENT_ROTOR = vain("rotor_rpm", 700.0, 735.0, 810.0)
SPENT_FAN_LESS = vain("fan_rpm", 1000.0, 950.0, 855.0)
SPENT_FAN_MORE = vain("fan_rpm", 750.0, 790.0, 870.0)
SPENT_TOP = vain("top_sieve_mm", 12.0, 14.0, 18.0)
SPENT_TOP_LESS = vain("top_sieve_mm", 20.0, 18.0, 15.0)
SPENT_BOTTOM_LESS = vain("bottom_sieve_mm", 13.0, 12.0, 10.0)
SPENT_WIDER = vain("concave_mm", 12.0, 14.0, 18.0)
SPENT_SLOWER = vain("rotor_rpm", 900.0, 864.0, 795.0)

REACHED: dict[str, dict[str, object]] = {
    "shaft-first": {"alerts": frozenset({"shaft-low/fan"})},
    "sensor-first": {"alerts": frozenset({"input-silent/2"})},
    "side-first": {"alerts": frozenset({"side-imbalance/cleaning"}), **CLEANING},
    "ease-off-rising-load": {**SEPARATOR, "loss_rise": 1.5, "load_rise": 1.2},
    "fill-the-machine": {"sample": sample(cracked_pct=4.0), "returns_pct": 20.0, "load_rise": 0.8},
    "even-feeding-damp": {"look": look(unthreshed_heads="some"), "sample": sample(cracked_pct=3.0)},
    "tighten-concave-heads": {"look": look(unthreshed_heads="some")},
    "faster-rotor-heads": {"look": look(unthreshed_heads="some"), "tried": SPENT_CONCAVE},
    "look-at-the-bars": {"look": look(unthreshed_heads="much"), "tried": SPENT_ROTOR + SPENT_CONCAVE},
    "gentle-on-pulses": {"crop": "field peas", "crop_kind": "pulse", "sample": sample(cracked_pct=5.0)},
    "slower-rotor-cracked": {"sample": sample(cracked_pct=5.0)},
    "wider-concave-cracked": {"sample": sample(cracked_pct=5.0), "tried": SPENT_SLOWER},
    "ease-threshing-chaff": {**EVEN, "look": look(chaff="much")},
    "more-threshing-walkers": {**SEPARATOR, "separator": "walkers"},
    "more-rotor-speed": SEPARATOR,
    "tighter-concave-separation": {**SEPARATOR, "tried": SPENT_ROTOR},
    "wider-concave-separation": {**SEPARATOR, "tried": SPENT_ROTOR + SPENT_CONCAVE},
    "slow-down-separator": {**SEPARATOR, "tried": SPENT_ROTOR + SPENT_CONCAVE + vain("concave_mm", 16.0, 18.0, 22.0)},
    "gauge-first": {**CLEANING, "alerts": frozenset({"gauge-overdue"})},
    "open-bottom-clean-grain": {"look": look(clean_grain="much")},
    "more-air-riding-out": {**CLEANING, "returns_pct": 60.0},
    "less-air-blowing-out": CLEANING,
    "open-top-sieve": {**CLEANING, "tried": SPENT_FAN_LESS},
    "more-air-after-all": {**CLEANING, "tried": SPENT_FAN_LESS + SPENT_TOP},
    "close-top-sieve-blowing": {**CLEANING, "returns_pct": 78.0, "tried": SPENT_FAN_MORE + SPENT_FAN_LESS + SPENT_TOP},
    "open-pre-sieve-heavy": {**CLEANING, "pre_sieve": "adjustable", "tried": SPENT_FAN_MORE + SPENT_FAN_LESS + SPENT_TOP},
    "less-rotor-for-the-sieves": {
        **CLEANING, "returns_pct": 55.0, "tried": SPENT_FAN_MORE + SPENT_FAN_LESS + SPENT_TOP,
    },
    "slow-down-cleaning": {**CLEANING, "tried": SPENT_FAN_MORE + SPENT_FAN_LESS + SPENT_TOP},
    "look-at-the-returns": {"look": {}, "returns_pct": 85.0},
    "more-air-chaff": {"look": look(chaff="some"), "returns_pct": 85.0},
    "close-top-chaff": {"look": look(chaff="some"), "returns_pct": 85.0, "tried": SPENT_FAN_MORE},
    "close-bottom-trash": {"sample": sample(trash_pct=3.0)},
    "more-air-trash": {"sample": sample(trash_pct=3.0), "tried": SPENT_BOTTOM_LESS},
    "ease-threshing-trash": {**EVEN, "sample": sample(trash_pct=3.0), "tried": SPENT_BOTTOM_LESS + SPENT_FAN_MORE},
    "tray-first": {"calibration": "none", "loss_kg_ha": None, "separator_kg_ha": None, "cleaning_kg_ha": None, "look": {},
                   "sample": {}, "loss_rise": 1.6},
    "sample-first": {"loss_kg_ha": 90.0, "separator_kg_ha": None, "cleaning_kg_ha": None, "sample": {}},
}  # fmt: skip


def told(**changed: object):
    advice = advise(replace(CALM, **changed))
    assert advice is not None
    return advice


# ---------------------------------------------------------------------------------------- the rules as data


def test_there_are_at_least_twenty_and_each_is_reached_here():
    names = [rule.name for rule in rules.rules()]
    assert len(names) == len(set(names)) >= 20
    assert sum(bool(rule.change) for rule in rules.rules()) >= 20
    assert set(REACHED) == set(names)


@pytest.mark.parametrize("name", REACHED)
def test_every_rule_is_reachable_and_gives_the_data_that_led_to_it(name):
    advice = told(**REACHED[name])
    assert advice.rule == name
    assert advice.data, "never advice without its data"
    assert "{" not in advice.seen and "None" not in advice.seen and "None" not in advice.words
    assert advice.basis and advice.why and advice.watch and advice.stop and advice.caution
    rule = next(rule for rule in rules.rules() if rule.name == name)
    if rule.change:
        assert advice.kind == "step" and advice.step is not None
        assert (advice.step.what, advice.step.direction) == (rule.change, rule.direction)
        assert advice.step.to is not None and (advice.step.to > advice.step.was) == (rule.direction == "more")
    else:
        assert advice.kind == "look" and advice.step is None


@pytest.mark.parametrize("rule", rules.rules(), ids=lambda rule: rule.name)
def test_every_rule_is_sourced_and_defers_to_the_manual(rule):
    named = r"common practice|from memory|\d{4}|University|Institute|Council|Press|AE-82|farm press|Agriculture"
    assert re.search(named, rule.basis)
    assert "manual" in rules.caution(rule.caution)
    if rule.change:
        assert rule.first < rule.larger
        assert rule.caution in ("cab", "drive")
        if rule.change == "speed_kmh":
            assert rule.caution == "drive"


def test_what_needs_hands_inside_says_engine_off_and_key_out():
    for name in ("cab", "inside"):
        assert "engine off, key out" in rules.caution(name)
    assert "stopped" in rules.caution("tray")


def test_a_condition_on_what_is_not_known_fails_but_for_not_over():
    rule = next(rule for rule in rules.rules() if rule.name == "more-rotor-speed")
    values = replace(CALM, **SEPARATOR, sample={}).values()
    assert rule.holds(values), "cracked grain is not known: `not over` holds"
    assert not rule.holds({**values, "separator_share": None})
    assert not rule.holds({**values, "cracked_pct": 2.0})


# ---------------------------------------------------------------------------------------- order


def test_threshing_before_cleaning():
    both = {**CLEANING, "look": look(unthreshed_heads="some")}
    assert told(**both).rule == "tighten-concave-heads"
    assert told(**CLEANING).rule == "less-air-blowing-out"


def test_a_machine_that_is_not_fit_comes_before_everything():
    assert told(**CLEANING, look=look(unthreshed_heads="much"), alerts=frozenset({"shaft-low/rotor"})).rule == "shaft-first"


def test_one_change_at_a_time_waits_for_its_verdict():
    advice = told(**CLEANING, minutes=3.0, tried=(Tried("fan_rpm", 900.0, 860.0, "not enough data", 3.0, 5.0),))
    assert (advice.kind, advice.step) == ("wait", None)
    assert "until about 8 minutes of steady work have been done at 860 rpm" in advice.words


def test_waiting_means_the_settings_and_not_the_speed():
    """Over the limit the alert and the guidance ask for less speed, and a verdict takes speed out."""
    words = told(**CLEANING, minutes=10.0, tried=(Tried("fan_rpm", 900.0, 860.0, minutes=10.0, minutes_more=8.0),)).words
    until = "Leave the settings as they are until about 18 minutes of steady work have been done at"
    assert words == f"{until} 860 rpm; slowing down is fine."
    speed = told(**CLEANING, minutes=10.0, tried=(Tried("speed_kmh", 7.0, 8.0, minutes=10.0, minutes_more=8.0),)).words
    assert speed == f"{until} 8 km/h; hold the speed too, unless the loss asks for less."


def test_a_change_awaits_its_verdict_until_advice_waits_no_longer():
    live = Live()
    live.work(12)
    live.minute()
    assert not live.adviser.awaits_verdict
    live.tell(entry="setting", what="fan_rpm", **{"from": 900, "to": 860})
    assert live.adviser.awaits_verdict, "at once"
    live.minute()
    assert live.adviser.awaits_verdict, "before any work under it, too"
    live.work(3)
    live.minute()
    assert live.adviser.awaits_verdict
    live.adviser.verdict(1, {"verdict": "better", "ratio": 0.7, "after": {"minutes": 12.0}})
    live.work(10)
    live.minute()
    assert not live.adviser.awaits_verdict
    live.tell(entry="setting", what="fan_rpm", **{"from": 860, "to": 840})
    live.tell(entry="crop", name="barley")
    assert not live.adviser.awaits_verdict, "nothing is compared across crops"


def test_a_verdict_that_a_few_minutes_would_settle_is_waited_for_and_no_longer():
    open_one = Tried("fan_rpm", 900.0, 855.0, "no detectable change", 9.0, 6.0, 0.9)
    assert told(**CLEANING, minutes=10.0, tried=(open_one,)).kind == "wait"
    assert told(**CLEANING, minutes=21.0, tried=(replace(open_one, minutes=21.0),)).kind == "step"
    long = replace(open_one, minutes_more=60.0)
    assert told(**CLEANING, minutes=10.0, tried=(long,)).kind == "step"


def test_the_next_step_needs_work_before_it():
    better = Tried("fan_rpm", 900.0, 860.0, "better", 5.0, None, 0.8)
    assert told(**CLEANING, minutes=5.0, tried=(better,)).kind == "wait"
    assert told(**CLEANING, minutes=BEFORE_MIN, tried=(better,)).kind == "step"


# ---------------------------------------------------------------------------------------- verdicts


def test_a_step_that_showed_nothing_is_followed_by_the_larger_one():
    first = told(**CLEANING)
    assert (first.step.size, first.step.by) == ("first", 5.0)
    larger = told(**CLEANING, tried=vain("fan_rpm", 905.0, 860.0))
    assert (larger.rule, larger.step.size, larger.step.by, larger.step.to) == ("less-air-blowing-out", "larger", 10.0, 775.0)
    assert "showed nothing" in larger.words


def test_a_larger_step_that_showed_nothing_ends_that_way():
    assert told(**CLEANING, tried=SPENT_FAN_LESS).rule == "open-top-sieve"


def test_a_step_that_made_it_worse_goes_back():
    advice = told(**CLEANING, tried=(Tried("fan_rpm", 860.0, 815.0, "worse", 9.0, None, 1.4),))
    assert (advice.kind, advice.step.what, advice.step.to, advice.step.size) == ("back", "fan_rpm", 860.0, "back")
    assert advice.data["ratio"] == 1.4


def test_it_goes_back_to_what_the_verdict_compared_with():
    """Nothing says that the step before did harm, and the verdict names the value that it compared with."""
    tried = (*vain("fan_rpm", 900.0, 855.0), Tried("fan_rpm", 855.0, 770.0, "worse", 9.0, None, 1.4))
    assert told(**CLEANING, tried=tried).step.to == 855.0


def test_a_way_that_made_it_worse_is_closed_and_the_other_side_is_tried():
    back = (Tried("fan_rpm", 860.0, 815.0, "worse", 9.0, None, 1.4), Tried("fan_rpm", 815.0, 860.0, returned=True))
    assert told(**CLEANING, tried=back).rule == "open-top-sieve"
    assert told(**CLEANING, tried=(*back, *SPENT_TOP)).rule == "more-air-after-all"


def test_a_step_that_helped_is_gone_on_with():
    better = (Tried("fan_rpm", 905.0, 860.0, "better", 12.0, None, 0.7),)
    advice = told(**CLEANING, tried=better)
    assert (advice.rule, advice.step.size) == ("less-air-blowing-out", "first")


def test_what_helped_is_not_undone_by_the_book():
    spent = (*SPENT_FAN_MORE, *SPENT_FAN_LESS, *SPENT_TOP, *vain("rotor_rpm", 870.0, 830.0))
    book = {"crop": "wheat", "settings": {"concave_mm": 14.0}, "cost_ha": 1.0, "loss_kg_ha": 20.0, "unit": "money/ha"}
    other = (*spent, *vain("speed_kmh", 8.0, 7.0), Tried("bottom_sieve_mm", 9.0, 10.0, "no detectable change", 30.0))
    back = told(**CLEANING, good_set=book, tried=other)
    assert (back.rule, back.step.what, back.step.to) == ("way-back", "concave_mm", 14.0)
    helped = (*spent, *vain("speed_kmh", 8.0, 7.0), Tried("concave_mm", 14.5, 18.0, "better", 30.0, None, 0.7))
    kept = told(**CLEANING, good_set=book, tried=helped)
    assert kept.step is None or kept.step.what != "concave_mm"


def test_what_helped_is_not_undone_by_another_rule():
    helped = (Tried("rotor_rpm", 760.0, 800.0, "better", 12.0, None, 0.7),)
    assert told(sample=sample(cracked_pct=5.0), tried=helped).rule == "wider-concave-cracked"


def test_mixed_goes_back_when_the_tank_pays_more_than_the_ground_got():
    costly = told(**CLEANING, sample=sample(trash_pct=6.0), tried=(Tried("fan_rpm", 900.0, 860.0, "mixed", 12.0, None, 0.9),))
    assert costly.kind == "back"
    cheap = told(**CLEANING, tried=(Tried("fan_rpm", 900.0, 860.0, "mixed", 12.0, None, 0.5),))
    assert cheap.kind == "step" and cheap.step.what != "fan_rpm"


def test_a_change_whose_old_value_is_not_known_goes_back_in_words():
    advice = told(**CLEANING, tried=(Tried("fan_rpm", None, 860.0, "worse", 12.0, None, 1.3),))
    assert advice.words == "Put the fan back to where it was." and advice.step.to is None


def test_nobody_is_led_further_than_a_third_from_the_start():
    tried = tuple(Tried("fan_rpm", a, b, "better", 12.0, None, 0.8) for a, b in ((1200.0, 1000.0), (1000.0, 860.0)))
    assert told(**CLEANING, tried=tried).step.what != "fan_rpm"


# ---------------------------------------------------------------------------------------- guard rails


def test_a_guard_rail_is_not_stepped_over():
    names = ("top-16-to-18-cereals",)
    wide = {**CLEANING, "tried": SPENT_FAN_LESS, "sieve_guards": names}
    assert told(**wide).step.to == 18.0
    at_rail = {**wide, "settings": {**SETTINGS, "top_sieve_mm": 17.5}, "gaps_mm": {"top": 17.5}}
    assert told(**at_rail).rule == "more-air-after-all"
    assert told(**{**at_rail, "sieve_guards": ()}).rule == "open-top-sieve"


def test_a_step_towards_the_rail_is_allowed_from_outside_it():
    outside = {**CLEANING, "tried": SPENT_FAN_LESS, "sieve_guards": ("top-16-to-18-cereals",)}
    inward = told(**outside, settings={**SETTINGS, "top_sieve_mm": 12.0})
    assert (inward.rule, inward.step.to) == ("open-top-sieve", 14.0)
    assert told(**outside, settings={**SETTINGS, "top_sieve_mm": 22.0}).rule != "open-top-sieve"


def test_the_rail_is_held_against_the_gauged_gap_and_not_the_readout():
    case = {**CLEANING, "tried": SPENT_FAN_LESS, "sieve_guards": ("top-16-to-18-cereals",)}
    off = told(**case, settings={**SETTINGS, "top_sieve_mm": 10.0}, gaps_mm={"top": 17.0})
    assert off.rule == "more-air-after-all"


def test_when_only_a_rail_is_in_the_way_it_is_named():
    guarded = told(look=look(clean_grain="much"), sieve_guards=("top-bottom-within-2",), gaps_mm={"top": 10.0, "bottom": 11.5},
                   settings={**SETTINGS, "top_sieve_mm": 10.0, "bottom_sieve_mm": 11.5})  # fmt: skip
    assert guarded.kind == "hold" and "top-bottom-within-2" in guarded.why


# ---------------------------------------------------------------------------------------- worth


def test_nothing_is_chased_below_what_can_be_reached():
    """NDSU, smallgrains.org technical file, September 1978: losses below 1 to 2 % are hard to reach."""
    advice = told()
    assert (advice.rule, advice.kind, advice.step) == ("nothing-to-chase", "hold", None)
    assert "leave the settings as they are" in advice.words
    assert advice.data["cost.loss"] == pytest.approx(7.5)


def test_loss_trash_and_cracked_grain_are_weighed_in_one_purse():
    tank = sample(trash_pct=2.0, cracked_pct=3.0)
    found = worth(replace(CALM, loss_kg_ha=60.0, separator_kg_ha=30.0, cleaning_kg_ha=30.0, sample=tank))
    assert found.unit == "money/ha"
    assert found.cost["loss"] == pytest.approx(60 * 0.3)
    assert found.cost["trash"] == pytest.approx(2.0 * 3.0 * 3.0)
    assert found.cost["cracked"] == pytest.approx(3.0 * 1.0 * 3.0)
    assert found.gain["loss"] == pytest.approx((60 - 30) * 0.3 / 2), "1 % of 3 t/ha stays, and one setting saves half of the rest"
    assert found.total == pytest.approx(18.0 + 18.0 + 9.0)


def test_without_a_price_all_is_in_kilograms():
    found = worth(replace(CALM, price_per_t=None, **CLEANING))
    assert (found.unit, found.cost["loss"]) == ("kg/ha", 90.0)
    assert told(price_per_t=None, **CLEANING).unit == "kg/ha"


def test_the_costlier_concern_of_a_stage_goes_first():
    assert told(sample=sample(trash_pct=3.0), look=look(chaff="some"), returns_pct=85.0).rule == "close-bottom-trash"
    assert told(sample=sample(trash_pct=1.2), look=look(chaff="some"), returns_pct=85.0).rule == "more-air-chaff"


def test_nothing_known_is_said_and_no_advice_without_work():
    bare = Situation(minutes=12.0, calibration="good")
    advice = advise(bare)
    assert advice is not None and advice.kind == "hold" and "until more is known" in advice.words
    assert advise(Situation()) is None


def test_what_is_unknown_stands_as_unknown():
    advice = told(**CLEANING, sample={}, returns_pct=None)
    assert "with the returns at not known; trash in the tank is not known." in advice.seen
    assert not {"returns_pct", "trash_pct"} & advice.data.keys()


# ---------------------------------------------------------------------------------------- settings book


def page(**changed: object) -> dict:
    good = {"crop": "wheat", "at_s": 1.0, "settings": {"fan_rpm": 900.0, "top_sieve_mm": 17.0}, "loss_kg_ha": 22.0,
            "returns_pct": 40.0, "sample": {"trash_pct": 0.3}, "cost_ha": 8.0}  # fmt: skip
    return {**good, **changed}


def test_the_last_good_set_is_offered_at_the_first_load():
    advice = told(first_load=True, good_set=page(), minutes=0.0)
    assert (advice.rule, advice.kind) == ("start-from-the-book", "book")
    assert advice.settings == {"fan_rpm": 900.0, "top_sieve_mm": 17.0}
    assert "fan 900 rpm" in advice.words and "22 kg/ha" in advice.seen and "trash 0.3 %" in advice.seen
    assert "engine off" in advice.caution


def test_the_book_is_the_way_back_when_nothing_else_is_left():
    spent = SPENT_FAN_MORE + SPENT_FAN_LESS + SPENT_TOP + vain("speed_kmh", 8.3, 7.6, 6.5)
    lost = told(**CLEANING, tried=spent, good_set=page())
    assert (lost.rule, lost.step.what, lost.step.to) == ("way-back", "fan_rpm", 900.0)
    assert told(**CLEANING, tried=spent).rule == "nothing-left"
    assert told(**CLEANING, tried=spent, good_set=page(cost_ha=60.0)).rule == "nothing-left", "it was no better"
    other = told(**CLEANING, tried=spent, good_set=page(unit="kg/ha"))
    assert other.rule == "nothing-left", "kilograms are not compared with money"


def test_the_book_keeps_what_is_good_and_refuses_the_rest():
    def kept(**changed: object) -> bool:
        situation = replace(CALM, **changed)
        return SettingsBook().consider(situation, worth(situation), 5.0) is not None

    assert kept()
    assert not kept(minutes=5.0) and not kept(loss_kg_ha=70.0) and not kept(calibration="none") and not kept(crop=None)
    assert not kept(sample=sample(trash_pct=5.0))
    assert not kept(tried=(Tried("fan_rpm", 900.0, 860.0, "worse", 12.0),))


def test_the_book_keeps_one_page_a_crop_and_reads_it_back():
    book = SettingsBook()
    found = book.consider(CALM, worth(CALM), 5.0)
    assert found is not None and book.page("Wheat") == found
    assert book.consider(CALM, worth(CALM), 6.0) is None, "nothing new"
    barley = replace(CALM, crop="barley", loss_kg_ha=30.0)
    book.consider(barley, worth(barley), 7.0)
    again = SettingsBook()
    again.restore(found.to_plain())
    assert again.page("wheat") == found and again.page("barley") is None and again.page(None) is None


def test_the_book_keeps_the_set_that_cost_least_and_not_the_last_one():
    book = SettingsBook()
    book.consider(CALM, worth(CALM), 5.0)
    costlier = replace(CALM, loss_kg_ha=50.0, settings={**SETTINGS, "fan_rpm": 950.0})
    assert book.consider(costlier, worth(costlier), 6.0) is None, "the last one, and no verdict against it"
    better = replace(costlier, tried=(Tried("fan_rpm", 990.0, 950.0, "better", 12.0, ratio=0.8),))
    assert book.consider(better, worth(better), 7.0) is None, "better than the one before is not better than the best"
    cheaper = replace(CALM, loss_kg_ha=10.0, settings={**SETTINGS, "fan_rpm": 800.0})
    assert book.consider(cheaper, worth(cheaper), 8.0) is not None
    assert book.page("wheat").settings["fan_rpm"] == 800.0 and book.page("wheat").unit == "money/ha"
    free = replace(CALM, loss_kg_ha=9.0, settings={**SETTINGS, "fan_rpm": 780.0}, price_per_t=None)
    assert book.consider(free, worth(free), 9.0) is not None, "money and kilograms are not compared: the loss is"


def test_a_mixed_verdict_that_pays_is_a_good_set():
    """Loss fell by more than the returns cost: advice leaves it, so the book does not offer the way back as the better one."""
    book = SettingsBook()
    book.consider(CALM, worth(CALM), 5.0)
    tried = (Tried("fan_rpm", 900.0, 800.0, "mixed", 12.0, ratio=0.5),)
    mixed = replace(CALM, loss_kg_ha=12.0, settings={**SETTINGS, "fan_rpm": 800.0}, tried=tried)
    assert book.consider(mixed, worth(mixed), 6.0) is not None
    dear = replace(mixed, settings={**SETTINGS, "fan_rpm": 790.0}, loss_kg_ha=11.0, returns_pct=95.0,
                   tried=(Tried("fan_rpm", 800.0, 790.0, "mixed", 12.0, ratio=0.95),))  # fmt: skip
    assert book.consider(dear, worth(dear), 7.0) is None, "the returns ate it"


def test_the_book_gives_the_entered_value_where_one_was_entered():
    live = Live()
    live.work(12)
    _, page_ = live.minute()
    assert page_.settings == {"fan_rpm": 861.0} and page_.measured == ("fan_rpm",), "nobody entered it yet"
    live.tell(entry="setting", what="fan_rpm", **{"from": 870, "to": 815})
    _, amended = live.minute()
    assert amended.settings == {"fan_rpm": 870.0} and amended.measured == ()
    assert live.minute()[1] is None, "told once"
    live.tell(entry="setting", what="fan_rpm", **{"from": 815, "to": 600})
    live.minute()
    assert live.situation().good_set["settings"] == {"fan_rpm": 870.0}


def test_a_shaft_that_turns_a_little_otherwise_today_is_the_same_set():
    book = SettingsBook()
    today = replace(CALM, measured=("fan_rpm",))
    book.consider(today, worth(today), 5.0)
    book.told("wheat", "fan_rpm", 870.0)
    slower = replace(today, settings={**SETTINGS, "fan_rpm": 853.0}, loss_kg_ha=CALM.loss_kg_ha / 2)
    found = book.consider(slower, worth(slower), 6.0)
    assert found.settings["fan_rpm"] == 870.0 and found.loss_kg_ha == CALM.loss_kg_ha / 2
    book.told("wheat", "fan_rpm", 1200.0)
    assert book.page("wheat").settings["fan_rpm"] == 870.0 and book.take_amended("barley") is None


def test_a_worse_set_without_a_verdict_for_it_does_not_replace_a_better_one():
    book = SettingsBook()
    book.consider(CALM, worth(CALM), 5.0)
    moved = replace(CALM, loss_kg_ha=50.0, settings={**SETTINGS, "fan_rpm": 950.0}, tried=vain("fan_rpm", 860.0, 950.0))
    assert book.consider(moved, worth(moved), 6.0) is None
    assert book.page("wheat").settings["fan_rpm"] == 860.0


# ---------------------------------------------------------------------------------------- gathering it live


KIT = settings.parse(
    kit_toml(
        levels=(), name="m", separator="rotor", lag_s=10, sieve_guards=["top-16-to-18-cereals"],
        crop={"name": "wheat", "yield_t_ha": 3.0, "price_per_t": 300}, limits={"loss_kg_ha": 60},
    )
)
T0 = 1_790_000_000


class Live:
    """An adviser fed second by second."""

    def __init__(self) -> None:
        self.adviser, self.now, self.sieves, self.t = Adviser(KIT), InForce.from_settings(KIT), Sieves(KIT), T0

    def work(self, minutes: float, separator: float = 15.0, cleaning: float = 10.0, state: str = "working", rate: float = 6.3):
        for _ in range(round(60 * minutes)):
            self.t += 1
            total = separator + cleaning
            self.adviser.step(Figures(
                self.t - T0, self.t, state, 7.0, rate, LossFigure(total, total, total, 1.0, 0.2, 60.0, 0.1),
                {"separator": PointFigure(separator, left_share=0.5), "cleaning": PointFigure(cleaning, left_share=0.5)},
                {"separator": 20.0, "cleaning": 20.0}, told_by_inputs(35.0, fan=861.0),
                CalibrationFigure("good", {}, 3, 1.0, ""), None, None, [], 2.0, 18.0, 60.0,
            ))  # fmt: skip

    def tell(self, **plain) -> None:
        entry = entries.from_plain(plain)
        self.now.learn(entry, float(self.t))
        if isinstance(entry, entries.GaugeEntry):
            self.sieves.learn_gauge(entry, self.now)
        self.adviser.learn(entry, self.t * 1000, self.now)

    def situation(self, alerts: tuple[AlertChange, ...] = ()) -> Situation:
        return self.adviser.situation(self.now, self.sieves, alerts, self.t)

    def minute(self):
        return self.adviser.minute(self.now, self.sieves, (), self.t)


def test_means_of_steady_work_since_the_last_change():
    live = Live()
    live.work(10, cleaning=80.0)
    live.tell(entry="setting", what="fan_rpm", **{"from": 900, "to": 860})
    live.work(0.5, cleaning=500.0)  # lag and settling are left out
    live.work(6, cleaning=40.0)
    live.work(3, cleaning=900.0, state="turning")
    seen = live.situation()
    assert seen.cleaning_kg_ha == pytest.approx(40.0, rel=0.05)
    assert seen.minutes == pytest.approx(6.0, abs=0.1)
    assert seen.settings["fan_rpm"] == 860.0
    assert (seen.crop_kind, seen.limit_kg_ha, seen.price_per_t, seen.separator) == ("cereal", 60.0, 300.0, "rotor")


def test_what_nobody_entered_is_read_off_the_shaft():
    live = Live()
    live.work(2)
    assert live.situation().settings == {"fan_rpm": 861.0}


def test_rising_is_the_last_minutes_over_the_earlier_ones():
    live = Live()
    live.work(10, cleaning=10.0, rate=6.0)
    assert live.situation().loss_rise == pytest.approx(1.0)
    live.work(5, cleaning=60.0, rate=7.2)
    assert live.situation().loss_rise == pytest.approx(3.0)
    assert live.situation().load_rise == pytest.approx(1.2)


def test_looks_and_samples_belong_to_their_settings_and_their_time():
    live = Live()
    live.work(5)
    live.tell(entry="returns_look", chaff="much")
    live.tell(entry="sample", trash_pct=2.0)
    assert live.situation().look == {"chaff": "much"} and live.situation().sample == {"trash_pct": 2.0}
    live.tell(entry="setting", what="fan_rpm", to=900)
    assert live.situation().look == {"chaff": "much"}, "it says where the fan stands, and nothing was changed"
    live.tell(entry="setting", what="fan_rpm", to=860)
    assert live.situation().look == {} and live.situation().sample == {"trash_pct": 2.0}
    live.t += 3 * 3600
    assert live.situation().sample == {}


def test_verdicts_and_returns_to_an_old_value_are_known():
    live = Live()
    live.work(10)
    live.tell(entry="setting", what="fan_rpm", **{"from": 860, "to": 815})
    live.adviser.verdict(1, {"verdict": "worse", "ratio": 1.4, "minutes_more": None, "after": {"minutes": 9.0}})
    assert live.situation().last == Tried("fan_rpm", 860.0, 815.0, "worse", 9.0, None, 1.4)
    live.tell(entry="setting", what="fan_rpm", to=860)
    assert live.situation().last.returned
    live.tell(entry="setting", what="lag_s", to=12)
    assert len(live.situation().tried) == 2, "the lag is the kit's own"


def test_a_new_crop_forgets_and_the_same_crop_does_not():
    live = Live()
    live.work(5)
    live.tell(entry="setting", what="fan_rpm", to=900, **{"from": 860})
    live.tell(entry="sample", trash_pct=2.0)
    live.tell(entry="crop", name="wheat", price_per_t=310)
    assert live.situation().tried and live.situation().sample
    live.tell(entry="crop", name="barley")
    assert not live.situation().tried and not live.situation().sample and live.situation().loss_kg_ha is None


def test_gauged_gaps_count_and_ungauged_readouts_are_not_taken_for_gaps():
    live = Live()
    live.tell(entry="gauge", sieve="top", readout_mm=10, measured_mm=17)
    live.tell(entry="setting", what="top_sieve_mm", to=11)
    live.tell(entry="setting", what="bottom_sieve_mm", to=9)
    assert live.situation().gaps_mm == {"top": 18.0}
    assert live.situation().sieve_guards == ("top-16-to-18-cereals",)


def test_open_alerts_count_until_they_have_returned():
    live = Live()
    live.work(5)
    made = AlertChange("shaft-low", "fan", "raised", "caution", 0, 0, "t", "c", "a")
    assert live.situation((made, replace(made, object="rotor", state="returned"))).alerts == {"shaft-low/fan"}


def test_advice_is_told_when_it_changes_and_the_book_keeps_its_page():
    live = Live()
    live.work(6)
    assert live.minute() == (None, None), "too early"
    live.work(6)
    first, page_ = live.minute()
    assert first is not None and first["rule"] == "nothing-to-chase"
    assert page_ is not None and page_.settings == {"fan_rpm": 861.0} and page_.loss_kg_ha == pytest.approx(25.0)
    assert live.minute() == (None, None)
    live.work(20, cleaning=90.0)
    then, _ = live.minute()
    assert then is not None and then["step"]["what"] == "fan_rpm"


def test_standing_advice_does_not_waver_with_its_figures_but_gives_way_to_what_was_done_or_seen():
    live = Live()
    live.work(12, cleaning=90.0)
    assert live.minute()[0]["step"]["what"] == "fan_rpm"
    live.work(9, separator=300.0, cleaning=10.0)
    assert live.minute()[0] is None, "within a quarter of an hour of work"
    live.tell(entry="returns_look", unthreshed_heads="much")
    assert live.minute()[0]["rule"] == "tighten-concave-heads"
    live.tell(entry="setting", what="concave_mm", **{"from": 18, "to": 16})
    live.work(3)
    assert live.minute()[0]["kind"] == "wait"
    slack = AlertChange("shaft-low", "fan", "raised", "caution", 0, 0, "t", "c", "a")
    live.work(12)
    live.adviser.verdict(1, {"verdict": "better", "ratio": 0.7})
    live.minute()
    told_, _ = live.adviser.minute(live.now, live.sieves, (slack,), live.t)
    assert told_ is not None and told_["rule"] == "shaft-first", "at once"


def test_too_early_for_a_setting_but_not_for_a_machine_that_is_not_fit():
    assert advise(replace(CALM, **CLEANING, minutes=3.0)) is None
    assert told(**CLEANING, minutes=3.0, alerts=frozenset({"input-silent/2"})).rule == "sensor-first"


def test_the_next_morning_begins_from_the_book():
    live = Live()
    live.work(12)
    live.minute()
    live.t += 10 * 3600
    morning, _ = live.minute()
    assert morning["rule"] == "start-from-the-book" and morning["settings"] == {"fan_rpm": 861.0}
    live.work(12)
    assert live.minute()[0]["rule"] != "start-from-the-book"


def test_an_earlier_run_is_taken_up():
    live = Live()
    live.work(12)
    _, page_ = live.minute()
    other = Live()
    other.adviser.restore("good set", page_.to_plain(), 0, other.now)
    entry = {"entry": "setting", "what": "fan_rpm", "from": 860, "to": 815}
    other.now.learn(entries.from_plain(entry), float(T0))
    other.adviser.restore("entry", entry, T0 * 1000, other.now)
    other.adviser.restore("verdict", {"setting": 1, "verdict": "worse", "ratio": 1.2}, T0 * 1000, other.now)
    assert other.situation().last.verdict == "worse"
    assert other.situation().good_set["settings"] == {"fan_rpm": 860.0}, "as it was entered then, not as the shaft turned"


# ---------------------------------------------------------------------------------------- does it help?


def test_the_simulated_operator_ends_with_more_value_in_the_tank_small():
    """Ten days of the bench's forty, half of them with faults that no rule was written for."""
    found = follower.days(10)
    assert {one.fault for one in found} & set(follower.NOT_WRITTEN_FOR)
    assert sum(one.won for one in found) >= 8, [(one.fault, one.value) for one in found]

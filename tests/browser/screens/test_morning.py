"""The screen Morning: live signs beside each step before the first load, cautions first."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from playwright.sync_api import Page, expect

from tests.kits import screens

Opener = Callable[..., Page]


def test_each_step_has_its_caution_before_it(idling: Any, open_page: Opener) -> None:
    page = open_page(idling.url + "#morning", 360, 740)
    page.locator("#beam .sign").wait_for()  # it comes with the first counts
    words = page.locator("#screen-morning").inner_text()
    assert words.index("First, for safety") < words.index("Tap each loss sensor")
    for caution, step in [
        ("electric sieve adjusters locked out; the kit on its own supply.\n", "Ten light taps"),
        ("the returns elevator stands still; the kit on its own supply", "Returns beam"),
        ("Everybody clear, guards shut", "Enter the zero"),
        ("adjusters locked out, before a hand goes in", "To the sieves"),
    ]:
        assert words.index(caution) < words.index(step)
    assert "operator's manual" in words


def test_a_tapped_sensor_is_alive_and_a_dead_one_waits(resting: Any, open_page: Opener) -> None:
    page = open_page(resting.url + "#morning")
    alive = page.locator("#taps [data-input='0']")
    expect(alive).to_have_attribute("data-state", "good", timeout=30_000)
    expect(alive).to_contain_text("Separator, left")
    expect(alive).to_contain_text(re.compile(r"alive: \d+ pulses"))
    dead = page.locator("#taps [data-input='3']")
    expect(dead).to_contain_text("Cleaning, right")
    expect(dead).to_contain_text("waiting for taps")
    assert dead.get_attribute("data-state") == "waiting"
    expect(page.locator("#tap-rest")).to_be_hidden()
    page.get_by_role("button", name="Begin anew").click()
    expect(alive).to_have_attribute("data-state", "waiting")


def test_the_pulses_shown_are_those_of_the_record(resting: Any, open_page: Opener) -> None:
    page = open_page(resting.url + "#kit")
    page.get_by_role("button", name="Tap test").click()
    row = page.locator("#kit-inputs [data-input='6']")  # the fan's shaft turns all the time
    expect(row).to_have_attribute("data-taps", re.compile(r"^[1-9]\d*$"), timeout=15_000)
    counts = [
        sum(part[3][6] for part in msgspec.json.decode(found["parts"]))
        for found in resting.rows("SELECT parts FROM counts ORDER BY run DESC, number DESC LIMIT 40")
    ]
    shown = int(row.get_attribute("data-taps") or 0)
    # Whole seconds since the touch: some sum of the newest seconds, give or take what came in meanwhile.
    sums = [sum(counts[first : first + n]) for first in range(4) for n in range(1, 30)]
    assert shown in sums


def test_a_clean_beam_is_told_from_a_dusty_one(resting: Any, open_page: Opener) -> None:
    page = open_page(resting.url + "#morning")
    expect(page.locator("#beam li")).to_contain_text(re.compile(r"clean: blocked \d+ % \(empty is 22 %\)"))
    expect(page.locator("#beam li")).to_have_attribute("data-state", "good")


@pytest.mark.parametrize("kit", ["idling", "worked"])
def test_nothing_is_judged_while_the_machine_runs(kit: str, request: pytest.FixtureRequest, open_page: Opener) -> None:
    """Threshing on at a stand shakes the plates, and at work grain hits them and the beam is full: neither is a sign."""
    made = request.getfixturevalue(kit)
    page = open_page(made.url + "#morning")
    for place in ("#tap-rest", "#beam-rest"):
        expect(page.locator(place)).to_contain_text("Only at rest: engine off, key out")
    for seconds in range(4):  # that many answers later there is still no tick, and nothing to wipe
        second = page.locator("#figure").get_attribute("data-second")
        page.locator(f"#figure:not([data-second='{second}'])").wait_for(state="attached")
        signs = "#taps li[data-state='good'], #beam li[data-state='good'], #beam [data-state='caution']"
        assert page.locator(signs).count() == 0, seconds
    expect(page.locator("#beam li")).to_contain_text("not judged while the machine runs")
    expect(page.locator("#morning-spoken")).to_have_text("")
    page.goto(made.url + "#kit")
    page.get_by_role("button", name="Tap test").click()
    expect(page.locator("#kit-rest")).to_contain_text("Only at rest")
    expect(page.locator("#kit-inputs li").first).not_to_contain_text("since the test began")
    expect(page.locator("#kit-inputs li[data-taps]")).to_have_count(0)


# Half a minute of threshing with no crop has to pass before the page's eyes.
@pytest.mark.slow_ok
@pytest.mark.timeout(90)
def test_the_zero_is_entered_after_half_a_minute_and_used(
    idling: Any, open_page: Opener, eventually: Callable[..., Any]
) -> None:
    page = open_page(idling.url + "#morning")
    expect(page.locator("#zero")).to_be_disabled()
    expect(page.locator("#zero-said")).to_contain_text("of 30 s")
    expect(page.locator("#zero")).to_be_enabled(timeout=60_000)
    page.locator("#zero").click()
    expect(page.locator("#morning-spoken")).to_have_text("The zero is learned.")
    run = idling.entries("idle_run")[-1]
    assert 20 <= run["seconds"] <= 120
    learned = eventually(lambda: idling.rows("SELECT body FROM record WHERE kind = 'learned' ORDER BY seq DESC LIMIT 1"), 5.0)
    assert "idle run" in learned[0]["body"]
    expect(page.locator("#zero-last")).to_contain_text(re.compile(r"Last zero: \d+ s ago"))


def test_good_settings_are_offered_and_entered(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#morning")
    good = page.locator("#good section").first
    expect(good).to_contain_text("wheat")
    expect(good).to_contain_text(re.compile(r"Fan: [\d.]+ rpm"))
    expect(good).to_contain_text("machine loss")
    kept = worked.rows("SELECT body FROM record WHERE kind = 'good set' ORDER BY seq DESC LIMIT 1")[0]["body"]
    fan = msgspec.json.decode(kept)["settings"]["fan_rpm"]
    worked.tell({"entry": "setting", "what": "fan_rpm", "to": fan - 40})
    expect(good).to_contain_text(f"Fan: {fan:g} rpm (now {fan - 40:g})")
    good.get_by_role("button", name="I have set them").click()
    expect(good).to_contain_text("These are in force.")
    kept = worked.entries("setting")[-1]
    assert (kept["what"], kept["from"], kept["to"]) == ("fan_rpm", fan - 40, fan)
    worked.tell({"entry": "setting", "what": "fan_rpm", "to": fan - 40})
    expect(good.get_by_role("button", name="I have set them")).to_be_enabled()


def test_it_holds_to_the_standards(idling: Any, open_page: Opener, eventually: Callable[..., Any]) -> None:
    page = open_page(idling.url + "#morning")
    page.locator("#taps li").first.wait_for()
    screens.check_axe(page)
    screens.check_sun(page, "morning")
    screens.check_fit(page, eventually)

"""The screen Tray on the real chain: cautions first, the mark, the catch, its judgement, kernel weight."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.kits.tools import wait_until

Opener = Callable[..., Page]
SLOW = 25_000


def tray(open_page: Opener, kit: Any, width: int = 1280, night: bool | None = False) -> Page:
    """The screen with a mark that no test has used; `night` None: with the marks as they are."""
    if night is not None:
        kit.tell({"entry": "tray_mark"})
    page = open_page(f"{kit.url}/#tray", width, 800, night=bool(night))
    page.locator("#tray-when button").first.wait_for()
    return page


def fill(page: Page, values: dict[str, str]) -> None:
    for name, value in values.items():
        page.locator(f"#{name}").fill(value)


def test_cautions_come_before_everything(worked: Any, open_page: Opener) -> None:
    page = tray(open_page, worked, 360)
    words = page.locator("#screen-tray").inner_text()
    parts = ("radio contact", "engine off, key out", "operator's manual", "Tray down now", "Enter the tray test")
    at = [words.index(part) for part in parts]
    assert at[0] < at[1] < at[3] < at[4] and at[2] < at[3]


def test_a_whole_tray_test_from_the_mark_to_the_factor(passenger: Any, open_page: Opener) -> None:
    """The road of a person: touch as the tray passes, fetch it, count, type, and read what it did."""
    page = tray(open_page, passenger, night=None)
    known = len(passenger.rows("SELECT seq FROM record WHERE kind = 'calibration'"))
    page.get_by_role("button", name="Tray down now").click()
    expect(page.locator("#tray-down-said")).to_contain_text("Last mark: number 2", timeout=SLOW)
    # The trays of the test before stand there already: most farms have one set.
    last = passenger.entries("tray")[-1]
    expect(page.locator("#tray-width")).to_have_value(f"{last['trays'][0]['width_m']:g}")
    chosen = page.locator("#tray-when button[aria-pressed='true']")
    page.locator("#tray-when button").first.click()
    expect(chosen).to_contain_text("Mark 2")
    fill(page, {"tray-length": "1", "tray-width": "0,5", "tray-residue": "6"})  # a comma is a point
    page.get_by_role("button", name="Spread evenly").click()
    assert [page.locator(f"#tray-{i}-x").input_value() for i in range(4)] == ["2.25", "0.75", "0.75", "2.25"]
    sides = page.locator("[id$='-side'] button[aria-pressed='true']")
    assert sides.all_inner_texts() == ["Left", "Left", "Right", "Right"]
    fill(page, {f"tray-{i}-grain": "95" for i in range(4)})
    page.reload()  # a call in between costs nothing
    expect(page.locator("#tray-3-grain")).to_have_value("95")
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#asks")).to_contain_text("Kept as number", timeout=SLOW)
    entry = passenger.entries("tray")[-1]
    assert (entry["mark"], entry["residue_width_m"]) == (2, 6.0)
    assert not {"laid", "catches", "mill"} & set(entry)  # released, both, none: as usual
    assert [(one["x_m"], one["grains"], one["length_m"], one["width_m"]) for one in entry["trays"]] == [
        (x, 95.0, 1.0, 0.5) for x in (-2.25, -0.75, 0.75, 2.25)
    ]
    expect(page.locator("#tray-used")).to_contain_text("Test 4", timeout=SLOW)
    rows = passenger.rows("SELECT body FROM record WHERE kind = 'calibration' ORDER BY seq")
    assert len(rows) == known + 1
    before, last = (msgspec.json.decode(row["body"]) for row in rows[-2:])
    expect(page.locator("#tray-used")).to_have_attribute("data-used", "yes")
    assert last["used"]
    for point, factor in last["after"]["factor_mg_per_pulse"].items():
        card = page.locator(f".factor[data-point='{point}']")
        expect(card.locator(".factor-after")).to_contain_text(f"{factor:.0f} mg")
        expect(card).to_contain_text(f"Before {before['after']['factor_mg_per_pulse'][point]:.0f} mg")
    expect(page.locator("#tray-another")).to_contain_text("Another test")
    expect(page.locator("#tray-0-grain")).to_have_value("")  # ready for the next
    page.wait_for_timeout(1500)  # longer than the page waits before it asks what a form would do
    expect(page.locator("#tray-would")).to_have_text("")  # what was kept would do nothing more
    expect(page.locator("#tray-0-x")).to_have_value("2.25")
    expect(page.locator("#tray-0-side button[data-value='left']")).to_have_attribute("aria-pressed", "true")


def test_an_unused_test_says_why(passenger: Any, open_page: Opener) -> None:
    page = tray(open_page, passenger, 360)
    page.locator("#tray-mill button[data-value='engaged']").click()
    expect(page.locator("#tray-mill-why")).to_contain_text("can't be used")
    page.locator("#tray-by button[data-value='mass_g']").click()
    fill(page, {"tray-length": "1", "tray-width": "0.5", "tray-residue": "6"})
    while page.locator("#trays .tray-row").count() > 1:
        page.get_by_role("button", name="One less").click()
    fill(page, {"tray-0-grain": "3.5"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-used")).to_have_attribute("data-used", "no", timeout=SLOW)
    expect(page.locator("#tray-why")).to_contain_text("engaged mill, which destroys grain", timeout=SLOW)
    [one] = passenger.entries("tray")[-1]["trays"]
    assert (one["mass_g"], "grains" in one) == (3.5, False)


def test_wrong_fields_are_named_before_anything_is_sent(passenger: Any, open_page: Opener) -> None:
    page = tray(open_page, passenger)
    kept = len(passenger.entries("tray"))
    fill(page, {"tray-length": "one", "tray-width": "", "tray-residue": "500", "tray-0-grain": "lots"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-length-fault")).to_have_text("“one” is no number.")
    expect(page.locator("#tray-width-fault")).to_have_text("Needed.")
    expect(page.locator("#tray-residue-fault")).to_have_text("Allowed: 0.1 to 100.")
    expect(page.locator("#tray-0-grain-fault")).to_have_text("“lots” is no number.")  # all at once
    expect(page.locator("#tray-length")).to_be_focused()
    expect(page.locator("#tray-fault")).to_be_visible()
    assert len(passenger.entries("tray")) == kept


def test_a_place_asks_for_its_side_and_needs_no_minus(passenger: Any, open_page: Opener) -> None:
    page = tray(open_page, passenger, 360)
    kept = len(passenger.entries("tray"))
    page.evaluate("localStorage.removeItem('tailgrain-tray')")
    page.reload()
    page.locator("#tray-when button").first.wait_for()
    while page.locator("#trays .tray-row").count() > 1:
        page.get_by_role("button", name="One less").click()
    page.locator("#tray-fewer").wait_for()
    page.evaluate("""() => { const kept = JSON.parse(localStorage.getItem('tailgrain-tray'));
        delete kept.values['tray-0-side']; localStorage.setItem('tailgrain-tray', JSON.stringify(kept)); }""")
    page.reload()
    page.locator("#tray-when button").first.wait_for()
    fill(page, {"tray-length": "1", "tray-width": "0.5", "tray-residue": "6", "tray-0-grain": "96", "tray-0-x": "1.5"})
    expect(page.locator("#tray-0-x")).to_have_attribute("inputmode", "decimal")  # such keypads often lack a minus
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-0-x-fault")).to_have_text("Left or right of the middle?")
    assert len(passenger.entries("tray")) == kept
    page.locator("#tray-0-side button[data-value='left']").click()
    expect(page.locator("#tray-0-x-fault")).to_be_hidden()
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#asks")).to_contain_text("Kept as number", timeout=SLOW)
    assert passenger.entries("tray")[-1]["trays"][0]["x_m"] == -1.5


def test_what_could_be_one_or_a_thousand_is_asked_about(passenger: Any, open_page: Opener) -> None:
    page = tray(open_page, passenger)
    kept = len(passenger.entries("tray"))
    fill(page, {"tray-length": "1", "tray-width": "0.5", "tray-residue": "6", "tray-0-grain": "1.000"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-0-grain-fault")).to_have_text("“1.000”: is that 1 or 1000? Type 1 or 1000.")
    fill(page, {"tray-0-grain": "1,000"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-0-grain-fault")).to_have_text("“1,000”: is that 1 or 1000? Type 1 or 1000.")
    # Only one of the two fits a tray of at most 100 m.
    fill(page, {"tray-length": "1.250", "tray-0-grain": "lots"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-length-fault")).to_be_hidden()
    # Nor is there a doubt about what a fine scale shows.
    page.locator("#tray-by button[data-value='mass_g']").click()
    fill(page, {"tray-0-grain": "3.512", "tray-width": "wide"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-0-grain-fault")).to_be_hidden()
    expect(page.locator("#tray-width-fault")).to_have_text("“wide” is no number.")
    assert len(passenger.entries("tray")) == kept


def test_what_the_kit_refuses_is_said_in_its_words(passenger: Any, open_page: Opener) -> None:
    page = tray(open_page, passenger)
    fill(page, {"tray-length": "1", "tray-width": "0.5", "tray-residue": "6"})
    while page.locator("#trays .tray-row").count() > 1:
        page.get_by_role("button", name="One less").click()
    fill(page, {"tray-0-grain": "3", "tray-0-x": "4"})
    expect(page.locator(".across-tray")).to_have_attribute("data-out", "yes")
    page.locator("#tray-0-side button[data-value='right']").click()
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#asks li[data-kind='refused']")).to_contain_text("half the residue width of 6 m", timeout=SLOW)
    expect(page.locator("#tray-0-grain")).to_have_value("3")  # nothing typed is lost
    page.complaints[:] = [said for said in page.complaints if "400" not in said]  # type: ignore[attr-defined]


def test_trays_laid_ahead_ask_for_their_ground_counts(passenger: Any, open_page: Opener) -> None:
    page = tray(open_page, passenger)
    page.locator("#tray-laid button[data-value='ahead']").click()
    fill(page, {"tray-length": "1", "tray-width": "0.5", "tray-residue": "6"})
    while page.locator("#trays .tray-row").count() > 1:
        page.get_by_role("button", name="One less").click()
    fill(page, {"tray-0-grain": "90"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#tray-before_harvest-grains-fault")).to_have_text("Needed.")
    fill(page, {"tray-before_harvest-grains": "4", "tray-before_harvest-area": "0.5"})
    fill(page, {"tray-front-grains": "9", "tray-front-area": "0.5"})
    page.get_by_role("button", name="Enter the tray test").click()
    expect(page.locator("#asks")).to_contain_text("Kept as number", timeout=SLOW)
    entry = passenger.entries("tray")[-1]
    assert (entry["laid"], entry["before_harvest"], entry["front"]) == (
        "ahead", {"grains": 4.0, "area_m2": 0.5}, {"grains": 9.0, "area_m2": 0.5},
    )  # fmt: skip


def test_kernel_weight_is_worked_out_and_entered(passenger: Any, open_page: Opener) -> None:
    """200 kernels of 8.4 g: a thousand weigh 42 g (arithmetic)."""
    page = tray(open_page, passenger)
    fill(page, {"tgw-grains": "200", "tgw-mass": "8,4"})
    expect(page.locator("#tgw-result")).to_have_text("A thousand kernels weigh 42.0 g.")
    page.get_by_role("button", name="Enter as the crop's TGW").click()
    expect(page.locator("#tgw-now")).to_contain_text("In force: 42 g", timeout=SLOW)
    assert passenger.entries("crop")[-1] == {"entry": "crop", "grains": 200.0, "mass_g": 8.4}
    fill(page, {"tgw-grains": "2", "tgw-mass": "8.4"})
    expect(page.locator("#tgw-result")).to_contain_text("can't be")
    expect(page.get_by_role("button", name="Enter as the crop's TGW")).to_be_disabled()


def test_nothing_can_be_typed_while_the_machine_drives_but_the_mark_works(worked: Any, open_page: Opener) -> None:
    page = tray(open_page, worked)
    why = page.locator("#tray-form [data-typed-why]")
    expect(why).to_contain_text(re.compile(r"The machine is driving \([\d.]+ km/h\)"))
    expect(page.locator("#tray-send")).to_be_disabled()
    expect(page.locator("#tray-length")).to_be_disabled()
    marks = len(worked.entries("tray_mark"))
    page.get_by_role("button", name="Tray down now").click()
    expect(page.locator("#asks")).to_contain_text("Kept as number", timeout=SLOW)
    assert len(worked.entries("tray_mark")) == marks + 1


def test_a_mark_that_a_test_used_is_named_and_not_taken_again(passenger: Any, open_page: Opener) -> None:
    page = tray(open_page, passenger)
    mark = page.request.get(f"{passenger.url}/in-force").json()["marks"][-1]["mark"]
    button = page.locator(f"#tray-when button[data-value='mark {mark}']")
    expect(button).to_have_attribute("aria-pressed", "true")  # the newest that no test used
    tests = page.request.get(f"{passenger.url}/tests").json()["tests"]
    assert passenger.tell({
        "entry": "tray", "mark": mark, "laid": "released", "catches": "both", "mill": "none", "residue_width_m": 6.0,
        "trays": [{"grains": 90, "length_m": 1.0, "width_m": 0.5}],
    })["ok"]  # fmt: skip
    wait_until(lambda: len(page.request.get(f"{passenger.url}/tests").json()["tests"]) > len(tests), 20.0)
    page.reload()
    expect(button).to_contain_text(re.compile(r"used by test \d+"))
    expect(button).to_have_attribute("aria-pressed", "false")


def test_the_state_said_is_the_present_one(passenger: Any, open_page: Opener) -> None:
    """After another crop the last test's state holds no longer; beside the figure it is said as well."""
    page = tray(open_page, passenger)
    expect(page.locator("#tray-state")).to_contain_text(re.compile("Calibration (Good|Rough)"))
    assert passenger.tell({"entry": "crop", "name": "barley"})["ok"]
    expect(page.locator("#tray-state")).to_have_attribute("data-state", "stale", timeout=SLOW)
    expect(page.locator("#tray-state")).to_contain_text("Calibration Out of date")
    page.goto(f"{passenger.url}/#now")
    beside = page.locator("#figure #figure-calibration")
    expect(beside).to_have_text("Calibration: out of date")
    assert beside.evaluate("(one) => getComputedStyle(one).backgroundColor") == "rgb(255, 212, 0)"


@pytest.mark.parametrize("night", [False, True])
def test_axe_finds_nothing_and_nothing_sticks_out(passenger: Any, open_page: Opener, night: bool) -> None:
    page = tray(open_page, passenger, night=night)
    page.locator("#tray-laid button[data-value='ground']").click()
    page.locator("#tray-result .fold summary").click()
    for width in (1280, 768, 360, 320):
        page.set_viewport_size({"width": width, "height": 740})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if width in (1280, 360):
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_snapshot()


def test_discounts_of_a_tank_sample_are_added_to_the_loss(passenger: Any, open_page: Opener) -> None:
    page = open_page(passenger.url)
    line = page.locator("#value-all")
    expect(line).to_be_hidden()  # no sample yet
    assert passenger.tell({"entry": "crop", "yield_t_ha": 2.8, "price_per_t": 300, "trash_discount": 2.0})["ok"]
    assert passenger.tell({"entry": "sample", "trash_pct": 1.5})["ok"]
    expect(line).to_contain_text("With the tank's trash and cracked grain")
    number = r"(\d+(?:\.\d+)?)"
    shown = page.evaluate(
        "() => [document.getElementById('value-all').textContent, document.getElementById('value-h').textContent]"
    )
    total, quality = map(float, re.findall(rf"{number} money/h in all \({number} by the sample", shown[0])[0])
    assert total == pytest.approx(float(shown[1]) + quality, abs=1.1)  # each is rounded to whole money

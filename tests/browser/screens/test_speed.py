"""The screen Speed: loss and cost over speed from deliberate steps, refusals in words, and the plan of steps."""

from __future__ import annotations

import re
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from typing import Any

import msgspec
from playwright.sync_api import Page, expect

from tests.kits import screens

Opener = Callable[..., Page]


def asked(kit: Any, *more: str) -> Any:
    """What the command says of the same record."""
    command = [sys.executable, "-m", "edge", "speed", str(kit.database), "--config", str(kit.config), "--json", *more]
    return msgspec.json.decode(subprocess.run(command, check=True, capture_output=True, timeout=60).stdout)


def test_steps_give_a_curve_a_cheapest_speed_and_a_table(stepped: Any, open_page: Opener) -> None:
    page = open_page(stepped.url + "#speed")
    expect(page.locator("#speed-why")).to_contain_text("deliberate speed step")
    with urllib.request.urlopen(f"{stepped.url}/speed", timeout=60) as answer:
        told = msgspec.json.decode(answer.read())  # what the page was told, told again
    said = asked(stepped)
    assert said["steps"] >= 3 and said["best_kmh"] is not None
    best = float(page.locator("#speed-best").inner_text().split()[0])
    assert f"{best:.1f}" == f"{told['best_kmh']:.1f}"
    # The machine goes on working between the two looks, so the command's figure may differ a little.
    assert abs(best - said["best_kmh"]) <= 0.3
    expect(page.locator("#speed-loss svg path.curve")).to_have_count(1)
    expect(page.locator("#speed-loss svg path.band")).to_have_count(1)
    assert page.locator("#speed-loss svg rect.seen").count() == len(told["seen"])
    expect(page.locator("#speed-cost svg path.curve")).to_have_count(1)
    page.get_by_text("The values as a table").click()
    rows = page.locator("#speed-table tbody tr")
    expect(rows).to_have_count(len(told["points"]) + len(told["seen"]))
    first = rows.first.locator("th, td").all_inner_texts()
    assert first[0] == f"{told['points'][0]['kmh']:.1f}"
    assert float(first[1]) == float(first[1]) and first[4] == "deliberate steps"
    assert abs(float(first[1]) - told["points"][0]["kg_ha"]) <= 0.5


OPEN_FOR_GOOD = """() => { for (const one of document.querySelectorAll('fieldset')) {
  one.disabled = false; Object.defineProperty(one, 'disabled', { get: () => false, set: () => {} }); } }"""
"""The page shuts the fields anew whenever the speed that it names moves by a tenth."""


def test_another_cost_moves_the_cheapest_speed(stepped: Any, open_page: Opener) -> None:
    page = open_page(stepped.url + "#speed")
    expect(page.locator("#speed-why")).to_contain_text("deliberate speed step")
    page.evaluate(OPEN_FOR_GOOD)
    page.locator("#speed-hourly").fill("0")
    page.get_by_role("button", name="Reckon with these").click()
    # An hour that costs nothing: slowest is cheapest, as loss rises with speed.
    slow = asked(stepped, "--hourly-cost", "0")
    expect(page.locator("#speed-best")).to_contain_text(f"{slow['best_kmh']:.1f}")
    expect(page.locator("#speed-why")).to_contain_text("slowest speed driven in steps")
    reckoned = "Reckoned with 0 an hour of work and the kit's own value an hour of delay."
    expect(page.locator("#costs-said")).to_have_text(reckoned)
    page.locator("#speed-hourly").fill("abc")
    page.locator("#speed-weather").fill("-5")
    page.get_by_role("button", name="Reckon with these").click()
    expect(page.locator("#speed-hourly-fault")).to_have_text("“abc” is no number.")
    expect(page.locator("#speed-weather-fault")).to_contain_text("Allowed: 0 to")
    expect(page.locator("#costs-said")).to_contain_text("nothing was reckoned anew")
    page.reload()
    expect(page.locator("#speed-hourly")).to_have_value("0")


def test_without_steps_no_best_speed_is_named_and_the_plan_is_offered(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#speed", 360, 740)
    expect(page.locator("#speed-why")).to_contain_text(re.compile("Speed (was held|followed the crop)"))
    expect(page.locator("#speed-why")).to_contain_text("To find out: hold")
    expect(page.locator("#speed-figures")).to_be_hidden()
    plan = page.locator("#plan button")
    expect(plan).to_have_count(3)
    words = page.locator("#screen-speed").inner_text()
    assert words.index("Faster only where ground") < words.index("Drive the steps")
    expect(page.locator("#screen-speed [data-typed-why]").first).to_contain_text("Stop to type here")


DRIVE = """async ([speed, seconds]) => {
  const facts = await import(document.querySelector('script[type=module]').src.replace('app.js', 'lib/facts.js'));
  const told = facts.get('live');
  for (let i = 1; i <= seconds; i += 1) {
    facts.put('live', { ...told, state: 'working', speed_kmh: speed, t: `${told.t} ${speed} ${i}` });
  }
  return document.getElementById('plan-said').textContent;
}"""
"""Seconds as the kit would tell them, to the page alone: the tests' machine keeps to its own speed."""


def test_a_step_is_entered_and_counted_only_while_it_is_driven(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#speed")
    plan = page.locator("#plan button")
    expect(plan.nth(1)).to_be_enabled()
    expect(page.locator("#plan-now")).to_have_text(re.compile(r"Now \d\.\d km/h"))
    kmh = max((float(one.get_attribute("data-kmh") or "nan") for one in plan.all()), key=lambda one: abs(one - 7.0))
    mine = page.locator(f"#plan button[data-kmh='{kmh:g}']")
    kept = len(worked.entries("setting"))
    mine.click()  # it drives another speed: nothing is entered, nothing counts
    expect(mine).to_have_attribute("aria-pressed", "true")
    expect(mine).to_contain_text("wanted")
    expect(page.locator("#plan-said")).to_contain_text(re.compile(rf"It drives \d\.\d km/h, wanted {kmh:.1f} km/h: not yet"))
    assert "not yet" in page.evaluate(DRIVE, [kmh + 1.5, 95])
    assert len(worked.entries("setting")) == kept
    assert "Holding" in page.evaluate(DRIVE, [kmh + 0.2, 11])
    expect(page.locator("#asks")).to_contain_text("Kept as number")
    entries = worked.entries("setting")
    assert len(entries) == kept + 1
    assert (entries[-1]["what"], entries[-1]["to"]) == ("speed_kmh", kmh)
    assert "the count waits" in page.evaluate(DRIVE, [kmh + 1.5, 95])
    expect(mine).to_contain_text("80 s left")
    # A running step is not left by one touch.
    other = plan.nth(1)
    other.click()
    expect(other).to_contain_text("touch again to leave the running step")
    expect(mine).to_have_attribute("aria-pressed", "true")
    page.locator("#plan-end").click()
    expect(page.locator("#plan-end")).to_contain_text("80 s left: touch again to end")
    assert page.evaluate(DRIVE, [kmh, 80]) == "Held. Now the next speed."
    expect(mine).to_contain_text("held")
    page.locator("#plan-end").click()
    expect(page.locator("#plan-end")).to_be_hidden()
    assert len(worked.entries("setting")) == kept + 1


def test_guidance_goes_when_the_kit_is_away(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#speed")
    page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'lib/facts.js');
        (await import(at)).put('guidance', {kmh: 6, words: 'Ease off to about 6 km/h.'}); }"""
    )
    line = page.locator("#speed-guidance")
    expect(line).to_be_visible()
    # No second comes any more.
    page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/line.js');
        Object.defineProperty(document, 'hidden', {value: true}); document.dispatchEvent(new Event('visibilitychange')); }"""
    )
    expect(line).to_be_hidden()


def test_it_holds_to_the_standards(stepped: Any, open_page: Opener, eventually: Callable[..., Any]) -> None:
    page = open_page(stepped.url + "#speed")
    page.locator("#speed-loss svg").wait_for()
    page.get_by_text("The values as a table").click()
    screens.check_axe(page)
    screens.check_sun(page, "speed")
    screens.check_fit(page, eventually)

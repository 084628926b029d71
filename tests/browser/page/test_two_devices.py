"""A device with a clock of its own, two devices at once, a line that hangs: what is shown and entered stays true."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

Opener = Callable[..., Page]
SLOW = 15_000


def change(open_page: Opener, kit: Any) -> Page:
    page = open_page(f"{kit.url}/#change")
    page.locator("#screen-change .stepper[data-what='concave_mm'] .step").first.wait_for()
    return page


@pytest.mark.parametrize("ahead_s", [60, -60, 0])
def test_a_to_and_fro_follows_its_own_entry_whatever_the_clock_here_says(worked: Any, open_page: Opener, ahead_s: int) -> None:
    page = open_page(worked.url)
    page.add_init_script(f"const real = Date.now.bind(Date); Date.now = () => real() + {1000 * ahead_s};")
    page.goto(f"{worked.url}/#change")
    page.reload()
    card = page.locator(".stepper[data-what='bottom_sieve_mm']")
    assert worked.tell({"entry": "setting", "what": "bottom_sieve_mm", "to": 8})["ok"]
    expect(card.locator(".number")).to_have_text("8", timeout=SLOW)
    card.locator("[data-way='1']").click()
    page.evaluate("() => localStorage.removeItem('tailgrain-to-and-fro')")
    to_and_fro = card.locator("[data-act='fro']")
    if to_and_fro.count() == 0:  # another change still waits for its verdict: begun from the card of the last change
        card.locator("[data-act='enter']").click()
        expect(page.locator("#verdict-of")).to_contain_text("Bottom sieve 8 to 9", timeout=SLOW)
        page.locator("#fro-start").click(timeout=SLOW)
    else:
        to_and_fro.click()
    expect(page.locator("#fro-plan")).to_have_attribute("data-at", "1", timeout=SLOW)
    expect(page.locator("#fro-say")).to_contain_text("min of steady work")
    page.locator("#fro-stop").click()


def test_a_step_starts_from_what_another_device_entered_meanwhile(worked: Any, open_page: Opener) -> None:
    page = change(open_page, worked)
    card = page.locator(".stepper[data-what='concave_mm']")
    assert worked.tell({"entry": "setting", "what": "concave_mm", "to": 15})["ok"]
    expect(card.locator(".number")).to_have_text("15", timeout=SLOW)
    card.locator("[data-way='1']").click()
    assert worked.tell({"entry": "setting", "what": "concave_mm", "to": 18})["ok"]
    expect(card.locator(".pending-moved")).to_contain_text("18 mm", timeout=SLOW)
    card.locator("[data-act='enter']").click()
    expect(page.locator("#asks")).to_contain_text("Kept as number", timeout=SLOW)
    assert worked.entries("setting")[-1] == {"entry": "setting", "what": "concave_mm", "from": 18, "to": 16}


def test_the_click_that_ends_a_hold_is_no_further_step(worked: Any, open_page: Opener) -> None:
    page = change(open_page, worked)
    card = page.locator(".stepper[data-what='fan_rpm']")
    start = card.locator(".number").inner_text()
    spoken = card.locator(".spoken[aria-live='polite']")
    down = "(button) => button.dispatchEvent(new PointerEvent('pointerdown', { bubbles: true }))"
    card.locator("[data-way='1']").evaluate(down)
    expect(card.locator(".number")).not_to_have_text(start, timeout=SLOW)
    expect(spoken).to_have_text("")  # not with every step on the way
    held, after = card.evaluate(
        """(card) => {
        document.dispatchEvent(new PointerEvent('pointerup', { bubbles: true }));
        const held = card.querySelector('.number').textContent;
        card.querySelector('[data-way="1"]').click();
        return [held, card.querySelector('.number').textContent]; }"""
    )
    assert held == after
    expect(spoken).to_contain_text(f"{after} rpm")
    card.locator("[data-way='1']").click()  # a touch of its own counts again
    expect(card.locator(".number")).not_to_have_text(after)


TELL = """async (entries) => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/asks.js');
  const { tell } = await import(at); for (const [entry, what] of entries) tell(entry, what); }"""


def test_a_refusal_stays_in_sight_behind_what_was_kept(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    entries: list[Any] = [[{"entry": "ack", "alert": "no-such-alert"}, "a wrong one"]]
    entries += [[{"entry": "tray_mark"}, f"mark {n}"] for n in range(4)]
    page.evaluate(TELL, entries)
    expect(page.locator("#asks")).to_contain_text("mark 3", timeout=SLOW)
    expect(page.locator("#asks [data-kind='waiting']")).to_have_count(0, timeout=SLOW)
    expect(page.locator("#asks [data-kind='refused']")).to_contain_text("a wrong one")
    page.locator("#asks [data-kind='refused'] button").click()
    expect(page.locator("#asks [data-kind='refused']")).to_have_count(0)
    page.complaints.clear()  # type: ignore[attr-defined]


def test_give_up_stays_under_the_finger_while_the_age_counts(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    page.route("**/ask", lambda route: route.abort())
    page.evaluate(TELL, [[{"entry": "note", "note": "one"}, "one"], [{"entry": "note", "note": "two"}, "two"]])
    lines = page.locator("#asks [data-kind='waiting']")
    expect(lines).to_have_count(2)
    expect(lines.get_by_role("button", name="Give up")).to_have_count(2, timeout=SLOW)  # the one behind it too
    button = lines.first.get_by_role("button").element_handle()
    words = lines.first.locator("span").inner_text()
    expect(lines.first.locator("span")).not_to_have_text(words, timeout=SLOW)  # a second has passed
    assert button is not None and button.evaluate("(one) => one.isConnected")
    expect(page.locator("#asks-spoken")).to_contain_text("one: not kept yet")
    for _ in range(2):
        lines.first.get_by_role("button", name="Give up").click()
    expect(lines).to_have_count(0)
    page.complaints.clear()  # type: ignore[attr-defined]


def test_a_question_that_hangs_does_not_hold_up_the_next(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    asked: list[Route] = []

    def hang(route: Route) -> None:
        asked.append(route)
        if len(asked) > 1:
            route.continue_()

    page.route(re.compile("/in-force$"), hang)
    page.reload()
    page.evaluate("() => { location.hash = 'change'; }")
    # Ten seconds until it is given up, four until it is asked anew.
    expect(page.locator(".stepper[data-what='fan_rpm'] .stepper-now")).to_contain_text("entered", timeout=25_000)
    assert len(asked) >= 2

"""What the page says when a link of the road breaks, and that it heals by itself. Each test mends what it breaks."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

Opener = Callable[..., Page]


def not_stale(page: Page) -> None:
    page.locator("html:not([data-stale])").wait_for()
    expect(page.locator("#stale")).to_be_hidden()


def stale(page: Page) -> None:
    page.locator("html[data-stale]").wait_for()
    expect(page.locator("#stale-title")).to_have_text("Old figures")


def age_s(page: Page) -> int:
    found = re.search(r"(\d+) s old", page.locator("#stale-age").inner_text())
    return int(found[1]) if found else -1


def test_without_a_calibration_there_are_pulses_and_what_to_do(fresh: Any, open_page: Opener) -> None:
    kit, _ = fresh
    page = open_page(kit.url)
    not_stale(page)
    expect(page.locator("#figure-unit")).to_have_text("pulses/s")
    expect(page.locator("#figure-scope")).to_contain_text("not calibrated")
    expect(page.locator("#calibration-state")).to_have_text("None")
    assert page.locator("text=kg/ha").locator("visible=true").count() == 0
    how = page.locator("#calibration-how")
    expect(how).to_be_visible()
    words = how.inner_text()
    assert words.index("engine off, key out") < words.index("Drive steadily in crop")
    assert "operator's manual" in words
    page.get_by_role("link", name="Get kilograms").click()
    expect(how).to_be_in_viewport()
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_snapshot()


def test_a_lost_broker_is_named_and_comes_back(fresh: Any, open_page: Opener) -> None:
    kit, broker = fresh
    page = open_page(kit.url, night=True)
    not_stale(page)
    broker.stop()
    try:
        expect(page.locator("#stale-why")).to_contain_text("passes messages on does not answer")
        expect(page.locator("#stale-why")).to_contain_text("recording is not harmed")  # the record grows
        kit.programs["run"].stop(kill=True)
        expect(page.locator("#stale-why")).not_to_contain_text("recording", timeout=30_000)
    finally:
        broker.start()
        kit.start()
    not_stale(page)


def test_a_killed_daemon_is_named_its_age_counts_and_a_new_one_is_shown(
    fresh: Any, open_page: Opener, eventually: Callable[..., Any]
) -> None:
    kit, _ = fresh
    page = open_page(kit.url, 360, 740)
    not_stale(page)
    kit.programs["run"].stop(kill=True)
    try:
        expect(page.locator("#stale-why")).to_contain_text("its program has stopped")
        stale(page)
        first = age_s(page)
        assert first >= 3
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_snapshot()
        eventually(lambda: age_s(page) > first, 5.0, "the age counting up")
        assert page.locator("#loss").evaluate("(one) => getComputedStyle(one).textDecorationLine") == "line-through"
        # A page opened now must not take what the broker still holds for news.
        later = open_page(kit.url)
        stale(later)
        assert age_s(later) >= first
    finally:
        kit.start()
    not_stale(page)
    not_stale(later)


def test_a_touch_survives_a_restarted_dashboard_and_is_kept_once(fresh: Any, open_page: Opener) -> None:
    kit, _ = fresh
    page = open_page(kit.url)
    not_stale(page)
    before = len(kit.entries("width_used"))
    assert kit.programs["dashboard"].stop() == 0
    try:
        expect(page.locator("#stale-why")).to_contain_text("lost its line to the kit")
        page.locator("#width button[data-part='0.25']").click()
        waiting = page.locator("#asks li[data-kind='waiting']")
        expect(waiting).to_contain_text("Not kept yet: Cutting width quarter")
        page.locator("#width button[data-part='0.75']").click()  # a later touch stands for the earlier one
        expect(waiting).to_contain_text("three quarters")
        expect(waiting).to_have_count(1)
    finally:
        kit.dashboard()
    expect(page.locator("#asks")).to_contain_text("Kept as number")
    expect(page.locator("#width button[data-part='0.75']")).to_have_attribute("aria-pressed", "true")
    assert [entry["part"] for entry in kit.entries("width_used")[before:]] == [0.75]
    not_stale(page)
    page.complaints.clear()  # type: ignore[attr-defined] # a browser reports each refused connection


HIDE = """(hidden) => {
  Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
  document.dispatchEvent(new Event('visibilitychange'));
}"""


def test_what_ended_while_a_page_slept_is_gone_when_it_wakes(fresh: Any, open_page: Opener) -> None:
    kit, _ = fresh
    page = open_page(kit.url + "#change")
    not_stale(page)
    kit.say("advice", {"kind": "step", "words": "Open the top sieve by 1 mm.", "step": None, "worth_ha": None, "unit": "kg/ha"})
    expect(page.locator("#advice-words")).to_have_text("Open the top sieve by 1 mm.")
    page.evaluate(HIDE, True)
    kit.say("advice", None)
    seen = open_page(kit.url + "#change")  # the dashboard has heard it
    not_stale(seen)
    expect(seen.locator("#advice-none")).to_be_visible()
    page.evaluate(HIDE, False)
    expect(page.locator("#advice-none")).to_be_visible()


def test_a_restarted_dashboard_takes_back_what_ended_meanwhile(fresh: Any, open_page: Opener) -> None:
    kit, _ = fresh
    page = open_page(kit.url + "#change")
    not_stale(page)
    kit.say("advice", {"kind": "hold", "words": "Leave it.", "step": None, "worth_ha": None, "unit": "kg/ha"})
    expect(page.locator("#advice-words")).to_have_text("Leave it.")
    kit.programs["dashboard"].stop()
    kit.say("advice", None)
    kit.dashboard()
    expect(page.locator("#advice-none")).to_be_visible()
    not_stale(page)
    page.complaints.clear()  # type: ignore[attr-defined] # a browser reports each refused connection

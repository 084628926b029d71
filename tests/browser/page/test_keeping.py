"""What the browser keeps, and clocks and pages that disagree: nothing is lost, nothing given up comes through after all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

Opener = Callable[..., Page]
SLOW = 25_000

TELL = """async ([entry, what]) => {
  const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/asks.js');
  return (await import(at)).tell(entry, what, (other) => other.entry === entry.entry);
}"""
HOLD = "([key, value]) => localStorage.setItem(key, value)"
KEPT = "Object.keys(localStorage).filter((key) => key.startsWith('tailgrain-ask-')).length"


def waiting(page: Page) -> Any:
    return page.locator("#asks li[data-kind='waiting']")


def kept(page: Page) -> Any:
    return page.locator("#asks li[data-kind='kept']")


def second_page(context: BrowserContext, url: str) -> Page:
    page = context.new_page()
    page.goto(url)
    page.locator("#figure[data-second]").wait_for(state="attached")
    return page


def refusing(context: BrowserContext) -> None:
    """No entry gets through from now on."""
    context.route("**/ask", lambda route: route.abort())


def forgive(page: Page) -> None:
    """A browser reports each request that comes to nothing."""
    page.complaints[:] = [said for said in page.complaints if "ERR_" not in said and "failed: " not in said]  # type: ignore[attr-defined]


# ---------------------------------------------------------------------- two pages of one browser


def test_what_one_page_gives_up_another_does_not_send(standing: Any, open_page: Opener) -> None:
    one = open_page(standing.url)
    before = len(standing.entries("width_used"))
    refusing(one.context)
    one.evaluate(TELL, [{"entry": "width_used", "part": 0.25}, "a quarter"])
    expect(waiting(one)).to_contain_text("Not kept yet")
    other = second_page(one.context, standing.url)
    expect(waiting(other)).to_contain_text("a quarter")
    waiting(one).get_by_role("button", name="Give up").click()
    expect(waiting(other)).to_have_count(0)
    one.context.unroute("**/ask")
    # Entries go in order: what comes after it is on disk only once it is out of the way.
    other.evaluate(TELL, [{"entry": "returns_look", "chaff": "some"}, "a look"])
    expect(kept(other)).to_contain_text("a look", timeout=SLOW)
    assert len(standing.entries("width_used")) == before
    forgive(one)


def test_a_later_touch_in_another_page_stands_for_the_earlier_one(standing: Any, open_page: Opener) -> None:
    one = open_page(standing.url)
    before = len(standing.entries("width_used"))
    other = second_page(one.context, standing.url)
    refusing(one.context)
    one.evaluate(TELL, [{"entry": "width_used", "part": 0.25}, "a quarter"])
    expect(waiting(one)).to_contain_text("Not kept yet")
    other.evaluate(TELL, [{"entry": "width_used", "part": 0.5}, "half"])
    expect(waiting(one)).to_have_count(0)
    one.context.unroute("**/ask")
    expect(kept(other)).to_contain_text("half", timeout=SLOW)
    one.evaluate(TELL, [{"entry": "returns_look", "chaff": "some"}, "a look"])
    expect(kept(one)).to_contain_text("a look", timeout=SLOW)
    assert [entry["part"] for entry in standing.entries("width_used")[before:]] == [0.5]
    forgive(one)


def test_entries_outlive_a_cleared_store(standing: Any, open_page: Opener) -> None:
    one = open_page(standing.url)
    before = len(standing.entries("width_used"))
    other = second_page(one.context, standing.url)
    refusing(one.context)
    one.evaluate(TELL, [{"entry": "width_used", "part": 0.75}, "three quarters"])
    expect(waiting(one)).to_contain_text("Not kept yet")
    other.evaluate("localStorage.clear()")
    one.wait_for_function(f"{KEPT} === 1")
    one.context.unroute("**/ask")
    expect(kept(one)).to_contain_text("three quarters", timeout=SLOW)
    assert len(standing.entries("width_used")) == before + 1
    forgive(one)


# ---------------------------------------------------------------------- damaged items and failing parts


def test_a_damaged_entry_costs_no_other(standing: Any, open_page: Opener) -> None:
    page = open_page(standing.url)
    before = len(standing.entries("returns_look"))
    good = '{"id":"page-5eed","entry":{"entry":"returns_look","chaff":"none"},"what":"a good one","since":%d}'
    now = page.evaluate("Date.now()")
    for name, item in (
        ("x", "{"), ("y", "null"), ("z", '{"id":"z","entry":null,"what":"nothing","since":1}'), ("page-5eed", good % now),
    ):  # fmt: skip
        page.evaluate(HOLD, [f"tailgrain-ask-{name}", item])
    page.reload()
    expect(kept(page)).to_contain_text("a good one", timeout=SLOW)
    expect(waiting(page)).to_have_count(0)
    assert len(standing.entries("returns_look")) == before + 1


@pytest.mark.parametrize(
    ("key", "value", "screen", "sign"),
    [
        ("tailgrain-costs", "null", "speed", "#speed-hourly"),
        ("tailgrain-costs", '{"hourly":"much"}', "speed", "#speed-hourly"),
        ("tailgrain-tray", '{"values":null}', "tray", "#trays .tray-row"),
        ("tailgrain-tray", '{"n":1e9,"laid":"thrown","heads":"x","values":{"tray-0-grain":{}}}', "tray", "#trays .tray-row"),
        ("tailgrain-tray", "7", "tray", "#trays .tray-row"),
    ],
)
def test_a_damaged_item_kills_no_screen(
    standing: Any, open_page: Opener, key: str, value: str, screen: str, sign: str
) -> None:
    page = open_page(f"{standing.url}/#{screen}")
    page.evaluate(HOLD, [key, value])
    page.reload()
    page.locator("#figure[data-second]").wait_for(state="attached")
    expect(page.locator(sign).first).to_be_visible()
    expect(page.locator("#broken")).to_be_hidden()
    if screen == "tray":
        expect(page.locator(sign)).to_have_count(4)


def test_a_part_that_fails_stops_no_other_and_is_named(standing: Any, open_page: Opener) -> None:
    page = open_page(standing.url)
    failing = "export const onTheme = () => {}; export function start() { throw new Error('on purpose'); }"
    page.route("**/page/theme.js", lambda route: route.fulfill(content_type="text/javascript", body=failing))
    page.reload()
    page.locator("#figure[data-second]").wait_for(state="attached")
    expect(page.locator("#broken")).to_contain_text("(theme)")
    heard = page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'lib/facts.js');
        const {on, put} = await import(at); let heard = 0;
        on('trial', () => { throw new Error('on purpose'); }); on('trial', () => { heard += 1; });
        put('trial', 1); return heard; }"""
    )
    assert heard == 1
    expect(page.locator("#broken")).to_contain_text("(theme, trial)")
    assert [said for said in page.complaints if "on purpose" in said]  # type: ignore[attr-defined]
    page.complaints.clear()  # type: ignore[attr-defined]


# ---------------------------------------------------------------------- clocks


def test_an_entry_that_waited_through_a_sleep_has_the_time_of_its_touch(standing: Any, open_page: Opener) -> None:
    """The wall clock goes on while a device sleeps; the steady one may stand still."""
    page = open_page(standing.url)
    refusing(page.context)
    page.evaluate(TELL, [{"entry": "returns_look", "chaff": "some"}, "a look"])
    expect(waiting(page)).to_contain_text("Not kept yet")
    touched = page.evaluate("() => { const now = Date.now; const was = now(); Date.now = () => now() + 7_200_000; return was; }")
    page.context.unroute("**/ask")
    expect(kept(page)).to_contain_text("a look", timeout=SLOW)
    at = standing.entries("returns_look")[-1]["at"]
    assert at == pytest.approx(touched / 1000 - 7200, abs=20)
    forgive(page)


@pytest.mark.parametrize("days", [-2000, 3])
def test_a_clock_that_was_set_costs_no_entry(standing: Any, open_page: Opener, days: int) -> None:
    page = open_page(standing.url)
    before = len(standing.entries("returns_look"))
    item = '{"id":"page-%d","entry":{"entry":"returns_look","chaff":"much"},"what":"an old look","since":%d}'
    since = page.evaluate("Date.now()") + days * 86_400_000
    number = 10_000 + days
    page.evaluate(HOLD, [f"tailgrain-ask-page-{number}", item % (number, since)])
    page.reload()
    expect(kept(page)).to_contain_text("it counts from the time it was kept", timeout=SLOW)
    entries = standing.entries("returns_look")
    assert len(entries) == before + 1
    assert "at" not in entries[-1]

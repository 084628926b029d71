"""An entry is taken back with a reason of one touch: beside the line that confirms it, and in the lists of entries."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.kits.tools import wait_until

Opener = Callable[..., Page]
SLOW = 25_000

TELL = """async ([entry, what]) => {
  const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/asks.js');
  return (await import(at)).tell(entry, what);
}"""


def kept(page: Page, what: str) -> int:
    line = page.locator("#asks li[data-kind='kept']").filter(has_text=what).last
    expect(line).to_contain_text("Kept as number", timeout=SLOW)
    return int(re.findall(r"number (\d+)", line.inner_text())[0])


def tell(page: Page, entry: dict[str, Any], what: str) -> int:
    page.evaluate(TELL, [entry, what])
    return kept(page, what)


def reason(page: Page, name: str) -> None:
    page.locator("#question").get_by_role("button", name=name, exact=True).click()


def listed(page: Page, seq: int) -> Any:
    return page.locator(f"[data-entered='{seq}']")


def test_the_line_that_confirms_takes_back_in_two_touches(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job", 360, 740)
    seq = tell(page, {"entry": "limit", "loss_kg_ha": 700, "sure": True}, "a limit of 700")
    page.locator("#asks").get_by_role("button", name="Take back").click()
    box = page.get_by_role("alertdialog")
    expect(box).to_be_focused()
    expect(box).to_contain_text(f"Take back number {seq}: a limit of 700")
    reason(page, "Typed wrongly")
    expect(box).to_be_hidden()
    wait_until(lambda: standing.entries("strike_out") != [], 25.0, what="the strike-out")
    assert standing.entries("strike_out")[-1] == {"entry": "strike_out", "seq": seq, "why": "Typed wrongly"}
    strike = kept(page, f"Number {seq} taken back")
    expect(page.locator("#asks li").filter(has_text="a limit of 700").filter(has_not_text="taken back")).to_have_count(0)
    expect(page.locator("#asks").get_by_role("button", name="Take back")).to_have_count(0)  # a strike-out can't be struck
    struck = listed(page, seq)
    expect(struck.locator("s")).to_have_text("Limit: machine loss 700 kg/ha", timeout=SLOW)
    expect(struck).to_contain_text("Struck")
    expect(struck).to_contain_text("(Typed wrongly)")
    expect(struck.get_by_role("button")).to_have_count(0)
    expect(listed(page, strike).get_by_role("button")).to_have_count(0)
    expect(page.locator(".stepper[data-limit='loss_kg_ha']")).not_to_contain_text("700", timeout=SLOW)


def test_an_entry_of_the_list_is_taken_back_in_own_words(standing: Any, open_page: Opener) -> None:
    standing.tell({"entry": "residue", "residue_width_m": 6.5})
    page = open_page(f"{standing.url}/#job")
    row = page.locator(".entered").filter(has_text="Residue: residue width 6.50 m").first
    seq = int(row.get_attribute("data-entered") or 0)
    row.get_by_role("button", name=f"Take back number {seq}").click()
    page.locator("#question summary").click()
    page.get_by_label("Why (it goes into the record)").fill("measured on the other machine")
    page.get_by_role("button", name="Take it back").click()
    expect(listed(page, seq)).to_contain_text("(measured on the other machine)", timeout=SLOW)
    assert standing.entries("strike_out")[-1] == {"entry": "strike_out", "seq": seq, "why": "measured on the other machine"}


def test_leaving_it_sends_nothing_and_the_focus_goes_back(standing: Any, open_page: Opener) -> None:
    standing.tell({"entry": "note", "note": "A belt squeals."})
    page = open_page(f"{standing.url}/#job")
    before = len(standing.entries("strike_out"))
    button = page.locator(".entered").filter(has_text="A belt squeals.").first.get_by_role("button")
    button.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#question")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator("#question")).to_be_hidden()
    expect(button).to_be_focused()
    assert len(standing.entries("strike_out")) == before


def test_what_cannot_be_taken_back_has_no_button_and_a_finished_job_holds_its_entries(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job")
    start = tell(page, {"entry": "job_start", "client": "A client"}, "a start")
    load = tell(page, {"entry": "load", "t": 8}, "a load of 8")
    finish = tell(page, {"entry": "job_finish"}, "a finish")
    for seq in (start, finish):
        expect(listed(page, seq)).to_be_visible(timeout=SLOW)
        expect(listed(page, seq).get_by_role("button")).to_have_count(0)
    listed(page, load).get_by_role("button").click()
    reason(page, "Wrong unit")
    refused = page.locator("#asks li[data-kind='refused']")
    expect(refused).to_contain_text(f"Not kept: Number {load} taken back", timeout=SLOW)
    expect(refused).to_contain_text("reopen")


def test_a_ready_reason_is_a_tap_also_while_driving(worked: Any, open_page: Opener) -> None:
    page = open_page(f"{worked.url}/#now")
    seq = tell(page, {"entry": "returns_look", "chaff": "some"}, "a look")
    page.locator("#asks").get_by_role("button", name="Take back").click()
    page.locator("#question summary").click()
    expect(page.get_by_label("Why (it goes into the record)")).to_be_disabled()  # own words are typed
    reason(page, "Not on this machine")
    wait_until(lambda: [one["seq"] for one in worked.entries("strike_out")][-1:] == [seq], 25.0, what="the strike-out")


def test_tests_and_checks_have_the_button_where_they_stand(standing: Any, open_page: Opener) -> None:
    tray = {"grains": 96, "length_m": 1, "width_m": 0.5}
    test = standing.tell({"entry": "tray", "trays": [tray], "laid": "ground", "front": {"grains": 2, "area_m2": 1}})
    assert test["ok"], test
    check = standing.tell({"entry": "gauge", "sieve": "top", "readout_mm": 14, "measured_mm": [12, 12.5, 13]})
    page = open_page(f"{standing.url}/#tray")
    page.locator(f"#tray-result [data-back='{test['seq']}']").click(timeout=SLOW)
    reason(page, "Typed wrongly")
    page.locator("#tray-result summary").click()
    struck = page.locator("#tray-earlier li[data-struck]")
    expect(struck.first).to_contain_text("Struck", timeout=SLOW)
    expect(struck.first).to_contain_text("(Typed wrongly)")
    expect(page.locator(f"[data-back='{test['seq']}']:visible")).to_have_count(0)
    page.locator("#nav a[data-screen='sieves']").click()
    page.locator(f"#known-checks [data-back='{check['seq']}']").click(timeout=SLOW)
    reason(page, "Wrong unit")
    expect(page.locator("#known-checks li[data-struck]").first).to_contain_text("(Wrong unit)", timeout=SLOW)
    expect(page.locator("#known-line")).to_contain_text("Not gauged yet", timeout=SLOW)


def test_a_change_that_was_taken_back_is_no_longer_the_last(passenger: Any, open_page: Opener) -> None:
    page = open_page(f"{passenger.url}/#change")
    expect(page.locator("#verdict-of")).to_contain_text("Fan 980 to 860 rpm", timeout=SLOW)
    seq = passenger.tell({"entry": "setting", "what": "fan_rpm", "to": 8600, "sure": True})["seq"]
    expect(page.locator("#verdict-of")).to_contain_text("Fan 860 to 8600 rpm", timeout=SLOW)
    page.locator(f"#verdict-back [data-back='{seq}']").click()
    reason(page, "Typed wrongly")
    expect(page.locator("#verdict-of")).to_contain_text("Fan 980 to 860 rpm", timeout=SLOW)
    expect(page.locator(".stepper[data-what='fan_rpm'] .number")).to_have_text("860")


@pytest.mark.parametrize("night", [False, True])
def test_axe_finds_nothing_in_the_list_and_the_question(standing: Any, open_page: Opener, night: bool) -> None:
    page = open_page(f"{standing.url}/#job", 360, 740, night=night)
    tell(page, {"entry": "tray_mark"}, "Tray down")
    page.locator("#asks").get_by_role("button", name="Take back").click()
    expect(page.locator("#question")).to_be_focused()
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    for button in page.locator("#question .buttons button, #asks button:visible").all():
        box = button.bounding_box()
        assert box and box["height"] >= 64 and box["width"] >= 64
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_snapshot()

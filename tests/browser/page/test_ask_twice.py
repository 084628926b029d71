"""Where the kit doubts an entry the page asks before it is kept: what was meant, what was typed, or back to the form."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route, expect

Opener = Callable[..., Page]
SLOW = 25_000

WHY = "50 m wide? The discharge is 9.1 m. Did you mean 0.50 m?"
TELL = """async ([entry, what]) => {
  const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/asks.js');
  return (await import(at)).tell(entry, what);
}"""
STORED = "Object.keys(localStorage).filter((key) => key.startsWith('tailgrain-ask-')).map((key) => JSON.parse(localStorage[key]))"


class Doubting:
    """The answers of a kit that doubts as contracts 9 says: it asks until `sure` or the suggestion comes, then it keeps."""

    def __init__(self, page: Page, suggest: dict[str, Any] | None) -> None:
        self.asked: list[dict[str, Any]] = []
        self._suggest = suggest
        page.route("**/ask", self._answer)

    def _answer(self, route: Route) -> None:
        question = json.loads(route.request.post_data or "")
        self.asked.append(question)
        entry = question["entry"]
        mended = self._suggest is not None and self._suggest.items() <= entry.items()
        if mended or entry.get("sure") is True or entry["entry"] == "tray_mark":
            route.fulfill(json={"id": question["id"], "ok": True, "seq": 40 + len(self.asked)})
        else:
            route.fulfill(json={"id": question["id"], "ok": False, "ask_again": True, "why": WHY, "suggest": self._suggest})


def answer(page: Page, name: str) -> Any:
    return page.locator("#question").get_by_role("button", name=name, exact=True)


TRAY = {"grains": 96.0, "length_m": 1.0, "width_m": 50.0}
WIDE = {"entry": "tray", "trays": [TRAY], "residue_width_m": 9.1, "at": 1_790_000_000.0}
MENDED = {"trays": [{**TRAY, "width_m": 0.5}]}


def test_the_suggestion_is_one_touch_and_goes_under_the_same_id(standing: Any, open_page: Opener) -> None:
    page = open_page(standing.url)
    kit = Doubting(page, MENDED)
    page.evaluate(TELL, [WIDE, "a tray test"])
    box = page.get_by_role("alertdialog")
    expect(box).to_contain_text(WHY)
    expect(box).to_be_focused()
    assert len(page.evaluate(STORED)) == 1  # kept in the browser until somebody has answered
    answer(page, "Take 0.50 m").click()
    expect(page.locator("#asks li[data-kind='kept']")).to_contain_text("Kept as number 42: a tray test")
    expect(box).to_be_hidden()
    first, second = kit.asked
    assert second["id"] == first["id"]
    assert second["entry"] == {**WIDE, **MENDED}
    assert page.evaluate(STORED) == []


def test_what_was_typed_goes_as_it_is_with_sure(standing: Any, open_page: Opener) -> None:
    page = open_page(standing.url)
    kit = Doubting(page, None)
    page.evaluate(TELL, [WIDE, "a tray test"])
    expect(page.locator("#question")).to_be_focused()
    expect(page.locator("#question [data-answer='suggest']")).to_have_count(0)
    page.keyboard.press("Tab")
    expect(answer(page, "Yes, as I typed it")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#asks li[data-kind='kept']")).to_contain_text("Kept as number 42")
    assert [one["id"] for one in kit.asked] == [kit.asked[0]["id"]] * 2
    assert kit.asked[1]["entry"] == {**WIDE, "sure": True}


def test_back_gives_the_form_its_values_again_and_sends_nothing(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job")
    kit = Doubting(page, None)
    page.locator("#job-form-load summary").click()
    page.locator("#job-load-t").fill("820")
    page.locator("#job-form-load button.strong").click()
    expect(page.locator("#question")).to_be_focused()
    expect(page.locator("#job-load-t")).to_have_value("")
    page.evaluate("location.hash = 'now'")
    answer(page, "Back to the form").click()
    expect(page.locator("#question")).to_be_hidden()
    expect(page.locator("#job-load-t")).to_be_visible()  # on its own screen again
    expect(page.locator("#job-load-t")).to_have_value("820")
    expect(page.locator("#asks li")).to_have_count(0)
    assert page.evaluate(STORED) == []
    assert len(kit.asked) == 1


def test_the_focus_comes_back_to_where_it_was(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job")
    Doubting(page, None)
    page.locator("#job-form-load summary").click()
    page.locator("#job-load-t").fill("820")
    page.locator("#job-form-load button.strong").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#question")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator("#job-form-load button.strong")).to_be_focused()


def test_a_reload_asks_anew_and_others_go_past_the_question(standing: Any, open_page: Opener) -> None:
    page = open_page(standing.url)
    Doubting(page, MENDED)
    page.evaluate(TELL, [WIDE, "a tray test"])
    expect(page.locator("#question")).to_contain_text(WHY)
    page.evaluate(TELL, [{"entry": "tray_mark"}, "a mark"])
    expect(page.locator("#asks li[data-kind='kept']")).to_contain_text("a mark")
    expect(page.locator("#question")).to_contain_text(WHY)
    page.reload()
    expect(page.locator("#question")).to_contain_text(WHY)
    assert [one["entry"] for one in page.evaluate(STORED)] == [WIDE]
    answer(page, "Back to the form").click()
    assert page.evaluate(STORED) == []


def test_two_doubts_are_asked_one_after_the_other(standing: Any, open_page: Opener) -> None:
    page = open_page(standing.url)
    kit = Doubting(page, None)
    page.evaluate(TELL, [WIDE, "the first"])
    expect(page.locator("#question-title")).to_contain_text("the first")
    page.evaluate(TELL, [WIDE, "the second"])
    answer(page, "Yes, as I typed it").click()
    expect(page.locator("#question-title")).to_contain_text("the second")
    answer(page, "Yes, as I typed it").click()
    expect(page.locator("#question")).to_be_hidden()
    assert len({one["id"] for one in kit.asked}) == 2


@pytest.mark.parametrize("night", [False, True])
@pytest.mark.parametrize("width", [360, 1280])
def test_axe_finds_nothing_and_touches_are_large(standing: Any, open_page: Opener, night: bool, width: int) -> None:
    page = open_page(standing.url, width, 740, night=night)
    Doubting(page, MENDED)
    page.evaluate(TELL, [WIDE, "Tray test with 4 trays"])
    expect(page.locator("#question")).to_be_focused()
    for button in page.locator("#question button").all():
        box = button.bounding_box()
        assert box and box["height"] >= 64 and box["width"] >= 64
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_snapshot()


def tray_form(page: Page, width: str) -> None:
    page.locator("#tray-when [data-value='at']").click()
    page.locator("#tray-at").fill("10:00:00")
    values = {"length": "1", "width": width, "residue": "9.1", **{f"{i}-grain": str(96 - i) for i in range(4)}}
    for name, value in values.items():
        page.locator(f"#tray-{name}").fill(value)
    page.locator("#tray-send").click()


def test_the_kit_itself_asks_of_a_tray_that_is_wider_than_the_residue(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#tray", 360, 740)
    before = len(standing.entries("tray"))
    tray_form(page, "50")
    expect(page.locator("#question-words")).to_contain_text("50 m wide?", timeout=SLOW)
    expect(page.locator("#question")).to_be_focused()
    assert len(standing.entries("tray")) == before  # nothing is kept yet
    answer(page, "Back to the form").click()
    expect(page.locator("#tray-width")).to_have_value("50")
    page.locator("#tray-send").click()
    answer(page, "Take 0.50 m").click()
    expect(page.locator("#asks li[data-kind='kept']")).to_contain_text("Tray test with 4 trays", timeout=SLOW)
    kept = standing.entries("tray")[before:]
    assert [[one["width_m"] for one in entry["trays"]] for entry in kept] == [[0.5] * 4]
    assert "sure" not in kept[0]


def test_the_kit_itself_keeps_what_was_meant_all_the_same(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#tray")
    before = len(standing.entries("tray"))
    tray_form(page, "50")
    answer(page, "Yes, as I typed it").click(timeout=SLOW)
    expect(page.locator("#asks li[data-kind='kept']")).to_contain_text("Tray test with 4 trays", timeout=SLOW)
    (kept,) = standing.entries("tray")[before:]
    assert kept["sure"] is True
    assert kept["trays"][0]["width_m"] == 50

"""What an entry would do stands in its form before it is sent; where no answer comes, nothing stands there and nothing waits."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route, expect

Opener = Callable[..., Page]
WORDS = "Loss would read 25 instead of 32 kg/ha."


def previews(page: Page, answer: dict[str, Any]) -> list[dict[str, Any]]:
    """Answer every preview alike; what was asked."""
    asked: list[dict[str, Any]] = []

    def answered(route: Route) -> None:
        asked.append(json.loads(route.request.post_data or "")["entry"])
        route.fulfill(json=answer)

    page.route("**/preview", answered)
    return asked


def test_a_form_says_what_would_change_once_and_not_with_each_key(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job")
    asked = previews(page, {"id": "a", "ok": True, "would": {"words": [WORDS]}})
    page.locator("#job-form-crop summary").click()
    page.locator("#job-crop-tgw_g").press_sequentially("42.5")
    expect(page.locator("#job-crop-would")).to_have_text(WORDS)
    assert asked == [{"entry": "crop", "tgw_g": 42.5}]
    assert standing.entries("crop") == []
    page.locator("#job-crop-tgw_g").fill("")
    expect(page.locator("#job-crop-would")).to_have_text("")


def test_nothing_is_said_of_what_is_wrong_or_changes_nothing(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job")
    asked = previews(page, {"id": "a", "ok": True, "would": {"words": []}})
    page.locator("#job-form-residue summary").click()
    page.locator("#job-residue-residue_width_m").fill("500")
    with page.expect_response("**/preview"):
        page.locator("#job-residue-residue_width_m").fill("6")
    assert asked == [{"entry": "residue", "residue_width_m": 6.0}]
    expect(page.locator("#job-residue-would")).to_have_text("")
    expect(page.locator("#job-residue-residue_width_m-fault")).to_be_hidden()


def test_a_doubt_stands_in_the_form_before_it_is_asked(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#tray")
    why = "50 m wide? The discharge is 9.1 m. Did you mean 0.50 m?"
    asked = previews(page, {"id": "a", "ok": True, "would": {"words": []}, "ask_again": True, "why": why, "suggest": None})
    page.locator("#tray-when [data-value='at']").click()
    page.locator("#tray-at").fill("10:00:00")
    for name, value in {"length": "1", "width": "50", "residue": "9.1", "0-grain": "96", "1-grain": "90"}.items():
        page.locator(f"#tray-{name}").fill(value)
    page.locator("#tray-2-grain").fill("91")
    assert page.locator("#tray-form [aria-invalid]").count() == 0  # looking marks nothing as wrong
    page.locator("#tray-3-grain").fill("88")
    expect(page.locator("#tray-would")).to_have_text(why)
    assert asked[-1]["trays"][0] == {"grains": 96, "length_m": 1, "width_m": 50}


def test_a_limit_that_is_stepped_to_says_what_it_would_do(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job")
    asked = previews(page, {"id": "a", "ok": True, "would": {"words": ["The limit would be passed now."]}})
    card = page.locator(".stepper[data-limit='loss_kg_ha']")
    card.get_by_role("button", name="Machine loss: more").click()
    expect(card.locator(".would")).to_have_text("The limit would be passed now.")
    assert asked[-1]["entry"] == "limit"
    assert card.locator(".would").bounding_box()["width"] > 100  # type: ignore[index]


def test_no_answer_in_two_seconds_blocks_nothing(standing: Any, open_page: Opener) -> None:
    page = open_page(f"{standing.url}/#job")
    page.route("**/preview", lambda route: None)  # never answered
    before = len(standing.entries("load"))
    page.locator("#job-form-load summary").click()
    page.locator("#job-load-t").fill("8")
    page.locator("#job-form-load button.strong").click()
    expect(page.locator("#asks li[data-kind='kept']")).to_contain_text("A load", timeout=25_000)
    assert len(standing.entries("load")) == before + 1
    expect(page.locator("#job-load-would")).to_have_text("")
    page.complaints[:] = [said for said in page.complaints if "preview" not in said]  # type: ignore[attr-defined]


def test_the_kit_itself_says_what_another_kernel_weight_would_do(passenger: Any, open_page: Opener) -> None:
    page = open_page(f"{passenger.url}/#job")
    entries = len(passenger.rows("SELECT seq FROM record WHERE kind = 'entry'"))
    page.locator("#job-form-residue summary").click()
    page.locator("#job-residue-residue_width_m").fill("4.5")
    page.locator("#job-form-crop summary").click()
    page.locator("#job-crop-tgw_g").fill("30")
    would = page.locator("#job-crop-would")
    expect(would).to_contain_text("30 instead of 38 g", timeout=15_000)
    assert len(passenger.rows("SELECT seq FROM record WHERE kind = 'entry'")) == entries
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_snapshot()

"""The screen Kit: what is wrong and what to do, each input's life sign."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from playwright.sync_api import Page, expect

from tests.kits import screens

Opener = Callable[..., Page]


def check(page: Page, part: str) -> Any:
    return page.locator(f"#kit-checks [data-part='{part}']")


def test_a_sound_kit_says_so_part_by_part(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#kit")
    for part in ("counts", "serial", "store", "disk", "clock", "version", "broker"):
        expect(check(page, part)).to_have_count(1)
    for part in ("counts", "serial", "store", "broker", "version"):
        expect(check(page, part)).to_have_attribute("data-state", "good")
    known = worked.rows("SELECT max(seq) AS n FROM record")[0]["n"]
    shown = int(re.findall(r"(\d+) records", check(page, "store").inner_text())[0])
    assert known - 5 <= shown <= known + 5
    expect(page.locator("#kit-facts")).to_contain_text(str(worked.database))
    lag = page.locator("[data-fact=fact_lag] dd")
    expect(lag).to_contain_text(re.compile(r"10 s set; (nothing learned yet|learned [\d.]+ s)"))
    words = page.locator("#screen-kit").inner_text()
    assert words.index("Engine off, key out") < words.index("Tap test")


def test_each_input_says_what_it_reads_in_its_own_terms(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#kit")
    inputs = page.locator("#kit-inputs li")
    expect(inputs).to_have_count(7)
    expect(inputs.nth(0)).to_contain_text(re.compile(r"0: Separator, left\s+[\d.]+ pulses/s"))
    expect(inputs.nth(4)).to_contain_text(re.compile(r"Returns beam\s+blocked \d+ % of the time"))
    expect(inputs.nth(5)).to_contain_text(re.compile(r"Ground speed\s+[\d.]+ km/h"))
    fan = float(re.findall(r"(\d+) rpm", inputs.nth(6).inner_text())[0])
    told = worked.rows("SELECT shafts FROM second ORDER BY run DESC, number DESC LIMIT 1")[0]["shafts"]
    assert abs(fan - float(re.findall(r"fan=([\d.]+)", told)[0])) <= 0.03 * fan
    levels = page.locator("#kit-levels li")
    expect(levels).to_have_count(2)
    expect(levels.first).to_contain_text("Front down")
    expect(levels.nth(1)).to_contain_text("Threshing on")
    expect(page.locator("[data-fact=fact_typing]")).to_contain_text("whoever looks after the kit can let a passenger type")


def test_a_dead_program_and_a_lost_broker_are_named_with_what_to_do(fresh: Any, open_page: Opener) -> None:
    kit, broker = fresh
    page = open_page(kit.url + "#kit", 360, 740)
    expect(check(page, "counts")).to_have_attribute("data-state", "good", timeout=20_000)
    kit.programs["run"].stop(kill=True)
    try:
        expect(check(page, "program")).to_contain_text("not running", timeout=20_000)
        expect(check(page, "program")).to_contain_text("Switch the kit off and on")
        expect(check(page, "counts")).to_have_attribute("data-key", "counts_old", timeout=20_000)
        expect(page.locator("#kit-summary")).to_contain_text("To be looked at")
        assert page.locator("#kit-checks li").first.get_attribute("data-state") == "caution"  # worst first
        expect(page.locator("#kit-inputs li").first).to_contain_text("no counts arrive")
        broker.stop()
        expect(check(page, "broker")).to_have_attribute("data-state", "caution", timeout=20_000)
    finally:
        broker.start()
        kit.start()
    expect(check(page, "broker")).to_have_attribute("data-state", "good", timeout=20_000)
    expect(check(page, "counts")).to_have_attribute("data-state", "good", timeout=20_000)
    page.complaints.clear()  # type: ignore[attr-defined]


def test_it_holds_to_the_standards(worked: Any, open_page: Opener, eventually: Callable[..., Any]) -> None:
    page = open_page(worked.url + "#kit")
    page.locator("#kit-inputs li").first.wait_for()
    page.locator("#kit-checks li").first.wait_for()
    screens.check_axe(page)
    screens.check_sun(page, "kit")
    screens.check_fit(page, eventually)

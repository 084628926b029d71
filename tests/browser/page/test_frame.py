"""The frame round all screens: addresses, navigation by thumb and keyboard, what stands on each of them, US units."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from dashboard.serve.assets import Assets, word
from sim_feed.run.scenario import load
from tests.kits import chain as chains
from tests.kits.broker import broker as running_broker
from tests.kits.tools import wait_until

Opener = Callable[..., Page]
SCREENS = Assets().screens
SLOW = 25_000


def shown(page: Page) -> str:
    return ",".join(page.locator("main > .screen:not([hidden])").evaluate_all("(all) => all.map((one) => one.dataset.screen)"))


def test_each_screen_has_an_address_that_survives_reload_and_back(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    assert shown(page) == "now"
    for name in [*SCREENS[1:], SCREENS[0], SCREENS[-2], SCREENS[-1]]:
        page.locator(f"#nav a[data-screen='{name}']").click()
        expect(page.locator(f"#screen-{name}")).to_be_visible()
        assert shown(page) == name
        assert page.url.endswith(f"#{name}")
        expect(page.locator(f"#nav a[data-screen='{name}']")).to_have_attribute("aria-current", "page")
        expect(page.locator("#nav [aria-current]")).to_have_count(1)
        expect(page).to_have_title(re.compile(f"^{page.locator(f'#nav a[data-screen={name}]').inner_text()} · "))
        assert page.evaluate("document.activeElement.id") == f"screen-{name}"  # a screen reader reads on there
    page.reload()
    assert shown(page) == SCREENS[-1]
    page.go_back()
    assert shown(page) == SCREENS[-2]
    page.goto(f"{worked.url}/#no-such-screen")
    page.reload()
    assert shown(page) == "now"


def test_a_screen_opened_first_lets_now_draw_its_ribbon_later(worked: Any, open_page: Opener) -> None:
    page = open_page(f"{worked.url}/#change")
    page.locator("#nav a[data-screen='now']").click()
    canvas = page.locator("#ribbon canvas")
    expect(canvas).to_be_visible()
    expect(canvas).to_be_in_viewport()
    host, drawn = page.locator("#ribbon").bounding_box(), canvas.bounding_box()
    assert host is not None and drawn is not None
    assert abs(host["width"] - drawn["width"]) < 2


@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_navigation_is_in_reach_of_a_thumb(worked: Any, open_page: Opener, width: int) -> None:
    page = open_page(worked.url, width, 700)
    targets = page.locator("#nav a:visible, #nav button:visible")
    sizes = targets.evaluate_all(BOXES)
    assert len(sizes) == (min(len(SCREENS), 4) + 1 if width < 600 else len(SCREENS))
    for across, high, bottom in sizes:
        assert across >= 63.9 and high >= 64
        assert bottom <= 700  # at the foot, whatever is scrolled
    page.evaluate("window.scrollTo(0, 400)")
    expect(page.locator("#nav")).to_be_in_viewport()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.skipif(len(SCREENS) < 5, reason="four screens fit a phone without folding")
def test_on_a_phone_the_further_screens_unfold(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url, 320, 640)
    further = page.locator(f"#nav a[data-screen='{SCREENS[-1]}']")
    expect(further).to_be_hidden()
    page.get_by_role("button", name="More").click()
    expect(page.locator("#nav-more")).to_have_attribute("aria-expanded", "true")
    page.keyboard.press("Escape")
    expect(further).to_be_hidden()
    page.get_by_role("button", name="More").click()
    further.click()
    assert shown(page) == SCREENS[-1]
    expect(further).to_be_hidden()
    expect(page.locator("#nav-more")).to_contain_text(f"More ({word(Assets().words, f'nav.{SCREENS[-1]}')})")


def test_the_keyboard_goes_through_screens(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.getAttribute('href')") == "#nav"
    page.locator("#nav a[data-screen='tray']").focus()
    page.keyboard.press("Enter")
    assert shown(page) == "tray"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "tray-down"  # the first thing to touch, after the cautions


@pytest.mark.parametrize("name", SCREENS)
def test_alerts_stale_figures_and_the_door_stand_on_every_screen(fresh: Any, open_page: Opener, name: str) -> None:
    kit, broker = fresh
    page = open_page(f"{kit.url}/#{name}", 360, 740)
    expect(page.locator("#stale")).to_be_hidden(timeout=SLOW)
    expect(page.locator("#state-word")).to_be_visible()
    # An alert as the kit tells it.
    page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'lib/facts.js');
        const {get, put} = await import(at);
        while (!get('entering')) await new Promise((go) => setTimeout(go, 20)); // the page's own answer comes first
        const alert = {rule: 'no-data', object: null, state: 'raised', severity: 'danger',
        since: '2026-07-01T10:00:00.000Z', text: 'A trial.', cause: '', action: 'Nothing.', value: null, limit: null};
        put('alert/no-data', alert); put('entering', {allowed: false, pin: true, why: ''}); }"""
    )
    expect(page.locator("[data-alert='no-data']")).to_be_visible()
    expect(page.locator("#door summary")).to_be_visible()
    broker.stop()
    try:
        expect(page.locator("#stale-why")).to_contain_text("passes messages on does not answer", timeout=SLOW)
        expect(page.locator("#stale")).to_be_visible()
    finally:
        broker.start()
    page.complaints.clear()  # type: ignore[attr-defined] # reading may have failed meanwhile


BOXES = """(all) => all.map((one) => one.getBoundingClientRect()).map(({width, height, bottom}) => [width, height, bottom])"""

TARGETS = """() => [...document.querySelectorAll('button, summary, input, textarea, a')]
  .filter((one) => one.getClientRects().length && !one.classList.contains('skip'))
  .map((one) => [one.id || one.textContent.slice(0, 30), one.getBoundingClientRect().height, one.getBoundingClientRect().width])
  .filter(([, height, width]) => height < 63.9 || width < 63.9)"""

WEIGHTS = """() => [...document.querySelectorAll('main > .screen:not([hidden]) *')]
  .filter((one) => one.getClientRects().length && [...one.childNodes].some((node) => node.nodeType === 3 && node.data.trim()))
  .filter((one) => Number(getComputedStyle(one).fontWeight) < 600).map((one) => one.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize("name", SCREENS)
def test_targets_are_large_and_letters_heavy(worked: Any, open_page: Opener, name: str) -> None:
    page = open_page(f"{worked.url}/#{name}", 360, 740)
    for fold in page.locator(f"#screen-{name} details > summary:visible").all():
        fold.click()
    assert page.evaluate(TARGETS) == []
    assert page.evaluate(WEIGHTS) == []


@pytest.fixture(scope="module")
def american(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A kit that shows US units; its machine stands, so that everything may be typed."""
    folder = tmp_path_factory.mktemp("american")
    us = '\n[units]\nshow = "us"\n'
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port, us) as made:
        scenario = load("paddock")
        made.play(scenario.with_(minutes=None, operator=(), drive=replace(scenario.drive, idle_s=1_200.0)), live=True)
        made.dashboard()
        yield made


def test_us_units_are_shown_and_taken_and_the_record_stays_si(american: Any, open_page: Opener) -> None:
    """Foot 0.3048 m, acre 0.40468564224 ha, pound 0.45359237 kg (NIST SP 811, B.8); wheat 60 lb a bushel."""
    page = open_page(f"{american.url}/#job")
    page.locator("#job-form-residue summary").click()
    expect(page.locator("#job-form-residue label")).to_have_text("Residue width (ft)", timeout=SLOW)
    page.locator("#job-residue-residue_width_m").fill("20")
    page.get_by_role("button", name="Enter the width").click()
    wait_until(lambda: bool(american.entries("residue")), 25.0)
    assert american.entries("residue")[-1]["residue_width_m"] == pytest.approx(6.096, abs=1e-6)
    page.locator("#job-form-load summary").click()
    assert page.locator("#job-form-load label").all_inner_texts() == ["Weight (bu)", "Volume (bu)", "Bulk density (lb/bu)"]
    page.locator("#job-load-volume_m3").fill("100")
    page.locator("#job-load-bulk_kg_m3").fill("60")
    page.get_by_role("button", name="Enter the load").click()
    wait_until(lambda: bool(american.entries("load")), 25.0)
    # A bushel by volume is 35.2390701 L: a hundred of 60 lb are 6,000 lb.
    by_volume = american.entries("load")[-1]
    assert by_volume["volume_m3"] * by_volume["bulk_kg_m3"] == pytest.approx(6_000 * 0.45359237, rel=1e-5)
    page.locator("#job-load-t").fill("300")
    page.get_by_role("button", name="Enter the load").click()
    wait_until(lambda: len(american.entries("load")) == 2, 25.0)
    assert american.entries("load")[-1]["t"] == pytest.approx(300 * 60 * 0.45359237 / 1000, rel=1e-6)
    loss = page.locator(".stepper[data-limit='loss_kg_ha']")
    expect(loss.locator(".unit")).to_have_text("bu/ac")
    expect(loss.locator(".number")).to_have_text("0.9")  # 60 kg/ha
    loss.get_by_role("button", name=re.compile(": more$")).click()  # 0.892 bu/ac: one step is one more as it is shown
    loss.get_by_role("button", name="Enter 1.0 bu/ac").click()
    wait_until(lambda: bool(american.entries("limit")), 25.0)
    wanted = 1.0 * 60 * 0.45359237 / 0.40468564224
    assert american.entries("limit")[-1]["loss_kg_ha"] == pytest.approx(wanted, abs=1e-3)
    page.locator("#nav a[data-screen='change']").click()
    speed = page.locator(".stepper[data-what='speed_kmh']")
    expect(speed.locator(".unit")).to_have_text("mph")
    for _ in range(2):
        speed.get_by_role("button", name=re.compile(": more$")).click()
    speed.locator("[data-act='enter']").click()
    wait_until(lambda: bool(american.entries("setting")), 25.0)
    assert american.entries("setting")[-1]["to"] / 1.609344 == pytest.approx(3.8, abs=1e-3)
    page.locator("#nav a[data-screen='now']").click()
    expect(page.locator("#marks li[data-kind='setting']").first).to_contain_text("Ground speed to 3.8 mph", timeout=SLOW)
    # Each step shows another figure, wherever the measured speed lies.
    steps = page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/machine.js');
        const one = await import(at);
        const told = (speed) => one.figure('speed_kmh', speed);
        return [7.0, 7.08, 7.16].map((kmh) => [told(kmh), told(one.stepped('speed_kmh', kmh, 1))]); }"""
    )
    assert steps == [["4.3", "4.4"], ["4.4", "4.5"], ["4.4", "4.5"]]


def test_nothing_is_filled_in_before_its_unit_is_known(american: Any, open_page: Opener) -> None:
    """A metre is 3.28 ft: the trays of the last test must not stand there in metres under "ft", nor a draft of metres."""
    tray = {"length_m": 1.0, "width_m": 0.5, "x_m": 0.0, "grains": 90}
    assert american.tell({"entry": "tray", "at": time.time() - 60, "trays": [tray], "residue_width_m": 6.0})["ok"]
    wait_until(lambda: bool(american.rows("SELECT seq FROM record WHERE kind = 'calibration'")), 25.0)
    page = open_page(f"{american.url}/#now")
    page.evaluate(
        """() => localStorage.setItem('tailgrain-tray',
        JSON.stringify({unit: 'm', n: 1, values: {'tray-length': '2', 'tray-0-x': '1', 'tray-0-grain': '95'}}))"""
    )
    held: list[Route] = []
    page.route("**/events", lambda route: held.append(route))
    page.goto(f"{american.url}/?#tray")
    wait_until(lambda: page.evaluate("document.readyState") == "complete" and bool(held), 25.0)
    # What the page has asked for is answered before this is.
    page.evaluate("async () => { for (const path of ['/tests', '/in-force']) await (await fetch(path)).text(); }")
    for route in held:
        route.continue_()
    page.unroute("**/events")
    expect(page.locator("#tray-length")).to_have_value("3.28", timeout=SLOW)
    expect(page.locator("#tray-residue")).to_have_value("19.69")
    expect(page.locator("#tray-0-x")).to_have_value("0")
    expect(page.locator("#tray-0-grain")).to_have_value("95")  # a count has no unit


def test_a_kit_whose_units_changed_loads_the_page_anew(american: Any, open_page: Opener) -> None:
    page = open_page(f"{american.url}/#tray")
    expect(page.locator("#tray-sizes label").first).to_have_text("Along travel (ft)")
    page.locator("#tray-length").fill("4")
    american.programs["dashboard"].stop()
    text = american.config.read_text()
    american.config.write_text(text.replace('show = "us"', 'show = "metric"'))
    try:
        american.dashboard()
        expect(page.locator("#tray-sizes label").first).to_have_text("Along travel (m)", timeout=SLOW)
        expect(page.locator("#tray-length")).not_to_have_value("4")
    finally:
        american.programs["dashboard"].stop()
        american.config.write_text(text)
        american.dashboard()
    page.complaints.clear()  # type: ignore[attr-defined] # a browser reports each refused connection

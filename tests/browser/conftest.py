"""A browser, and two kits for it: one that has worked for sixteen minutes, one fresh and uncalibrated."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Request, sync_playwright

from sim_feed.parameters.structs import Blind, Planned
from sim_feed.run.scenario import load
from tests.kits import chain as chains
from tests.kits.broker import broker as running_broker
from tests.kits.tools import need_tool

WORKED_MINUTES = 16.0
LONG_PASS_M = 6000.0
"""Fifty minutes in one direction: no turn blanks the figure while a test looks at it."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium. No longer than a module: playwright keeps an event loop running that other tests would trip over."""
    chromium = need_tool("chromium")
    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield launched
        launched.close()


def is_fault(asked: Request) -> bool:
    """The stream ends with the page, and a reload gives up what was being read."""
    return not asked.url.endswith("/events") and asked.failure != "net::ERR_ABORTED"


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """`open_page(url, width, height, night)`: a page in a context of its own; whatever it complains of fails the test.

    `page.complaints` may be cleared by a test that provokes some.
    """
    opened: list[Page] = []

    def open_(url: str, width: int = 1280, height: int = 800, night: bool = False, wait: bool = True) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height}, locale="en-GB")
        context.set_default_timeout(15_000)
        if night:
            context.add_init_script("localStorage.setItem('tailgrain-theme', 'night')")
        page = context.new_page()
        complaints: list[str] = []
        page.complaints = complaints  # type: ignore[attr-defined]
        page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
        page.on("pageerror", lambda fault: complaints.append(str(fault)))
        page.on("requestfailed", lambda asked: is_fault(asked) and complaints.append(f"failed: {asked.url}"))
        opened.append(page)
        page.goto(url)
        if wait:
            page.locator("#figure[data-second]").wait_for(state="attached")
            page.locator("#ribbon canvas").wait_for(state="attached")
        return page

    yield open_
    said = [complaint for page in opened for complaint in page.complaints]  # type: ignore[attr-defined]
    for page in opened:
        page.context.close()
    assert said == []


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A calibrated kit with sixteen minutes of history, now at real pace, and its page."""
    folder = tmp_path_factory.mktemp("worked")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as made:
        scenario = load("paddock")
        straight = replace(scenario.drive, pass_m=LONG_PASS_M, pass_spread=0.0)
        made.play(scenario.with_(minutes=None, drive=straight), WORKED_MINUTES)
        made.dashboard()
        made.caught_up(30)
        assert made.refused == []
        yield made


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A kit whose machine stands: everything may be typed."""
    folder = tmp_path_factory.mktemp("standing")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as made:
        scenario = load("paddock")
        idle = replace(scenario.drive, idle_s=1_200.0)
        made.play(scenario.with_(minutes=None, operator=(), drive=idle), live=True)
        made.dashboard()
        yield made


@pytest.fixture(scope="module")
def passenger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A calibrated kit at work whose passenger may type."""
    folder = tmp_path_factory.mktemp("passenger")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as made:
        scenario = load("paddock")
        straight = replace(scenario.drive, pass_m=LONG_PASS_M, pass_spread=0.0)
        made.play(scenario.with_(minutes=None, drive=straight), WORKED_MINUTES)
        made.config.write_text(made.config.read_text().replace("[dashboard]\n", "[dashboard]\npassenger_enters = true\n"))
        made.dashboard()
        made.caught_up(30)
        yield made


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, Any]]:
    """An uncalibrated kit at real pace with its broker and page; a test that breaks a link mends it again."""
    folder = tmp_path_factory.mktemp("fresh")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as made:
        made.play(load("paddock").with_(minutes=None, operator=()), live=True)
        made.dashboard()
        yield made, broker


IDLE_MINUTES = 2.0
GUARDS = '["top-16-to-18-cereals", "top-bottom-within-2", "bottom-6-cross-flow"]'


@pytest.fixture(scope="module")
def idling(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A kit whose machine stands with threshing on and no crop, one loss sensor dead, guard rails named in the settings."""
    folder = tmp_path_factory.mktemp("idling")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as made:
        scenario = load("paddock")
        still = replace(scenario.drive, idle_s=3600.0)
        deaf = replace(scenario.faults, blind=(Blind("cleaning", "right", 0.0),))
        made.also["[machine]\n"] = f"[machine]\nsieve_guards = {GUARDS}\n"
        made.play(scenario.with_(minutes=None, drive=still, faults=deaf, operator=()), IDLE_MINUTES)
        made.dashboard()
        made.caught_up(30)
        yield made


@pytest.fixture(scope="module")
def resting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A kit whose wires say that the machine rests while its plates hear taps: the threshing level is wired the other way
    round, the fan turns as slowly as by hand. The tests' machine has no knuckles of its own. One plate is dead."""
    folder = tmp_path_factory.mktemp("resting")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as made:
        scenario = load("paddock")
        still = replace(scenario.drive, idle_s=3600.0, threshing_on_s=0.0)
        deaf = replace(scenario.faults, blind=(Blind("cleaning", "right", 0.0),))
        made.also['means = "threshing on"\n'] = 'means = "threshing on"\ninverted = true\n'
        made.also["pulses_per_rev = 1\n"] = "pulses_per_rev = 60\n"
        made.play(scenario.with_(minutes=None, drive=still, faults=deaf, operator=()), IDLE_MINUTES)
        made.dashboard()
        made.caught_up(30)
        yield made


STEPS = (6.0, 8.5, 6.0, 8.5, 6.0, 8.5)


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A kit calibrated on its first pass; on the next ones speed was stepped to and fro, 100 s each."""
    folder = tmp_path_factory.mktemp("stepped")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as made:
        scenario = load("paddock")
        trays = tuple(one for one in scenario.operator if one.tray is not None or one.idle_run is not None)
        wished = tuple(
            Planned(660.0 + 100.0 * i, setting={"what": "speed_kmh", "to": kmh}) for i, kmh in enumerate(STEPS)
        )
        passes = replace(scenario.drive, pass_m=1100.0, pass_spread=0.0, speed_spread=0.0)
        slow_fan = replace(scenario.machine, start={**scenario.machine.start, "fan_rpm": 860.0})
        plan = (*trays, *wished)
        made.play(scenario.with_(minutes=None, drive=passes, machine=slow_fan, operator=plan), 21.0)
        made.dashboard()
        made.caught_up(60)
        assert made.refused == []
        yield made

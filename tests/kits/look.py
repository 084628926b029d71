"""`make look`: pictures of the page in every state, at three widths and in both themes, off the real chain.

    python -m tests.kits.look FOLDER
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

from dashboard.serve.assets import Assets
from sim_feed.run.scenario import load
from tests.kits import chain as chains
from tests.kits.broker import broker as running_broker
from tests.kits.tools import wait_until

SIZES = ((360, 740), (768, 1024), (1280, 800))
THEMES = ("day", "night")
READY = "() => Boolean(document.querySelector('#figure').dataset.second && document.querySelector('#ribbon canvas'))"
CHROMIUM = "/usr/bin/chromium"


READ = {"speed": "#speed-loss svg", "sieves": "#known-line:not(:empty)", "morning": "#taps li", "kit": "#kit-inputs li"}
"""What is in sight once a screen has read what it shows."""


class Camera:
    """One open page a size and theme, so that a page can be seen getting old."""

    def __init__(self, browser: Browser, url: str, folder: Path) -> None:
        self.folder = folder
        self.pages = {}
        for width, height in SIZES:
            for theme in THEMES:
                context = browser.new_context(viewport={"width": width, "height": height}, reduced_motion="reduce")
                context.add_init_script(f"localStorage.setItem('tailgrain-theme', '{theme}')")
                page = context.new_page()
                page.goto(url)
                wait_until(lambda page=page: page.evaluate(READY), 20.0, what="the page's first second")
                self.pages[width, theme] = page

    def shoot(self, name: str, ready: str, within: float = 30.0) -> None:
        """A picture of each page once the JavaScript condition holds there, as long as the page is: what sticks to the foot
        stays there."""
        for (width, theme), page in self.pages.items():
            wait_until(lambda page=page: page.evaluate(ready), within, f"{name} at {width} px")
            usual = page.viewport_size
            page.set_viewport_size({"width": width, "height": page.evaluate("() => document.documentElement.scrollHeight")})
            page.screenshot(path=self.folder / f"{name}-{width}-{theme}.png")
            page.set_viewport_size(usual)

    def turn(self, screen: str, do: Callable[[Page], object] = lambda page: None) -> None:
        """Show a screen on every page, then do something on each."""
        for page in self.pages.values():
            page.evaluate("(screen) => { location.hash = screen; }", screen)
            page.locator(f"#screen-{screen}").wait_for()
            do(page)

    def close(self) -> None:
        for page in self.pages.values():
            page.context.close()


@contextmanager
def kit(scenario: str, back_minutes: float, operator: bool) -> Iterator[tuple[chains.Chain, Any]]:
    """A kit that has run for a while, its broker and its page."""
    with (
        tempfile.TemporaryDirectory() as name,
        running_broker(Path(name) / "broker") as broker,
        chains.chain(Path(name) / "kit", broker.port) as made,
    ):
        chosen = load(scenario).with_(minutes=None)
        made.play(chosen if operator else chosen.with_(operator=()), back_minutes)
        made.config.write_text(made.config.read_text().replace("[dashboard]\n", "[dashboard]\npassenger_enters = true\n"))
        made.dashboard()
        made.caught_up(60)
        yield made, broker


def has(selector: str) -> str:
    """JavaScript: something visible matches."""
    return f"() => [...document.querySelectorAll({selector!r})].some((one) => one.getClientRects().length > 0)"


def work_again(made: chains.Chain) -> Callable[[], bool]:
    return lambda: bool(made.rows("SELECT state FROM second ORDER BY run DESC, number DESC LIMIT 1")[0]["state"] == "working")


def step_a_sieve(page: Page) -> None:
    """Step the top sieve within a change that is not judged yet; nothing is entered."""
    page.locator(".stepper[data-what='top_sieve_mm'] [data-way='1']").click()


def fill_trays(page: Page) -> None:
    """A catch that is half typed; nothing is entered."""
    for name, value in {"tray-length": "1", "tray-width": "0.5", "tray-residue": "6"}.items():
        page.locator(f"#{name}").fill(value)
    page.locator("#tray-spread").click()
    page.locator("#tray-0-grain").fill("96")
    page.locator("#tray-1-grain").fill("lots")
    page.locator("#tray-send").click()


def unfold(page: Page) -> None:
    """Open what is folded on the screen Job."""
    for kind in ("crop", "returns_catch"):
        page.locator(f"#job-form-{kind} summary").click()
    page.locator("#job-list summary").first.click()


DONE = {"change": step_a_sieve, "tray": fill_trays, "job": unfold}


def main(folder: Path) -> None:
    """Write all pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        with kit("paddock", 32.0, operator=True) as (made, broker):
            wait_until(work_again(made), 60)
            camera = Camera(browser, made.url, folder)
            camera.shoot("now", has("#span"), 60)
            for screen in [name for name in Assets().screens if name != "now"]:
                camera.turn(screen, DONE.get(screen, lambda page: None))
                camera.shoot(screen, has(READ.get(screen, f"#screen-{screen}")))
            camera.turn("now")
            made.tell({"entry": "limit", "loss_kg_ha": 12})
            made.tell({"entry": "limit", "returns_pct": 8})
            camera.shoot("alerts", has("[data-alert='loss-over-limit']"), 90)
            made.programs["run"].stop(kill=True)
            camera.shoot("kit-lost", has(":root[data-stale] #stale"))
            broker.stop()
            camera.shoot("broker-lost", "() => document.querySelector('#stale-why').textContent.includes('passes messages on')")
            camera.close()
        with kit("paddock", 8.0, operator=False) as (made, _):
            wait_until(work_again(made), 60)
            camera = Camera(browser, made.url, folder)
            camera.shoot("uncalibrated", has("#calibration-how"))
            camera.close()
        browser.close()
    print(f"{len(list(folder.glob('*.png')))} pictures in {folder}")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "look"))

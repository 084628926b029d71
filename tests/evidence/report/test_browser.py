"""The pack as a reader meets it: a file on a disk, no network, a browser."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from tests.kits.packs import Kept
from tests.kits.tools import need_tool

SIZES = ((360, 740), (768, 1024), (1280, 800))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium. No longer than a module: playwright keeps an event loop running that other tests would trip over."""
    chromium = need_tool("chromium")
    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield launched
        launched.close()


@pytest.fixture
def open_file(browser: Browser) -> Iterator[Callable[..., Page]]:
    """`open_file(path, width, height)`: a page of a file, offline; whatever it asks for or complains of fails the test."""
    opened: list[tuple[Page, list[str]]] = []

    def open_(path: Path, width: int = 1280, height: int = 800) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height}, offline=True, locale="en-GB")
        context.set_default_timeout(15_000)
        page, said = context.new_page(), []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda fault: said.append(str(fault)))
        page.on("request", lambda asked: None if asked.url.startswith(("file:", "data:")) else said.append(asked.url))
        opened.append((page, said))
        page.goto(path.as_uri())
        return page

    yield open_
    complaints = [text for _, said in opened for text in said]
    for page, _ in opened:
        page.context.close()
    assert complaints == []


@pytest.fixture(scope="module")
def files(kept: Kept, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A pack with a map, and one without positions."""
    folder = tmp_path_factory.mktemp("packs")
    made = {}
    for position in ("exact", "none"):
        made[position] = folder / f"{position}.html"
        kept.pack(made[position], position=position)
    return made


@pytest.mark.parametrize("position", ["exact", "none"])
@pytest.mark.parametrize("width", [360, 1280])
def test_axe_finds_nothing_and_the_page_does_not_spill(
    files: dict[str, Path], open_file: Callable[..., Page], position: str, width: int
) -> None:
    page = open_file(files[position], width, 800)
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_snapshot()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_first_screenful_answers_the_four_questions(files: dict[str, Path], open_file: Callable[..., Page]) -> None:
    page = open_file(files["exact"], 1280, 800)
    for question in ("How much was lost?", "How sure is that?", "What was changed?", "Did it help?"):
        place = page.get_by_role("heading", name=question).locator("xpath=..")
        box = place.bounding_box()
        assert box is not None and box["y"] + box["height"] <= 800, question
        assert len(place.inner_text()) > len(question) + 10


def test_figures_stand_out_at_seven_to_one(files: dict[str, Path], open_file: Callable[..., Page]) -> None:
    """Contrast as WCAG 2.2 (1.4.6, level AAA) reckons it, of every printed figure on its ground."""
    page = open_file(files["exact"])
    least = page.evaluate(
        """() => {
        const light = c => { const v = c / 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
        const of = text => { const [r, g, b] = text.match(/[\\d.]+/g).map(Number);
            return 0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b); };
        const ground = one => { while (one) { const c = getComputedStyle(one).backgroundColor;
            if (!c.startsWith('rgba(0, 0, 0, 0')) return c; one = one.parentElement; } return 'rgb(255, 255, 255)'; };
        const all = [...document.querySelectorAll('[data-f], .big, svg text')].map(one => {
            const style = getComputedStyle(one), ink = one instanceof SVGElement ? style.fill : style.color;
            const [a, b] = [of(ink), of(ground(one))].sort((x, y) => y - x);
            return (a + 0.05) / (b + 0.05); });
        return [all.length, Math.min(...all)]; }"""
    )
    assert least[0] > 100 and least[1] >= 7.0, least


def test_nothing_in_it_runs_and_nothing_is_fetched(files: dict[str, Path], open_file: Callable[..., Page]) -> None:
    page = open_file(files["exact"])
    kinds = page.evaluate("[...document.scripts].map(one => one.type)")
    assert kinds == ["application/json"]
    asked = page.evaluate("performance.getEntriesByType('resource').map(one => one.name).filter(one => !one.startsWith('data:'))")
    assert asked == []
    assert page.locator("svg").count() == 3
    named = page.evaluate("[...document.querySelectorAll('[id]')].map(one => one.id)")
    assert len(named) == len(set(named))


def test_pictures_of_every_size_and_the_printed_pages(
    files: dict[str, Path], open_file: Callable[..., Page], tmp_path: Path
) -> None:
    """Kept with LOOK=folder, to be looked at."""
    folder = Path(os.environ.get("LOOK", tmp_path))
    for position, path in files.items():
        for width, height in SIZES:
            picture = folder / f"pack-{position}-{width}.png"
            page = open_file(path, width, height)
            page.screenshot(path=picture, full_page=True)
            assert picture.stat().st_size > 20_000
    page = open_file(files["exact"])
    printed = page.pdf(path=folder / "pack-printed.pdf", prefer_css_page_size=True, print_background=True)
    assert printed[:5] == b"%PDF-"

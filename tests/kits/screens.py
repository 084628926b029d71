"""What every screen must hold to, for the tests of each. Not a test."""

from __future__ import annotations

import re
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

WIDTHS = (1280, 768, 360, 320)

SMALL = """() => [...document.querySelectorAll('button, summary, input, select, main a')]
  .map((one) => [one, one.getBoundingClientRect()])
  .filter(([one, box]) => box.width > 0 && Math.min(box.width, box.height) < 63.9)
  .map(([one, box]) => `${one.id || one.textContent.trim()} ${Math.round(box.width)} x ${Math.round(box.height)}`)"""

INKS = """(selector) => {
  const behind = (one) => {
    for (let at = one; at; at = at.parentElement) {
      const colour = getComputedStyle(at).backgroundColor;
      if (colour !== 'rgba(0, 0, 0, 0)') return colour;
    }
    return 'rgb(255, 255, 255)';
  };
  const written = [...document.querySelectorAll(selector)].filter((one) => one.getClientRects().length > 0
    && [...one.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim()));
  return written.map((one) => [one.id || one.className || one.tagName, getComputedStyle(one).color, behind(one),
    getComputedStyle(one).fontWeight]);
}"""


def luminance(colour: str) -> float:
    """Relative luminance of `rgb(r, g, b)` (WCAG 2.2, definition of relative luminance)."""
    channels = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def check_fit(page: Page, eventually: Any) -> None:
    """Nothing wider than the window (WCAG 2.2, 1.4.10: 320 px), nothing to touch smaller than 64 px."""
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 740})
        across = "() => document.documentElement.scrollWidth"
        eventually(lambda width=width, across=across: page.evaluate(across) <= width, 3.0, f"a fit into {width} px")
        assert page.evaluate(SMALL) == [], width


def check_sun(page: Page, screen: str) -> None:
    """Every word of a screen in both themes: contrast 7 to 1 (WCAG 2.2, 1.4.6) and weight 600 or more."""
    for _ in range(2):
        seen = page.evaluate(INKS, f"#screen-{screen} *")
        assert len(seen) > 10
        for name, ink, paper, weight in seen:
            light, dark = sorted((luminance(ink), luminance(paper)), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 7.0, (name, ink, paper)
            assert int(weight) >= 600, name
        page.get_by_role("button", name="Night view").click()


def check_axe(page: Page) -> None:
    """axe finds nothing, in both themes, wide and narrow."""
    for _ in range(2):
        for width in (1280, 360):
            page.set_viewport_size({"width": width, "height": 740})
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_snapshot()
        page.get_by_role("button", name="Night view").click()

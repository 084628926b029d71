"""The PIN in the browser: a page open to the network shows all, and enters after the PIN."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from sim_feed.run.scenario import load
from tests.kits import chain as chains
from tests.kits.tools import free_port


@pytest.fixture
def kit(tmp_path: Path) -> Any:
    """A page open to the network, a PIN set, no broker: the door alone is tried here."""
    with chains.chain(tmp_path / "kit", free_port()) as made:
        made.configure(load("paddock"), "/dev/null")
        made.config.write_text(made.config.read_text().replace("[dashboard]\n", '[dashboard]\nhost = "0.0.0.0"\n'))
        command = [sys.executable, "-m", "edge", "dashboard", "--config", str(made.config), "--set-pin"]
        subprocess.run(command, input="4711\n", text=True, check=True, capture_output=True)
        made.dashboard()
        yield made


def test_the_pin_opens_entering_and_is_remembered(kit: Any, open_page: Callable[..., Page]) -> None:
    page = open_page(kit.url, 360, 740, wait=False)
    half = page.locator("#width button[data-part='0.5']")
    page.get_by_text("Viewing only").click()
    expect(page.get_by_label("To enter anything")).to_be_visible()
    expect(half).to_be_disabled()
    expect(page.locator("#stale-title")).to_have_text("No figures yet")
    assert Axe().run(page).violations_count == 0
    page.get_by_label("To enter anything").fill("0000")
    page.get_by_role("button", name="Unlock").click()
    expect(page.locator("#pin-why")).to_have_text("Not unlocked: wrong PIN.")
    page.get_by_label("To enter anything").fill("4711")
    page.keyboard.press("Enter")
    expect(half).to_be_enabled()
    expect(page.locator("#door")).to_be_hidden()
    page.reload()
    expect(half).to_be_enabled()
    page.complaints[:] = [said for said in page.complaints if not re.search("40[03]|503", said)]  # type: ignore[attr-defined]

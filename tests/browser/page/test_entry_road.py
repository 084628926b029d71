"""The road of one entry: touch, page, server, broker, kit, disk and back, whatever breaks on the way, kept once."""

from __future__ import annotations

import re
import secrets
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from sim_feed.run.scenario import load
from tests.kits import chain as chains
from tests.kits.broker import broker as running_broker

Opener = Callable[..., Page]

TELL = """async ([entry, what]) => {
  const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/asks.js');
  return (await import(at)).tell(entry, what);
}"""


@pytest.fixture
def road(tmp_path: Path) -> Iterator[tuple[Any, Any]]:
    """A kit of its own at real pace, its broker and its page: everything may be broken."""
    with running_broker(tmp_path / "broker") as broker, chains.chain(tmp_path / "kit", broker.port) as made:
        made.play(load("paddock").with_(minutes=None, operator=()), live=True)
        made.dashboard()
        yield made, broker


def touch(page: Page, part: str) -> None:
    page.locator(f"#width button[data-part='{part}']").click()


def kept_number(page: Page) -> int:
    expect(page.locator("#asks li[data-kind='kept']").last).to_contain_text("Kept as number", timeout=30_000)
    return int(re.findall(r"number (\d+)", page.locator("#asks").inner_text())[-1])


def waiting(page: Page) -> Any:
    return page.locator("#asks li[data-kind='waiting']")


def forgive(page: Page) -> None:
    """A browser reports each refused connection and each 503; these tests provoke them."""
    page.complaints[:] = [said for said in page.complaints if not re.search("ERR_|503|failed: ", said)]  # type: ignore[attr-defined]


def test_a_touch_is_on_disk_before_the_page_says_so(road: tuple[Any, Any], open_page: Opener) -> None:
    kit, _ = road
    page = open_page(kit.url, 360, 740)
    touch(page, "0.5")
    number = kept_number(page)
    row = kit.rows("SELECT kind, body, ask_id FROM record WHERE seq = ?", number)[0]
    assert (row["kind"], row["body"]) == ("entry", '{"entry":"width_used","part":0.5}')
    assert re.fullmatch(r"page-[0-9a-f]{24}", row["ask_id"])
    assert page.evaluate("Object.keys(localStorage).filter((key) => key.startsWith('tailgrain-ask-')).length") == 0


def test_a_touch_while_the_broker_is_away_comes_through_with_its_own_time(road: tuple[Any, Any], open_page: Opener) -> None:
    kit, broker = road
    page = open_page(kit.url)
    broker.stop()
    expect(page.locator("#stale-why")).to_contain_text("passes messages on does not answer")
    touched = time.time()
    touch(page, "0.25")
    expect(waiting(page)).to_contain_text("Not kept yet: Cutting width quarter")
    expect(page.locator("#width button[data-part='0.25']")).to_have_attribute("data-waiting", "yes")
    expect(waiting(page)).to_contain_text(re.compile(r"Trying again \([4-9] s\)"))
    broker.start()
    kept_number(page)
    entry = kit.entries("width_used")[-1]
    assert entry["part"] == 0.25
    assert abs(entry["at"] - touched) < 1.5  # not when the broker came back
    assert len(kit.entries("width_used")) == 1
    forgive(page)


def test_a_reload_and_a_closed_page_lose_nothing(road: tuple[Any, Any], open_page: Opener) -> None:
    kit, broker = road
    page = open_page(kit.url)
    broker.stop()
    touch(page, "0.75")
    expect(waiting(page)).to_have_count(1)
    page.reload()
    expect(waiting(page)).to_contain_text("three quarters")
    page.close()
    again = page.context.new_page()  # the same browser, later
    again.goto(kit.url)
    expect(waiting(again)).to_contain_text("three quarters")
    broker.start()
    kept_number(again)
    assert [entry["part"] for entry in kit.entries("width_used")] == [0.75]
    forgive(page)


def test_an_answer_that_got_lost_is_asked_for_again_and_kept_once(road: tuple[Any, Any], open_page: Opener) -> None:
    """The kit keeps the entry, but the page's server dies before the answer comes: the same id gets the same number."""
    kit, _ = road
    page = open_page(kit.url)
    page.route("**/ask", lambda route: (route.fetch(), route.abort()))  # it arrives, its answer does not
    touch(page, "0.5")
    expect(waiting(page)).to_contain_text("Not kept yet")
    assert len(kit.entries("width_used")) == 1  # kept, though the page can't know
    page.unroute("**/ask")
    number = kept_number(page)
    assert len(kit.entries("width_used")) == 1
    assert kit.rows("SELECT seq FROM record WHERE kind = 'entry'")[-1]["seq"] == number
    forgive(page)


def test_a_killed_daemon_and_dashboard_lose_nothing_and_order_holds(road: tuple[Any, Any], open_page: Opener) -> None:
    kit, _ = road
    page = open_page(kit.url)
    kit.programs["run"].stop(kill=True)
    expect(page.locator("#stale-why")).to_contain_text("its program has stopped")
    page.evaluate(TELL, [{"entry": "returns_look", "chaff": "some"}, "a look"])
    page.evaluate(TELL, [{"entry": "tray_mark"}, "a mark"])
    kit.programs["dashboard"].stop(kill=True)
    expect(page.locator("#stale-why")).to_contain_text("lost its line to the kit")
    expect(waiting(page)).to_have_count(2)
    kit.dashboard()
    kit.start()
    expect(waiting(page)).to_have_count(0, timeout=30_000)
    rows = kit.rows("SELECT json_extract(body, '$.entry') AS entry FROM record WHERE kind = 'entry' ORDER BY seq")
    assert [row["entry"] for row in rows] == ["returns_look", "tray_mark"]
    forgive(page)


def test_an_entry_can_be_given_up(road: tuple[Any, Any], open_page: Opener) -> None:
    kit, broker = road
    page = open_page(kit.url)
    broker.stop()
    touch(page, "0.5")
    waiting(page).get_by_role("button", name="Give up").click()
    expect(waiting(page)).to_have_count(0)
    broker.start()
    expect(page.locator("#stale")).to_be_hidden()
    touch(page, "0.25")
    kept_number(page)
    assert [entry["part"] for entry in kit.entries("width_used")][-1] == 0.25
    assert page.evaluate("Object.keys(localStorage).filter((key) => key.startsWith('tailgrain-ask-')).length") == 0
    forgive(page)


def test_a_refused_entry_says_which_key_and_why(road: tuple[Any, Any], open_page: Opener) -> None:
    kit, _ = road
    page = open_page(kit.url)
    page.evaluate(TELL, [{"entry": "width_used", "part": 7}, "a part of 7"])
    line = page.locator("#asks li[data-kind='refused']")
    expect(line).to_contain_text("Not kept: a part of 7.")
    expect(line).to_contain_text("part")
    line.get_by_role("button", name="Close").click()
    expect(page.locator("#asks li")).to_have_count(0)
    page.complaints[:] = [said for said in page.complaints if "400" not in said]  # type: ignore[attr-defined]


def test_what_is_typed_waits_while_the_machine_drives_and_taps_pass(worked: Any, open_page: Opener) -> None:
    """The server decides by the kit's own speed; a typed entry that comes late is held, not lost, and holds up nothing."""
    page = open_page(worked.url)
    note = f"typed {secrets.token_hex(4)}"
    page.evaluate(TELL, [{"entry": "note", "note": note}, "a note"])
    expect(waiting(page)).to_contain_text("Waits until the machine stands: a note")
    page.evaluate(TELL, [{"entry": "returns_look", "chaff": "some"}, "a look"])
    kept_number(page)
    assert note not in [entry["note"] for entry in worked.entries("note")]
    expect(waiting(page)).to_have_count(1)
    waiting(page).get_by_role("button", name="Give up").click()
    page.complaints[:] = [said for said in page.complaints if "409" not in said]  # type: ignore[attr-defined]


def test_what_is_typed_passes_when_the_machine_stands(standing: Any, open_page: Opener) -> None:
    page = open_page(standing.url)
    note = f"typed {secrets.token_hex(4)}"
    page.evaluate(TELL, [{"entry": "note", "note": note}, "a note"])
    kept_number(page)
    assert standing.entries("note")[-1]["note"] == note


def test_a_session_that_ended_costs_no_entry(road: tuple[Any, Any], open_page: Opener) -> None:
    kit, _ = road
    kit.config.write_text(kit.config.read_text().replace("[dashboard]\n", '[dashboard]\nhost = "0.0.0.0"\n'))
    command = [sys.executable, "-m", "edge", "dashboard", "--config", str(kit.config), "--set-pin"]
    subprocess.run(command, input="4711\n", text=True, check=True, capture_output=True)
    kit.programs["dashboard"].stop()
    kit.dashboard()
    page = open_page(kit.url)

    def unlock() -> None:
        if page.locator("#pin-box[open]").count() == 0:
            page.locator("#pin-box summary").click()
        page.locator("#pin-field").fill("4711")
        page.keyboard.press("Enter")
        expect(page.locator("#door")).to_be_hidden()

    unlock()
    kit.programs["dashboard"].stop()  # sessions live in memory
    touch(page, "0.5")
    kit.dashboard()
    expect(waiting(page)).to_contain_text("Waits for the kit's PIN: Cutting width half")
    unlock()
    kept_number(page)
    assert [entry["part"] for entry in kit.entries("width_used")] == [0.5]
    page.complaints[:] = [said for said in page.complaints if not re.search(r"ERR_|403|503|failed: ", said)]  # type: ignore[attr-defined]

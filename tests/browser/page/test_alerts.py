"""The strip of alerts on every screen: put aside and taken back, a flood counted, the figure at raising and now."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from edge.contract import settings as settings_module
from edge.tell.mqtt import new_client

Opener = Callable[..., Page]


@pytest.fixture
def say(worked: Any) -> Iterator[Callable[..., None]]:
    """`say(name, severity, ...)`: an alert as a kit would tell it; all are taken back in the end."""
    settings = settings_module.load(worked.config)
    client = new_client(settings.mqtt, "test-alerts")
    client.connect("127.0.0.1", worked.broker_port)
    client.loop_start()
    said: set[str] = set()

    def tell(name: str, severity: str, suppressed: bool = False, **more: Any) -> None:
        rule, _, thing = name.partition("/")
        alert = {
            "rule": rule, "object": thing or None, "state": "raised", "severity": severity, "since": "2030-01-01T06:00:00.000Z",
            "text": f"Trial of {name}.", "cause": "A test.", "action": "Nothing.", "value": None, "limit": None,
            "suppressed": suppressed, **more,
        }  # fmt: skip
        said.add(name)
        topic = f"tailgrain/{settings.machine.kit}/alert/{name}"
        client.publish(topic, msgspec.json.encode(alert), qos=1, retain=True).wait_for_publish(5)

    yield tell
    for name in said:
        client.publish(f"tailgrain/{settings.machine.kit}/alert/{name}", b"", qos=1, retain=True).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()


def state_of(page: Page, name: str) -> str:
    """The state of an alert's card, empty while it is folded away; the strip is unfolded for the next look."""
    state: str = page.evaluate("(name) => document.querySelector(`[data-alert='${name}']`)?.dataset.state ?? ''", name)
    more = page.get_by_role("button", name=re.compile(r"^Show \d"))
    if not state and more.count():
        more.click()
    return state


def test_an_alert_is_put_aside_for_a_time_and_taken_back(
    worked: Any, open_page: Opener, eventually: Callable[..., Any]
) -> None:
    page = open_page(worked.url + "#kit", 360, 740)
    assert worked.tell({"entry": "limit", "sure": True, "returns_pct": 2})["ok"]
    try:
        name = "returns-over-limit"
        card = page.locator(f"[data-alert='{name}']")
        eventually(lambda: state_of(page, name) == "raised", 60.0, "the alert")
        card.get_by_role("button", name=re.compile("^Put aside")).click()
        times = card.get_by_role("group", name="Put aside for")
        expect(times.get_by_role("button")).to_have_count(3)
        assert Axe().run(page).violations_count == 0
        times.get_by_role("button", name=re.compile("^For 30 min")).click()
        eventually(lambda: state_of(page, name) == "shelved", 8.0, "the alert put aside")
        expect(card).to_contain_text(re.compile(r"put aside until about \d\d:\d\d"))
        assert worked.entries("shelve")[-1] == {"entry": "shelve", "alert": "returns-over-limit", "minutes": 30}
        card.get_by_role("button", name=re.compile("^Take back")).click()
        eventually(lambda: state_of(page, name) == "acknowledged", 8.0, "the alert back")
    finally:
        worked.tell({"entry": "limit", "sure": True, "returns_pct": 80})


def test_the_figure_at_raising_and_the_present_one_stand_apart(
    worked: Any, open_page: Opener, say: Callable[..., None], eventually: Callable[..., Any]
) -> None:
    page = open_page(worked.url + "#morning")
    say("loss-over-limit", "danger", value=79.4, limit=60.0)
    card = page.locator("[data-alert='loss-over-limit']")
    expect(card).to_contain_text("At raising 79 kg/ha, limit 60 kg/ha.")
    now = card.locator(".alert-now")

    def is_present() -> bool:
        shown, loss = page.evaluate(
            "() => [document.querySelector('.alert-now').textContent, document.getElementById('loss').textContent]"
        )
        return bool(shown == f"Now {loss} kg/ha.")

    eventually(is_present, 5.0, "the present figure beside the alert")
    assert "79" not in now.inner_text()


def test_a_flood_is_counted_and_neither_spoken_nor_sounded(
    worked: Any, open_page: Opener, say: Callable[..., None]
) -> None:
    page = open_page(worked.url)
    page.locator("#spans button[data-minutes='10']").click()
    expect(page.locator("#sound")).to_have_attribute("data-state", "on")
    say("no-data", "danger")
    expect(page.locator("#alerts-spoken")).to_contain_text("Trial of no-data.")
    for at in range(5):
        say(f"input-silent/{at}", "caution", suppressed=True)
    more = page.get_by_role("button", name=re.compile("5 held back because many came at once"))
    expect(more).to_be_visible()
    assert page.locator("#alerts-list [data-suppressed]").count() == 0
    assert "input-silent" not in page.locator("#alerts-spoken").inner_text()
    more.click()
    expect(page.locator("#alerts-list [data-suppressed]")).to_have_count(5)
    # The worst that is announced stays first.
    assert page.locator("#alerts-list > li").first.get_attribute("data-alert") == "no-data"


COLOURS = """(name) => { const card = document.querySelector(`[data-alert='${name}']`);
    return [getComputedStyle(card).backgroundColor, card.querySelector('svg use').getAttribute('href')]; }"""


@pytest.mark.parametrize("severity", ["danger", "caution"])
def test_an_alert_that_has_ended_is_neutral_and_gives_no_order(
    worked: Any, open_page: Opener, say: Callable[..., None], severity: str
) -> None:
    page = open_page(worked.url + "#speed", 1280, 800)
    name = "input-silent/2"
    say(name, severity, text="Cleaning, left: a sensor gives no pulses while it should.", action="Clean the plate.")
    card = page.locator(f"[data-alert='{name}']")
    expect(card).to_contain_text("Clean the plate.")
    standing = page.evaluate(COLOURS, name)
    ended = page.evaluate("() => new Date(2030, 0, 1, 20, 10).toISOString()")
    say(name, severity, state="returned", ended=ended, text="Cleaning, left: a sensor gave no pulses.", action="")
    expect(card).to_have_attribute("data-ended", "yes")
    expect(card).to_contain_text("Ended 20:10, not acknowledged")
    expect(card).to_contain_text("Cleaning, left: a sensor gave no pulses.")
    expect(card.locator(".alert-do")).to_have_count(0)
    assert severity not in card.inner_text().lower()
    neutral = page.evaluate(COLOURS, name)
    paper = page.evaluate(
        """() => { const sheet = document.body.appendChild(document.createElement('p')); sheet.style.background = 'var(--paper)';
        const colour = getComputedStyle(sheet).backgroundColor; sheet.remove(); return colour; }"""
    )
    assert neutral[0] == paper != standing[0] and neutral[1] == "#shape-none" != standing[1]
    say("disk-low", "notice")  # the least of what stands comes before what has ended
    expect(page.locator("#alerts-list > [data-alert='disk-low']")).to_have_count(1)
    folded = page.get_by_role("button", name=re.compile(r"^Show \d"))
    if folded.count():  # alerts of the kit itself stand too
        folded.click()
    expect(card).to_be_visible()
    order = page.locator("#alerts-list > li").evaluate_all("all => all.map(one => one.dataset.alert)")
    assert order.index("disk-low") < order.index(name)
    assert Axe().run(page).violations_count == 0
    card.get_by_role("button", name=re.compile("^Acknowledge")).wait_for()


def test_kit_never_says_that_all_is_well_while_an_alert_is_open(
    worked: Any, open_page: Opener, say: Callable[..., None]
) -> None:
    page = open_page(worked.url + "#kit")
    row = page.locator("#kit-inputs li").nth(2)
    expect(row).to_contain_text("Cleaning, left")
    say("input-silent/2", "caution", text="Cleaning, left: a sensor gives no pulses while it should.")
    expect(page.locator("#kit-summary")).not_to_have_text("All is well.")
    expect(page.locator("#kit-summary")).to_have_text(re.compile("open, see above|To be looked at"))
    expect(row).to_have_attribute("data-state", "caution")
    say("input-silent/2", "caution", state="cleared", text="Cleaning, left: a sensor gave no pulses.", action="")
    expect(row).to_have_attribute("data-state", "good")


def test_the_alerts_of_many_rules_differ_by_shape_and_word(worked: Any, open_page: Opener, say: Callable[..., None]) -> None:
    page = open_page(worked.url + "#speed", 1280, 800)
    for name, severity in (("no-data", "danger"), ("disk-low", "caution"), ("gauge-overdue", "notice")):
        say(name, severity)
    more = page.get_by_role("button", name=re.compile("^Show"))
    expect(page.locator("#alerts")).to_have_attribute("data-open", re.compile(r"^([3-9]|\d\d)$"))
    more.click()
    seen = {
        severity: page.locator(f"[data-severity='{severity}'] svg use").first.get_attribute("href")
        for severity in ("danger", "caution", "notice")
    }
    assert len(set(seen.values())) == 3
    words = page.locator("#alerts").inner_text()
    assert all(f"{word}, new since" in words for word in ("Danger", "Caution", "Notice"))


def test_an_equal_alert_is_spoken_again(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    said = page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'lib/facts.js');
        const {put} = await import(at); const line = document.getElementById('alerts-spoken'); const said = [];
        const alert = (since) => ({rule: 'no-data', object: null, state: 'raised', severity: 'danger', since, text: 'A trial.',
          cause: '', action: 'Nothing.', value: null, limit: null});
        for (const since of ['2026-07-01T10:00:00.000Z', '2026-07-01T11:00:00.000Z']) {
          put('alert/zz', alert(since)); said.push(line.textContent);
          put('alert/zz', null); said.push(line.textContent);
        }
        return said; }"""
    )
    assert said == ["Danger: A trial.", "", "Danger: A trial.", ""]


FIGURES = [
    ("side-imbalance", 0.81, 0.72, "At raising 81 %, limit 72 %."),
    ("shaft-low", 705.2, 774.0, "At raising 705 rpm, limit 774 rpm."),
    ("tray-overdue", 4.25, 4.0, "At raising 4.3 h, limit 4 h."),
    ("gauge-overdue", 51.0, 50.0, "At raising 51 h, limit 50 h."),
    ("input-stuck", 41.0, 40.0, "At raising 41 km/h, limit 40 km/h."),
    ("flood", 5.0, 3.0, "At raising 5.0, limit 3."),
]


def test_each_figure_has_its_unit(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    said = page.evaluate(
        """async (figures) => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'lib/facts.js');
        const {put} = await import(at);
        return figures.map(([rule, value, limit]) => {
          put('alert/zz', {rule, object: null, state: 'raised', severity: 'danger', since: '9999-07-01T10:00:00.000Z',
            text: 'A trial.', cause: '', action: 'Nothing.', value, limit});
          const words = document.querySelector('[data-alert="zz"] .alert-figures').textContent.trim();
          put('alert/zz', null);
          return words; }); }""",
        [list(one[:3]) for one in FIGURES],
    )
    assert said == [one[3] for one in FIGURES]


def test_what_rounds_to_nothing_has_no_sign(worked: Any, open_page: Opener) -> None:
    """Returns a little under their empty share are 0 % of full, not -0."""
    page = open_page(worked.url)
    said = page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'lib/format.js');
        const {amount, fixed, plain, small} = await import(at);
        return [fixed(-0.3, 0), fixed(-0.6, 0), fixed(-0.04, 1), amount(-0.04), small(-0.004), plain(-0.004)]; }"""
    )
    assert said == ["0", "-1", "0.0", "0.0", "0.00", "0"]


def test_one_is_no_plural(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    said = page.evaluate(
        """async () => { const at = document.querySelector('script[type=module]').src.replace('app.js', 'lib/format.js');
        const {say} = await import(at);
        const restarts = (n) => say('kit.serial_restarts', {restarts: n, minutes: 5});
        return [1, 2].map((n) => [say('tray.told', {n}), restarts(n), say('morning.heard', {n})]); }"""
    )
    assert said == [
        ["Tray test with 1 tray", "The counter restarted 1 time in 5 min.", "alive: 1 pulse"],
        ["Tray test with 2 trays", "The counter restarted 2 times in 5 min.", "alive: 2 pulses"],
    ]

"""Sound of alerts: what the browser lets through, rhythm by severity, mute, and the alerts that call."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from playwright.sync_api import Page, expect

Opener = Callable[..., Page]

RHYTHM = """async (severity) => {
  const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/sound.js');
  const sound = await import(at);
  const audio = new OfflineAudioContext(1, 3 * 8000, 8000);
  sound.lay(audio, severity, 0);
  const samples = (await audio.startRendering()).getChannelData(0);
  const bursts = []; let began = null; let quiet = 0;
  for (let i = 0; i < samples.length; i += 1) {
    if (Math.abs(samples[i]) > 0.02) { if (began === null) began = i; quiet = 0; }
    else if (began !== null && (quiet += 1) > 160) { bursts.push([began / 8000, (i - quiet - began) / 8000]); began = null; }
  }
  return bursts;
}"""


def test_severities_differ_by_rhythm_not_only_by_pitch(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    heard = {severity: page.evaluate(RHYTHM, severity) for severity in ("danger", "caution", "notice")}
    assert [len(heard[severity]) for severity in ("danger", "caution", "notice")] == [6, 2, 1]
    assert max(length for _, length in heard["danger"]) < 0.15
    assert all(0.25 < length < 0.45 for _, length in heard["caution"])
    assert heard["notice"][0][1] > 0.7
    starts = [begin for begin, _ in heard["danger"]]
    # Two groups of three: the pause between the groups is longer than those inside.
    gaps = [later - earlier for earlier, later in zip(starts, starts[1:], strict=False)]
    assert gaps[2] > 2 * max(gaps[:2] + gaps[3:])


def test_the_page_says_that_sound_is_blocked_and_a_touch_lets_it_through(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#kit", 360, 740)
    button = page.locator("#sound")
    expect(button).to_have_attribute("data-state", "blocked")
    expect(page.locator("#sound-said")).to_contain_text("blocks sound")
    page.get_by_role("button", name="The browser blocks sound").click()
    expect(button).to_have_attribute("data-state", "on")
    expect(page.locator("#sound-said")).to_contain_text("Sound is on")
    page.wait_for_function("() => document.documentElement.dataset.sounded")  # it is heard at once that it works
    button.click()
    expect(button).to_have_attribute("data-state", "muted")
    page.reload()
    expect(button).to_have_attribute("data-state", "muted")
    # Each can be heard, also while muted.
    page.locator("[data-sound='caution']").click()
    page.wait_for_function("() => document.documentElement.dataset.sounded?.startsWith('caution ')")
    page.locator("#sound-turn").click()
    expect(button).to_have_attribute("data-state", "on")


def test_any_touch_on_the_page_unlocks_sound(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url)
    expect(page.locator("#sound")).to_have_attribute("data-state", "blocked")
    page.locator("#spans button[data-minutes='10']").click()
    expect(page.locator("#sound")).to_have_attribute("data-state", "on")


def test_a_danger_calls_until_it_is_acknowledged_on_every_screen(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#sieves")
    page.locator("#want-more").click()  # the touch that lets sound through
    expect(page.locator("#sound")).to_have_attribute("data-state", "on")
    sounded = "() => document.documentElement.dataset.sounded ?? ''"
    assert worked.tell({"entry": "limit", "sure": True, "loss_kg_ha": 6})["ok"]
    try:
        card = page.locator("[data-alert='loss-over-limit']")
        card.wait_for()
        page.wait_for_function("() => document.documentElement.dataset.sounded?.startsWith('danger ')")
        first = page.evaluate(sounded)
        page.wait_for_function("(first) => document.documentElement.dataset.sounded !== first", arg=first)
        card.get_by_role("button", name=re.compile("^Acknowledge")).click()
        expect(card).to_have_attribute("data-state", "acknowledged")
        last = page.evaluate(sounded)
        page.locator("#want-less").click()
        expect(page.locator("#want")).to_have_text("16.0")
        page.wait_for_function("(t) => performance.now() > t + 6000", arg=page.evaluate("() => performance.now()"))
        assert page.evaluate(sounded) == last
    finally:
        worked.tell({"entry": "limit", "sure": True, "loss_kg_ha": 60})


HIDE = """(hidden) => {
  Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
  document.dispatchEvent(new Event('visibilitychange'));
}"""
HAS_LINE = """async () => {
  const at = document.querySelector('script[type=module]').src.replace('app.js', 'page/line.js');
  return (await import(at)).isOpen();
}"""


def test_a_page_behind_another_sounds_or_gives_its_line_back(worked: Any, open_page: Opener) -> None:
    page = open_page(worked.url + "#kit")
    assert page.evaluate(HAS_LINE)
    page.evaluate(HIDE, True)  # nobody has touched it: it can't sound, so it holds no line
    assert not page.evaluate(HAS_LINE)
    page.evaluate(HIDE, False)
    page.locator("#kit-title").click()
    expect(page.locator("#sound")).to_have_attribute("data-state", "on")
    expect(page.locator("#sound-said")).to_contain_text("goes on while another page is in front")
    page.wait_for_function(f"async () => await ({HAS_LINE})()")
    page.evaluate(HIDE, True)
    assert page.evaluate(HAS_LINE)
    alert = {"rule": "no-data", "object": None, "state": "raised", "severity": "danger", "since": "2026-07-01T10:00:00.000Z"}
    more = {"text": "A trial.", "cause": "", "action": "Nothing.", "value": None, "limit": None}
    worked.say("alert/trial", alert | more)
    try:
        page.wait_for_function("() => document.documentElement.dataset.sounded?.startsWith('danger ')")
    finally:
        worked.say("alert/trial", None)
    page.locator("#sound").click()
    expect(page.locator("#sound")).to_have_attribute("data-state", "muted")
    assert not page.evaluate(HAS_LINE)

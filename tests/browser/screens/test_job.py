"""The screen Job on the real chain: start, finish, reopen, everything that is entered there, past jobs, the pack."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.kits.tools import wait_until

Opener = Callable[..., Page]
SLOW = 25_000


def job(open_page: Opener, kit: Any, width: int = 1280, night: bool = False) -> Page:
    page = open_page(f"{kit.url}/#job", width, 800, night=night)
    expect(page.locator("#job-state")).not_to_be_empty()
    return page


def kept(page: Page) -> None:
    expect(page.locator("#asks li[data-kind='kept']").last).to_contain_text("Kept as number", timeout=SLOW)
    expect(page.locator("#asks li[data-kind='waiting']")).to_have_count(0, timeout=SLOW)


def form(page: Page, kind: str, values: dict[str, str]) -> None:
    card = page.locator(f"#job-form-{kind}")
    if card.get_attribute("open") is None:
        card.locator("summary").click()
    for key, value in values.items():
        page.locator(f"#job-{kind}-{key}").fill(value)
    card.locator("button.strong").click()


def test_a_job_from_start_to_reopening(standing: Any, open_page: Opener) -> None:
    page = job(open_page, standing, 360)
    expect(page.locator("#job-state")).to_contain_text("No job is open")
    page.get_by_label("Client").fill("A client")
    page.get_by_label("Paddock").fill("Long field")
    page.get_by_role("button", name="Start a job").click()
    expect(page.locator("#job-state")).to_contain_text("Job 1: client A client, paddock Long field", timeout=SLOW)
    started = standing.entries("job_start")[-1]
    assert (started["client"], started["paddock"]) == ("A client", "Long field")
    page.get_by_label("Grain harvested").fill("-3")
    page.get_by_role("button", name="Finish the job").click()
    expect(page.locator("#job-harvested-fault")).to_have_text("Allowed: 0 to 1000000.")
    expect(page.get_by_role("button", name="Touch again to finish")).to_have_count(0)  # what is wrong is said first
    page.get_by_label("Grain harvested").fill("41,5")
    page.get_by_label("Area harvested").fill("12")
    page.get_by_role("button", name="Finish the job").click()
    assert standing.entries("job_finish") == []  # one touch alone ends nothing
    page.get_by_role("button", name="Touch again to finish").click()
    expect(page.locator("#job-state")).to_contain_text("No job is open", timeout=SLOW)
    assert standing.entries("job_finish")[-1] == {"entry": "job_finish", "harvested_t": 41.5, "area_ha": 12.0}
    page.locator("li[data-job='1'] > details > summary").click()
    expect(page.locator("li[data-job='1']")).to_contain_text("Entered at its end: 41.5 t, 12 ha.")
    page.get_by_role("button", name="Reopen job 1").click()
    expect(page.locator("#job-why-1-fault")).to_have_text("Needed.")
    page.get_by_label("Why (it goes into the record)").fill("a corner was left")
    page.get_by_role("button", name="Reopen job 1").click()
    expect(page.locator("#job-state")).to_contain_text("Job 1: client A client", timeout=SLOW)
    assert standing.entries("job_reopen")[-1] == {"entry": "job_reopen", "job": 1, "note": "a corner was left"}
    expect(page.locator("li[data-job='1']")).to_contain_text("Reopened: a corner was left")


def test_every_typed_entry_reaches_the_record(standing: Any, open_page: Opener) -> None:
    page = job(open_page, standing)
    entered = [
        (
            "crop",
            {"name": "barley", "tgw_g": "45", "yield_t_ha": "4.5", "price_per_t": "210"},
            {"name": "barley", "tgw_g": 45.0, "yield_t_ha": 4.5, "price_per_t": 210.0},
        ),
        ("load", {"t": "8.2"}, {"t": 8.2}),
        ("load", {"t": "", "volume_m3": "10", "bulk_kg_m3": "640"}, {"volume_m3": 10.0, "bulk_kg_m3": 640.0}),
        ("residue", {"residue_width_m": "6.5"}, {"residue_width_m": 6.5}),
        ("sample", {"trash_pct": "1.5", "cracked_pct": "0.8"}, {"trash_pct": 1.5, "cracked_pct": 0.8}),
        ("returns_catch", {"mass_kg": "12", "seconds": "20"}, {"mass_kg": 12.0, "seconds": 20.0}),
        ("note", {"note": "A belt squeals."}, {"note": "A belt squeals."}),
    ]  # fmt: skip
    for kind, typed, wanted in entered:
        number = len(standing.entries(kind))
        form(page, kind, typed)
        expect(page.locator("#asks")).to_contain_text(re.compile("Kept as number"), timeout=SLOW)
        if kind == "sample":
            expect(page.locator("#asks")).to_contain_text("Tank sample: Trash (%) 1.5, Cracked (%) 0.8", timeout=SLOW)
        if kind == "residue":
            expect(page.locator("#asks")).to_contain_text("Residue width: 6.5 m", timeout=SLOW)
        wait_until(lambda kind=kind, number=number: len(standing.entries(kind)) == number + 1, 25.0)
        assert standing.entries(kind)[-1] == {"entry": kind, **wanted}
    expect(page.locator("#job-form-crop .job-form-now")).to_contain_text("barley, TGW 45 g, 4.5 t/ha, 210 per t", timeout=SLOW)
    expect(page.locator("#job-form-residue .job-form-now")).to_contain_text("6.5 m")


def test_forms_say_what_is_missing_and_send_nothing(standing: Any, open_page: Opener) -> None:
    page = job(open_page, standing)
    before = len(standing.rows("SELECT seq FROM record WHERE kind = 'entry'"))
    form(page, "load", {"t": "8", "volume_m3": "10"})
    expect(page.locator("#job-load-fault")).to_contain_text("Give the weight, or the volume")
    form(page, "crop", {})
    expect(page.locator("#job-crop-fault")).to_contain_text("Nothing is filled in")
    form(page, "crop", {"moisture_pct": "75"})
    expect(page.locator("#job-crop-moisture_pct-fault")).to_have_text("Allowed: 0 to 60.")
    form(page, "returns_catch", {"mass_kg": "12"})
    expect(page.locator("#job-returns_catch-seconds-fault")).to_have_text("Needed.")
    assert len(standing.rows("SELECT seq FROM record WHERE kind = 'entry'")) == before


def test_cautions_stand_before_the_catch_and_the_sample(standing: Any, open_page: Opener) -> None:
    page = job(open_page, standing)
    for kind, words in (("returns_catch", "Only where the operator's manual allows it"), ("sample", "never climb into a tank")):
        card = page.locator(f"#job-form-{kind}")
        card.locator("summary").click()
        said = card.inner_text()
        assert said.index(words) < said.index("Enter the")
    look = page.locator("#job-look").inner_text()
    assert look.index("never reach in while anything turns") < look.index("Enter the look")


def test_taps_enter_limits_residue_and_looks(standing: Any, open_page: Opener) -> None:
    page = job(open_page, standing, 360)
    loss = page.locator(".stepper[data-limit='loss_kg_ha']")
    now = float(loss.locator(".number").inner_text())
    loss.get_by_role("button", name=re.compile(": more$")).click()
    loss.get_by_role("button", name=re.compile("^Enter")).click()
    kept(page)
    assert standing.entries("limit")[-1] == {"entry": "limit", "loss_kg_ha": now + 5}
    expect(loss.locator(".stepper-now")).to_have_text(f"now {now + 5:.0f} kg/ha", timeout=SLOW)
    loss.get_by_role("button", name="No limit").click()
    expect(loss.get_by_role("button", name="Touch again: no limit")).to_be_visible()
    assert standing.entries("limit")[-1]["loss_kg_ha"] == now + 5  # one touch alone changes nothing
    loss.get_by_role("button", name="Touch again: no limit").click()
    expect(loss.locator(".stepper-now")).to_have_text("no limit set", timeout=SLOW)
    assert standing.entries("limit")[-1] == {"entry": "limit", "loss_kg_ha": None}
    page.locator("#job-chopper button[data-value='true']").click()
    expect(page.locator("#job-chopper button[data-value='true']")).to_have_text("Touch again")
    page.locator("#job-chopper button[data-value='true']").click()
    expect(page.locator("#job-chopper button[data-value='true']")).to_have_attribute("aria-pressed", "true", timeout=SLOW)
    page.locator("#job-spreader button[data-value='false']").dblclick()
    expect(page.locator("#job-spreader button[data-value='false']")).to_have_attribute("aria-pressed", "true", timeout=SLOW)
    assert standing.entries("residue")[-2:] == [{"entry": "residue", "chopper": True}, {"entry": "residue", "spreader": False}]
    page.locator("#look-clean_grain button[data-value='much']").click()
    page.locator("#look-chaff button[data-value='none']").click()
    page.get_by_role("button", name="Enter the look").click()
    kept(page)
    wait_until(lambda: bool(standing.entries("returns_look")), 25.0)
    assert standing.entries("returns_look")[-1] == {"entry": "returns_look", "clean_grain": "much", "chaff": "none"}


def test_while_driving_a_job_starts_by_a_tap_and_nothing_is_typed(worked: Any, open_page: Opener) -> None:
    page = job(open_page, worked)
    expect(page.locator("#job-state")).to_contain_text("Job 1: client Demo client, paddock")
    expect(page.locator("#job-facts")).to_contain_text("Area cut")
    cut = worked.rows("SELECT sum(area_m2) / 1e4 AS ha FROM second")[0]["ha"]
    said = re.search(r"Area cut\s+([\d.]+) ha", page.locator("#job-facts").inner_text())
    assert said is not None and float(said[1]) == pytest.approx(cut, abs=0.1)
    expect(page.locator("#job-harvested")).to_be_disabled()
    said = page.locator("#screen-job [data-typed-why]:visible")  # once on a screen, and without the settings file
    expect(said).to_have_text(re.compile(r"The machine is driving \([\d.]+ km/h\). Stop to type here."))
    expect(said).to_have_count(1)
    page.get_by_role("button", name="Start another").click()
    expect(page.locator("#job-start-warn")).to_be_visible()
    page.locator("#job-machine").evaluate("(one) => { one.value = ''; }")
    page.get_by_role("button", name="Start a job").click()
    expect(page.locator("#job-state")).to_contain_text("Job 2: no names given", timeout=SLOW)
    assert worked.entries("job_start")[-1] == {"entry": "job_start"}


def test_what_was_typed_at_a_stand_goes_along_with_a_tap_while_driving(worked: Any, open_page: Opener) -> None:
    """The fields are shut while the machine drives: what stands there was typed before."""
    page = job(open_page, worked)
    expect(page.locator("#job-client")).to_be_disabled()

    def typed_before(name: str, value: str) -> None:
        page.locator(f"#job-{name}").evaluate("(one, value) => { one.value = value; }", value)

    page.get_by_role("button", name="Start another").click()
    typed_before("client", "A late client")
    typed_before("machine", "The old one")
    started = len(worked.entries("job_start"))
    page.get_by_role("button", name="Start a job").click()
    expect(page.locator("#job-state")).to_contain_text("A late client", timeout=SLOW)
    assert worked.entries("job_start")[started:] == [{"entry": "job_start", "client": "A late client", "machine": "The old one"}]
    expect(page.locator("#job-client")).to_have_value("")
    typed_before("harvested", "much")
    typed_before("area", "2.5")
    page.get_by_role("button", name="Finish the job").click()
    page.get_by_role("button", name="Touch again to finish").click()
    expect(page.locator("#job-left-out")).to_contain_text("Grain harvested (t)")
    expect(page.locator("#job-state")).to_contain_text("No job is open", timeout=SLOW)
    assert worked.entries("job_finish")[-1] == {"entry": "job_finish", "area_ha": 2.5}
    expect(page.locator("#job-harvested")).to_have_value("much")  # what was not sent is not lost
    expect(page.locator("#job-area")).to_have_value("")
    typed_before("harvested", "")


def test_a_finished_job_says_why_its_mean_is_not_the_live_one(worked: Any, open_page: Opener) -> None:
    assert worked.tell({"entry": "job_start", "client": "Why"})["ok"]
    assert worked.tell({"entry": "job_finish"})["ok"]
    page = job(open_page, worked)
    cards = page.locator("#job-list li[data-job]")
    told = 0
    for n in range(cards.count()):
        came = cards.nth(n).locator(".came-to")
        if came.count() and "unknown" not in (came.text_content() or ""):
            expect(came).to_contain_text("All tray tests of the job count for the whole of it")
            told += 1
    assert told


def test_proof_lines_of_a_job_are_those_of_the_record(worked: Any, open_page: Opener) -> None:
    page = job(open_page, worked)
    card = page.locator("li[data-job='1']")
    card.locator("> details > summary").click()
    card.locator(".proofs > summary").click()
    first = worked.rows("SELECT seq, hash FROM record WHERE json_extract(body, '$.entry') = 'job_start' ORDER BY seq LIMIT 1")[0]
    line = card.locator(".proofs li").first
    expect(line).to_contain_text(f"record {first['seq']}:")
    assert line.locator("code").inner_text().replace(" ", "") == first["hash"]


def test_a_pack_is_made_and_saved(worked: Any, open_page: Opener) -> None:
    page = job(open_page, worked)
    page.locator("li[data-job='1'] > details > summary").click()
    button = page.locator("li[data-job='1'] button[data-pack='coarse']")
    server = worked.programs["dashboard"].process.pid
    before_mb = resident_mb(server)
    with page.expect_download(timeout=40_000) as found:
        button.click()
    assert found.value.suggested_filename == "tailgrain-kit1-job-1-within-a-kilometre.html"
    assert b"<html" in found.value.path().read_bytes()[:500]
    expect(page.locator("li[data-job='1'] .said")).to_contain_text("Saved as tailgrain-kit1-job-1-within-a-kilometre.html")
    assert page.request.get(f"{worked.url}/pack/1?position=everywhere").status == 400
    refused = page.request.get(f"{worked.url}/pack/99?position=none")
    assert (refused.status, "allowed: 1" in refused.json()["why"]) == (400, True)
    assert resident_mb(server) < before_mb + 15  # charts and signatures are another process's work


def resident_mb(process: int) -> float:
    """Memory that a process holds (proc(5), VmRSS)."""
    status = Path(f"/proc/{process}/status").read_text()
    return int(re.findall(r"VmRSS:\s+(\d+) kB", status)[0]) / 1000


@pytest.mark.parametrize("night", [False, True])
def test_axe_finds_nothing_and_nothing_sticks_out(standing: Any, open_page: Opener, night: bool) -> None:
    page = job(open_page, standing, night=night)
    for kind in ("crop", "returns_catch", "note"):
        page.locator(f"#job-form-{kind} summary").click()
    for width in (1280, 768, 360, 320):
        page.set_viewport_size({"width": width, "height": 740})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if width in (1280, 360):
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_snapshot()

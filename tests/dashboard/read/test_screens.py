"""What the screens Sieves, Speed, Morning and Kit read, over plain HTTP, against the database and the hand calculations."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

import msgspec
import pytest

from dashboard.read import counts, health, history, morning, reading, sieving, speeding
from dashboard.read.asked import Question
from dashboard.serve.screens import WEB
from edge.contract import settings as settings_module
from edge.contract.errors import EntryError, StoreError, WrongInput
from edge.contract.settings import Settings
from edge.keep import schema
from tests.kits.settings import beam, ground, kit_toml, loss, shaft

BASE = kit_toml(
    [loss("separator", "left"), beam(empty_pct=20), ground(2.0), shaft("fan", pulses_per_rev=2)],
    levels=({"bit": 0, "means": "threshing on"}, {"bit": 1, "means": "front down", "inverted": True}),
    name="Older rotor machine", cut_width_m=9.1, fan="cross-flow", pre_sieve="none",
    sieve_guards=["top-16-to-18-cereals", "top-bottom-within-2", "bottom-6-cross-flow"],
    crop={"name": "wheat"},
)  # fmt: skip


class Kept:
    """A database of a made-up kit, written as the kit's writer lays it out; `ask` is a page's question to it."""

    def __init__(self, folder: Path, text: str = BASE) -> None:
        self.path = folder / "tailgrain.db"
        self.settings: Settings = settings_module.parse(text + f'[store]\npath = "{folder}"\n')
        self._db = schema.open_writer(self.path)
        self._db.execute(
            "INSERT INTO run (run, started_ms, closed_cleanly, source, version, settings) VALUES (1, 0, 0, 'test', '0.1.0', '{}')"
        )
        self.number = 0

    def ask(self, **query: str) -> Question:
        return Question(self.path, self.settings, query)

    def record(self, kind: str, body: dict[str, Any], at_s: float = 1000.0) -> None:
        self._db.execute(
            "INSERT INTO record (run, at_ms, kind, body) VALUES (1, ?, ?, ?)",
            (round(at_s * 1000), kind, msgspec.json.encode(body).decode()),
        )

    def second(self, t: int, parts: list[Any], state: str = "idle") -> None:
        self.number += 1
        self._db.execute("INSERT INTO second (run, number, t, state) VALUES (1, ?, ?, ?)", (self.number, t, state))
        ms = sum(part[2] for part in parts)
        text = msgspec.json.encode(parts).decode()
        self._db.execute("INSERT INTO counts VALUES (1, ?, ?, ?)", (self.number, ms, text))

    def close(self) -> None:
        self._db.close()

    def damage(self) -> None:
        self.close()
        for path in self.path.parent.glob("tailgrain.db*"):
            path.unlink()
        self.path.write_bytes(b"no database at all" * 100)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    with closing(Kept(tmp_path)) as found:
        yield found


# ---------------------------------------------------------------------- counts


def test_each_input_is_told_in_its_own_terms(kept: Kept) -> None:
    now = int(time.time())
    for i in range(6):
        kept.second(now - 5 + i, [[1, 0, 400, [2, 100, 1, 10]], [1, 400, 600, [3, 150, 3, 20]]])
    told = counts.recent(kept.ask())
    values = [one["value"] for one in told["inputs"]]
    # In a second: 5 pulses; blocked 250 of 1000 ms; 4 pulses at 2 a metre = 2 m/s = 7.2 km/h; 30 pulses at 2 a turn = 900 rpm.
    assert values == [5.0, 25.0, 7.2, 900.0]
    assert [one["reads"] for one in told["inputs"]] == ["loss", "beam", "ground", "shaft"]
    assert told["inputs"][0]["pulses"] == 30 and told["inputs"][0]["point"] == "separator"
    assert told["inputs"][1]["empty_pct"] == 20
    # Bit 0 is up, bit 1 is down and inverted.
    assert told["levels"] == [{"means": "threshing on", "on": True}, {"means": "front down", "on": True}]
    assert [one["key"] for one in told["seconds"]] == [f"1-{n}" for n in range(1, 7)]
    assert told["seconds"][0]["counts"] == [5, 250, 4, 30]
    assert abs(told["age_s"]) < 5


def test_a_quiet_a_missing_and_an_unheard_input_differ(kept: Kept) -> None:
    assert counts.recent(kept.ask())["age_s"] is None
    kept.second(100, [])
    assert {one["life"] for one in counts.recent(kept.ask())["inputs"]} == {"no counts"}
    kept.second(101, [[0, 0, 1000, [0, 0]]])
    told = counts.recent(kept.ask())["inputs"]
    assert [one["life"] for one in told] == ["quiet", "quiet", "missing", "missing"]
    assert [one["value"] for one in told] == [0.0, 0.0, None, None]


def test_only_the_last_seconds_are_told(kept: Kept) -> None:
    for t in range(1, 40):
        kept.second(t, [[0, 0, 1000, [1, 0, 0, 0]]])
    told = counts.recent(kept.ask())
    assert [one["t"] for one in told["seconds"]] == list(range(28, 40))


# ---------------------------------------------------------------------- health


def parts(kept: Kept) -> dict[str, tuple[str, str]]:
    return {one["part"]: (one["state"], one["key"]) for one in health.facts(kept.ask())["checks"]}


def test_a_sound_kit_is_good_in_every_part(kept: Kept) -> None:
    kept.second(int(time.time()), [])
    lines = {"good": 600, "bad_crc": 1, "malformed": 0, "missing": 2, "restarts": 0, "entries": 0}
    kept.record("minute", {"seconds": {"working": 60}, "lines": lines})
    kept.record("run start", {"run": 1, "key": {"fingerprint": "3f2a 91bc"}})
    told = health.facts(kept.ask())
    assert {state for state, _ in parts(kept).values()} == {"good"}
    assert set(parts(kept)) == {"counts", "serial", "store", "clock", "version", "disk"}
    assert told["facts"]["lines"] == {"minutes": 1, "good": 600, "bad_crc": 1, "malformed": 0, "missing": 2, "restarts": 0}
    assert told["facts"]["fingerprint"] == "3f2a 91bc"
    assert told["facts"]["records"] == 2 and told["facts"]["run"] == 1


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"bad_crc": 12}, ("notice", "serial_some")),
        ({"missing": 100}, ("caution", "serial_bad")),
        ({"restarts": 1}, ("caution", "serial_restarts")),
        ({"good": 0, "malformed": 600}, ("caution", "serial_none")),
    ],
)
def test_the_serial_line_is_judged_by_its_lines(kept: Kept, changed: dict[str, int], expected: tuple[str, str]) -> None:
    lines = {"good": 600, "bad_crc": 0, "malformed": 0, "missing": 0, "restarts": 0, "entries": 0}
    kept.record("minute", {"seconds": {"idle": 60}, "lines": {**lines, **changed}})
    assert parts(kept)["serial"] == expected


def test_short_minutes_of_a_run_are_not_told_as_whole_ones(kept: Kept) -> None:
    """4242 messages at ten a second are seven minutes, however many records they stand in."""
    lines = {"good": 424, "bad_crc": 0, "malformed": 0, "missing": 0, "restarts": 0, "entries": 0}
    for _ in range(10):
        kept.record("minute", {"seconds": {"working": 40, "idle": 2}, "lines": lines})
    told = health.facts(kept.ask())["facts"]["lines"]
    assert (told["minutes"], told["good"]) == (7, 4240)


def test_silence_clock_version_disk_and_damage_are_named(kept: Kept) -> None:
    now = int(time.time())
    assert parts(kept)["counts"] == ("caution", "counts_none")
    kept.second(now - 60, [])
    assert parts(kept)["counts"] == ("caution", "counts_old")
    kept.record("clock step", {"from_ms": 0, "to_ms": 7_200_000}, float(now))
    assert parts(kept)["clock"] == ("notice", "clock_stepped")
    kept.second(now + 3600, [])
    assert parts(kept)["clock"] == ("caution", "clock_ahead")
    kept._db.execute("UPDATE run SET version = '0.0.1'")
    assert parts(kept)["version"] == ("caution", "version_differs")
    store = msgspec.structs.replace(kept.settings.store, disk_floor_mb=1e6)
    kept.settings = msgspec.structs.replace(kept.settings, store=store)
    assert health._disk_check({"free_mb": 10, "floor_mb": 500})["key"] == "disk_low"
    assert health._disk_check({"free_mb": 800, "floor_mb": 500})["key"] == "disk_near"
    assert health._disk_check({"free_mb": None, "floor_mb": 500})["key"] == "disk_unknown"
    kept.damage()
    assert parts(kept)["store"] == ("caution", "store_fault")


# ---------------------------------------------------------------------- sieves


def gauged(kept: Kept, **more: Any) -> None:
    kept.record("entry", {"entry": "gauge", **more})


def test_sieves_are_known_from_the_record_in_its_order(kept: Kept) -> None:
    gauged(kept, sieve="top", readout_mm=14, measured_mm=[17.0, 17.4, 16.6], opened_to_mm=24)
    kept.record("entry", {"entry": "setting", "what": "top_sieve_mm", "to": 13})
    told = sieving.known(kept.ask())
    assert [one["sieve"] for one in told["sieves"]] == ["top", "bottom"]  # this machine has no pre-sieve
    top = told["sieves"][0]
    assert top["check"]["offset_mm"] == pytest.approx(3.0) and top["check"]["spread_mm"] == pytest.approx(0.8)
    assert (top["set_to"], top["gap_mm"]) == (13.0, pytest.approx(16.0))
    assert top["checks"][0]["measured_mm"] == [17.0, 17.4, 16.6]
    assert told["sieves"][1]["check"] is None


def test_the_dial_is_that_of_the_hand_calculation(kept: Kept, tmp_path: Path) -> None:
    gauged(kept, sieve="bottom", readout=40, unit="percent", measured_mm=6.0, opened_to_mm=20)
    gauged(kept, sieve="bottom", readout=60, unit="percent", measured_mm=10.0, opened_to_mm=20)
    told = sieving.dial(kept.ask(sieve="bottom", want_mm="7"))
    checks = [
        {"entry": "gauge", "sieve": "bottom", "readout": 40, "unit": "percent", "measured_mm": 6, "opened_to_mm": 20},
        {"entry": "gauge", "sieve": "bottom", "readout": 60, "unit": "percent", "measured_mm": 10, "opened_to_mm": 20},
    ]
    given = tmp_path / "checks.json"
    given.write_bytes(msgspec.json.encode(checks))
    command = [sys.executable, "-m", "edge", "calc", "sieve", "--from", str(given), "--want-mm", "7", "--json"]
    by_hand = msgspec.json.decode(subprocess.run(command, check=True, capture_output=True).stdout)
    assert told["dial"] == pytest.approx(by_hand["dial"]) == pytest.approx(45.0)
    assert (told["unit"], told["to"]) == ("percent", 7.0)  # a setting entry of a sieve is in mm
    assert sieving.dial(kept.ask(sieve="top", want_mm="7"))["dial"] is None


def test_a_trial_says_what_the_kit_would_answer_and_keeps_nothing(kept: Kept) -> None:
    entry = {"entry": "gauge", "sieve": "top", "readout_mm": 10, "measured_mm": 11}
    told = sieving.trial(kept.ask(entry=msgspec.json.encode(entry).decode()))
    assert told["gauge"]["offset_mm"] == pytest.approx(1.0)
    assert any("open side" in words for words in told["gauge"]["warnings"])
    assert told["rails"] == ["top-16-to-18-cereals"] and "top sieve 16 to 18 mm" in told["notices"][0]
    assert sieving.known(kept.ask())["sieves"][0]["checks"] == []


def test_each_notice_keeps_its_rail_when_one_is_overridden(kept: Kept) -> None:
    gauged(kept, sieve="bottom", readout_mm=4, measured_mm=4, opened_to_mm=20)
    note = "override top-bottom-within-2: trial"
    entry = {"entry": "gauge", "sieve": "top", "readout_mm": 10, "measured_mm": 11, "note": note}
    told = sieving.trial(kept.ask(entry=msgspec.json.encode(entry).decode()))
    assert told["rails"] == list(kept.settings.machine.sieve_guards)
    assert told["reasons"] == {"top-bottom-within-2": "trial"}
    assert ["overridden" in words for words in told["notices"]] == [False, True, False]


@pytest.mark.parametrize(
    ("ask", "kind", "words"),
    [
        (lambda kept: sieving.dial(kept.ask(sieve="tops", want_mm="7")), WrongInput, "did you mean `top`"),
        (lambda kept: sieving.dial(kept.ask(sieve="top", want_mm="-1")), WrongInput, "0 to 200"),
        (lambda kept: sieving.dial(kept.ask(sieve="top", want_mm="nan")), WrongInput, "0 to 200"),
        (lambda kept: sieving.dial(kept.ask(sieve="top")), WrongInput, "want_mm"),
        (lambda kept: sieving.trial(kept.ask()), EntryError, "no valid JSON"),
        (lambda kept: sieving.trial(kept.ask(entry='{"entry":"note","note":"x"}')), EntryError, "allowed: a gauge entry"),
        (lambda kept: sieving.trial(kept.ask(entry='{"entry":"gauge","sieve":"top"}')), EntryError, "measured_mm"),
    ],
)
def test_a_wrong_question_is_refused_in_one_line(kept: Kept, ask: Any, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind) as refused:
        ask(kept)
    assert words in str(refused.value) and "\n" not in str(refused.value)


# ---------------------------------------------------------------------- morning


def test_the_morning_offers_the_best_set_of_the_crop_in_force_only(kept: Kept) -> None:
    page = {"crop": "Barley", "at_s": 10.0, "settings": {"fan_rpm": 800.0}, "loss_kg_ha": 20.0, "returns_pct": None}
    kept.record("good set", {**page, "crop": "Wheat", "at_s": 5.0})
    kept.record("good set", {**page, "crop": "wheat", "at_s": 20.0, "settings": {"fan_rpm": 900.0}})
    kept.record("good set", page)
    kept.record("entry", {"entry": "setting", "what": "fan_rpm", "to": 850})
    kept.record("entry", {"entry": "idle_run", "seconds": 20}, 2000.0)
    kept.record("entry", {"entry": "gauge", "sieve": "top", "readout_mm": 1, "measured_mm": 1, "at": 1500.0}, 2000.0)
    told = morning.facts(kept.ask())
    assert [(one["crop"], one["settings"]) for one in told["good"]] == [("wheat", {"fan_rpm": 900.0})]
    assert told["settings"] == {"fan_rpm": 850.0}
    assert told["last"] == {"zero": 2000.0, "gauge": 1500.0, "tray": None}
    kept.record("entry", {"entry": "crop", "name": "oats"}, 3000.0)
    assert morning.facts(kept.ask())["good"] == [], "neither wheat's nor barley's"


def test_the_morning_tells_what_the_present_settings_give(kept: Kept) -> None:
    def minute(at_s: float, kg_ha: float | None, area_ha: float = 0.5) -> None:
        seconds = {"working": 60 if area_ha else 0}
        kept.record("minute", {"loss": {"kg_ha": kg_ha}, "area_ha": area_ha, "seconds": seconds}, at_s)

    assert morning.facts(kept.ask())["present"] == {"loss_kg_ha": None, "minutes": 0.0, "verdict": None}
    minute(60.0, 90.0)
    kept.record("entry", {"entry": "setting", "what": "fan_rpm", "from": 900, "to": 850}, 100.0)
    kept.record("verdict", {"setting": 1, "verdict": "not enough data"}, 120.0)
    for worked in ((120.0, 80.0), (240.0, 20.0), (300.0, 30.0, 0.25), (360.0, None), (420.0, 0.0, 0.0)):
        minute(*worked)
    kept.record("verdict", {"setting": 1, "verdict": "mixed"}, 420.0)
    kept.record("entry", {"entry": "crop", "price_per_t": 200}, 430.0)
    present = morning.facts(kept.ask())["present"]
    assert present["loss_kg_ha"] == pytest.approx((20 * 0.5 + 30 * 0.25) / 0.75), "neither before nor while it settles"
    assert (present["minutes"], present["verdict"]) == (2.0, "mixed")
    kept.record("entry", {"entry": "setting", "what": "lag_s", "to": 12}, 500.0)
    assert morning.facts(kept.ask())["present"]["minutes"] == 2.0, "the kit's own lag changes nothing on the machine"
    kept.record("entry", {"entry": "setting", "what": "fan_rpm", "to": 900}, 600.0)
    assert morning.facts(kept.ask())["present"] == {"loss_kg_ha": None, "minutes": 0.0, "verdict": None}


# ---------------------------------------------------------------------- entries that another version kept


STRANGE = (
    {"entry": "setting", "what": "deck_plate_mm", "to": 3.0, "by_hand": True},
    {"entry": "crop", "name": 7},
    {"entry": "gauge", "sieve": "fourth", "readout_mm": 1, "measured_mm": 1},
    {"entry": "idle_run", "seconds": 20, "at": "this morning"},
    {"entry": 5},
)
"""Of every screen's kinds, but none that this version knows."""


def test_no_screen_fails_over_an_entry_of_another_version(kept: Kept) -> None:
    kept.second(2000, [])
    kept.record("entry", {"entry": "idle_run", "seconds": 20, "at": "1970-01-01T00:20:00Z"}, 1900.0)
    gauged(kept, sieve="top", readout_mm=14, measured_mm=15)
    # Two that waited in a page: what counts is the touch, told in epoch s or as RFC 3339 allows it.
    kept.record("entry", {"entry": "setting", "what": "top_sieve_mm", "to": 13, "at": "1970-01-01t00:30:00z"}, 1950.0)
    kept.record("entry", {"entry": "setting", "what": "fan_rpm", "from": 800, "to": 850, "at": 1810.5}, 1950.0)
    for body in STRANGE:
        kept.record("entry", body, 1990.0)
    kept._db.execute("INSERT INTO record (run, at_ms, kind, body) VALUES (1, 1990000, 'entry', '{\"entry\": \"setting')")
    told = morning.facts(kept.ask())
    assert told["last"]["zero"] == 1200.0
    assert told["settings"] == {"top_sieve_mm": 13.0, "fan_rpm": 850.0}
    top = sieving.known(kept.ask())["sieves"][0]
    assert (top["set_to"], top["set_at"], top["gap_mm"]) == (13.0, 1800.0, pytest.approx(14.0))
    changes = reading.in_force(kept.ask())["changes"]
    assert [(one["what"], one["at"]) for one in changes] == [("top_sieve_mm", 1800.0), ("fan_rpm", 1810.5)]
    marks = history.marks(kept.path, 30)["marks"]
    assert [(one["what"], one["from"], one["to"], one["at"]) for one in marks] == [
        ("top_sieve_mm", None, 13.0, 1800.0),
        ("fan_rpm", 800.0, 850.0, 1810.5),
    ]


def test_what_the_present_settings_give_counts_from_the_touch(kept: Kept) -> None:
    """A change told 20 minutes late: the minutes since the touch are its own."""
    kept.record("entry", {"entry": "setting", "what": "fan_rpm", "from": 900, "to": 850, "at": 1000.0}, 2200.0)
    for at_s in (900.0, 1200.0, 1300.0):
        kept.record("minute", {"loss": {"kg_ha": at_s / 10}, "area_ha": 1.0, "seconds": {"working": 60}}, at_s)
    present = morning.facts(kept.ask())["present"]
    assert (present["loss_kg_ha"], present["minutes"]) == (125.0, 2.0)


# ---------------------------------------------------------------------- the page itself


def test_no_two_things_on_the_page_share_a_name() -> None:
    text = "".join(path.read_text() for path in WEB.rglob("*.html"))
    names = re.findall(r' id="([^"]+)"', text)
    assert len(names) > 100
    assert {name for name in names if names.count(name) > 1} == set()


# ---------------------------------------------------------------------- over HTTP


def test_the_server_answers_each_and_refuses_in_one_line(server: Any) -> None:
    for path in ("/counts", "/health", "/morning", "/sieves", "/sieves/dial?sieve=top&want_mm=16"):
        answer = server.ask("GET", path)
        assert answer.status == 200, answer.body
        assert answer.headers["cache-control"] == "no-store"
    entry = quote('{"entry":"gauge","sieve":"top","readout_mm":14,"measured_mm":15}')
    assert server.ask("GET", f"/sieves/trial?entry={entry}").json()["gauge"]["offset_mm"] == 1.0
    for path in ("/sieves/dial?sieve=top&want_mm=x", "/sieves/trial?entry=x", "/speed?hourly=x", "/speed?weather=-1"):
        answer = server.ask("GET", path)
        assert answer.status == 400, path
        assert "allowed" in answer.json()["why"] or "JSON" in answer.json()["why"], path


def test_speed_over_http_is_the_commands_answer(server: Any) -> None:
    kit = server.kit
    told = server.ask("GET", "/speed?hourly=300").json()
    command = [sys.executable, "-m", "edge", "speed", str(kit.database), "--config", str(kit.config), "--json"]
    said = subprocess.run([*command, "--hourly-cost", "300"], check=True, capture_output=True).stdout
    assert {key: value for key, value in told.items() if key != "age_s"} == msgspec.json.decode(said)
    again = server.ask("GET", "/speed?hourly=300").json()
    assert again["age_s"] > 0 and again["why"] == told["why"]  # told again, not reckoned again


class Counting(speeding.Speeds):
    """Notes each reckoning that is begun, and answers with its number."""

    def __init__(self) -> None:
        super().__init__(Path("nowhere.db"), None)
        self.begun: list[tuple[float | None, float | None]] = []

    async def _ask(self, hourly: float | None, weather: float | None) -> dict[str, Any]:
        self.begun.append((hourly, weather))
        await asyncio.sleep(0)
        return {"number": len(self.begun)}


def test_many_pages_share_one_reckoning(server: Any) -> None:
    async def all_at_once() -> tuple[list[Any], Counting]:
        speeds = Counting()
        asked = [speeds.answer(300.0, None) for _ in range(8)] + [speeds.answer(0.0, None)]
        return await asyncio.gather(*asked), speeds

    answers, speeds = asyncio.run(all_at_once())
    assert [one["number"] for one in answers] == [1] * 8 + [2]
    assert speeds.begun == [(300.0, None), (0.0, None)]
    with ThreadPoolExecutor(8) as pool:
        over_http = list(pool.map(lambda _: server.ask("GET", "/speed?hourly=123"), range(8)))
    assert {answer.status for answer in over_http} == {200}  # however many pages wait for the same


def test_a_page_without_a_record_says_why(bare: Any, of: Callable[[Any], Any]) -> None:
    bare.dashboard()
    for path in ("/counts", "/morning", "/sieves", "/speed"):
        answer = of(bare).ask("GET", path)
        assert answer.status == 503 and "no such database" in answer.json()["why"], path
    told = of(bare).ask("GET", "/health").json()
    assert told["checks"][0]["key"] == "store_fault" and "no such database" in told["facts"]["store_fault"]


def test_a_reckoning_that_takes_too_long_is_ended(kept: Kept, tmp_path: Path) -> None:
    config = tmp_path / "kit.toml"
    config.write_text(BASE)
    speeds = speeding.Speeds(kept.path, config, limit_s=0.05)
    with pytest.raises(StoreError, match=r"took over 0 s and was stopped"):
        asyncio.run(speeds.answer(None, None))


def test_a_reckoning_that_fails_says_why(kept: Kept, tmp_path: Path) -> None:
    speeds = speeding.Speeds(kept.path, tmp_path / "missing.toml")
    with pytest.raises(StoreError, match=r"missing\.toml"):
        asyncio.run(speeds.answer(None, None))

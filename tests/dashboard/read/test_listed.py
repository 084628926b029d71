"""What was entered, as the page lists it; what was struck out is in force nowhere, stays readable and keeps its number."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest

from dashboard.read import history, judged, listed, reading, sieving
from dashboard.read.asked import Question
from edge.contract import settings as settings_module
from edge.playback.replay import replay

RECORDING = Path(__file__).parents[2] / "recordings" / "worked_example.tgcap.gz"
Enter = Callable[[dict[str, Any]], int]


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("listed") / "tailgrain.db"
    replay(RECORDING, settings_module.load(RECORDING.with_name("worked_example.toml")), store=store)
    return store


@pytest.fixture
def example(replayed: Path, tmp_path: Path) -> Question:
    """The worked example's database, for this test alone."""
    return Question(
        Path(shutil.copy(replayed, tmp_path / "tailgrain.db")),
        settings_module.load(RECORDING.with_name("worked_example.toml")), {},
    )  # fmt: skip


@pytest.fixture
def enter(example: Question) -> Enter:
    """Put an entry into the record, as the daemon would keep it; returns its number."""

    def put(entry: dict[str, Any]) -> int:
        with closing(sqlite3.connect(example.store)) as db, db:
            last_ms, run = db.execute("SELECT max(at_ms), max(run) FROM record").fetchone()
            made = db.execute(
                "INSERT INTO record (run, at_ms, kind, body) VALUES (?, ?, 'entry', ?)",
                (run, last_ms + 1000, msgspec.json.encode(entry).decode()),
            )
            return int(made.lastrowid or 0)

    return put


def numbers(question: Question, kind: str) -> list[int]:
    return [one["seq"] for one in reversed(listed.newest(question)["entered"]) if one["entry"]["entry"] == kind]


def test_the_newest_stand_first_with_what_struck_them_out(example: Question, enter: Enter) -> None:
    before = listed.newest(example)["entered"]
    assert [one["seq"] for one in before] == sorted((one["seq"] for one in before), reverse=True)
    assert all(one["struck"] is None for one in before)
    typed = enter({"entry": "load", "t": 820})
    strike = enter({"entry": "strike_out", "seq": typed, "why": "Wrong unit"})
    first, second = listed.newest(example)["entered"][:2]
    assert (first["seq"], first["entry"]["entry"]) == (strike, "strike_out")
    assert second["entry"] == {"entry": "load", "t": 820}
    assert (second["struck"]["seq"], second["struck"]["why"]) == (strike, "Wrong unit")


def test_the_list_is_short_and_an_entry_of_another_version_stands_in_it(example: Question, enter: Enter) -> None:
    for n in range(40):
        enter({"entry": "from_tomorrow", "n": n})
    found = listed.newest(example)["entered"]
    assert [one["entry"]["n"] for one in found] == list(range(39, 9, -1))


def test_a_struck_setting_is_not_in_force_and_later_ones_keep_their_numbers(example: Question, enter: Enter) -> None:
    first = reading.in_force(example)["changes"]
    slip = enter({"entry": "setting", "what": "fan_rpm", "to": 8600, "from": 860})
    enter({"entry": "setting", "what": "rotor_rpm", "to": 700})
    assert reading.in_force(example)["settings"]["fan_rpm"] == 8600
    enter({"entry": "strike_out", "seq": slip, "why": "Typed wrongly"})
    found = reading.in_force(example)
    assert found["settings"].get("fan_rpm") != 8600
    assert [one["n"] for one in found["changes"]] == [*(one["n"] for one in first), len(first) + 2]
    assert found["changes"][-1]["what"] == "rotor_rpm"
    marks = [one for one in history.marks(example.store, 120)["marks"] if one["kind"] == "setting"]
    assert slip not in [one["seq"] for one in marks]


def test_a_struck_mark_is_gone_and_the_next_one_keeps_its_number(example: Question, enter: Enter) -> None:
    known = [one["mark"] for one in reading.in_force(example)["marks"]]
    slip = enter({"entry": "tray_mark"})
    enter({"entry": "tray_mark"})
    enter({"entry": "strike_out", "seq": slip, "why": "Typed wrongly"})
    assert [one["mark"] for one in reading.in_force(example)["marks"]] == [*known, len(known) + 2]


def test_a_struck_crop_and_limit_give_back_what_held(example: Question, enter: Enter) -> None:
    before = reading.in_force(example)
    slips = [enter({"entry": "crop", "name": "barley", "tgw_g": 450}), enter({"entry": "limit", "loss_kg_ha": 3})]
    assert (reading.in_force(example)["crop"], reading.in_force(example)["limits"]["loss_kg_ha"]) == ("barley", 3)
    for seq in slips:
        enter({"entry": "strike_out", "seq": seq, "why": "Not on this machine"})
    after = reading.in_force(example)
    assert {key: after[key] for key in ("crop", "tgw_g", "limits")} == {key: before[key] for key in ("crop", "tgw_g", "limits")}


def test_a_struck_gauge_check_is_listed_but_models_nothing(example: Question, enter: Enter) -> None:
    enter({"entry": "gauge", "sieve": "top", "readout_mm": 14, "measured_mm": 12})
    slip = enter({"entry": "gauge", "sieve": "top", "readout_mm": 18, "measured_mm": 160})
    enter({"entry": "strike_out", "seq": slip, "why": "Wrong unit"})
    top = next(one for one in sieving.known(example)["sieves"] if one["sieve"] == "top")
    assert [(one["seq"] == slip, one["struck"] and one["struck"]["why"]) for one in top["checks"]] == [
        (True, "Wrong unit"), (False, None),
    ]  # fmt: skip
    assert top["check"]["readouts"] == [14.0]
    assert top["check"]["offset_mm"] == pytest.approx(-2.0)


def test_a_struck_tray_test_says_so(example: Question, enter: Enter) -> None:
    (test,) = judged.tests(example)["tests"]
    assert test["entry_seq"] == numbers(example, "tray")[0]
    assert test["struck"] is None
    enter({"entry": "strike_out", "seq": test["entry_seq"], "why": "Typed wrongly"})
    (test,) = judged.tests(example)["tests"]
    assert test["struck"]["why"] == "Typed wrongly"

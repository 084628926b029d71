"""What the server decides of an entry before the kit is asked: what is typed, while driving, and how late it comes."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
import pytest

from dashboard.enter.entering import TAPPED, UNDATED, checked, needs_typing, typed_before
from dashboard.serve.live import Hub
from edge.contract import entries
from edge.contract.errors import EntryError


def test_every_kind_of_entry_is_either_tapped_or_typed() -> None:
    known = set(entries.KINDS)
    assert known > TAPPED
    typed = {"crop", "tray", "gauge", "load", "sample", "returns_catch", "ground_run", "job_reopen", "note"}
    assert known - TAPPED == typed


@pytest.mark.parametrize(
    ("entry", "typed"),
    [
        ({"entry": "setting", "what": "fan_rpm", "to": 860.0}, False),
        ({"entry": "setting", "what": "other", "name": "deflector", "to": "up"}, True),
        ({"entry": "setting", "what": "top_sieve_mm", "to": 4.0, "note": "small seed"}, True),
        ({"entry": "ack", "alert": "no-data"}, False),
        ({"entry": "residue", "chopper": True}, False),
        ({"entry": "residue", "residue_width_m": 6.0}, True),
        ({"entry": "job_start"}, False),
        ({"entry": "job_start", "client": "A"}, True),
        ({"entry": "job_finish", "harvested_t": 40.0}, True),
        ({"entry": "note", "note": "x"}, True),
    ],
)
def test_what_needs_typing(entry: dict[str, Any], typed: bool) -> None:
    assert needs_typing(entry) is typed


def test_an_entry_that_waited_gets_the_time_of_its_touch_and_others_none() -> None:
    mark = {"entry": "tray_mark"}
    assert checked({"id": "a", "entry": mark})[1] == mark
    assert checked({"id": "a", "entry": mark, "waited_s": 1.5})[1] == mark
    late = checked({"id": "a", "entry": mark, "waited_s": 90})[1]
    assert abs(late["at"] - (time.time() - 90)) < 1
    assert checked({"id": "a", "entry": {**mark, "at": 5.0}, "waited_s": 90})[1]["at"] == 5.0
    assert "at" not in checked({"id": "a", "entry": {"entry": "ack", "alert": "no-data"}, "waited_s": 90})[1]


@pytest.mark.parametrize("waited", ["long", True, None, [3]])
def test_a_wrong_wait_is_refused_in_one_line(waited: Any) -> None:
    with pytest.raises(EntryError, match="waited_s: found .*; allowed: a number"):
        checked({"id": "a", "entry": {"entry": "tray_mark"}, "waited_s": waited})


@pytest.mark.parametrize("waited", [-60, 2_178_893.0, 1e9])
def test_a_clock_that_was_set_costs_no_entry_and_is_said(waited: float) -> None:
    assert checked({"id": "a", "entry": {"entry": "tray_mark"}, "waited_s": waited}) == ("a", {"entry": "tray_mark"}, UNDATED)
    timed = {"entry": "tray_mark", "at": 5.0}
    assert checked({"id": "a", "entry": timed, "waited_s": waited}) == ("a", timed, "")
    assert checked({"id": "a", "entry": {"entry": "tray_mark"}, "waited_s": -0.4})[2] == ""  # a clock that is steered


@pytest.mark.parametrize(
    ("kind", "claim", "passes"),
    [("job_start", True, True), ("job_finish", True, True), ("job_start", "yes", False), ("note", True, False)],
)
def test_only_the_ends_of_a_job_take_along_what_was_typed_at_a_stand(kind: str, claim: Any, passes: bool) -> None:
    assert typed_before({"id": "a", "typed_standing": claim}, {"entry": kind}) is passes
    assert typed_before({"id": "a"}, {"entry": kind}) is False


def test_the_hub_tells_the_latest_and_its_age() -> None:
    hub = Hub()
    assert hub.latest("live") == (None, float("inf"))
    hub.put("live", {"speed_kmh": 7.0}, age_s=30.0)
    value, age_s = hub.latest("live")
    assert value == {"speed_kmh": 7.0}
    assert 30.0 <= age_s < 31.0


@pytest.fixture
def driving(server: Any, eventually: Callable[..., Any]) -> Iterator[Callable[[float | None], None]]:
    """`driving(kmh)`: the kit says so; a touch of the page finds it so."""
    speaker = server.speaker()
    topic = "tailgrain/kit1/live"

    def drive(kmh: float | None) -> None:
        live = msgspec.json.encode({"t": "2026-07-01T10:00:00.000Z", "speed_kmh": kmh})
        speaker.publish(topic, live, qos=1).wait_for_publish(5)

    yield drive
    drive(None)
    speaker.disconnect()
    speaker.loop_stop()


def test_typed_entries_are_refused_above_1_kmh_and_taps_are_not(
    server: Any, driving: Callable[[float | None], None], eventually: Callable[..., Any]
) -> None:
    def asked(entry: dict[str, Any]) -> Any:
        return server.enter({"id": secrets.token_hex(6), "entry": entry})

    note, touch = {"entry": "note", "note": "x"}, {"entry": "returns_look", "chaff": "some"}
    # Told anew before each look, as a kit does each second: the page's ear may still be on its way to the broker, and what
    # was said a while ago forbids nothing.
    eventually(lambda: driving(7.2) or asked(note).status == 409, 30.0, "the refusal")
    answer = asked(note).json()
    assert (answer["ok"], answer["again"], answer["standing"]) == (False, True, True)
    assert "found 7.2 km/h; allowed: up to 1 km/h" in answer["why"]
    assert asked(touch).status == 503  # passed on; no daemon answers in this test
    driving(0.4)
    eventually(lambda: asked(note).status == 503, 30.0, "the passing")

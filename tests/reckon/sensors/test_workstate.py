"""Section 6 of the contract, States: worked out by hand from its sentences."""

from __future__ import annotations

import pytest

from edge.feed.assembler import Part
from edge.reckon.sensors.workstate import Bit, WorkState
from tests.kits.drive import T0, second

FRONT, THRESHING = Bit(1, False), Bit(2, False)
UP, DOWN, OFF = 2, 3, 1  # front up and threshing; front down and threshing; front down, thresher off


class Machine:
    """A work state that is told seconds of one sentence each: its level holds for the whole second."""

    def __init__(self, front: Bit | None = FRONT, threshing: Bit | None = THRESHING) -> None:
        self.work = WorkState(front, threshing)
        self.number = 0

    def go(self, seconds: int, levels: int, kmh: float | None = 7.0) -> list[str]:
        states = []
        for _ in range(seconds):
            self.number += 1
            states.append(self.work.step(second(self.number, [], levels, parts=[Part(levels, 1000, 1000, [])]), kmh))
        return states

    def tenths(self, tenths: int, levels: int, kmh: float = 7.0) -> str:
        """Sentences of 100 ms, ten to a second, the rest of the last second left open."""
        state = self.work.state
        for _ in range(tenths):
            self.number += 1
            state = self.work.step(second(self.number, [], levels, parts=[Part(levels, 100, 100, [])]), kmh)
        return state


def test_filling_lasts_20_s_from_the_sentence_that_shows_the_front_down():
    machine = Machine()
    machine.go(3, UP, 3.0)
    # The front is seen down at the end of the first second below; 20 s later is the end of the 21st.
    assert machine.go(22, DOWN) == ["filling"] * 20 + ["working"] * 2


def test_a_machine_that_starts_with_the_front_down_fills_too():
    assert Machine().go(22, DOWN) == ["filling"] * 20 + ["working"] * 2


def test_a_hop_of_less_than_5_s_does_not_start_the_filling_again_and_5_s_do():
    for tenths, state in ((49, "working"), (50, "filling")):
        machine = Machine()
        machine.go(30, DOWN)
        machine.tenths(tenths, UP)
        assert machine.tenths(1, DOWN) == state


def test_a_hop_during_filling_does_not_start_it_again():
    machine = Machine()
    machine.go(11, DOWN)  # down 10 s
    machine.tenths(30, UP)
    assert machine.tenths(69, DOWN) == "filling"
    assert machine.tenths(1, DOWN) == "working"


def test_turning_needs_a_first_cut_the_thresher_and_half_a_kilometre_an_hour():
    machine = Machine()
    assert machine.go(5, UP) == ["idle"] * 5  # nothing was cut yet
    machine.go(30, DOWN)
    assert machine.go(1, UP, 0.5) == ["turning"]
    assert machine.go(1, UP, 0.49) == ["idle"]
    assert machine.go(1, UP, None) == ["idle"]
    assert machine.go(1, 0, 7.0) == ["idle"]  # front up, thresher off
    assert machine.go(1, UP, 7.0) == ["turning"]


def test_turning_lasts_at_most_120_s():
    machine = Machine()
    machine.go(30, DOWN)
    # Seen up at the end of the first second; 120 s later is the end of the 121st.
    assert machine.go(123, UP) == ["turning"] * 121 + ["idle"] * 2


def test_the_front_down_without_speed_is_no_cut():
    machine = Machine()
    machine.go(30, DOWN, 0.9)
    assert machine.go(1, UP) == ["idle"]


def test_work_needs_speed_and_thresher():
    machine = Machine()
    machine.go(30, DOWN)
    assert machine.go(1, DOWN, 1.0) == ["working"]
    assert machine.go(1, DOWN, 0.99) == ["idle"]
    assert machine.go(1, DOWN, None) == ["idle"]
    assert machine.go(1, OFF, 7.0) == ["idle"]
    assert machine.go(1, DOWN, 7.0) == ["working"]


def test_no_data_after_2_s_without_a_good_count_sentence():
    machine = Machine()
    machine.go(30, DOWN)
    last_ms = (T0 + machine.number) * 1000

    def silent(number: int, ago_ms: int) -> str:
        stamp_ms = (T0 + number) * 1000 - ago_ms
        return machine.work.step(second(number, [], parts=[], data=0, last_data_ms=stamp_ms), 7.0)

    assert silent(31, 1000) == "working"  # it keeps the state of its last good sentence
    assert silent(32, 1999) == "working"
    assert silent(32, 2000) == "no data"
    assert machine.work.step(second(33, [], parts=[], data=0, last_data_ms=last_ms), 7.0) == "no data"
    assert machine.work.step(second(34, [], parts=[], data=0, last_data_ms=None), 7.0) == "no data"
    machine.number = 40
    assert machine.go(1, DOWN) == ["working"]


def test_a_second_takes_the_state_of_its_last_good_sentence():
    machine = Machine()
    machine.go(30, DOWN)
    parts = [Part(DOWN, 100, 900, []), Part(UP, 100, 100, [])]
    assert machine.work.step(second(31, [], parts=parts), 7.0) == "turning"
    parts = [Part(UP, 100, 900, []), Part(DOWN, 100, 100, [])]
    assert machine.work.step(second(32, [], parts=parts), 7.0) == "working"


@pytest.mark.parametrize(("front", "threshing", "levels"), [(None, Bit(2, False), 2), (Bit(1, False), None, 1)])
def test_an_unwired_level_counts_as_true(front, threshing, levels):
    machine = Machine(front, threshing)
    assert machine.go(22, levels)[-1] == "working"
    assert machine.go(1, 0)[-1] != "working"


def test_an_inverted_level_reads_the_other_way_round():
    machine = Machine(Bit(1, True), Bit(2, True))
    assert machine.go(22, 0)[-1] == "working"
    assert machine.go(1, 1) == ["turning"]
    assert machine.go(1, 2) == ["idle"]


def test_with_neither_level_wired_the_caller_says_whether_it_cuts():
    machine = Machine(None, None)
    assert machine.work.inferred
    states = [machine.work.step(second(number, [], 0), 7.0, cutting=True) for number in range(1, 23)]
    assert states[0] == "filling" and states[-1] == "working"
    assert machine.work.step(second(23, [], 0), 7.0, cutting=False) == "turning"

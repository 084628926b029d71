"""Section 2 of the contract as laws that hold for any course of stamps, and live closing against replay."""

from __future__ import annotations

import os
from collections import Counter

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from edge.feed.assembler import Assembler, Second
from tests.kits.wire import START_MS, count_line, framed, nmea_line

EXAMPLES = int(os.environ.get("TAILGRAIN_EXAMPLES", "100"))


def pulses(second: Second) -> int:
    return sum(part.counts[0] for part in second.parts)


def ends(seconds: list[Second]) -> list[int]:
    return [second.t - START_MS // 1000 for second in seconds]


# Gaps between lines in ms: ticks, whole seconds (the edges), some silence.
GAPS = st.one_of(st.sampled_from([0, 1, 99, 100, 999, 1000, 1001, 2000]), st.integers(0, 5000))


@given(st.integers(0, 999), st.lists(st.tuples(GAPS, st.sampled_from("cccccnep")), min_size=1, max_size=40))
@settings(max_examples=EXAMPLES)
def test_every_pulse_falls_into_the_second_named_by_the_next_whole_one_at_or_after_its_stamp(offset, course):
    assembler = Assembler()
    stamp_ms, seq, total, counted_ms = START_MS + offset, 0, 0, 0
    expected: Counter[int] = Counter()
    first: int | None = None
    closed: list[Second] = []
    for gap, kind in course:
        stamp_ms += gap
        if kind == "n":
            closed += assembler.take(stamp_ms, b"noise")
        elif kind == "e":
            closed += assembler.advance(stamp_ms)[1]
        elif kind == "p":
            closed += assembler.take(stamp_ms, nmea_line("GPVTG,108.53,T,,M,0.04,N,0.07,K,A"))
            first = first if first is not None else -(-stamp_ms // 1000)
        else:
            if seq and stamp_ms > counted_ms:
                expected[-(-stamp_ms // 1000)] += 3
                total += 3
            seq, counted_ms = seq + 1, stamp_ms
            closed += assembler.take(stamp_ms, count_line(seq, stamp_ms - START_MS, total))
            first = first if first is not None else -(-stamp_ms // 1000)
    assert first is None or [second.t for second in closed] == list(range(first, -(-stamp_ms // 1000)))
    assert [second.number for second in closed] == list(range(1, len(closed) + 1))
    assert {second.t: pulses(second) for second in closed if pulses(second)} == {
        t: count for t, count in expected.items() if t < -(-stamp_ms // 1000)
    }
    assert not any(second.events for second in closed)
    assert (assembler.total_pulses() or [0]) == [total]


@given(st.lists(st.sampled_from([100, 700, 1000, 5000, -1, -100, -1000, -700_000, 600_000, 600_001, 9_000_000]), max_size=25))
@settings(max_examples=EXAMPLES)
def test_any_course_of_the_clock_loses_no_pulse_and_fills_in_no_second(steps):
    assembler = Assembler()
    stamp_ms, closed = START_MS, []
    for number, step in enumerate([0, *steps, 1000]):
        stamp_ms += step
        closed += assembler.take(stamp_ms, count_line(number, 100 * number, 7 * number))
    jumps = sum(not 0 <= step <= 600_000 for step in steps)
    events = [event for second in [*closed] for event in second.events]
    assert [event.kind for event in events] == ["clock step"] * jumps
    filled = sum(step // 1000 + 1 for step in steps if 0 <= step <= 600_000) + 2
    assert len(closed) <= filled + jumps
    assert [second.number for second in closed] == list(range(1, len(closed) + 1))
    assert assembler.total_pulses() == [7 * (len(steps) + 1)]
    assert assembler.lines.restarts == 0


def test_a_jump_forward_closes_the_open_second_and_goes_on_at_the_new_time():
    assembler = Assembler()
    assembler.take(START_MS + 500, count_line(1, 100, 0))
    assembler.take(START_MS + 600, count_line(2, 200, 4))
    closed = assembler.take(START_MS + 5_000_300, count_line(3, 300, 9))
    closed += assembler.take(START_MS + 5_001_300, count_line(4, 1300, 10))
    assert ends(closed) == [1, 5001]
    assert [pulses(second) for second in closed] == [4, 5]
    detail = closed[1].events[0].detail if closed[1].events else closed[0].events[0].detail
    assert detail == {"from_ms": START_MS + 600, "to_ms": START_MS + 5_000_300}


def test_nothing_crosses_a_restart_and_the_second_says_so():
    assembler = Assembler()
    assembler.take(START_MS + 100, count_line(5, 900_000, 100))
    assembler.take(START_MS + 200, count_line(6, 900_100, 104))
    assembler.take(START_MS + 700, count_line(0, 100, 50))
    closed = assembler.take(START_MS + 1100, count_line(4, 500, 57))
    assert pulses(closed[0]) == 4
    assert sum(part.ms for part in closed[0].parts) == 100
    assert [event.kind for event in closed[0].events] == ["restart"]
    assert assembler.total_pulses() == [11]


def test_a_gap_closes_with_the_level_of_the_sentence_that_ends_it():
    assembler = Assembler()
    assembler.take(START_MS + 100, count_line(1, 100, 0, levels=1))
    closed = assembler.take(START_MS + 3900, count_line(39, 3900, 380, levels=2))
    closed += assembler.take(START_MS + 4100, count_line(41, 4100, 381, levels=2))
    assert ends(closed) == [1, 2, 3, 4]
    assert [tuple(part) for part in closed[3].parts] == [(2, 3800, 3800, [380])]


def test_levels_that_change_within_a_second_split_it_into_parts():
    assembler = Assembler()
    closed: list[Second] = []
    for number, levels in enumerate([3, 3, 3, 1, 1, 3, 3]):
        closed += assembler.take(START_MS + 100 + 100 * number, count_line(number, 100 * number, 10 * number, levels=levels))
    closed += assembler.take(START_MS + 1001, count_line(7, 1000, 70))
    assert [(part.levels, part.ms, part.counts) for part in closed[0].parts] == [
        (3, 200, [20]), (1, 200, [20]), (3, 200, [20]),
    ]  # fmt: skip


def test_periods_and_fixes_belong_to_their_second_alone():
    assembler = Assembler()
    assembler.take(START_MS + 100, count_line(1, 100, 0))
    assembler.take(START_MS + 200, framed("TGP,1,150,0,3,90000"))
    assembler.take(START_MS + 300, framed("TGP,1,250,0,4,80000,5,1,700000"))
    assembler.take(START_MS + 400, nmea_line("GPVTG,108.53,T,,M,5.4,N,10.0,K,A"))
    closed = assembler.take(START_MS + 2500, count_line(2, 2500, 1))
    assert closed[0].periods == {0: (4, 80_000), 5: (1, 700_000)}
    assert closed[0].fix is not None and closed[0].fix.speed_kmh == 10.0
    assert closed[1].periods == {} and closed[1].fix is None


def test_a_hello_is_told_once_a_kit():
    assembler = Assembler()
    for number in range(3):
        assembler.take(START_MS + 100 + 100 * number, framed("TGH,1,north,2.0,1,100"))
    assembler.take(START_MS + 900, framed("TGH,1,south,2.0,1,100"))
    closed = assembler.take(START_MS + 1100, count_line(1, 100, 0))
    assert [event.detail["kit"] for event in closed[0].events] == ["north", "south"]


def test_a_refused_entry_closes_seconds_and_is_not_counted():
    assembler = Assembler()
    assembler.take(START_MS + 500, count_line(1, 100, 0))
    stamp_ms, closed = assembler.advance(START_MS + 1500)
    assert (stamp_ms, ends(closed), assembler.lines.entries) == (START_MS + 1500, [1], 1)
    assembler.refuse_entry()
    assert assembler.lines.entries == 0


def live_and_replay(course: list[tuple[int, int]]) -> tuple[list[Second], list[Second]]:
    """Lines that come `gap` ms apart, live with the closing after 250 ms of silence (by a clock that never steps)."""
    live, replay = Assembler(), Assembler()
    stamp_ms, seconds, again = START_MS, [], []
    for number, (gap, step) in enumerate(course):
        for passed in range(0, gap, 50):
            seconds += live.close_silent(stamp_ms + passed)
        stamp_ms += gap + step
        earliest, last = live.earliest_ms, live.stamp_ms
        if earliest is not None and last is not None and last <= stamp_ms < earliest:
            stamp_ms = earliest
        line = count_line(number, 100 * number, 3 * number)
        seconds += live.take(stamp_ms, line)
        again += replay.take(stamp_ms, line)
    return seconds, again


QUIET = st.tuples(st.sampled_from([0, 100, 240, 260, 1000, 1249, 1250, 1251, 4000]), st.just(0))


@given(st.lists(QUIET, min_size=2, max_size=15))
@settings(max_examples=EXAMPLES // 2)
def test_replay_closes_the_same_seconds_as_live(course):
    live, replay = live_and_replay(course)
    assert live[: len(replay)] == replay
    assert len(live) - len(replay) <= 1


@pytest.mark.parametrize(
    "noise", [999, 1500]
)
def test_with_board_stamps_no_line_before_the_first_count_is_lost(noise):
    kept: list[bytes] = []
    assembler = Assembler(epoch_ms=START_MS, on_stamped=lambda stamp_ms, line: kept.append(line))
    for _ in range(noise):
        assembler.take(None, b"noise")
    assembler.take(None, count_line(1, 100, 0))
    assert (assembler.lines.malformed, assembler.lines.good) == (noise, 1)
    assert len(kept) == noise + 1


def test_with_board_stamps_the_recording_replays_to_the_same_counts():
    """A hello that claims more inputs than the sentences have comes first."""
    recorded: list[tuple[int, bytes]] = []
    board = Assembler(epoch_ms=START_MS, on_stamped=lambda stamp_ms, line: recorded.append((stamp_ms, line)))
    for line in (framed("TGH,1,K,1,3,100"), count_line(1, 100, 0, 0), count_line(2, 200, 5, 5), count_line(3, 300, 6, 6)):
        board.take(None, line)
    again = Assembler()
    for stamp_ms, line in recorded:
        again.take(stamp_ms, line)
    assert again.lines == board.lines
    assert again.total_pulses() == board.total_pulses()


def test_board_stamps_name_seconds_by_the_board_s_ms():
    assembler = Assembler(epoch_ms=START_MS)
    closed: list[Second] = []
    for number in range(31):
        closed += assembler.take(None, count_line(number, 500 + 100 * number, 2 * number))
    # Uptime 500 to 3500 ms: the first count opens second 1; 1000, 2000 and 3000 ms belong to the seconds they end.
    assert ends(closed) == [1, 2, 3]
    assert [pulses(second) for second in closed] == [10, 20, 20]

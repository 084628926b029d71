"""Counts that are true: a model of a board, the line that carries its sentences, and the rules case by case."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from edge.feed.assembler import Assembler
from edge.feed.counters import Counters
from edge.feed.sentences import Counts
from tests.kits.wire import LONG, START_MS, count_line, framed

EXAMPLES = int(os.environ.get("TAILGRAIN_EXAMPLES", "100"))


@dataclass
class BoardModel:
    """A true counter board: it counts, speaks, is switched off and on; the line loses, doubles and damages."""

    counts: list[int]
    seq: int
    ms: int
    stamp_ms: int = START_MS
    lines: list[tuple[int, bytes]] = field(default_factory=list)
    lives: list[list[list[int]]] = field(default_factory=lambda: [[]])
    good_seqs: list[list[int]] = field(default_factory=lambda: [[]])
    doubled: int = 0

    def tick(self, pulses: list[int], fate: str, ticks: int) -> None:
        self.counts = [count + ticks * pulse for count, pulse in zip(self.counts, pulses, strict=True)]
        self.seq += ticks
        self.ms += 100 * ticks
        self.stamp_ms += 100 * ticks
        line = count_line(self.seq, self.ms, *self.counts)
        if fate == "lost":
            return
        if fate == "damaged":
            line = line[:-9] + bytes([line[-9] ^ 0x41]) + line[-8:]
        else:
            self.lives[-1].append(list(self.counts))
            self.good_seqs[-1].append(self.seq)
        self.lines.append((self.stamp_ms, line))
        if fate == "twice":
            self.lines.append((self.stamp_ms, line))
            self.doubled += 1

    def restart(self, uptime_ms: int) -> None:
        self.counts, self.seq, self.ms = [0] * len(self.counts), 0, uptime_ms
        self.stamp_ms += 3000
        self.lives.append([])
        self.good_seqs.append([])

    def expected(self) -> list[int]:
        """Last good minus first good of each life, summed; nothing crosses a restart."""
        heard = [life for life in self.lives if life]
        return [sum(life[-1][at] - life[0][at] for life in heard) for at in range(len(self.counts))]


FATES = st.sampled_from(["whole"] * 7 + ["lost", "damaged", "twice"])


@st.composite
def boards(draw):
    inputs = draw(st.integers(1, 5))
    lives = draw(st.integers(1, 3))
    # Counters near a wrap, or anywhere. Each life is heard from an earlier uptime on than the one before it, else nothing
    # in its sentences could tell it from the old one; a life lasts 600 s at most.
    counts = [draw(st.sampled_from([0, 12_345, LONG - 40, LONG - 5_000])) for _ in range(inputs)]
    ms = draw(st.sampled_from([0, 2_000_000, LONG - 1_500] if lives == 1 else [5_000_000, LONG - 2_000_000]))
    board = BoardModel(counts, draw(st.sampled_from([0, 65_530, 30_000])), ms)
    for life in range(lives):
        if life:
            board.restart(1_500_000 if life < lives - 1 else 0)
        for _ in range(draw(st.integers(1, 20))):
            pulses = [draw(st.integers(0, 150)) for _ in range(inputs)]
            board.tick(pulses, draw(FATES), draw(st.sampled_from([1] * 12 + [2, 7, 300])))
    return board


@given(boards())
@settings(max_examples=EXAMPLES)
def test_no_pulse_is_lost_or_invented(board):
    assembler = Assembler()
    for stamp_ms, line in board.lines:
        assembler.take(stamp_ms, line)
    found = assembler.total_pulses() or [0] * len(board.counts)
    assert found == board.expected()
    heard = [seqs for seqs in board.good_seqs if seqs]
    counted = assembler.lines
    assert counted.missing == sum(seqs[-1] - seqs[0] + 1 - len(seqs) for seqs in heard)
    assert counted.restarts == max(0, len(heard) - 1)
    assert counted.good == sum(map(len, heard)) + board.doubled


@given(boards())
@settings(max_examples=EXAMPLES)
def test_board_stamps_give_the_same_pulses(board):
    assembler = Assembler(epoch_ms=START_MS)
    for _, line in board.lines:
        assembler.take(None, line)
    assert (assembler.total_pulses() or [0] * len(board.counts)) == board.expected()


@given(boards(), st.randoms(use_true_random=False))
@settings(max_examples=EXAMPLES)
def test_exposure_is_the_board_s_own_time_between_first_and_last_of_each_life(board, random):
    """Stamps that jitter by up to half a second change no duration."""
    assembler, times = Assembler(), []
    latest = 0
    for stamp_ms, line in board.lines:
        latest = max(latest, stamp_ms + random.randrange(500))
        times += assembler.take(latest, line)
    seconds = [*times]
    exposure = sum(part.ms for second in seconds for part in second.parts) + sum(part.ms for part in assembler.open_parts)
    heard = [seqs for seqs in board.good_seqs if seqs]
    assert exposure == sum(100 * (seqs[-1] - seqs[0]) for seqs in heard)


def count(seq: int, ms: int, *counts: int) -> Counts:
    return Counts(seq % 65536, ms % LONG, 3, [one % LONG for one in counts])


def told(counters: Counters, *sentences: tuple[int, Counts]) -> list[list[int] | None]:
    """Steps of sentences that come with their stamps (ms after the start)."""
    steps = [counters.take(sentence, START_MS + stamp_ms) for stamp_ms, sentence in sentences]
    return [None if step is None else step.counts for step in steps]


def test_missing_counts_steps_of_2_to_32767_and_no_others():
    for gap, missing in ((1, 0), (2, 1), (32_767, 32_766), (32_768, 0), (65_535, 0)):
        counters = Counters()
        told(counters, (0, count(100, 1000, 0)), (100, count(100 + gap, 1100, 1)))
        assert counters.missing == missing, gap


def test_missing_counts_nothing_across_a_restart():
    counters = Counters()
    told(counters, (0, count(10, 900_000, 50)), (100, count(500, 100, 0)))
    assert (counters.restarts, counters.missing) == (1, 0)


def test_uptime_step_of_exactly_600_s_is_no_restart_and_one_more_is():
    for step_ms, restarts in ((600_000, 0), (600_001, 1)):
        counters = Counters()
        told(counters, (0, count(1, 1000, 0)), (100, count(2, 1000 + step_ms, 1)))
        assert counters.restarts == restarts


def test_uptime_step_of_exactly_twice_the_step_of_the_stamps_is_no_restart_and_one_more_is():
    for step_ms, restarts in ((1_400_000, 0), (1_400_001, 1)):
        counters = Counters()
        told(counters, (0, count(1, 1000, 0)), (700_000, count(2, 1000 + step_ms, 1)))
        assert counters.restarts == restarts


def test_counter_step_of_exactly_half_the_range_is_implausible_and_one_more_is_a_restart():
    counters = Counters()
    assert told(counters, (0, count(1, 1000, 0)), (100, count(2, 1100, 1 << 31)))[1] is None
    assert counters.restarts == 0 and counters.holding
    counters = Counters()
    told(counters, (0, count(1, 1000, 0)), (100, count(2, 1100, (1 << 31) + 1)))
    assert counters.restarts == 1 and not counters.holding


def test_one_input_over_half_the_range_is_enough_and_rebases_all():
    counters = Counters()
    steps = told(counters, (0, count(1, 1000, 50, 10)), (100, count(2, 1100, 49, 20)), (200, count(3, 1200, 52, 25)))
    assert steps == [[0, 0], [0, 0], [3, 5]]
    assert counters.restarts == 1


def test_a_held_sentence_followed_by_a_restart_is_malformed_and_the_restart_counts_once():
    counters = Counters()
    steps = told(
        counters, (0, count(1, 900_000, 0)), (100, count(2, 900_100, 9000)), (200, count(0, 100, 0)), (300, count(1, 200, 4))
    )
    assert steps == [[0], None, [0], [4]]
    assert (counters.good, counters.malformed, counters.restarts) == (3, 1, 1)


def test_two_implausible_sentences_in_a_row_that_do_not_continue_are_both_malformed():
    counters = Counters()
    steps = told(
        counters, (0, count(1, 100, 0)), (100, count(2, 200, 9000)), (200, count(3, 300, 90_000)), (300, count(4, 400, 7))
    )
    assert steps == [[0], None, None, [7]]
    assert (counters.good, counters.malformed, counters.missing) == (2, 2, 2)


def test_a_gap_is_judged_over_its_whole_duration():
    counters = Counters()
    # 9,000 pulses in 5 s are 1.8 kHz: plausible, although no 100 ms could hold them.
    assert told(counters, (0, count(1, 100, 0)), (5000, count(51, 5100, 9000)))[1] == [9000]


def test_a_beam_is_judged_by_time_and_no_other_input_is():
    counters = Counters(beams=frozenset([1]))
    assert told(counters, (0, count(1, 100, 0, 0)), (100, count(2, 200, 1900, 200)))[1] == [1900, 200]
    assert told(counters, (200, count(3, 300, 1900, 401))) == [None]


def test_the_tick_of_the_hello_is_the_beam_s_tolerance():
    counters = Counters(beams=frozenset([0]))
    counters.hello(1, 50)
    assert told(counters, (0, count(1, 100, 0)), (100, count(2, 200, 151)))[1] is None


def assemble(*bodies: bytes, epoch_ms: int | None = None, **options) -> Assembler:
    assembler = Assembler(epoch_ms=epoch_ms, **options)
    for number, line in enumerate(bodies):
        assembler.take(None if epoch_ms is not None else START_MS + 100 * number, line)
    return assembler


def test_a_hello_that_changes_the_number_of_inputs_while_a_sentence_is_held_raises_nothing():
    assembler = assemble(
        count_line(1, 100, 0, 0), count_line(2, 200, 9000, 0), framed("TGH,1,K,1,3,100"),
        count_line(3, 300, 1, 1, 1), count_line(4, 400, 2, 2, 2),
    )  # fmt: skip
    assert (assembler.lines.good, assembler.lines.malformed) == (4, 1)


def test_more_inputs_from_a_hello_on_lose_no_pulse_in_that_second():
    assembler = assemble(
        count_line(1, 100, 0, 0), count_line(2, 200, 5, 5), framed("TGH,1,K,1,3,100"),
        count_line(3, 300, 7, 7, 100), count_line(4, 400, 8, 9, 140),
    )  # fmt: skip
    assert assembler.total_pulses() == [6, 7, 40]


def test_fewer_inputs_from_a_hello_on_lose_no_pulse_in_that_second():
    assembler = assemble(
        count_line(1, 100, 0, 0, 0), count_line(2, 200, 5, 5, 7), framed("TGH,1,K,1,2,100"),
        count_line(3, 300, 7, 7), count_line(4, 400, 8, 9),
    )  # fmt: skip
    assert assembler.total_pulses() == [6, 7, 7]


def test_the_same_seq_and_ms_is_ignored_whatever_its_counts_say():
    assembler = assemble(count_line(1, 100, 10), count_line(1, 100, 11), count_line(2, 200, 12))
    assert assembler.total_pulses() == [2]
    assert (assembler.lines.good, assembler.lines.malformed) == (3, 0)


@pytest.mark.parametrize(
    "twice", [1, 2]
)
def test_board_stamps_follow_the_board_s_ms_past_counts_that_were_left_out(twice):
    held = count_line(2, 200, 9000)
    assembler = assemble(count_line(1, 100, 0), *[held] * twice, count_line(3, 300, 9001), epoch_ms=START_MS)
    assert assembler.total_pulses() == [1]
    assert assembler.stamp_ms == START_MS + 300


def test_a_restart_into_another_number_of_inputs_is_counted_as_a_restart():
    assembler = assemble(
        count_line(1, 900_000, 5, 5), framed("TGH,1,K,2,3,100"), count_line(0, 100, 0, 0, 0), count_line(1, 200, 1, 2, 3)
    )
    assert assembler.lines.restarts == 1

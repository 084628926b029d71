"""Section 1 of the contract, rule by rule, worked out by hand; and the counters under anything a line can do to them."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from edge.feed.assembler import Assembler
from edge.feed.counters import Counters
from edge.feed.sentences import Counts, decode, frame

LONG = 1 << 32
START = 1_790_000_000_000


def count(seq: int, ms: int, *counts: int, levels: int = 3) -> Counts:
    return Counts(seq % 65536, ms % LONG, levels, [one % LONG for one in counts])


def take_all(counters: Counters, sentences: list[Counts], step_ms: int = 100) -> list[int]:
    """Total increments per input of sentences that arrive `step_ms` apart."""
    totals = [0] * len(sentences[0].counts)
    for number, sentence in enumerate(sentences):
        step = counters.take(sentence, START + number * step_ms)
        if step is not None:
            totals = [total + one for total, one in zip(totals, step.counts, strict=True)]
    counters.finish()
    return totals


def test_counters_uptime_and_sequence_wrap_exactly():
    counters = Counters()
    assert take_all(counters, [count(65535, LONG - 50, LONG - 7), count(0, 50, 5), count(1, 150, 9)]) == [16]
    assert (counters.good, counters.missing, counters.restarts) == (3, 0, 0)


def test_a_repeated_sentence_is_good_and_otherwise_ignored():
    counters = Counters()
    assert take_all(counters, [count(1, 100, 5), count(1, 100, 5), count(2, 200, 8)]) == [3]
    assert (counters.good, counters.malformed, counters.missing) == (3, 0, 0)


def test_missing_counts_the_sentences_in_a_gap():
    counters = Counters()
    assert take_all(counters, [count(10, 1000, 0), count(14, 1400, 40)], step_ms=400) == [40]
    assert counters.missing == 3


def test_a_step_of_half_the_sequence_or_more_is_no_gap():
    counters = Counters()
    take_all(counters, [count(10, 1000, 0), count(10 + 32768, 1100, 1)])
    assert counters.missing == 0


def test_uptime_back_to_zero_is_a_restart_counted_once_and_nothing_crosses_it():
    counters = Counters()
    assert take_all(counters, [count(10, 500_000, 900), count(11, 500_100, 903), count(0, 100, 4), count(1, 200, 6)]) == [5]
    assert (counters.restarts, counters.good, counters.missing) == (1, 4, 0)


def test_a_counter_step_over_half_the_range_is_a_restart_although_uptime_is_young():
    counters = Counters()
    assert take_all(counters, [count(10, 1000, 50), count(0, 1100, 2), count(1, 1200, 5)]) == [3]
    assert counters.restarts == 1


def test_a_long_silence_is_no_restart_when_the_stamps_agree():
    counters = Counters()
    counters.take(count(10, 1000, 0), START)
    step = counters.take(count(10, 701_000, 700), START + 700_000)
    assert step is not None and step.counts == [700] and counters.restarts == 0


def test_over_600_s_of_uptime_in_under_half_of_it_by_the_stamps_is_a_restart():
    counters = Counters()
    counters.take(count(10, 1000, 0), START)
    step = counters.take(count(11, 1000 + 600_001, 5), START + 300_000)
    assert step is not None and step.restarted and step.counts == [0]


def test_with_board_stamps_600_s_alone_is_a_restart():
    counters = Counters()
    counters.take(count(10, 1000, 0), None)
    step = counters.take(count(11, 1000 + 600_001, 5), None)
    assert step is not None and step.restarted


def test_an_implausible_step_is_malformed_when_the_next_goes_on_from_before_it():
    counters = Counters()
    # 5000 counts in 100 ms is 50 kHz
    assert take_all(counters, [count(1, 100, 0), count(2, 200, 5000), count(3, 300, 12), count(4, 400, 15)]) == [15]
    assert (counters.good, counters.malformed, counters.missing) == (3, 1, 1)


def test_an_implausible_step_is_good_when_the_next_continues_from_it_and_its_counts_are_left_out():
    counters = Counters()
    assert take_all(counters, [count(1, 100, 0), count(2, 200, 5000), count(3, 300, 5004), count(4, 400, 5009)]) == [9]
    assert (counters.good, counters.malformed, counters.missing) == (4, 0, 0)


def test_exactly_20_khz_is_plausible():
    counters = Counters()
    assert take_all(counters, [count(1, 100, 0), count(2, 200, 2000)]) == [2000]


def test_a_beam_can_be_blocked_for_the_step_and_a_tick_but_no_longer():
    for blocked, good in ((200, 2), (201, 1)):
        counters = Counters(beams=frozenset([0]))
        take_all(counters, [count(1, 100, 0), count(2, 200, blocked)])
        assert counters.good == good


def test_a_last_implausible_sentence_with_nothing_after_it_is_malformed():
    counters = Counters()
    take_all(counters, [count(1, 100, 0), count(2, 200, 5000)])
    assert (counters.good, counters.malformed) == (1, 1)


def test_a_hello_alone_is_no_restart_and_its_number_of_inputs_rules():
    assembler = Assembler()
    for number, body in enumerate(["TGH,1,K,1,2,100", "TGC,1,5,100,3,10,20", "TGH,1,K,1,2,100", "TGC,1,6,200,3,11,22,33"]):
        assembler.take(START + number * 100, frame(body)[:-1])
    assert assembler.lines.restarts == 0
    assert assembler.lines.good == 3 and assembler.lines.malformed == 1


CASES = {
    b"$TGC,1,5,100,3,10,20*": "right",
    b"$TGC,2,5,100,3,10,20*": "malformed",  # unknown version
    b"$TGX,1,5*": "malformed",  # unknown body
    b"$TGC,1,5,100,3*": "malformed",  # no counts
    b"$TGC,1,65536,100,3,1*": "malformed",  # a sequence number over 16 bits
    b"$TGC,1,5,4294967296,3,1*": "malformed",
    b"$TGC,1,5,100,3,4294967296*": "malformed",
    b"$TGC,1,5,100,3,-1*": "malformed",
    b"$TGC,1,5,100,3, 1*": "malformed",
    b"$TGC,1,5,100,3,1_0*": "malformed",
    b"$TGC,1,5,100,g,1*": "malformed",
    b"$TGC,1,5,100,3,*": "malformed",
    b"$TGH,1,A1,9.9,7*": "malformed",
    b"$TGP,1,100,5,3*": "malformed",
    b"$TGP,1,100,5,3,700*": "right",
    b"$TGC,1,5,100,1F,1*": "right",  # the level mask is hexadecimal
}


@pytest.mark.parametrize(("body", "kind"), CASES.items(), ids=str)
def test_bodies_with_a_right_crc(body, kind):
    sentence = decode(frame(body[1:-1].decode())[:-1])
    assert (getattr(sentence, "kind", "right")) == kind


def test_crc_is_the_catalogue_s():
    # CRC-16/IBM-3740, check value of the CRC catalogue: "123456789" -> 29B1
    assert frame("123456789") == b"$123456789*29B1\n"


def test_only_the_right_upper_case_crc_counts():
    line = frame("TGC,1,5,100,3,10,20")[:-1]
    assert decode(line) == Counts(5, 100, 3, [10, 20])
    assert decode(line + b"\r") == Counts(5, 100, 3, [10, 20])
    assert decode(line[:-4] + line[-4:].lower()).kind == "bad_crc"
    assert decode(line[:-4] + b"ZZZZ").kind == "bad_crc"
    assert decode(line[:-1]).kind == "malformed"  # the star is no longer fifth from the end
    assert decode(b"noise").kind == "malformed"
    assert decode(b"").kind == "malformed"


def test_240_bytes_are_the_longest():
    body = "TGH,1," + "k" * 214 + ",9,7,100"
    assert len(frame(body)) - 1 == 234 and decode(frame(body)[:-1]).inputs == 7
    longer = "TGH,1," + "k" * 221 + ",9,7,100"
    assert len(frame(longer)) - 1 == 241 and decode(frame(longer)[:-1]).kind == "malformed"


@given(st.binary(max_size=300))
@settings(max_examples=400)
def test_any_bytes_are_one_line_of_one_kind(line):
    line = line.replace(b"\n", b"")
    assembler = Assembler()
    assembler.take(START, line)
    counted = assembler.lines
    assert counted.good + counted.bad_crc + counted.malformed == 1


@st.composite
def boards(draw):
    """A true board's sentences with lives, wraps, losses, repetitions and damage; and the pulses that must be found."""
    inputs = draw(st.integers(1, 4))
    sentences: list[tuple[str, Counts | None]] = []
    expected = [0] * inputs
    lives = draw(st.integers(1, 2))
    for life in range(lives):
        young = life > 0
        seq = draw(st.integers(0, 65535))
        # At its own wrap an uptime that begins anew can't be told from one that went on: no rule of the wire could.
        ms = draw(st.integers(100, 5000)) if young else draw(st.sampled_from([700_000_000] + [LONG - 700] * (lives == 1)))
        counts = [0] * inputs if young else [draw(st.sampled_from([5_000, LONG - 900, LONG - 3])) for _ in range(inputs)]
        first: list[int] | None = None
        last: list[int] = []
        for _ in range(draw(st.integers(1, 25))):
            seq, ms = seq + 1, ms + 100
            counts = [one + draw(st.integers(0, 90)) for one in counts]
            fate = draw(st.sampled_from(["whole"] * 6 + ["lost", "damaged", "twice"]))
            sentence = count(seq, ms, *counts)
            if fate == "lost":
                sentences.append(("lost", None))
                continue
            if fate == "damaged":
                sentences.append(("damaged", sentence))
                continue
            sentences += [("whole", sentence)] * (2 if fate == "twice" else 1)
            first = counts if first is None else first
            last = counts
        if first is not None:
            expected = [total + b - a for total, a, b in zip(expected, first, last, strict=True)]
    return sentences, expected


@given(boards())
@settings(max_examples=300)
def test_no_wrap_loss_repetition_damage_or_restart_invents_or_loses_a_pulse(board):
    sentences, expected = board
    assembler = Assembler()
    stamp_ms = START
    for fate, sentence in sentences:
        stamp_ms += 100
        if sentence is None:
            continue
        fields = [sentence.seq, sentence.ms, sentence.levels, *sentence.counts]
        line = frame("TGC,1," + ",".join(map(str, fields)))[:-1]
        if fate == "damaged":
            line = line[:8] + bytes([line[8] ^ 1]) + line[9:]
        assembler.take(stamp_ms, line)
    found = assembler.total_pulses()
    assert found == (expected if found else [])

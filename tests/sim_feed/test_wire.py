"""The sentences: what a reader written only for these tests finds in them, through wrap and restart."""

from __future__ import annotations

import pytest

from sim_feed.parameters.structs import FaultParameters, Restart
from sim_feed.run.scenario import load


def test_the_tests_own_crc_has_the_catalogue_check_value(request: pytest.FixtureRequest) -> None:
    # Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740: check 0x29B1.
    from edge.feed.sentences import frame

    assert frame("123456789") == b"$123456789*29B1\n"


def test_every_sentence_reads_back_and_sums_to_the_truth(paddock, reader) -> None:
    reading = reader(paddock.lines)
    assert reading.bad_crc == reading.malformed == 0
    assert len(reading.counts) == 18_000
    assert reading.pulses() == paddock.truth["pulses"]
    assert [count.ms for count in reading.counts[:3]] == [100, 200, 300]
    assert {b - a for a, b in zip(reading.counts, reading.counts[1:], strict=False) for a, b in [(a.seq, b.seq)]} == {1}


def test_sums_hold_through_wrapping_counters_uptime_and_sequence(run_of, reader) -> None:
    faults = FaultParameters(counters_start=2**32 - 300, uptime_start_ms=2**32 - 60_000, seq_start=65_000)
    wrapped = run_of("paddock", minutes=4, faults=faults)
    plain = run_of("paddock", minutes=4)
    reading = reader(wrapped.lines)
    assert reading.pulses() == wrapped.truth["pulses"] == plain.truth["pulses"]
    last = reading.counts[-1]
    assert last.ms == 4 * 60_000 - 60_000
    assert last.seq == (65_000 + 2399) % 65_536
    assert all(0 <= count < 2**32 for row in reading.counts for count in row.counts)
    assert all(count < 2**31 for count in last.counts), "every counter has passed its wrap"


def test_hello_at_power_up_and_every_ten_seconds(paddock, reader) -> None:
    hellos = reader(paddock.lines).hellos
    assert len(hellos) == 180
    assert hellos[0] == [b"TGH", b"1", b"kit1", b"2.4", b"7", b"100"]
    assert paddock.ticks[0].lines[0].startswith(b"$TGH")


def test_ticks_are_100_ms_apart_in_board_time(paddock, reader) -> None:
    assert [tick.ms for tick in paddock.ticks] == list(range(100, 1_800_100, 100))
    assert [count.ms for count in reader(paddock.lines).counts] == [tick.ms for tick in paddock.ticks]


def test_restart_starts_from_zero_and_invents_nothing(run_of, reader) -> None:
    run = run_of("paddock", minutes=5, faults=FaultParameters(restarts=(Restart(200.0, 1.2),)))
    silent = [tick for tick in run.ticks if not tick.lines]
    assert [silent[0].ms, silent[-1].ms, len(silent)] == [200_100, 201_200, 12]
    reading = reader(run.lines)
    born = next(i for i, c in enumerate(reading.counts) if c.ms == 100 and i > 0)
    assert reading.counts[born].seq == 0
    assert max(reading.counts[born].counts[:4]) < 30
    after = next(tick for tick in run.ticks if tick.ms == 201_300)
    assert after.lines[0].startswith(b"$TGH")
    assert reading.pulses() == run.truth["pulses"]
    assert run.truth["lines"]["restarts"] == 1
    whole = run_of("paddock", minutes=5)
    for at, (kept, all_of_it) in enumerate(zip(run.truth["pulses"], whole.truth["pulses"], strict=True)):
        assert 0 <= all_of_it - kept < 1500 if at == 4 else 0 <= all_of_it - kept < 100


def test_levels_say_front_and_threshing(paddock, reader) -> None:
    for tick, count in zip(paddock.ticks, reader(paddock.lines).counts, strict=True):
        assert count.levels == tick.truth.front_down + 2 * tick.truth.threshing
    seen = {count.levels for count in reader(paddock.lines).counts}
    assert seen == {0, 2, 3}


def test_beam_never_blocked_longer_than_the_tick(walkers, reader) -> None:
    counts = reader(walkers.lines).counts
    beam = load("walkers").sensors.plates.__len__()
    steps = [b.counts[beam] - a.counts[beam] for a, b in zip(counts, counts[1:], strict=False)]
    assert min(steps) >= 0
    assert max(steps) <= 100


def test_periods_give_the_speed_driven(walkers, reader) -> None:
    periods = reader(walkers.lines).periods
    assert len(periods) > 3000
    ground = walkers.simulation.scenario.sensors.true_pulses_per_m
    speeds = [tick.truth.speed_kmh for tick in walkers.ticks]
    compared = 0
    for fields in periods[100:2000]:
        triplets = [tuple(int(x) for x in fields[i : i + 3]) for i in range(3, len(fields), 3)]
        for at, edges, span_us in triplets:
            if at == 6:
                kmh = edges / (span_us * 1e-6) / ground * 3.6
                tick = int(fields[2]) // 100
                assert kmh == pytest.approx(sum(speeds[tick - 11 : tick]) / 11, abs=0.4)
                compared += 1
    assert compared > 1500

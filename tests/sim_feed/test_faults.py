"""Faults do what they say, in the number they say, and the tally is what a reader finds."""

from __future__ import annotations

import numpy as np
import pytest

from sim_feed.kit.faults import LineFaults
from sim_feed.parameters.structs import Blind, FaultParameters


def found(reading):
    return {
        "good": len(reading.counts) + len(reading.hellos) + len(reading.periods) + len(reading.nmea),
        "bad_crc": reading.bad_crc,
        "malformed": reading.malformed,
    }


def test_bad_line_has_everything_and_the_tally_is_right(bad_line, reader) -> None:
    reading = reader(bad_line.lines)
    lines = bad_line.truth["lines"]
    assert found(reading) == {key: lines[key] for key in ("good", "bad_crc", "malformed")}
    assert lines["restarts"] == 1
    assert lines["missing"] > 800
    assert lines["entries"] == len(bad_line.entries) == 4
    assert reading.pulses() == bad_line.truth["pulses"]


def test_missing_is_the_gaps_in_the_sequence_of_each_life(bad_line, reader) -> None:
    counts = reader(bad_line.lines).counts
    gaps = 0
    for before, after in zip(counts, counts[1:], strict=False):
        step = (after.seq - before.seq) % 65_536
        if (after.ms - before.ms) % 2**32 <= 600_000 and step > 1:
            gaps += step - 1
    assert gaps == bad_line.truth["lines"]["missing"]


@pytest.mark.parametrize("kind", ["lost", "damaged", "cut_short", "duplicated"])
def test_each_fault_of_a_line_comes_as_often_as_asked(run_of, reader, kind) -> None:
    run = run_of("paddock", minutes=10, faults=FaultParameters(**{kind: 0.1}))
    reading = reader(run.lines)
    sent = 6000 + 60
    expected, sd = 0.1 * sent, np.sqrt(0.09 * sent)
    short = sent - len(run.lines)
    seen = {
        "lost": max(short, 0),
        "damaged": reading.bad_crc,
        "cut_short": reading.malformed,
        "duplicated": max(-short, 0),
    }
    assert abs(seen.pop(kind) - expected) < 4 * sd
    assert not any(seen.values())


def test_damage_puts_control_characters_in(run_of) -> None:
    run = run_of("paddock", minutes=5, faults=FaultParameters(damaged=0.2))
    damaged = [line for line in run.lines if any(byte < 32 and byte != 10 for byte in line)]
    assert len(damaged) == run.truth["lines"]["bad_crc"]
    assert len({byte for line in damaged for byte in line if byte < 32}) > 20
    assert not any(b"\n" in line[:-1] or b"\r" in line for line in damaged)


def test_foreign_and_overlong_lines_are_added_and_nothing_is_taken(run_of, reader) -> None:
    run = run_of("paddock", minutes=10, faults=FaultParameters(foreign=0.05, overlong=0.03))
    reading = reader(run.lines)
    assert len(reading.counts) == 6000
    overlong = [line for line in run.lines if len(line) > 241]
    assert 110 < len(overlong) < 260
    assert reading.malformed == run.truth["lines"]["malformed"]
    assert 220 < reading.malformed - len(overlong) < 390


def test_half_blind_side_goes_quiet_and_the_other_goes_on(run_of, reader) -> None:
    run = run_of("paddock", minutes=8, faults=FaultParameters(blind=(Blind("cleaning", "right", 240.0),)))
    counts = reader(run.lines).counts
    assert counts[2398].counts[3] > 1000
    assert counts[-1].counts[3] - counts[2400].counts[3] == 0
    assert counts[-1].counts[2] - counts[2400].counts[2] > 1000
    healthy = run_of("paddock", minutes=8)
    assert run.truth["factor_mg_per_pulse"] == healthy.truth["factor_mg_per_pulse"]
    assert [c.counts[:3] for c in counts] == [c.counts[:3] for c in reader(healthy.lines).counts]


def test_gps_and_line_go_silent_in_their_windows(bad_line) -> None:
    with_nmea = {tick.ms // 1000 for tick in bad_line.ticks if any(line.startswith(b"$GP") for line in tick.lines)}
    assert not any(300 < second <= 360 for second in with_nmea)
    assert len([second for second in with_nmea if 200 < second <= 300]) > 95
    silent = [tick for tick in bad_line.ticks if 420_000 < tick.ms <= 426_000]
    assert len(silent) == 60
    assert not any(tick.lines for tick in silent)
    assert sum(bool(tick.lines) for tick in bad_line.ticks if 426_000 < tick.ms <= 432_000) > 45


def test_pulses_survive_lost_lines(run_of, reader) -> None:
    clean = run_of("paddock", minutes=5)
    lossy = run_of("paddock", minutes=5, faults=FaultParameters(lost=0.3, damaged=0.1))
    assert reader(lossy.lines).pulses() == lossy.truth["pulses"]
    for all_of_it, kept in zip(clean.truth["pulses"], lossy.truth["pulses"], strict=True):
        assert all_of_it - kept < 0.01 * all_of_it, "only what lies outside the first and last whole sentence"


def test_the_projects_own_decoder_agrees_line_by_line(bad_line) -> None:
    from edge.feed.sentences import Fault, decode

    kinds = {"good": 0, "bad_crc": 0, "malformed": 0}
    for line in bad_line.lines:
        decoded = decode(line[:-1])
        kinds[decoded.kind if isinstance(decoded, Fault) else "good"] += 1
    assert kinds == {key: bad_line.truth["lines"][key] for key in kinds}


def test_without_faults_lines_pass_untouched() -> None:
    faults = LineFaults(FaultParameters(), np.random.default_rng(0))
    assert faults.pass_on([b"$A*0000\n"], 1.0) == ([b"$A*0000\n"], [True])

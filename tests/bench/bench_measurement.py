"""The measurement core's figures in full; the table goes to RESULTS.md. Small versions run in tests/reckon."""

from __future__ import annotations

import time

import numpy as np
import pytest

from edge.reckon.statistics.smoothing import Smoother
from tests.bench import bias, jobs, passes, results, smoothing, truth

SEED = 20
COMMAND = "make bench ARGS='-k bench_measurement'"
pytestmark = pytest.mark.timeout(280)  # the whole bench: half a million seconds smoothed, six hundred jobs


def percent(value: float) -> str:
    return f"{100 * value:.1f} %"


def test_smoothing_against_the_best_fixed_half_life():
    cases = smoothing.cases(runs=60, seed=SEED)
    mean = sum(case.ratio for case in cases) / len(cases)
    doubling = {noise: smoothing.after_doubling(noise, runs=200, seed=SEED) for noise in (0.0, 0.1, 0.3)}
    cost = cost_us()
    rows = [
        (
            case.per_s, case.noise, f"{case.ratio:.3f}", f"{case.limit}", f"{case.pooled:.3f}", f"{case.best_half_life_s:g}",
            f"{case.error:.3f}", percent(case.held), percent(case.held_present), f"{case.dispersion:.2f}",
        )
        for case in cases
    ]  # fmt: skip
    head = ("pulses/s", "noise", "error over best fixed", "at most", "pooled", "best half-life (s)", "error (log)",
            "interval holds 10 s mean", "holds present rate", "dispersion found (1.5)")  # fmt: skip
    after = ((noise, percent(error), f"{first:g}") for noise, (error, first) in doubling.items())
    write = [
        smoothing.__doc__.split("\n\n", 1)[1].strip(),
        "60 runs a case. The interval must hold the 10 s trailing mean in 85 to 97 % of seconds.",
        results.table(head, rows),
        f"Mean of the ratios: {mean:.3f} (at most 1.00). Step and level together: {cost:.1f} microseconds of processor time.",
        "After 20 pulses/s became 40, medians of 200 runs (the error at the end of the 10th second: at most 15 %):",
        results.table(("noise", "error in the 10th second", "seconds until within 15 %"), after),
    ]
    results.write("Smoothing", COMMAND, write)
    print("\n" + "\n\n".join(write))
    assert all(case.ratio <= case.limit for case in cases)
    assert mean <= 1.0
    assert all(0.85 <= case.held <= 0.97 for case in cases)
    assert all(error <= 0.15 for error, _ in doubling.values())


def cost_us() -> float:
    """Processor time of step and level at 20 pulses/s, the least of five tries."""
    counts = truth.clumped(np.random.default_rng(SEED), np.full(3000, 20.0)).tolist()
    tries = []
    for _ in range(5):
        smoother = Smoother()
        began = time.process_time()
        for count in counts:
            smoother.step(count, 1.0, 1.0)
            smoother.level()
        tries.append((time.process_time() - began) / len(counts) * 1e6)
    return min(tries)


def test_jobs_with_three_tray_tests():
    found = [jobs.figures(scatter, jobs=200, seconds=400, seed=SEED) for scatter in (0.1, 0.2, 0.3)]
    rows = [
        (one.scatter, one.jobs, percent(one.held), f"{one.half_width:.2f}", percent(one.bias), percent(one.live_held))
        for one in found
    ]
    head = ("tray scatter", "jobs", "mean held (at least 85 %)", "median half-width / scatter (at most 2.5)", "mean error",
            "live interval held")  # fmt: skip
    write = [jobs.__doc__.strip(), results.table(head, rows)]
    results.write("Jobs", COMMAND, write)
    print("\n" + "\n\n".join(write))
    assert all(one.held >= 0.85 for one in found)
    assert all(one.half_width <= 2.5 for one in found)
    assert all(0.85 <= one.live_held <= 0.97 for one in found)


def test_passes_turns_and_gaps():
    found = passes.recovery(range(1, 31), minutes=15)
    gap_bias, gap_error = passes.after_gap(range(1, 31))
    rows = [
        ("first 10 s of work after a turn", percent(found.start_bias), percent(found.start_error)),
        ("10 s after a gap of 8 s", percent(gap_bias), percent(gap_error)),
        ("the rest", percent(found.later_bias), percent(found.later_error)),
    ]
    write = [
        passes.__doc__.strip(),
        f"30 paddocks of 15 minutes, {found.seconds} seconds of work. Counting part holds the truth in {percent(found.held)},"
        f" the published interval in {percent(found.held_whole)} of seconds (one factor from three tests a paddock).",
        results.table(("seconds", "mean log error", "root mean square"), rows),
    ]
    results.write("Passes, turns and gaps", COMMAND, write)
    print("\n" + "\n\n".join(write))
    assert 0.85 <= found.held <= 0.97
    assert abs(found.start_bias) <= 0.05
    assert found.start_error <= 1.25 * found.later_error
    assert abs(gap_bias) <= 0.05 and gap_error <= 1.25 * found.later_error


def test_bias():
    dead = [bias.dead_time(tau, share, 300_000, SEED) for tau in bias.DEAD_TIMES_US for share in bias.OCCUPANCIES]
    ground = [bias.background(per_s, part, 30, SEED) for per_s in bias.TOTALS_PER_S for part in bias.BACKGROUND_PARTS]
    write = [
        bias.__doc__.strip(),
        results.table(
            ("dead time (us)", "time hidden", "counted/s", "bias (at most 1 %)"),
            ((one.dead_time_us, f"{one.occupancy:.0%}", f"{one.counted_per_s:.1f}", f"{one.bias:+.2%}") for one in dead),
        ),
        results.table(
            ("pulses/s", "of it vibration", "job sum (at most 5 %)", "smoothed level (at most 5 %)"),
            ((one.per_s, f"{one.part:.0%}", f"{one.total_bias:+.2%}", f"{one.level_bias:+.2%}") for one in ground),
        ),
    ]
    results.write("Bias", COMMAND, write)
    print("\n" + "\n\n".join(write))
    assert all(abs(one.bias) <= 0.01 for one in dead)
    assert all(abs(one.total_bias) <= 0.05 and abs(one.level_bias) <= 0.05 for one in ground)

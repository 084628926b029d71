"""How soon a doubled loss is told, how often a loss under the limit cries wolf, and what judging a second costs.

The loss is a pulse rate whose logarithm carries fading noise (memory 25 s); counts are clumped (variance 1.5 times the
mean), 20 a second at the level that is judged. They pass the real smoothing, the real interval (factor u 0.10 or 0.15,
12 degrees of freedom, as three tray tests and their prior give) and the real judge, second by second. The factor is
once taken as right, once drawn anew for each run from its own uncertainty: then a run under the limit may rightly look
like one over it, which the kit can't know. `rows()` gives figure, target, reached, command.
"""

from __future__ import annotations

import sys
import time
from math import exp

import numpy as np

from edge import settings
from edge.feed.assembler import Part, Second
from edge.judge.alerts import Judge
from edge.reckon.factor import Factors, Fit
from edge.reckon.figures import CalibrationFigure, Figures, LossFigure, PointFigure
from edge.reckon.loss import PointLevel, machine_loss, over_limit_p
from edge.reckon.smoothing import Smoother
from tests.bench import truth
from tests.bench.truth import Floats

COMMAND = "make bench ARGS=tests/bench/bench_alerts.py"
PER_S = 20.0
LIMIT_KG_HA = 60.0
FACTOR_DOF = 12.0
WARM_S = 120
SETTINGS = settings.parse(
    '[machine]\nname = "bench"\ncut_width_m = 9.0\n[limits]\nloss_kg_ha = 60\nreturns_pct = 80\n'
    '[[input]]\nat = 0\nreads = "loss"\npoint = "cleaning"\nside = "left"\n'
    '[[input]]\nat = 1\nreads = "loss"\npoint = "cleaning"\nside = "right"\n'
    '[[input]]\nat = 2\nreads = "beam"\nempty_pct = 20\nfull_pct = 85\n'
    '[[input]]\nat = 3\nreads = "ground"\npulses_per_m = 10\n'
    '[[input]]\nat = 4\nreads = "shaft"\nshaft = "fan"\n'
)
_CALIBRATION = CalibrationFigure("good", {"cleaning": 1400.0}, 3, 600.0, "")


def figures(number: int, kg_ha: float, p: float) -> Figures:
    """A second of work with this loss and probability."""
    return Figures(
        number, 1_790_000_000 + number, "working", 7.0, 6.3, LossFigure(kg_ha, kg_ha, kg_ha, 1.0, 0.2, 60.0, p),
        {"cleaning": PointFigure(kg_ha, kg_ha, kg_ha, 0.5)}, {"cleaning": PER_S}, 34.0, None, {"fan": 860.0}, _CALIBRATION,
        None, None, ["pct from typed yield"], 2.0, 18.0, LIMIT_KG_HA,
    )  # fmt: skip


def second(number: int) -> Second:
    """Its counts."""
    return Second(number, 1_790_000_000 + number, [Part(3, 0, 1000, [10, 10, 300, 20, 14])], 10, None, {}, None)


def raises(counts: Floats, mg_per_pulse: float, u: float) -> list[tuple[int, str]]:
    """Seconds (index) and severities at which an alert was told as raised in one run of counts, shape (seconds,)."""
    smoother, judge = Smoother(), Judge(SETTINGS)
    factors = Factors({"cleaning": Fit(mg_per_pulse, u, FACTOR_DOF, 3, 0.0)})
    found = []
    for t, count in enumerate(counts.tolist()):
        smoother.step(count, 1.0, 1.0)
        level = smoother.level()
        assert level is not None
        total = machine_loss([PointLevel("cleaning", level)], factors).total
        assert total is not None
        for change in judge.step(figures(t + 1, total.kg_ha, over_limit_p(total, LIMIT_KG_HA)), second(t + 1)):
            if change.rule == "loss-over-limit" and change.state == "raised":
                found.append((t, change.severity))
    return found


def _factor(random: np.random.Generator, u: float, drawn: bool) -> float:
    """A factor that makes the mean of the judged level what it is said to be, times the error drawn."""
    return exp(u * random.standard_normal()) if drawn else 1.0


def step_seen(runs: int, before: float, noise_sd: float, u: float, drawn: bool, seed: int) -> int:
    """Runs of a step from `before` to twice the limit that were raised within 20 s of the step."""
    random = np.random.default_rng((seed, round(100 * u), drawn))
    logs = truth.noise(random, runs, WARM_S + 20, noise_sd) - noise_sd**2 / 2
    times = np.where(np.arange(WARM_S + 20) < WARM_S, before / 2.0, 1.0)
    counts = truth.clumped(random, PER_S * times * np.exp(logs))
    mg_per_pulse = 2 * LIMIT_KG_HA / PER_S * 100.0
    hits = 0
    for row in counts:
        found = raises(row, mg_per_pulse * _factor(random, u, drawn), u)
        hits += any(t >= WARM_S for t, _ in found)
    return hits


def raises_an_hour(hours: int, times_limit: float, noise_sd: float, u: float, drawn: bool, seed: int) -> float:
    """Mean number of raises an hour at a steady mean loss, hours of work run one by one."""
    random = np.random.default_rng((seed, round(100 * u), drawn))
    counts = truth.clumped(random, PER_S * np.exp(truth.noise(random, hours, 3600, noise_sd) - noise_sd**2 / 2))
    mg_per_pulse = times_limit * LIMIT_KG_HA / PER_S * 100.0
    found = [len(raises(row, mg_per_pulse * _factor(random, u, drawn), u)) for row in counts]
    return sum(found) / hours


def microseconds(seconds: int = 20_000) -> float:
    """Processor time of judging one second of work in which nothing is on; the best of five."""
    made = [(figures(n, 40.0, 0.02), second(n)) for n in range(1, seconds + 1)]
    best = float("inf")
    for _ in range(5):
        judge = Judge(SETTINGS)
        judge.restore_hours(-1000.0, -1000.0)
        began = time.process_time()
        for one, raw in made:
            judge.step(one, raw)
        best = min(best, time.process_time() - began)
    return 1e6 * best / seconds


def rows(runs: int = 200, hours: int = 40) -> list[tuple[str, str, str, str]]:
    """Figure, target, reached, command."""
    found = []
    for u in (0.10, 0.15):
        for drawn in (False, True):
            how = f"factor u {u:.2f}, {'drawn' if drawn else 'right'}"
            for before in (0.5, 0.75):
                hits = step_seen(runs, before, 0.25, u, drawn, 1)
                what = f"step from {before} to 2 x limit raised within 20 s ({how})"
                found.append((what, f"at least {0.95 * runs:.0f} of {runs}", f"{hits} of {runs}", COMMAND))
            for times, noise_sd, most in ((0.75, 0.2, 1), (0.9, 0.25, 6)):
                a_h = raises_an_hour(hours, times, noise_sd, u, drawn, 2)
                what = f"raises an hour at {times} x limit, noise {noise_sd} ({how})"
                found.append((what, f"at most {most}", f"{a_h:.2f}", COMMAND))
    found.append(("judging a second with nothing on", "under 6 us", f"{microseconds():.1f} us", COMMAND))
    return found


def test_the_figures_are_reached() -> None:
    found = rows()
    for row in found:
        print(" | ".join(row))
    assert all(int(row[2].split()[0]) >= 190 for row in found if "raised within" in row[0])
    assert all(float(row[2]) <= float(row[1].split()[-1]) for row in found if row[0].startswith("raises"))


if __name__ == "__main__":
    for one in rows(*map(int, sys.argv[1:])):
        print(" | ".join(one))

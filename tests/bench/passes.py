"""Passes, turns and gaps: the simulated harvester through the whole engine, second by second against its truth.

True local rate: grain lost in the last 10 s over the ground cut in the 10 s that ended a lag earlier (the machine's nominal
lag; it has other delays at separator and cleaning, with mixing). The counting part stands alone by giving `machine_loss` the
simulation's own factors with next to no uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, log

import numpy as np

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.reckon.figures import Figures
from edge.reckon.fit.factor import Factors, Fit
from edge.reckon.loss import Interval, PointLevel, machine_loss
from sim_feed.parameters.structs import FaultParameters
from sim_feed.run.scenario import Simulation, load

EPOCH_MS = 1_790_000_000_000
TICKS_PER_S = 10
LOCAL_S = 10
STARTED_S = 10
"""The first seconds of work of a pass, judged apart."""


@dataclass(frozen=True)
class Row:
    """One second of work: its number, seconds of work since the pass began, true local rate, and the two intervals."""

    second: int
    of_pass: int
    number_of_pass: int
    true_kg_ha: float
    counting: Interval
    figures: Figures

    @property
    def log_error(self) -> float:
        """Level by the true factor over truth."""
        return log(self.counting.kg_ha / self.true_kg_ha)

    @property
    def held(self) -> bool:
        """Whether the counting part alone holds the truth."""
        return self.counting.high is not None and self.counting.low <= self.true_kg_ha <= self.counting.high

    @property
    def held_whole(self) -> bool | None:
        """Whether the published interval does; None before a tray test."""
        loss = self.figures.loss
        if loss is None or loss.low is None or loss.high is None:
            return None
        return loss.low <= self.true_kg_ha <= loss.high


def drive(seed: int, minutes: float, silent_s: tuple[tuple[float, float], ...] = ()) -> list[Row]:
    """Seconds of work of a simulated paddock. `silent_s`: stretches in which the line says nothing."""
    scenario = load("paddock").with_(seed=seed, minutes=minutes)
    scenario = scenario.with_(faults=replace(FaultParameters(), line_silent=silent_s))
    simulation = Simulation(scenario)
    engine = Engine(settings.parse(scenario.settings_toml()), Nowhere(), Nowhere())
    seen: list[tuple[Figures, list[PointLevel]]] = []
    engine.on_figures.append(lambda figures: seen.append((figures, _levels(engine))))
    lost, cut = [0.0], [0.0]
    for tick in simulation:
        for line in tick.lines:
            engine.take_line(EPOCH_MS + tick.ms, line[:-1])
        for entry in tick.entries:
            engine.take_entry(EPOCH_MS + tick.ms, entries.from_plain(entry))
        true = tick.truth
        lost.append(lost[-1] + (true.separator_kg_s + true.cleaning_kg_s) / TICKS_PER_S)
        metres = true.speed_kmh / 3.6 / TICKS_PER_S * true.front_down
        cut.append(cut[-1] + metres * scenario.machine.cut_width_m)
    impacts = simulation.truth_summary()["factor_mg_per_pulse"]
    assert isinstance(impacts, dict)
    known = Factors({name: Fit(k, 1e-6, inf, 3, 0.0) for name, k in impacts.items()})
    return _rows(seen, known, np.array(lost), np.array(cut), round(scenario.machine.lag_s * TICKS_PER_S))


def _levels(engine: Engine) -> list[PointLevel]:
    reckoner = engine.reckoner
    levels = [(point.name, smoother.level()) for point, smoother in zip(reckoner.points, reckoner.kit.smoothers, strict=True)]
    return [PointLevel(name, level) for name, level in levels if level is not None]


def _rows(
    seen: list[tuple[Figures, list[PointLevel]]], known: Factors, lost: np.ndarray, cut: np.ndarray, lag: int
) -> list[Row]:
    rows: list[Row] = []
    of_pass, number, was_working = 0, 0, False
    window = LOCAL_S * TICKS_PER_S
    for figures, levels in seen:
        working = figures.state == "working"
        if working and not was_working:
            of_pass, number = 0, number + 1
        was_working = working
        second = figures.t - EPOCH_MS // 1000
        end = second * TICKS_PER_S
        if not working or end >= len(lost) or end < lag + window or len(levels) < 2:
            continue
        of_pass += 1
        area = cut[end - lag] - cut[end - lag - window]
        counting = machine_loss(levels, known).total
        if counting is None or counting.kg_ha <= 0 or area <= 0:
            continue
        true = float((lost[end] - lost[end - window]) / area * 10_000.0)
        rows.append(Row(second, of_pass, number, true, counting, figures))
    return rows


def after_gap(seeds: range, gap_s: tuple[float, float] = (150.0, 158.0)) -> tuple[float, float]:
    """Mean and root mean square log error in the 10 s of work after the line was silent in the middle of the first pass."""
    end = int(gap_s[1])
    rows = [row for seed in seeds for row in drive(seed, (end + 15) / 60, (gap_s,)) if end < row.second <= end + STARTED_S]
    errors = np.array([row.log_error for row in rows])
    return float(errors.mean()), float(np.sqrt((errors**2).mean()))


@dataclass(frozen=True)
class Recovery:
    """Of several paddocks: shares held, and mean and root mean square log error at the start of passes and later."""

    seconds: int
    held: float
    held_whole: float
    start_bias: float
    start_error: float
    later_bias: float
    later_error: float


def recovery(seeds: range, minutes: float) -> Recovery:
    """Drive a paddock for each seed and put them together; the first pass has no turn before it and counts as later."""
    rows = [row for seed in seeds for row in drive(seed, minutes)]
    start = np.array([row.log_error for row in rows if row.of_pass <= STARTED_S and row.number_of_pass > 1])
    later = np.array([row.log_error for row in rows if row.of_pass > STARTED_S or row.number_of_pass == 1])
    whole = [row.held_whole for row in rows if row.held_whole is not None]
    return Recovery(
        len(rows),
        float(np.mean([row.held for row in rows])),
        float(np.mean(whole)) if whole else float("nan"),
        float(start.mean()),
        float(np.sqrt((start**2).mean())),
        float(later.mean()),
        float(np.sqrt((later**2).mean())),
    )

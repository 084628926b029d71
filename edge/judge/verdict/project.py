"""How many more minutes of work would settle a comparison, if what it shows so far is true."""

from __future__ import annotations

from math import hypot, inf, sqrt

import numpy as np

from edge.judge.verdict.contrast import DRIFT_Z, NOISE_LEVEL, UNIT_S, BlockSample, Effect, Floats, boundary
from edge.judge.verdict.drift import DRIFT_LOG_SD, DRIFT_MEMORY_S

LEAST_EFFECT = 0.05
"""A log ratio nearer to 0 than this may be nothing at all: waiting for it is no advice."""

LONGEST_MIN = 120
STEP_MIN = 2


def minutes_more(sample: BlockSample, found: Effect, wanted: float, further: float = 0.0) -> int | None:
    """Minutes of further work after the change until the interval would be narrower than `wanted` (log).

    `further`: a half width that waiting doesn't narrow (tray tests). None when two hours would not do, or the effect is
    too small to wait for.
    """
    if wanted < LEAST_EFFECT or further >= wanted or not len(sample.side):
        return None
    one = sample.side == 1
    before, after = (float(sample.seconds[mine].sum()) / UNIT_S for mine in (~one, one))
    if before <= 0 or after <= 0:
        return None
    unit = found.noise / (1 / before + 1 / after)
    mid, weight, last = sample.mid_s, sample.seconds / UNIT_S, float(sample.mid_s.max())
    batch_min = (before + after) * UNIT_S / 60 / (found.dof + 2)
    now = _drift(mid, np.where(one, weight / after, -weight / before))
    uneven = max(found.drift / now, 1.0) if now > 0 else 1.0  # the work may have shown more drift than is taken for granted
    low, high = 0, LONGEST_MIN // STEP_MIN + 1
    while high - low > 1:  # the reach narrows with every minute
        middle = (low + high) // 2
        minutes = middle * STEP_MIN
        more = minutes * 60 / UNIT_S
        times = np.concatenate([mid, last + 60.0 * np.arange(1, minutes + 1)])
        pull = np.concatenate(
            [np.where(one, weight / (after + more), -weight / before), np.full(minutes, 60 / UNIT_S / (after + more))]
        )
        drift = uneven * _drift(times, pull)
        spread = 1 / before + 1 / (after + more)
        dof = found.dof + minutes / batch_min
        reach = boundary(dof, 1 / spread, NOISE_LEVEL) * sqrt(unit * spread)
        if hypot(reach, DRIFT_Z * sqrt(drift), further) <= wanted:
            high = middle
        else:
            low = middle
    return high * STEP_MIN if high * STEP_MIN <= LONGEST_MIN else None


def drift_limits(found: Effect) -> bool:
    """Whether the field's drift, which waiting hardly narrows, is the larger part of the interval."""
    reach = boundary(found.dof, found.information, NOISE_LEVEL) * sqrt(found.noise)
    return reach < inf and DRIFT_Z * sqrt(found.drift) > 0.7 * reach


def _drift(times: Floats, pull: Floats) -> float:
    """Variance of a sum of pulls on the drift, by its Markov property: one pass instead of a matrix."""
    order = np.argsort(times, kind="stable")
    times, pull = times[order], pull[order]
    keep = np.exp(-np.diff(times, prepend=times[0]) / DRIFT_MEMORY_S)
    carried = total = 0.0
    for one, part in zip(keep, pull, strict=True):
        carried *= float(one)
        total += float(part) * (float(part) + 2 * carried)
        carried += float(part)
    return DRIFT_LOG_SD**2 * total

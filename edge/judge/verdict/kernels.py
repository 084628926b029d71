"""Few kernels in the trays of a side: grain per pulse compared by counting, since a logarithm knows no zero.

Kernels found behind so many pulses are counts over exposures. Given their sum the first is binomial, so the ratio's interval
is exact at any count, zero too (Clopper and Pearson 1934; `edge.reckon.statistics.ratio`). Tests scatter more than counting:
a side's counts are divided by what that scatter adds to their variance, which is nothing where nothing was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from msgspec import UNSET

from edge.contract.entries import OneTray, given
from edge.judge.verdict.contrast import LEVEL
from edge.reckon.fit.calibration import Test
from edge.reckon.fit.factor import PRIOR_SPREAD
from edge.reckon.fit.trays import TYPICAL_TGW_G
from edge.reckon.statistics.ratio import RateRatio, central

FEW = 10.0
"""Kernels on a side from which a logarithm of their mass has about a normal scatter (from memory)."""


@dataclass(frozen=True, slots=True)
class Catch:
    """The trays of one side: kernels found, the pulses behind them, the tests, and which streams they caught."""

    kernels: float
    pulses: float
    tests: int
    catches: frozenset[str]

    @property
    def scatter(self) -> float:
        """Times by which the kernels scatter more than counts do, as tests differ by a share of their mean."""
        return 1.0 + PRIOR_SPREAD**2 * self.kernels / self.tests


def catch(
    tests: Sequence[Test], points: Sequence[str], vibration_hz: Sequence[float], weights: Sequence[float], tgw_g: float | None
) -> Catch:
    """Kernels and pulses (weighted like those that are compared) of used tray tests; mass is taken in kernels by its TGW."""
    kernel_g = (TYPICAL_TGW_G if tgw_g is None else tgw_g) / 1000.0
    kernels = pulses = 0.0
    for test in tests:
        found = sum(_kernels(tray, kernel_g) for tray in test.entry.trays)
        net = 0.0
        for i, name in enumerate(points):
            if test.entry.catches in ("both", name):
                net += weights[i] * max(test.seen.pulses[i] - vibration_hz[i] * test.seen.threshing_s, 0.0)
        kernels += found
        pulses += _metres(test, found, kernel_g) * net / test.seen.metres if test.seen.metres > 0 else 0.0
    return Catch(kernels, pulses, len(tests), frozenset(test.entry.catches for test in tests))


def can_be_counted(tests: Sequence[Test]) -> bool:
    """Whether there are tests, all of trays that the machine's stream alone fell on: counts less counts are no counts."""
    return bool(tests) and all(test.entry.laid == "released" for test in tests)


def found_nothing(tests: Sequence[Test]) -> bool:
    """Whether there are tests, and not a kernel in any of their trays."""
    return can_be_counted(tests) and not any(_kernels(tray, 1.0) for test in tests for tray in test.entry.trays)


def share_ratio(before: Catch, after: Catch, level: float = LEVEL) -> RateRatio | None:
    """Kernels per pulse after over before with its central interval.

    None where a side has no pulses, neither has a kernel, or they caught different streams.
    """
    if before.catches != after.catches or min(before.pulses, after.pulses) <= 0 or before.kernels + after.kernels <= 0:
        return None
    both = after, before
    return central(
        (both[0].kernels / both[0].scatter, both[1].kernels / both[1].scatter),
        (both[0].pulses / both[0].scatter, both[1].pulses / both[1].scatter),
        level,
    )


def _kernels(tray: OneTray, kernel_g: float) -> float:
    return given(tray.mass_g, 0.0) / kernel_g if tray.grains is UNSET else float(tray.grains)


def _metres(test: Test, kernels: float, kernel_g: float) -> float:
    """Metres of travel whose whole loss the trays would hold; of an empty catch the result keeps one kernel's worth of doubt."""
    result = test.result
    of = kernels * kernel_g / result.tray_g_m if result.tray_g_m > 0 else 0.0
    return of if of > 0 else kernel_g / result.u_tray_g_m if result.u_tray_g_m > 0 else 0.0

"""When a factor is known well enough to be called good, in figures and in words, and which tray test would help most.

The factor's interval is exp(ln k +- t u), so it is wider above than below: with a reach of t u it ends at k exp(t u) and
k exp(-t u). 35 % either way is therefore met first at the upper end, at t u = ln 1.35 (the lower end is then 0.74 k). With
three tests (t = 2.92) that asks for u of at most 0.103. The contract's other bound, a relative u of 0.25, lies beyond it at any
number of tests, since t is never under 1.645.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil, exp, inf, sqrt

from edge.reckon.fit.factor import ENOUGH, Fit
from edge.reckon.statistics.budget import reach

FARTHEST = 0.35
"""How far the 90 % interval of a good factor may reach either way, relative to the factor (contract, section 9)."""

EXACT = 1e-9
"""35 % is 35 % whatever binary fractions make of it."""


def interval(u: float, dof: float, moved_u: float = 0.0) -> tuple[float, float]:
    """The 90 % interval of a factor, relative to it. `moved_u`: relative u by which it may have moved since its tests."""
    far = reach([(u, dof), (moved_u, inf)])
    return exp(-far), exp(far)


def is_good(u: float, dof: float, moved_u: float = 0.0) -> bool:
    """Whether that interval reaches no farther than 35 % either way."""
    low, high = interval(u, dof, moved_u)
    return low >= 1 - FARTHEST - EXACT and high <= 1 + FARTHEST + EXACT


def either_way_pct(u: float, dof: float, moved_u: float = 0.0) -> int:
    """How far the interval reaches on its farther side, in whole percent rounded up: over 35 exactly where it is not good."""
    low, high = interval(u, dof, moved_u)
    return ceil(100 * (max(1 - low, high - 1) - EXACT))


def said(u: float, dof: float, moved_u: float = 0.0) -> str:
    """That interval in words, for "the factor ...": rounded away from the factor."""
    low, _ = interval(u, dof, moved_u)
    return f"may be up to {ceil(100 * (1 - low - EXACT))} % lower or {either_way_pct(u, dof, moved_u)} % higher"


def with_one_more(u: float, dof: float, tests: int) -> tuple[float, float]:
    """Relative u and degrees of freedom that one more test like the others would leave."""
    return u * sqrt(tests / (tests + 1)), dof + 1


def widest(points: Mapping[str, Fit], moved_u: float = 0.0) -> str:
    """The point whose factor's interval reaches farthest."""
    return max(points, key=lambda name: interval(points[name].u, points[name].dof, moved_u)[1])


def most_helpful(points: Mapping[str, Fit], common: bool, counted: bool) -> str:
    """Which further tray test would narrow the widest factor most, in words, with what it would come to.

    `common`: one factor stands for both points; `counted`: a catch was counted, so that its mass rests on the TGW.
    """
    point = widest(points)
    fit = points[point]
    if len(points) == 1:
        what = "a further tray test"
    else:
        what = "a further tray test of both points" if common else f"a further tray test that catches {point} alone"
    if fit.clicks_m2:
        what += " at clearly higher or lower loss than before"
    elif fit.n >= ENOUGH and 2 * fit.spread**2 < fit.n * fit.u**2:
        what += " where loss is high"  # few kernels and pulses rule the doubt, not what differs from test to test
    if counted:
        what += ", weighed instead of counted,"
    if fit.n < ENOUGH:
        return f"{what} would help most"
    return f"{what} would help most: with one more like these the factor {said(*with_one_more(fit.u, fit.dof, fit.n))}"

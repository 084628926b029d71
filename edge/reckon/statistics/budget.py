"""Uncertainty on the logarithm: terms, their sum, effective degrees of freedom, and the interval.

A product's relative standard uncertainties add in quadrature as uncertainties of the logarithm (correlated parts with their
correlation: JCGM 100:2008, 5.2.2); the effective degrees of freedom follow Welch-Satterthwaite (G.4); the interval is
exp(ln x +- t u), because plain relative terms fail at 20 to 40 %.

With few tray tests t u by Welch-Satterthwaite can fall when a further term of known spread is added: the term lends the others
degrees of freedom, and t falls faster than u rises. A further doubt can't make a figure surer, so an interval reaches as
far as the farthest-reaching choice among its terms does (`reach`): no further term narrows it, and it is Welch-Satterthwaite's
own wherever that does not fall. (The terms' own reaches t(dof_i) u_i in quadrature would be safe too, Banerjee 1960, Sankhya
22; from memory. Joined with counting, which rules the live figure, they reach too far: 97 % of seconds instead of 90.)
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, inf, log, sqrt

from edge.reckon.statistics.quantiles import t_quantile

COVERAGE = 0.9

WIDTH_U = 0.02
"""Overlap of neighbouring passes, relative. Common practice: an eye-steered front overlaps by some percent."""

SPEED_U = 0.01
"""Ground calibration by a measured run, relative. From memory: 1 to 3 % slip and rolling radius, most of it common to
tray tests and work."""

DEAD_TIME_U = 0.1
"""Length of the conditioner's one-shot against the settings, relative. From memory: tolerance of its resistor and capacitor."""

NEGLIGIBLE_U = 1e-50
HALF_BLIND_U = 0.3
"""A silent side stood in for by its twin, relative (measurement.md, 1.8)."""

MILL_U = 0.15
"""A weed-seed mill that runs now and was bypassed in the tray tests, relative (measurement.md, 7)."""

QUANTILE_STEPS = 128
"""Steps of 1 / dof between which quantiles are interpolated."""

MOST_CHOICES = 5
"""Terms with degrees of freedom that are chosen among: 31 choices."""

LIGHT_GRAIN_U = 0.05
"""Counts times tank TGW: lost grain is smaller than tank grain (two-year Kansas wheat survey, 1994-95; the survey's
abstract gives no figure, the size is from memory)."""


@dataclass(frozen=True, slots=True)
class Term:
    """One line of a budget: standard uncertainty of the logarithm, its degrees of freedom, what would reduce it.

    `parts`: the independent (u, dof) it is made of, where there are several.
    """

    name: str
    u: float
    dof: float = inf
    remedy: str = ""
    parts: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Budget:
    """The terms of one figure; `u` and `dof` combined."""

    terms: tuple[Term, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty of the logarithm."""
        return sqrt(sum(term.u**2 for term in self.terms))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite), infinite when no term has any."""
        return effective_dof((term.u, term.dof) for term in self.terms)

    @property
    def largest(self) -> Term | None:
        """The line that matters most."""
        return max(self.terms, key=lambda term: term.u, default=None)

    def interval(self, value: float, coverage: float = COVERAGE) -> tuple[float, float]:
        """Central interval of a value of at least 0."""
        if value <= 0:
            return 0.0, 0.0
        factor = exp(reach([part for term in self.terms for part in term.parts or ((term.u, term.dof),)], coverage))
        return value / factor, value * factor

    def to_plain(self) -> list[dict[str, float | str | None]]:
        """As data, largest line first; infinite degrees of freedom are null."""
        ordered = sorted(self.terms, key=lambda term: -term.u)
        return [
            {"term": term.name, "u": term.u, "dof": None if term.dof == inf else term.dof, "remedy": term.remedy}
            for term in ordered
        ]


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite: u^4 / sum(u_i^4 / dof_i) for (u_i, dof_i); infinite when nothing limits it."""
    square = below = 0.0
    for u, dof in parts:
        square += u * u
        if dof != inf:
            below += u**4 / dof
    return square * square / below if below > 0 else inf


def reach(parts: Iterable[tuple[float, float]], coverage: float = COVERAGE) -> float:
    """Half the width of the interval on the logarithm for independent (u_i, dof_i).

    The largest t(dof) u by Welch-Satterthwaite over every choice of terms with degrees of freedom, with and without the rest.
    (Between those two t u falls and then rises with the rest's u, so a part of the rest never reaches farther.)
    """
    sure = 0.0
    limited = []
    for u, dof in parts:
        if dof == inf:
            sure += u * u
        elif u > NEGLIGIBLE_U:
            limited.append((u, dof))
    farthest = quantile(inf, coverage) * sqrt(sure)
    chosen = [(0.0, 0.0)]  # sums of u^2 and of u^4 / dof of each choice
    for u, dof in limited if len(limited) <= MOST_CHOICES else _joined(limited):
        chosen += [(square + u * u, below + u**4 / dof) for square, below in chosen]
    for square, below in chosen[1:]:
        farthest = max(farthest, quantile(square * square / below, coverage) * sqrt(square))
        whole = square + sure
        farthest = max(farthest, quantile(whole * whole / below, coverage) * sqrt(whole))
    return farthest


def _joined(limited: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The largest terms, and one of the small ones that are too many to choose among."""
    ordered = sorted(limited)
    small, large = ordered[: 1 - MOST_CHOICES], ordered[1 - MOST_CHOICES :]
    return [(sqrt(sum(u * u for u, _ in small)), effective_dof(small)), *large]


def combined_u(parts: Sequence[float], correlation: Sequence[Sequence[float]]) -> float:
    """Standard uncertainty of a sum of correlated parts: root of sum over i, j of r_ij u_i u_j (JCGM 100:2008, 5.2.2).

    parts: contributions c_i u_i with the sign of their sensitivity; correlation: r_ij, symmetric with ones on its diagonal.
    """
    pairs = zip(parts, correlation, strict=True)
    return sqrt(max(sum([r * a * b for a, row in pairs for b, r in zip(parts, row, strict=True)]), 0.0))


def source_u(parts: Sequence[tuple[float, Hashable]]) -> float:
    """The same of contributions with their sources: one source errs alike everywhere (r = 1), sources independently (r = 0)."""
    correlation = [[float(source == other) for _, other in parts] for _, source in parts]
    return combined_u([contribution for contribution, _ in parts], correlation)


def quantile(dof: float, coverage: float = COVERAGE) -> float:
    """Two-sided Student t factor for real degrees of freedom from 1 (infinite allowed), to a relative 1e-7.

    Interpolated: the logarithm of the quantile is smooth in 1 / dof, and the hot path can't wait for the exact one.
    """
    place = QUANTILE_STEPS / max(dof, 1.0)
    first = min(max(int(place) - 1, 0), QUANTILE_STEPS - 3)
    value, slope, curve, twist = _log_quantile(first, coverage)
    x = place - first
    return exp(value + x * (slope + (x - 1.0) * (curve + (x - 2.0) * twist)))


@lru_cache(maxsize=4096)
def _log_quantile(first: int, coverage: float) -> tuple[float, float, float, float]:
    """The cubic through the logarithms of four exact quantiles, from 1 / dof = first / QUANTILE_STEPS on (Newton's form)."""
    dofs = [QUANTILE_STEPS / step if step else inf for step in range(first, first + 4)]
    a, b, c, d = [log(t_quantile(0.5 + coverage / 2, dof)) for dof in dofs]
    return a, b - a, (c - 2 * b + a) / 2, (d - 3 * c + 3 * b - a) / 6


def log_interval(value: float, u: float, dof: float, coverage: float = COVERAGE) -> tuple[float, float]:
    """exp(ln value +- t u) for a value of at least 0."""
    if value <= 0:
        return 0.0, 0.0
    factor = exp(quantile(dof, coverage) * u)
    return value / factor, value * factor

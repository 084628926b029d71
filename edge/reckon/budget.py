"""Uncertainty on the logarithm: terms, their sum, effective degrees of freedom, and the interval.

A product's relative standard uncertainties add in quadrature as uncertainties of the logarithm; the effective degrees
of freedom follow Welch-Satterthwaite (JCGM 100:2008, G.4); the interval is exp(ln x +- t u), because plain relative terms
fail at 20 to 40 %.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import exp, inf, sqrt

from edge.reckon.quantiles import t_quantile

COVERAGE = 0.9

WIDTH_U = 0.02
"""Overlap of neighbouring passes, relative. Common practice: an eye-steered front overlaps by some percent."""

SPEED_U = 0.01
"""Ground calibration by a measured run, relative. From memory: 1 to 3 % slip and rolling radius, most of it common to
tray tests and work."""

DEAD_TIME_U = 0.1
"""Length of the conditioner's one-shot against the settings, relative. From memory: tolerance of its resistor and capacitor."""

LIGHT_GRAIN_U = 0.05
"""Counts times tank TGW: lost grain is smaller than tank grain (two-year Kansas wheat survey, 1994-95; the survey's
abstract gives no figure, the size is from memory)."""


@dataclass(frozen=True, slots=True)
class Term:
    """One line of a budget: standard uncertainty of the logarithm, its degrees of freedom, what would reduce it."""

    name: str
    u: float
    dof: float = inf
    remedy: str = ""


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
        """Central interval of a positive value."""
        return log_interval(value, self.u, self.dof, coverage)

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


def quantile(dof: float, coverage: float = COVERAGE) -> float:
    """Two-sided Student t factor; degrees of freedom are rounded to a tenth so that neighbours share one value."""
    return t_quantile(0.5 + coverage / 2, inf if dof > 1000 else max(1.0, round(dof, 1)))


def log_interval(value: float, u: float, dof: float, coverage: float = COVERAGE) -> tuple[float, float]:
    """exp(ln value +- t u) for a value of at least 0."""
    if value <= 0:
        return 0.0, 0.0
    factor = exp(quantile(dof, coverage) * u)
    return value / factor, value * factor

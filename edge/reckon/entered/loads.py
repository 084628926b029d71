"""Loads taken off the machine over the ground they came from: the yield of the crop in front, across restarts too."""

from __future__ import annotations

from dataclasses import dataclass

LEAST_HA = 0.01
"""Ground under this says nothing about a yield: a load is 300 kg there at 30 t/ha."""

MOST_T_HA = 40.0
"""As of the settings' `yield_t_ha`."""


def yield_of(mass_t: float, area_ha: float) -> float | str:
    """Tonnes over hectares, t/ha, or why they give no yield."""
    if area_ha < LEAST_HA:
        return f"{plain(mass_t)} t came from {plain(area_ha)} ha, too little ground for a yield"
    found = mass_t / area_ha
    return found if found <= MOST_T_HA else f"{plain(mass_t)} t from {plain(area_ha)} ha would be {plain(found)} t/ha"


def plain(value: float) -> str:
    """Three figures, and never a power of ten: 1,000 and not 1e+03."""
    return f"{value:.3g}" if value < 100 else f"{value:,.0f}"


@dataclass(slots=True)
class Loads:
    """Tonnes and hectares of the loads that count together.

    `mark_ha`: hectares cut in all when the tank was last empty; `since_s`: when that was (epoch s), None before anything
    said so.
    """

    t: float = 0.0
    ha: float = 0.0
    mark_ha: float = 0.0
    since_s: float | None = None

    def begin(self, at_s: float, cut_ha: float) -> None:
        """A new crop or job begins with an empty tank; `cut_ha`: hectares cut in all."""
        self.t = self.ha = 0.0
        self.mark_ha, self.since_s = cut_ha, at_s

    def forget(self) -> None:
        """A yield was typed: earlier loads count no longer, but the tank still fills since the last one."""
        self.t = self.ha = 0.0

    def add(self, mass_t: float, cut_ha: float, at_s: float) -> float | str:
        """A load leaves: the yield in t/ha of all that count, or why it gives none."""
        self.t, self.ha = self.t + mass_t, self.ha + cut_ha - self.mark_ha
        self.mark_ha, self.since_s = cut_ha, at_s
        found = yield_of(self.t, self.ha)
        return f"{found}; was every load entered?" if isinstance(found, str) and self.ha >= LEAST_HA else found

"""What the operator does: planned things are placed at fitting moments of a leg, then told as entries.

A tray test needs steady work in the middle of a pass and no setting changed shortly before; a planned thing waits for
its moment, and the order of the plan is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sim_feed.field.drive import Leg, SpeedWish
from sim_feed.parameters.structs import REACTING_SETTINGS, TICK_S, PartWidth, Planned, TrayParameters

Entry = dict[str, object]

STEADY_BEFORE_S = 45.0
"""Work in the pass before a tray test or a change: filling (20 s), lag, and the window of the test."""

STEADY_AFTER_S = 12.0
CHANGE_TO_TRAY_S = 20.0
"""Beyond the machine's lag, no setting may change this long before a tray test."""

TRAY_TO_CHANGE_S = 6.0
MARGIN_S = 3.0
MARK_TO_TRAY_S = 60.0


@dataclass(frozen=True, slots=True)
class Placed:
    """A planned thing with the index of its tick in the leg."""

    index: int
    plan: Planned


class Script:
    """Places the plan leg by leg and keeps what is told later (the counted trays of a marked test)."""

    def __init__(
        self, plan: tuple[Planned, ...], parts: tuple[PartWidth, ...], lag_s: float, settings: Mapping[str, float]
    ) -> None:
        ordered = sorted(plan, key=lambda each: each.at_s)
        self.speed_wishes = [
            SpeedWish(each.at_s, _number(each.setting["to"]))
            for each in ordered
            if each.setting is not None and each.setting["what"] == "speed_kmh"
        ]
        self._plan = [each for each in ordered if each.setting is None or each.setting["what"] != "speed_kmh"]
        self._parts = {each.number: each for each in parts if each.announced}
        self._lag_s = lag_s
        self._settings = dict(settings)
        self._last_change_s = -np.inf
        self._last_tray_s = -np.inf
        self._later: list[tuple[int, Entry]] = []
        self._marks = 0

    def place(self, leg: Leg) -> list[Placed]:
        """The planned things that fall into this leg, in order of time."""
        placed: list[Placed] = []
        cursor = leg.first_tick * TICK_S
        end = (leg.first_tick + leg.ticks - 1) * TICK_S
        for tick, _ in leg.speed_changes:
            self._last_change_s = max(self._last_change_s, tick * TICK_S)
        while self._plan:
            plan = self._plan[0]
            at = self._moment(plan, leg, max(plan.at_s, cursor), end)
            if at is None:
                break
            cursor = at
            self._remember(plan, at)
            index = min(max(round(at / TICK_S) - leg.first_tick, 0), leg.ticks - 1)
            placed.append(Placed(index, self._plan.pop(0)))
        return placed

    def _moment(self, plan: Planned, leg: Leg, at: float, end: float) -> float | None:
        """The time for it in this leg, or None when it has to wait for another."""
        began = (leg.first_tick - 1) * TICK_S
        steady = plan.tray is not None or (plan.setting is not None and plan.setting["what"] in REACTING_SETTINGS)
        if steady:
            if not leg.front_down:
                return None
            at = max(at, began + STEADY_BEFORE_S)
            end -= STEADY_AFTER_S
        if plan.tray is not None:
            at = max(at, self._last_change_s + self._lag_s + CHANGE_TO_TRAY_S + MARGIN_S)
            if any(abs(tick * TICK_S - at) < STEADY_BEFORE_S for tick, _ in leg.speed_changes):
                return None
        elif plan.setting is not None:
            at = max(at, self._last_tray_s + TRAY_TO_CHANGE_S)
        return at if at <= end else None

    def _remember(self, plan: Planned, at: float) -> None:
        if plan.tray is not None:
            self._last_tray_s = at
        elif plan.setting is not None:
            self._last_change_s = at

    def setting_changes(self, placed: list[Placed]) -> list[tuple[int, str, float]]:
        """(index, setting, value) of the placed changes the machine answers to."""
        changes = []
        for each in placed:
            setting = each.plan.setting
            if setting is not None and setting["what"] in REACTING_SETTINGS:
                changes.append((each.index, str(setting["what"]), _number(setting["to"])))
        return changes

    def setting_entry(self, what: str, to: float) -> Entry:
        """The entry for a change, with the value it had before."""
        entry: Entry = {"entry": "setting", "what": what}
        if what in self._settings:
            entry["from"] = self._settings[what]
        entry["to"] = to
        self._settings[what] = to
        return entry

    def width_entries(self, leg: Leg) -> list[tuple[int, Entry]]:
        """`width_used` at the start of an announced part pass, and back to the full width at its end."""
        if not leg.front_down or leg.number not in self._parts:
            return []
        return [
            (0, {"entry": "width_used", "part": self._parts[leg.number].part}),
            (leg.ticks - 1, {"entry": "width_used", "part": 1.0}),
        ]

    def tray_entries(self, tick: int, tray: Entry, marked: bool) -> list[Entry]:
        """What is told at the tick of a tray test; a marked one gives its counts a minute later."""
        if not marked:
            return [tray]
        self._marks += 1
        self._later.append((tick + round(MARK_TO_TRAY_S / TICK_S), {**tray, "mark": self._marks}))
        return [{"entry": "tray_mark"}]

    def due(self, leg: Leg) -> list[tuple[int, Entry]]:
        """(index, entry) of what was put off until a tick of this leg."""
        stop = leg.first_tick + leg.ticks
        ready = [(tick - leg.first_tick, entry) for tick, entry in self._later if tick < stop]
        self._later = [each for each in self._later if each[0] >= stop]
        return ready


def tray_entry(
    density_g_m2: float, kernel_mg: float, catches: str, cut_width_m: float, trays: TrayParameters,
    generator: np.random.Generator,
) -> Entry:  # fmt: skip
    """A `tray` entry: grains counted on trays laid across the residue.

    density_g_m2: mean lost grain per ground area of the residue strip; kernel_mg: mass of a lost kernel. The residue
    falls unevenly: a lognormal factor for the test and one for each tray, both of mean one, then Poisson counts.
    """
    width = trays.residue_width_m or cut_width_m
    test = np.exp(trays.test_log_sd * generator.standard_normal() - 0.5 * trays.test_log_sd**2)
    across = np.exp(trays.across_log_sd * generator.standard_normal(trays.number) - 0.5 * trays.across_log_sd**2)
    expected = density_g_m2 * 1000.0 / kernel_mg * trays.length_m * trays.width_m * test * across
    grains = generator.poisson(expected)
    places = (np.arange(trays.number) + 0.5) / trays.number * width - 0.5 * width
    laid = [
        {"grains": int(count), "length_m": trays.length_m, "width_m": trays.width_m, "x_m": round(float(x), 2)}
        for count, x in zip(grains, places, strict=True)
    ]
    return {
        "entry": "tray", "trays": laid, "residue_width_m": width, "laid": "released", "catches": catches, "mill": "none"
    }  # fmt: skip


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float(str(value))

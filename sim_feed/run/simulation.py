"""The run of a scenario: drive, crop, machine, kit and operator, leg by leg, given out tick by tick."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sim_feed.field.crop import Crop, Floats
from sim_feed.field.drive import Driver, Leg
from sim_feed.field.machine import Flows, Machine
from sim_feed.field.script import Entry, Placed, Script, tray_entry
from sim_feed.kit import gps
from sim_feed.kit.board import Board
from sim_feed.kit.faults import LineFaults, crossed
from sim_feed.kit.wiring import Kit
from sim_feed.parameters.structs import TICK_MS, TICK_S, TICKS_PER_S, Planned
from sim_feed.run.truth import Ledger, Truth

if TYPE_CHECKING:
    from sim_feed.run.scenario import Scenario

FRONT_DOWN_BIT = 1
THRESHING_BIT = 2
DEFAULT_EPOCH = 1_780_000_000.0


class Tick(NamedTuple):
    """100 ms of the run, named by its end.

    ms: since the run began; the board's uptime while it neither starts near its wrap nor restarts. lines: as they
    reach the reader, line feed included; entries: what the operator tells at this tick, in order, without `at`.
    """

    ms: int
    lines: list[bytes]
    entries: list[Entry]
    truth: Truth


class Simulation:
    """Iterable of `Tick`, once; the same scenario gives the same bytes. Endless when `minutes` is None.

    `epoch` (s) is the time of ms 0; only the clock inside NMEA sentences depends on it, set it before iterating.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = s = scenario
        self.epoch = DEFAULT_EPOCH
        seeds = np.random.SeedSequence(s.seed).spawn(6)
        crop, drive, faults, operator, receiver = (np.random.default_rng(seed) for seed in seeds[:5])
        self._crop = Crop(s.crop, crop)
        self._driver = Driver(s.drive, s.machine.cut_width_m, self._crop, drive)
        self._machine = Machine(s.machine)
        self._kit = Kit(s.sensors, s.crop, s.machine, s.faults, seeds[5])
        self._faults = LineFaults(s.faults, faults)
        layout = self._kit.layout
        self._board = Board(layout.inputs, s.machine.kit, s.sensors.firmware, s.faults, self._faults)
        settings = {**self._machine.settings, "speed_kmh": s.drive.speed_kmh}
        self._script = Script(s.operator, s.drive.part_widths, s.machine.lag_s, settings)
        self._ledger = Ledger(s.machine.lag_s, tuple(dict.fromkeys(plate.point for plate in s.sensors.plates)))
        self._operator = operator
        self._receiver = receiver
        self._entries_told = 0
        self._last_load_kg = 0.0
        self._running = False

    def __iter__(self) -> Iterator[Tick]:
        if self._running:
            raise RuntimeError("a simulation runs once; make a new one for another run")
        self._running = True
        return self._run()

    def _run(self) -> Iterator[Tick]:
        minutes = self.scenario.minutes
        left = None if minutes is None else round(minutes * 60.0 / TICK_S)
        for leg in self._driver.legs(self._script.speed_wishes):
            used = leg.ticks if left is None else min(left, leg.ticks)
            yield from self._leg(leg, used)
            if left is not None:
                left -= used
                if left <= 0:
                    return

    def _leg(self, leg: Leg, used: int) -> Iterator[Tick]:
        s = self.scenario
        standing = self._crop.yield_kg_m2(leg.along_m, leg.across_m)
        toughness = self._crop.toughness(leg.along_m, leg.across_m, leg.seconds)
        cutting = leg.step_m / TICK_S * s.machine.cut_width_m * leg.part * float(leg.front_down)
        grain = cutting * standing
        placed = self._script.place(leg)
        changes = self._script.setting_changes(placed)
        flows = self._machine.run(grain, grain * s.crop.mog_per_grain * toughness, changes, leg.threshing)
        run = self._kit.run(leg, flows)
        cut_before = self._ledger.cut_kg - sum(self._ledger.loss_kg.values())
        truths = self._ledger.close(leg, used, s.machine.cut_width_m, standing, flows, run.fill)
        for plate, each in zip(s.sensors.plates, run.plates, strict=True):
            self._ledger.add_impacts(plate.point, each, used)
        kept = np.cumsum(grain - flows.separator_loss - flows.cleaning_loss) * TICK_S + cut_before
        entries = self._entries(leg, placed, flows, kept)
        levels = (FRONT_DOWN_BIT * leg.front_down + THRESHING_BIT * (leg.threshing > 0)).tolist()
        extra = self._fixes(leg) if s.sensors.nmea else {}
        periods = {index: each for index, each in run.periods.items() if index < used}
        lines = self._board.run(run.edges[:used], levels[:used], extra, periods)
        for index in range(used):
            told = entries.get(index, [])
            self._entries_told += len(told)
            yield Tick((leg.first_tick + index) * TICK_MS, lines[index], told, truths[index])

    def _fixes(self, leg: Leg) -> dict[int, list[bytes]]:
        """NMEA sentences of the leg's whole seconds by index of the tick."""
        s = self.scenario
        noise = self._receiver.standard_normal(leg.ticks) * s.sensors.nmea_speed_sd_kmh
        course = 0.0 if leg.number % 2 == 1 else 180.0
        found: dict[int, list[bytes]] = {}
        for index in range((-leg.first_tick) % TICKS_PER_S, leg.ticks, TICKS_PER_S):
            at_s = (leg.first_tick + index) * TICK_S
            if not crossed(s.faults.gps_silent, at_s):
                kmh = max(0.0, float(leg.step_m[index] / TICK_S * 3.6 + noise[index]))
                place = float(leg.along_m[index]), float(leg.across_m[index])
                found[index] = gps.sentences(self.epoch + at_s, *place, kmh, course)
        return found

    def _entries(self, leg: Leg, placed: list[Placed], flows: Flows, kept_kg: Floats) -> dict[int, list[Entry]]:
        """Entries of the leg by index of the tick, in order of time."""
        told: dict[int, list[Entry]] = {}
        speeds = [
            (tick - leg.first_tick, self._script.setting_entry("speed_kmh", kmh)) for tick, kmh in leg.speed_changes
        ]
        for each in placed:
            told.setdefault(each.index, []).extend(self._tell(each, leg, flows, kept_kg))
        for index, entry in (*speeds, *self._script.width_entries(leg), *self._script.due(leg)):
            told.setdefault(index, []).append(entry)
        return told

    def _tell(self, placed: Placed, leg: Leg, flows: Flows, kept_kg: Floats) -> list[Entry]:
        plan, index = placed.plan, placed.index
        if plan.tray is not None:
            return self._tray(plan, index, leg, flows)
        if plan.setting is not None:
            return [self._setting(plan.setting)]
        if plan.load is not None:
            tonnes = (float(kept_kg[index]) - self._last_load_kg) / 1000.0
            self._last_load_kg = float(kept_kg[index])
            error = _figure(plan.load.get("error_pct", 0.0)) / 100.0 * self._operator.standard_normal()
            return [{"entry": "load", "t": round(tonnes * (1.0 + error), 2)}]
        if plan.idle_run is not None:
            return [{"entry": "idle_run", "seconds": plan.idle_run}]
        if plan.finish is not None:
            # Areas are summed when a leg is closed, so this leg's whole pass is in.
            area = round(self._ledger.area_m2 / 10_000.0, 2)
            harvested = round(float(kept_kg[index]) / 1000.0, 2)
            return [{"entry": "job_finish", **plan.finish, "harvested_t": harvested, "area_ha": area}]
        return [dict(plan.entry or {})]

    def _setting(self, setting: object) -> Entry:
        assert isinstance(setting, dict)
        return self._script.setting_entry(str(setting["what"]), _figure(setting["to"]))

    def _tray(self, plan: Planned, index: int, leg: Leg, flows: Flows) -> list[Entry]:
        s = self.scenario
        assert plan.tray is not None
        catches = str(plan.tray.get("catches", "both"))
        caught = {
            "both": flows.separator_loss + flows.cleaning_loss,
            "separator": flows.separator_loss,
            "cleaning": flows.cleaning_loss,
        }[catches]
        width = s.trays.residue_width_m or s.machine.cut_width_m
        density = float(caught[index]) * 1000.0 / (float(leg.step_m[index]) / TICK_S * width)
        kernel_mg = s.crop.tgw_g * s.crop.lost_grain_mass_ratio
        tray = tray_entry(density, kernel_mg, catches, s.machine.cut_width_m, s.trays, self._operator)
        return self._script.tray_entries(leg.first_tick + index, tray, bool(plan.tray.get("marked", False)))

    def truth_summary(self) -> dict[str, object]:
        """The truth of what was given out so far (whole legs at a time while the run goes on).

        loss_kg_ha, points: job means; area_ha, distance_m; factor_mg_per_pulse: grain lost at a point over impacts
        (straw clicks included, vibration left out, no dead time, both sides hearing); pulses: raw, as a reader of the
        whole sentences can count them; lines: what a reader should find.
        """
        tally = self._faults.tally
        return {
            **self._ledger.summary(),
            "pulses": self._board.pulses(),
            "lines": {
                "good": tally["good"],
                "bad_crc": tally["bad_crc"],
                "malformed": tally["malformed"],
                "missing": self._board.missing(),
                "restarts": len(self._board.lives) - 1,
                "entries": self._entries_told,
            },
            "seed": self.scenario.seed,
            "scenario": self.scenario.name,
        }


def _figure(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float(str(value))

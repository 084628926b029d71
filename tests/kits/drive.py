"""Seconds made by hand and a kit that drives through a field, for tests of what is reckoned from them."""

from __future__ import annotations

from typing import Any

from edge.contract import entries, settings
from edge.feed.assembler import Event, Part, Second
from edge.feed.nmea import Fix
from edge.reckon.figures import Figures
from edge.reckon.reckoner import Reckoner
from tests.kits.settings import GROUND, WHEAT, Table, beam, both_sides, kit_toml, shaft

T0 = 1_790_000_000

ROTOR = shaft("rotor")


def driven(moves: Table = GROUND, dead_time_us: int = 0, **said: Any) -> str:
    """Settings of the kit that is driven: both sides of both points, a beam, what tells that it moves, a fan."""
    loss = both_sides("separator", "cleaning", dead_time_us=dead_time_us)
    inputs = [*loss, beam(empty_pct=20.0, full_pct=80.0), moves, shaft("fan", pulses_per_rev=2)]
    return kit_toml(inputs, **{"name": "m", "cut_width_m": 10.0, "lag_s": 10, "crop": WHEAT, **said})


KIT = driven()


def second(number: int, counts: list[int], levels: int = 3, ms: int = 1000, **more: Any) -> Second:
    """A closed second with one part; `number` from 1 gives its time."""
    parts = more.pop("parts", [Part(levels, min(100, ms), ms, counts)] if ms else [])
    t = T0 + number
    last = more.pop("last_data_ms", t * 1000)
    data, periods, fix = more.pop("data", 10), more.pop("periods", {}), more.pop("fix", None)
    return Second(number, t, parts, data, last, periods, fix, more.pop("events", []))


def clock_step(number: int) -> Event:
    return Event("clock step", (T0 + number) * 1000, {})


class Drive:
    """A kit that is driven second by second.

    `metres` a second of travel (10 ground pulses a metre), `left`, `right` pulses a second and side of each point.
    """

    def __init__(self, more: str = "", kit: str = KIT) -> None:
        self.reckoner = Reckoner(settings.parse(kit + more))
        self.number = 0
        self.figures: list[Figures] = []

    @property
    def now_ms(self) -> int:
        return (T0 + self.number) * 1000

    def tell(self, **entry: Any) -> dict[str, Any]:
        made = self.reckoner.admit(entries.from_plain(entry), self.now_ms)
        return self.reckoner.learn(made, self.now_ms)

    def go(
        self, seconds: int, separator: tuple[int, int] = (20, 20), cleaning: tuple[int, int] = (10, 10), metres: float = 2.0,
        levels: int = 3, beam: int = 500, fan: int = 28, fix: Fix | None = None, ms: int = 1000,
        further: tuple[int, ...] = (),
    ) -> Figures:  # fmt: skip
        """So many equal seconds; returns the last one's figures. `further`: counts of inputs from place 7 on."""
        for _ in range(seconds):
            self.number += 1
            counts = [*separator, *cleaning, beam, round(10 * metres), fan, *further]
            self.figures.append(self.reckoner.step(second(self.number, counts, levels, ms, fix=fix)))
        return self.figures[-1]

    def tray(self, grams: float | None = None, grains: float | None = None, at: float | None = None, **more: Any) -> None:
        """A released tray of 1 m2 (1 m along, 1 m across) that lay where the residue is 5 m wide."""
        one: dict[str, Any] = {"length_m": 1.0, "width_m": 1.0}
        one |= {"mass_g": grams} if grains is None else {"grains": grains}
        when = {} if at is None else {"at": at}
        self.tell(**{"entry": "tray", "trays": [one], "residue_width_m": 5.0, **when, **more})

    def tested(self, *grams: float, every: int = 60, **more: Any) -> Drive:
        """Steady work with a tray test every minute."""
        for mass in grams:
            self.go(every)
            self.tray(mass, at=T0 + self.number - 10.0, **more)
        self.go(1)
        return self

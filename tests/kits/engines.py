"""A kit without a process: the engine over a store, as the daemon drives it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.keep.store import Store
from edge.live.daemon import RESTORED
from edge.reckon.entered.question import HardlyMeant
from tests.kits.settings import WHEAT, WIRED, Table, beam, both_sides, ground, kit_toml, shaft
from tests.kits.wire import count_line

NOON = 1_789_999_200
"""A whole minute."""


def job_toml(inputs: list[Table] = WIRED, tgw_g: float = 40.0, **said: Any) -> str:
    """Settings of a kit whose crop has a yield and a price."""
    crop = {**WHEAT, "tgw_g": tgw_g, "yield_t_ha": 5.0, "price_per_t": 200.0}
    return kit_toml(inputs, kit="kit7", crop=crop, mqtt={"host": "broker.example"}, **said)


class EngineKit:
    """One run of an engine over a store: 7.2 km/h, 30 and 20 pulses/s. Another one on the same file is the next run."""

    brought = (30, 20, 20)
    """Counts of a second, an input each."""

    def __init__(self, path: Path, at_s: int = NOON, toml: str = "") -> None:
        self.config = settings.parse(toml or job_toml())
        self.store = Store(path)
        self.engine = Engine(self.config, self.store, Nowhere())
        for kind, at_ms, body, seq in self.store.earlier_records(RESTORED):
            self.engine.restore(kind, at_ms, body, seq)
        self.store.begin_run(at_s * 1000, settings.to_plain(self.config), "test", "0")
        self.at_s, self.seq = at_s, 0

    def work(self, seconds: int, levels: int = 3) -> None:
        for _ in range(seconds):
            self.at_s, self.seq = self.at_s + 1, self.seq + 1
            counts = [self.seq * one for one in self.brought]
            self.engine.take_line(self.at_s * 1000 - 500, count_line(self.seq, 1000 * self.seq, *counts, levels=levels))

    def enter(self, **entry: Any) -> dict[str, Any]:
        return self.engine.take_entry(self.at_s * 1000, entries.from_plain(entry))

    def calibrate(self) -> None:
        self.work(45)
        for mass_g in (9.0, 10.0, 11.5):
            self.work(15)
            self.enter(entry="tray", residue_width_m=9.0, trays=[{"mass_g": mass_g, "length_m": 1.0, "width_m": 3.0}], by="x")
            self.work(15)

    def end(self) -> None:
        self.engine.finish()
        self.store.end_run(self.at_s * 1000)
        self.store.close()

    def drop(self) -> None:
        """The process is gone."""
        self.store.close()


ASKED_INPUTS = [*both_sides("separator", "cleaning"), beam(full_t_h=20.0), ground(), shaft("fan")]
ASKED_COUNTS = (8, 7, 5, 5, 300, 20, 14)

TOLD: tuple[dict[str, Any], ...] = (
    {"entry": "residue", "residue_width_m": 9.1},
    {"entry": "setting", "what": "fan_rpm", "to": 860},
    {"entry": "setting", "what": "rotor_rpm", "to": 800},
    {"entry": "setting", "what": "top_sieve_mm", "to": 16},
    {"entry": "setting", "what": "concave_mm", "to": 20},
    {"entry": "setting", "what": "other", "name": "tailboard", "to": 3},
    {"entry": "gauge", "sieve": "top", "readout_mm": 12, "measured_mm": [13.0, 13.4], "opened_to_mm": 18},
    {"entry": "job_start", "client": "north", "paddock": "river"},
)


class AskedKit:
    """An engine in the middle of a day's work, nothing kept: a machine of 9.1 m in wheat at 3 t/ha, three tray tests of about
    35 kg/ha, a gauge check, settings known. `question` says what would be asked about an entry, and changes nothing."""

    def __init__(
        self, us: bool = False, told: tuple[dict[str, Any], ...] = TOLD, catches: tuple[float, ...] = (9.0, 10.0, 11.0)
    ) -> None:
        crop = {**WHEAT, "yield_t_ha": 3.0, "price_per_t": 200.0}
        units = {"units": {"show": "us"}} if us else {}
        toml = kit_toml(ASKED_INPUTS, cut_width_m=9.1, crop=crop, limits={"loss_kg_ha": 60.0, "loss_pct": 2.0}, **units)
        self.engine = Engine(settings.parse(toml), Nowhere(), Nowhere())
        self.at_s, self.seq = NOON, 0
        self.work(5)
        for entry in told:
            self.enter(**entry)
        self.work(60)
        for mass_g in catches:
            self.work(15)
            self.enter(entry="tray", trays=[{"mass_g": mass_g, "length_m": 1.0, "width_m": 3.0}])
            self.work(15)
        if told:
            self.work(100)
            self.enter(entry="load", t=1.4)
            self.work(200)

    def work(self, seconds: int) -> None:
        for _ in range(seconds):
            self.at_s, self.seq = self.at_s + 1, self.seq + 1
            counts = [self.seq * one for one in ASKED_COUNTS]
            self.engine.take_line(self.at_s * 1000 - 500, count_line(self.seq, 1000 * self.seq, *counts, levels=3))

    @property
    def now_ms(self) -> int:
        return self.at_s * 1000

    def enter(self, asks: bool = False, **plain: Any) -> dict[str, Any]:
        return self.engine.take_entry(self.now_ms, entries.from_plain(plain), asks=asks)

    def question(self, plain: dict[str, Any]) -> HardlyMeant | None:
        """Raises EntryError for what is refused."""
        entry = self.engine.reckoner.admit(entries.from_plain(plain), self.now_ms)
        return self.engine.reckoner.question(entry, self.now_ms)

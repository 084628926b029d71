"""A kit without a process: the engine over a store, as the daemon drives it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.keep.store import Store
from edge.live.daemon import RESTORED
from tests.kits.settings import WHEAT, WIRED, Table, kit_toml
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

"""A kit with a hard life, out of a seed: odd tray tests, restarts, silence, a clock that steps, other clients between."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from edge.contract import entries, settings
from edge.contract.errors import EntryError
from edge.engine.engine import Engine, Nowhere
from edge.keep.store import Store
from edge.live.daemon import RESTORED
from tests.kits.engines import NOON, job_toml
from tests.kits.settings import LEVELS, WIRED, ground, loss
from tests.kits.wire import count_line

TURNS = (
    "work", "work", "tray", "tray", "tray", "mark", "setting", "crop", "residue", "turn", "gap", "lost", "stop", "drop", "step",
    "job", "note", "lag",
)  # fmt: skip


class Life:
    """An engine over a store, its board and its clock. `draw` decides everything."""

    def __init__(self, path: Path, seed: int) -> None:
        self.path, self.draw = path, random.Random(seed)
        inputs = WIRED
        if self.draw.random() < 0.5:
            left = loss("separator", "left", dead_time_us=self.draw.choice((3000, 6000)))
            inputs = [left, loss("separator", "right", at=3), loss("cleaning", at=1), ground(at=2)]
        levels = () if self.draw.random() < 0.3 else LEVELS
        self.texts = [
            job_toml(inputs=inputs, levels=levels),
            job_toml(inputs=inputs, levels=levels, tgw_g=44.0, lag_s=12),
        ]
        self.at_s, self.offset_s, self.job, self.marks = float(NOON), 0, 0, 0
        self.counts, self.seq, self.ms, self.speed = [0, 0, 0, 0], 0, 0, 2.0
        self.dead_left = self.draw.random() < 0.2
        self.refused = 0
        self.start()

    def start(self, text: str | None = None) -> None:
        config = settings.parse(text or self.texts[0])
        self.store = Store(self.path)
        self.engine = Engine(config, self.store, Nowhere())
        for kind, at_ms, body, seq in self.store.earlier_records(RESTORED):
            self.engine.restore(kind, at_ms, body, seq)
        self.store.begin_run(round(self.at_s * 1000), settings.to_plain(config), "test", "0")

    def work(self, seconds: int, levels: int = 3, heard: bool = True) -> None:
        draw = self.draw
        for _ in range(seconds):
            self.at_s += 1
            self.seq += 1
            self.ms += draw.choice((990, 1000, 1000, 1010))
            self.speed = min(2.6, max(1.4, self.speed + draw.gauss(0, 0.02)))
            left, cleaning, right = draw.randint(20, 40), draw.randint(10, 30), draw.randint(20, 40)
            grain = [0 if self.dead_left else left, cleaning, round(10 * self.speed), right]
            if not levels & 1:
                grain = [0, 0, round(10 * self.speed), 0]
            self.counts = [a + b for a, b in zip(self.counts, grain, strict=True)]
            if heard and draw.random() > 0.02:
                stamp = round(self.at_s * 1000) - draw.randint(300, 700)
                self.engine.take_line(stamp, count_line(self.seq, self.ms, *self.counts, levels=levels))

    def enter(self, **entry: Any) -> dict[str, Any] | None:
        try:
            return self.engine.take_entry(round(self.at_s * 1000), entries.from_plain(entry))
        except EntryError:
            self.refused += 1
            return None

    def tray(self) -> None:
        draw = self.draw
        laid = draw.choice(("released", "released", "ahead", "ground"))
        placed, weighed, heads = draw.random() < 0.5, draw.random() < 0.3, draw.random() < 0.3
        trays: list[dict[str, Any]] = []
        for i in range(draw.randint(1, 7)):
            one: dict[str, Any] = {"length_m": 1.0, "width_m": 0.3}
            one |= {"mass_g": round(draw.uniform(0, 3), 1)} if weighed else {"grains": draw.randint(0, 60)}
            one |= {"x_m": i - 3.0} if placed else {}
            one |= {"heads_grains": draw.randint(0, 4)} if heads else {}
            trays.append(one)
        entry: dict[str, Any] = {"entry": "tray", "trays": trays, "laid": laid}
        entry["catches"] = draw.choice(("both", "both", "separator", "cleaning"))
        entry["mill"] = draw.choice(("none", "none", "none", "bypassed", "engaged"))
        if draw.random() < 0.6:
            entry["residue_width_m"] = 7.5
        if laid != "released":
            entry |= {"front": {"grains": 20, "area_m2": 1.0}, "before_harvest": {"grains": 8, "area_m2": 1.0}}
        if self.marks and draw.random() < 0.5:
            entry["mark"] = draw.randint(max(1, self.marks - 2), self.marks)
        elif draw.random() < 0.4:
            entry["at"] = self.at_s - draw.choice((0, 2, 7, 60, 300)) + draw.choice((0, 0, 0.25, 0.5))
        self.enter(**entry)

    def turn(self) -> None:
        """Something happens."""
        draw = self.draw
        match draw.choice(TURNS):
            case "work":
                self.work(draw.randint(5, 90))
            case "tray":
                self.tray()
                self.work(draw.randint(0, 30))
            case "mark":
                self.enter(entry="tray_mark")
                self.marks += 1
                self.work(draw.randint(0, 40))
            case "setting":
                self.enter(entry="setting", what=draw.choice(("fan_rpm", "rotor_rpm")), to=draw.randint(700, 900))
            case "crop":
                name = {"name": draw.choice(("wheat", "barley"))} if draw.random() < 0.4 else {}
                self.enter(entry="crop", tgw_g=float(draw.randint(35, 48)), **name)
            case "residue":
                self.enter(entry="residue", residue_width_m=draw.choice((6.0, 8.0)))
            case "turn":
                self.work(draw.randint(3, 25), levels=2)
            case "gap":
                self.work(draw.randint(1, 12), heard=False)
            case "lost":
                self.at_s += draw.randint(1, 4)
            case "stop" | "drop" as how:
                if how == "stop":
                    self.engine.finish()
                    self.store.end_run(round(self.at_s * 1000))
                self.store.close()
                self.at_s += draw.randint(2, 900)
                self.start(draw.choice(self.texts))
                self.work(draw.randint(0, 60))
            case "step":
                self.at_s += draw.choice((-4000, -700, 5000, 700))
            case "job":
                self.life_of_job()
            case "note":
                self.enter(entry="note", note="as it was")
            case "lag":
                self.enter(entry="setting", what="lag_s", to=draw.randint(5, 15))

    def life_of_job(self) -> None:
        draw = self.draw
        if self.engine.reckoner.now.job:
            weighed = {"harvested_t": 1.5, "area_ha": 0.4} if draw.random() < 0.5 else {}
            self.enter(entry="job_finish", **weighed)
        elif self.engine.reckoner.now.jobs and draw.random() < 0.4:
            self.enter(entry="job_reopen", job=draw.randint(1, self.engine.reckoner.now.jobs))
        else:
            self.enter(entry="job_start", client=f"Client {draw.randint(1, 2)}")
        self.work(draw.randint(0, 50))

    def live(self, turns: int) -> int:
        """The number of jobs."""
        self.work(40)
        self.enter(entry="job_start", client="Client 1")
        self.work(60)
        for _ in range(turns):
            self.turn()
        self.work(70)
        jobs = self.engine.reckoner.now.jobs
        self.engine.finish()
        self.store.end_run(round(self.at_s * 1000))
        self.store.close()
        return jobs

"""A kit's database with two jobs of two clients, and their packs. Made once: a simulated paddock, replayed into a store."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from edge.contract import settings
from edge.evidence import packs
from edge.evidence.pack import packfile
from edge.evidence.pack.document import Document
from edge.keep import signing
from edge.playback.replay import replay
from sim_feed.parameters.parameters import FaultParameters, Planned, Restart
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import write_capture

EPOCH = 1_790_000_000
MACHINE = "Older rotor machine"
FIRST, SECOND = "Client of the north block", "Client of the south block"
NOTE = "Lodged patch along the creek."
SPOT = "Stone at -30.00123, -20.00456 beside the fence."

PLAN = (
    Planned(2, entry={"entry": "job_start", "client": FIRST, "paddock": "North block", "machine": MACHINE, "operator": "Ann"}),
    Planned(29, idle_run=20),
    Planned(40, entry={"entry": "gauge", "sieve": "top", "readout_mm": 16, "measured_mm": [17.2, 17.0, 17.4]}),
    Planned(60, tray={"catches": "both"}),
    Planned(100, tray={"catches": "both", "marked": True}),
    Planned(200, tray={"catches": "both"}),
    Planned(300, setting={"what": "fan_rpm", "to": 860}),
    Planned(390, entry={"entry": "note", "note": NOTE, "by": "Ann"}),
    Planned(392, entry={"entry": "note", "note": SPOT}),
    Planned(400, entry={"entry": "sample", "trash_pct": 1.2, "cracked_pct": 0.6}),
    Planned(402, entry={"entry": "returns_look", "clean_grain": "some", "chaff": "much"}),
    Planned(640, finish={"note": "Truck left at dusk."}),
    Planned(660, entry={"entry": "job_start", "client": SECOND, "paddock": "South block", "operator": "Ben"}),
    Planned(700, tray={"catches": "both"}),
    Planned(780, setting={"what": "top_sieve_mm", "to": 13}),
    Planned(1020, finish={}),
)  # fmt: skip


@dataclass
class Kept:
    """A kit's folder: database, signing key, settings, capture."""

    folder: Path
    database: Path
    config: Path
    capture: Path
    summary: dict[str, Any]

    @property
    def key(self) -> signing.Key:
        return signing.read(signing.path_beside(self.database))

    def pack(self, out: Path, job: int = 1, position: str = "exact") -> bytes:
        packs.write_pack(self.database, job, out, position, made_ms=EPOCH * 1000 + 3_600_000)
        return out.read_bytes()


def make(folder: Path, seed: int, **changes: Any) -> Kept:
    """Simulate, record, replay into a database."""
    scenario = load("paddock").with_(seed=seed, minutes=18.0)
    faults = FaultParameters(lost=0.01, damaged=0.002, restarts=(Restart(450.0),), line_silent=((500.0, 505.0),))
    wide = replace(scenario.drive, pass_m=500.0)
    sensors = replace(scenario.sensors, nmea=True)
    changed = {"operator": PLAN, "faults": faults, "drive": wide, "sensors": sensors, **changes}
    scenario = scenario.with_(**changed)
    simulation = Simulation(scenario)
    capture, config, database = folder / "day.tgcap.gz", folder / "kit.toml", folder / "state" / "tailgrain.db"
    database.parent.mkdir()
    write_capture(simulation, capture, EPOCH)
    config.write_text(scenario.settings_toml(store=str(database.parent)), encoding="utf-8")
    refused: list[str] = []
    summary = replay(capture, settings.load(config), database, on_refused=refused.append)
    assert refused == []
    return Kept(folder, database, config, capture, summary)


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """The database of one kit with two jobs."""
    return make(tmp_path_factory.mktemp("kit"), seed=5)


@pytest.fixture(scope="session")
def pack(kept: Kept, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The pack of its first job."""
    return kept.pack(tmp_path_factory.mktemp("pack") / "north.html")


@pytest.fixture
def reworked(kept: Kept) -> Callable[..., bytes]:
    """`reworked(raw, change, key)`: a pack whose data were changed and that was signed again, its page left as it was.

    `change` gets the data as plain JSON and may alter them in place.
    """

    def rework(raw: bytes, change: Callable[[dict[str, Any]], None], key: signing.Key | None = None) -> bytes:
        key = key or kept.key
        text = raw.decode()
        begin = text.index(packfile.DATA_BEGINS.decode()) + len(packfile.DATA_BEGINS)
        end = text.index(packfile.DATA_ENDS.decode(), begin)
        plain = json.loads(gzip.decompress(base64.b64decode(text[begin:end])))
        change(plain)
        data = base64.b64encode(gzip.compress(json.dumps(plain).encode())).decode()
        return resigned((text[:begin] + data + text[end:]).encode(), key)

    return rework


def resigned(raw: bytes, key: signing.Key) -> bytes:
    """The same page signed with a key."""
    head, slot, rest = raw.partition(b'<meta name="tailgrain-signature" content="')
    return packfile.sign((head + slot + b"@@SLOT@@" + rest[packfile.SLOT_DIGITS :]).decode(), "@@SLOT@@", key)


def data_of(raw: bytes) -> Document:
    """The data inside a pack of one machine."""
    found = packfile.content_of(raw)
    assert isinstance(found, Document)
    return found

"""A kit's database with two jobs of two clients, made by a simulated paddock, and what is read from and done to its packs."""

from __future__ import annotations

import base64
import gzip
import json
import re
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec

from edge.contract import settings
from edge.evidence import packs
from edge.evidence.pack import packfile
from edge.evidence.pack.document import Document
from edge.evidence.verify import check
from edge.keep import chain, signing
from edge.playback.replay import replay
from sim_feed.parameters.structs import FaultParameters, Planned, Restart
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import write_capture

Data = dict[str, Any]
"""The data of a pack as plain JSON."""

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


def resigned(raw: bytes, key: signing.Key) -> bytes:
    """The same page signed with a key."""
    head, slot, rest = raw.partition(b'<meta name="tailgrain-signature" content="')
    return packfile.sign((head + slot + b"@@SLOT@@" + rest[packfile.SLOT_DIGITS :]).decode(), "@@SLOT@@", key)


def data_of(raw: bytes) -> Document:
    """The data inside a pack of one machine."""
    found = packfile.content_of(raw)
    assert isinstance(found, Document)
    return found


def plain_of(raw: bytes) -> Data:
    found: Data = json.loads(msgspec.json.encode(data_of(raw)))
    return found


def chained_anew(data: Data) -> None:
    """Running hashes of the records as they are now."""
    previous = bytes.fromhex(data["previous"])
    for row in data["records"]:
        previous = chain.link(previous, chain.digest(chain.Record(*row)) if len(row) == 7 else bytes.fromhex(row[1]))
        row[-1] = previous.hex()


class Reader(HTMLParser):
    """Words of a page, heads apart, without the drawings."""

    def __init__(self, raw: bytes) -> None:
        super().__init__()
        self.heads: list[str] = []
        self.words = ""
        self._in: list[str] = []
        self.feed(raw.decode())

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag not in ("meta", "link", "br", "path", "use"):
            self._in.append(tag)
        if tag in ("h1", "h2", "h3"):
            self.heads.append("")

    def handle_endtag(self, tag: str) -> None:
        while self._in and self._in.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "svg" in self._in or "script" in self._in or "style" in self._in:
            return
        if self._in and self._in[-1] in ("h1", "h2", "h3"):
            self.heads[-1] += data
        self.words += data


def figures_of(raw: bytes) -> dict[str, str]:
    return dict(check.FIGURE.findall(raw.decode()))


def number(text: str) -> float:
    return float(re.sub(r"[^\d.]", "", text.split("\u00a0")[0]))


def everything(raw: bytes) -> str:
    """The whole file as text, its data unpacked (bodies of records are text in the data)."""
    text = raw.decode()
    begin = text.index(packfile.DATA_BEGINS.decode()) + len(packfile.DATA_BEGINS)
    end = text.index(packfile.DATA_ENDS.decode(), begin)
    return text[:begin] + gzip.decompress(base64.b64decode(text[begin:end])).decode() + text[end:]

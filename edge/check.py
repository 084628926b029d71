"""Wiring and health, input by input: what the settings say, and what arrives on the line right now.

The tap test is guided: cautions first, then one sensor at a time, and the pulses that each tap gives are shown.
"""

from __future__ import annotations

import queue
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
from rich.console import Console
from rich.table import Table

from edge import settings as settings_module
from edge.errors import AnswerBad, WrongInput
from edge.feed.assembler import Assembler, Second
from edge.feed.ports import Reader
from edge.settings import BeamInput, GroundInput, LossInput, Settings, ShaftInput

LISTEN_S = 5.0
TAP_S = 4.0
CAUTIONS = (
    "Before anyone goes near the sensors: engine off, key out, wait until everything has stopped.",
    "The kit runs on its own supply; electric sieve adjusters are locked out.",
    "Follow the operator's manual of the machine and local rules. Never reach past a guard.",
)


@dataclass(slots=True)
class Heard:
    """What the line gave while it was listened to."""

    seconds: float = 0.0
    data: int = 0
    counts: list[int] = field(default_factory=list)
    ms: int = 0
    levels: int | None = None
    lines: dict[str, int] = field(default_factory=dict)


class Listener:
    """Reads the settings' port for a while and sums what arrives."""

    def __init__(self, settings: Settings) -> None:
        if settings.serial.port is None:
            raise WrongInput("check: serial.port: missing in the settings; allowed: a device or socket://host:port")
        self._chunks: queue.Queue[tuple[int, list[bytes]]] = queue.Queue()
        self._assembler = Assembler(frozenset(one.at for one in settings.inputs(BeamInput)))
        self._reader = Reader(settings.serial.port, settings.serial.baud, _wall_ms, self._arrived)
        self._reader.start()

    def _arrived(self, stamp_ms: int, lines: list[bytes]) -> None:
        self._chunks.put((stamp_ms, lines))

    def listen(self, seconds: float) -> Heard:
        """Sum what arrives for so many seconds."""
        before = self._assembler.total_pulses()
        heard = Heard(seconds)
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            try:
                stamp_ms, lines = self._chunks.get(timeout=left)
            except queue.Empty:
                break
            for line in lines:
                for second in self._assembler.take(stamp_ms, line):
                    _sum(heard, second)
        for part in self._assembler.open_parts:
            heard.ms += part.ms
            heard.levels = part.levels
        after = self._assembler.total_pulses()
        heard.counts = [count - (before[at] if at < len(before) else 0) for at, count in enumerate(after)]
        counted = self._assembler.lines
        heard.lines = {"good": counted.good, "bad_crc": counted.bad_crc, "malformed": counted.malformed}
        return heard

    def close(self) -> None:
        """Stop reading."""
        self._reader.stop()
        self._reader.join(timeout=3)


def check(config: Path, as_json: bool, ask: Callable[[str], bool] | None = None) -> int:
    """The `check` command: prints the wiring and what arrives. Raises AnswerBad when no counts arrive.

    `ask`: puts a yes/no question to the person; None: only when standard input is a terminal.
    """
    settings = settings_module.load(config)
    listener = Listener(settings)
    try:
        console = Console()
        if not as_json:
            console.print(f"Listening to {settings.serial.port} for {LISTEN_S:.0f} s ...", highlight=False)
        heard = listener.listen(LISTEN_S)
        rows = [describe(one, heard) for one in sorted(settings.input, key=lambda one: one.at)]
        levels = [_level(settings, i, heard) for i in range(len(settings.level))]
        if as_json:
            answer = {"port": settings.serial.port, "lines": heard.lines, "inputs": rows, "levels": levels}
            sys.stdout.write(msgspec.json.encode(answer).decode() + "\n")
        else:
            _print(console, rows, levels, heard)
        if not heard.lines.get("good"):
            raise AnswerBad(f"check: {settings.serial.port}: no good sentence in {LISTEN_S:.0f} s; look at port, baud and plug")
        if ask is None and not as_json and sys.stdin.isatty():
            ask = _ask
        if ask is not None and ask("Guided tap test of the loss sensors now?"):
            _tap_test(console, settings, listener, ask)
    finally:
        listener.close()
    return 0


def describe(one: Any, heard: Heard) -> dict[str, Any]:
    """One input: place, what it reads, pulses heard, its rate in the input's own terms, and what that means."""
    count = heard.counts[one.at] if one.at < len(heard.counts) else None
    row: dict[str, Any] = {"at": one.at, "reads": _name(one), "pulses": count}
    if count is None:
        return {**row, "value": None, "says": "the counter sends no such input"}
    seconds = heard.ms / 1000
    if not seconds:
        return {**row, "value": None, "says": "no counts"}
    if isinstance(one, BeamInput):
        value, says = 100 * count / heard.ms, "blocked {:.0f} % of the time"
    elif isinstance(one, GroundInput):
        value, says = count / seconds / one.pulses_per_m * 3.6, "{:.1f} km/h"
    elif isinstance(one, ShaftInput):
        value, says = count / seconds * 60 / one.pulses_per_rev, "{:.0f} 1/min"
    else:
        value, says = count / seconds, "{:.1f} pulses/s" if count else "quiet"
    return {**row, "value": value, "says": says.format(value)}


def _name(one: Any) -> str:
    if isinstance(one, LossInput):
        return f"loss, {one.point} {one.side}"
    if isinstance(one, ShaftInput):
        return f"shaft, {one.shaft}"
    return "returns beam" if isinstance(one, BeamInput) else "ground"


def _level(settings: Settings, index: int, heard: Heard) -> dict[str, Any]:
    level = settings.level[index]
    on = None if heard.levels is None else bool(heard.levels >> level.bit & 1) != level.inverted
    return {"bit": level.bit, "means": level.means, "on": on}


def _sum(heard: Heard, second: Second) -> None:
    heard.data += second.data
    for part in second.parts:
        heard.ms += part.ms
        heard.levels = part.levels


def _print(console: Console, rows: list[dict[str, Any]], levels: list[dict[str, Any]], heard: Heard) -> None:
    table = Table("at", "reads", "pulses", "says")
    for row in rows:
        table.add_row(str(row["at"]), row["reads"], "-" if row["pulses"] is None else str(row["pulses"]), row["says"])
    for level in levels:
        table.add_row(f"bit {level['bit']}", level["means"], "", {True: "on", False: "off", None: "unknown"}[level["on"]])
    console.print(table)
    counted = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in heard.lines.items())
    console.print(f"Lines: {counted}", highlight=False)


def _tap_test(console: Console, settings: Settings, listener: Listener, ask: Callable[[str], bool]) -> None:
    for caution in CAUTIONS:
        console.print(f"! {caution}", highlight=False)
    for one in settings.inputs(LossInput):
        if not ask(f"Tap the {one.point} sensor, {one.side}, ten times after you answer yes. Ready?"):
            return
        heard = listener.listen(TAP_S)
        counts = {at: count for at, count in enumerate(heard.counts) if count and at in _loss_places(settings)}
        here = counts.pop(one.at, 0)
        others = f"; also heard: {', '.join(f'input {at}: {n}' for at, n in counts.items())}" if counts else ""
        verdict = "alive" if here else "SILENT: look at its cable and plug"
        console.print(f"  input {one.at}: {here} pulses, {verdict}{others}", highlight=False)


def _loss_places(settings: Settings) -> set[int]:
    return {one.at for one in settings.inputs(LossInput)}


def _ask(question: str) -> bool:
    return input(f"{question} [y/n] ").strip().lower().startswith("y")


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000

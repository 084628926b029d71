"""Wiring and health, input by input: what the settings say, and what arrives on the line right now.

The tap test is guided: cautions first, then one sensor at a time, and the pulses that each tap gives are shown.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
from rich.console import Console
from rich.table import Table

from edge.commands.check_line import Heard, PortListener, trouble
from edge.contract import settings as settings_module
from edge.contract.errors import AnswerBad, StoreError, WrongInput
from edge.contract.inputs import LossInput, WiredInput
from edge.contract.settings import Settings
from edge.keep import signing
from edge.reckon.sensors.inputs import INPUTS, dark_places
from edge.reckon.tables import units

LISTEN_S = 5.0
TAP_S = 4.0
CAUTIONS = (
    "Before anyone goes near the sensors: engine off, key out, wait until everything has stopped.",
    "The kit runs on its own supply; electric sieve adjusters are locked out.",
    "Follow the operator's manual of the machine and local rules. Never reach past a guard.",
)


def check(config: Path, as_json: bool, ask: Callable[[str], bool] | None = None) -> int:
    """The `check` command: prints the wiring and what arrives. Raises AnswerBad when something wired does not arrive.

    `ask`: puts a yes/no question to the person; None: only when standard input is a terminal.
    """
    settings = settings_module.load(config)
    if settings.serial.port is None:
        raise WrongInput(f"check: {config}: serial.port: missing; allowed: a device or socket://host:port")
    logging.getLogger("tailgrain").addHandler(logging.NullHandler())  # a fault is told once, with its remedy, not as it happens
    console = Console(soft_wrap=True)
    line = PortListener(settings.serial.port, settings.serial.baud, dark_places(settings))
    try:
        if not as_json:
            console.print(f"Listening to {line.spec} for {LISTEN_S:.0f} s ...", highlight=False, markup=False)
        heard = line.listen(LISTEN_S)
        us = settings.units.show == "us"
        rows = [describe(wired, heard, us) for wired in settings.inputs(WiredInput)]
        levels = [_level(settings, i, heard) for i in range(len(settings.level))]
        receiver = _receiver(settings) if settings.serial.nmea_port else None
        key = _signing_key(settings)
        said = trouble(line, heard, "serial.port") or _unsent(rows, heard) or (receiver or {}).get("trouble") or ""
        said = said or key["trouble"] or ""
        if as_json:
            answer = {"port": line.spec, "lines": heard.lines, "inputs": rows, "levels": levels, "receiver": receiver}
            answer["signing_key"] = key
            sys.stdout.write(msgspec.json.encode({**answer, "trouble": said or None}).decode() + "\n")
        else:
            _print(console, rows, levels, heard, receiver, us)
            told = key["trouble"] or "made by the first `tailgrain run`"
            told = f"fingerprint {key['fingerprint']}" if key["fingerprint"] else told
            console.print(f"Signing key: {told}", highlight=False, markup=False)
        if said:
            raise AnswerBad(f"check: {said}")
        if ask is None and not as_json and sys.stdin.isatty():
            ask = _ask
        if ask is not None and settings.inputs(LossInput):
            turning = _turning(settings, heard, levels)
            if turning:
                console.print(f"No tap test now: {turning}. {CAUTIONS[0]} Then check again.", highlight=False)
            elif ask("Guided tap test of the loss sensors now?"):
                _tap_test(console, settings, line, ask)
    finally:
        line.close()
    return 0


def _receiver(settings: Settings) -> dict[str, Any]:
    """What the position receiver's own port gives."""
    port = settings.serial.nmea_port
    assert port is not None
    line = PortListener(port, settings.serial.nmea_baud)
    try:
        heard = line.listen(LISTEN_S)
    finally:
        line.close()
    fix = heard.fix
    return {
        "port": port,
        "lines": heard.lines,
        "speed_kmh": fix.speed_kmh if fix else None,
        "has_position": fix is not None and fix.lat is not None,
        "trouble": trouble(line, heard, "serial.nmea_port") or None,
    }


def _signing_key(settings: Settings) -> dict[str, str | None]:
    """The kit's own key: its fingerprint, to be compared with that of a pack; or why it can't be used."""
    path = signing.path_beside(settings_module.database(settings))
    try:
        return {"fingerprint": signing.read(path).fingerprint if path.exists() else None, "trouble": None}
    except OSError as fault:
        return {"fingerprint": None, "trouble": f"{path}: the signing key can't be looked at ({fault.strerror or fault})"}
    except StoreError as fault:
        return {"fingerprint": None, "trouble": str(fault)}


def _unsent(rows: list[dict[str, Any]], heard: Heard) -> str:
    """Wired inputs that the counter does not send."""
    if not heard.counts:
        return "sentences arrive, but no counts among them; is this the counter's port?"
    unsent = [str(row["at"]) for row in rows if row["pulses"] is None]
    if not unsent:
        return ""
    there = f"it sends {len(heard.counts)} inputs, 0 to {len(heard.counts) - 1}"
    return f"input {', '.join(unsent)}: wired in the settings, not sent by the counter; {there}: look at `at`"


def _turning(settings: Settings, heard: Heard, levels: list[dict[str, Any]]) -> str:
    """What says that the machine is not at rest; empty where nothing does. Nobody is sent to a sensor then."""
    if any(level["means"] == "threshing on" and level["on"] for level in levels):
        return "threshing is on"
    counted = [wired for wired in settings.inputs(WiredInput) if any(heard.counts[wired.at : wired.at + 1])]
    moving = [INPUTS[wired.reads].name(wired) for wired in counted if INPUTS[wired.reads].rests_up_to is not None]
    return f"{moving[0]} turns" if moving else ""


def describe(wired: WiredInput, heard: Heard, us: bool = False) -> dict[str, Any]:
    """One input: place, what it reads, pulses heard, its rate in the input's own terms, and what that means in words."""
    kind = INPUTS[wired.reads]
    count = heard.counts[wired.at] if wired.at < len(heard.counts) else None
    row: dict[str, Any] = {"at": wired.at, "reads": kind.name(wired), "pulses": count}
    if count is None:
        return {**row, "value": None, "says": "not sent by the counter" if heard.counts else "nothing heard"}
    seconds = heard.ms / 1000
    if not seconds:
        return {**row, "value": None, "says": "no counts"}
    value = kind.value(wired, count, seconds)
    if not count and kind.quiet:
        return {**row, "value": value, "says": kind.quiet}
    shown, unit = units.us_shown(value, kind.unit) if us and kind.unit == "km/h" else (value, kind.unit)
    return {**row, "value": value, "says": kind.says.format(value=f"{shown:.{kind.digits}f}", unit=unit)}


def _level(settings: Settings, index: int, heard: Heard) -> dict[str, Any]:
    level = settings.level[index]
    on = None if heard.levels is None else bool(heard.levels >> level.bit & 1) != level.inverted
    return {"bit": level.bit, "means": level.means, "on": on}


def _print(
    console: Console,
    rows: list[dict[str, Any]],
    levels: list[dict[str, Any]],
    heard: Heard,
    receiver: dict[str, Any] | None,
    us: bool,
) -> None:
    table = Table("at", "reads", "pulses", "says")
    for row in rows:
        table.add_row(str(row["at"]), row["reads"], "-" if row["pulses"] is None else str(row["pulses"]), row["says"])
    for level in levels:
        table.add_row(f"bit {level['bit']}", level["means"], "", {True: "on", False: "off", None: "unknown"}[level["on"]])
    if receiver is not None:
        kmh = receiver["speed_kmh"]
        number, unit = units.us_shown(kmh or 0.0, "km/h") if us else (kmh or 0.0, "km/h")
        speed = "no speed yet" if kmh is None else f"{number:.1f} {unit}"
        place = "position known" if receiver["has_position"] else "no position yet"
        table.add_row("-", "receiver", "", "nothing heard" if receiver["trouble"] else f"{speed}, {place}")
    console.print(table)
    counted = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in heard.lines.items())
    console.print(f"Lines: {counted}", highlight=False)


def _tap_test(console: Console, settings: Settings, line: PortListener, ask: Callable[[str], bool]) -> None:
    """One loss sensor after the other. Raises AnswerBad naming those that stayed silent."""
    for caution in CAUTIONS:
        console.print(f"! {caution}", highlight=False)
    sensors, name = {one.at: one for one in settings.inputs(LossInput)}, INPUTS["loss"].name
    silent = []
    for one in sensors.values():
        if not ask(f"Tap the {one.point} sensor, {one.side}, ten times after you answer yes. Ready?"):
            break
        heard = line.listen(TAP_S)
        if said := trouble(line, heard, "serial.port"):
            raise AnswerBad(f"check: {said}")
        levels = [_level(settings, i, heard) for i in range(len(settings.level))]
        if turning := _turning(settings, heard, levels):
            raise AnswerBad(f"check: tap test ended: {turning}; {CAUTIONS[0]}")
        counts = {at: count for at, count in enumerate(heard.counts) if count and at in sensors}
        here = counts.pop(one.at, 0)
        others = ", ".join(f"input {at} ({name(sensors[at])}): {count}" for at, count in counts.items())
        if here:
            verdict = "alive" + (f"; also heard: {others}" if others else "")
        else:
            silent.append(f"input {one.at} ({name(one)})")
            verdict = "SILENT; " + (f"heard instead: {others}; cables swapped?" if others else "look at its cable and plug")
        console.print(f"  input {one.at}: {here} pulses, {verdict}", highlight=False, markup=False)
    if silent:
        raise AnswerBad(f"check: tap test: {', '.join(silent)}: silent")


def _ask(question: str) -> bool:
    try:
        return input(f"{question} [y/n] ").strip().lower().startswith("y")
    except EOFError:  # the terminal was closed
        return False

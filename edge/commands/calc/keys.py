"""What the `calc` verbs share: input by options or `--from`, US customary keys, the answer in words or JSON."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import click
import msgspec
from msgspec import UNSET

from edge.commands.calc.us import US_KEYS, check_us
from edge.contract import settings as settings_file
from edge.contract.allowed import ChoiceRule, InWords
from edge.contract.errors import WrongInput
from edge.contract.refusal import Refusal, value_found
from edge.contract.said import say
from edge.contract.typed import TypedFault, did_you_mean
from edge.reckon.tables import crops
from edge.reckon.tables.crops import CropRow

LARGEST_INPUT = 262_144
"""Bytes read by `--from`: a limit against hostile input, far above any real one."""


def load_config(path: str | None) -> settings_file.Settings | None:
    """The settings file, if one is named. Raises SettingsError."""
    return settings_file.load(path) if path else None


def in_us(chosen: str | None, config: settings_file.Settings | None) -> bool:
    """Whether to read and answer in US customary units: the option, else `[units] show`."""
    return (chosen or (config.units.show if config else "metric")) == "us"


def read_json(source: str, verb: str) -> Any:
    """The JSON value of a file or of standard input. Raises WrongInput."""
    try:
        raw = sys.stdin.buffer.read(LARGEST_INPUT + 1) if source == "-" else _read(Path(source))
    except OSError as fault:
        raise WrongInput(f"calc {verb}: {source}: can't be read ({fault.strerror or fault})") from fault
    name = "standard input" if source == "-" else source
    if len(raw) > LARGEST_INPUT:
        raise WrongInput(f"calc {verb}: {name}: over {LARGEST_INPUT} bytes; allowed: one JSON object")
    try:
        return msgspec.json.decode(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as fault:
        raise WrongInput(f"calc {verb}: {name}: no valid JSON ({fault})") from fault


def _read(file: Path) -> bytes:
    with file.open("rb") as stream:
        return stream.read(LARGEST_INPUT + 1)


def gather(verb: str, source: str | None, options: Mapping[str, Any]) -> dict[str, Any]:
    """Keys of `--from`, with the options given on the command line over them. Raises WrongInput."""
    plain: dict[str, Any] = {}
    if source is not None:
        read = read_json(source, verb)
        if not isinstance(read, dict):
            raise WrongInput(f"calc {verb}: --from: found {type(read).__name__}; allowed: one JSON object")
        plain = dict(read)
    for key, value in options.items():
        if value is not None and value != ():
            plain[key] = list(value) if isinstance(value, tuple) else value
    return plain


def check_keys(plain: Mapping[str, Any], known: Iterable[str], us: bool) -> None:
    """Unknown keys are refused with the nearest known one, US customary ones without `us`. Raises TypedFault."""
    check_us(plain, us)
    names = list(known)
    allowed = names + [key for key, si in US_KEYS.items() if us and si in names]
    for key in plain:
        if key not in allowed:
            unknown = f"unknown key{did_you_mean(str(key), allowed)}"
            raise TypedFault(Refusal((key,), (unknown,), ChoiceRule(tuple(allowed))))


def known_crop(name: object, config: settings_file.Settings | None) -> CropRow | None:
    """The crop of the table, with the settings' crops merged in; None without a name. Raises TypedFault if unknown."""
    if name is None or name is UNSET:
        return None
    rows = crops.table(config.crop_data if config else ())
    if not isinstance(name, str):
        found = value_found(name, f"{name!r:.60}")
        raise TypedFault(Refusal(("crop",), found, InWords(say("the name of a crop"))))
    row = crops.find(name, rows)
    if row is None:
        found = value_found(name, f"{name!r:.60}", did_you_mean(name, crops.names(rows)))
        raise TypedFault(Refusal(("crop",), found, ChoiceRule(tuple(rows))))
    return row


def known_crop_or_none(name: str | None, config: settings_file.Settings | None) -> CropRow | None:
    """As `known_crop`, for a name that was not asked about: free text of the settings may name any crop."""
    return crops.find(name, crops.table(config.crop_data if config else ())) if name else None


def answer(figures: Mapping[str, Any], words: Iterable[str], as_json: bool) -> None:
    """Print the figures as one JSON object, or the words a line each. Raises TypedFault for a figure without end."""
    for key, value in figures.items():
        if isinstance(value, float) and not math.isfinite(value):
            extreme = say("the input is so extreme that no figure comes of it")
            raise TypedFault(Refusal((key,), extreme))
    if as_json:
        click.echo(json.dumps(figures, allow_nan=False))
    else:
        for line in words:
            click.echo(line)


def show(value: float | None, unit: str = "", digits: int = 3) -> str:
    """A figure for reading: `digits` significant ones, thousands set apart, `unknown` for None."""
    if value is None:
        return "unknown"
    if value == 0 or not math.isfinite(value):
        text = f"{value:zg}"
    else:
        decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
        text = f"{value:,.{decimals}f}"
    return f"{text} {unit}".rstrip()

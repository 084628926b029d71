"""What the `calc` verbs share: input by options or `--from`, US customary keys, the answer in words or JSON."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec
from msgspec import UNSET, Struct

from edge.commands.calc.refusal import FACTORS, US_KEYS, check_us
from edge.contract import settings as settings_file
from edge.contract.errors import EntryError, WrongInput
from edge.contract.typed import TypedFault, convert, did_you_mean
from edge.reckon.tables import crops, units
from edge.reckon.tables.crops import CropRow

LARGEST_INPUT = 262_144
"""Bytes read by `--from`: a limit against hostile input, far above any real one."""

T = TypeVar("T", bound=Struct)

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


def check_keys(verb: str, plain: Mapping[str, Any], known: Iterable[str], us: bool) -> None:
    """Unknown keys are refused with the nearest known one, US customary ones without `us`. Raises WrongInput."""
    check_us(verb, plain, us)
    names = list(known)
    allowed = names + [key for key, si in US_KEYS.items() if us and si in names]
    for key in plain:
        if key not in allowed:
            near = did_you_mean(str(key), allowed)
            raise WrongInput(f"calc {verb}: {key}: unknown key{near}; allowed: {', '.join(allowed)}")


def to_si(verb: str, plain: Mapping[str, Any], bushel_lb: float | None) -> dict[str, Any]:
    """The object with US customary keys turned into SI, nested ones too. Raises WrongInput."""
    answer: dict[str, Any] = {}
    for key, value in plain.items():
        if key not in US_KEYS:
            answer[key] = _nested(verb, value, bushel_lb)
            continue
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise WrongInput(f"calc {verb}: {key}: found {value!r:.60}; allowed: a number")
        answer[US_KEYS[key]] = value * _factor(verb, key, bushel_lb)
    return answer


def _nested(verb: str, value: Any, bushel_lb: float | None) -> Any:
    if isinstance(value, dict):
        return to_si(verb, value, bushel_lb)
    if isinstance(value, list):
        return [_nested(verb, one, bushel_lb) for one in value]
    return value


def _factor(verb: str, key: str, bushel_lb: float | None) -> float:
    if key in FACTORS:
        return FACTORS[key]
    if bushel_lb is None:
        raise WrongInput(f"calc {verb}: {key}: needs the mass of a bushel; give bushel_lb or a known crop")
    if key == "yield_bu_ac":
        return units.kg_ha_from_bu_ac(1.0, bushel_lb) / 1000
    return units.per_t_from_per_bu(1.0, bushel_lb)


@contextmanager
def said_by(who: str) -> Iterator[None]:
    """A refused entry, told as the command's own: `calc tray: grains: ...`."""
    try:
        yield
    except EntryError as fault:
        raise WrongInput(f"{who} {fault}") from fault


def typed(verb: str, plain: Any, kind: type[T]) -> T:
    """A checked struct out of plain keys. Raises WrongInput with one line."""
    try:
        return convert(plain, kind)
    except TypedFault as fault:
        raise WrongInput(f"calc {verb}: {fault}") from fault


def known_crop(verb: str, name: object, config: settings_file.Settings | None) -> CropRow | None:
    """The crop of the table, with the settings' crops merged in; None without a name. Raises WrongInput if unknown."""
    if name is None or name is UNSET:
        return None
    rows = crops.table(config.crop_data if config else ())
    if not isinstance(name, str):
        raise WrongInput(f"calc {verb}: crop: found {name!r:.60}; allowed: the name of a crop")
    row = crops.find(name, rows)
    if row is None:
        near = did_you_mean(name, crops.names(rows))
        raise WrongInput(f"calc {verb}: crop: found {name!r:.60}{near}; allowed: {', '.join(rows)}")
    return row


def known_crop_or_none(name: str | None, config: settings_file.Settings | None) -> CropRow | None:
    """As `known_crop`, for a name that was not asked about: free text of the settings may name any crop."""
    return crops.find(name, crops.table(config.crop_data if config else ())) if name else None


def answer(verb: str, figures: Mapping[str, Any], words: Iterable[str], as_json: bool) -> None:
    """Print the figures as one JSON object, or the words a line each. Raises WrongInput for a figure without end."""
    for key, value in figures.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise WrongInput(f"calc {verb}: {key}: the input is so extreme that no figure comes of it")
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
        text = f"{value:g}"
    else:
        decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
        text = f"{value:,.{decimals}f}"
    return f"{text} {unit}".rstrip()

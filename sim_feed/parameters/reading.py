"""A scenario file (TOML) -> frozen parameters, strictly: an unknown key or a wrong type is one clear line."""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from sim_feed.parameters.errors import ScenarioError

T = TypeVar("T")


def read_toml(path: Path) -> dict[str, Any]:
    """The file's tables; `ScenarioError` when it can't be read or is no TOML."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ScenarioError(f"{path}: can't be read ({error.strerror})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError(f"{path}: no valid TOML ({error})") from error


def build(kind: type[T], table: Any, where: str) -> T:
    """An object of the dataclass `kind` from a TOML table; `where` names file and table in messages."""
    if not isinstance(table, dict):
        raise ScenarioError(f"{where}: found {table!r}, a table is wanted")
    hints = typing.get_type_hints(kind)
    fields = {each.name: each for each in dataclasses.fields(kind)}  # type: ignore[arg-type]
    refuse_unknown(table, fields, where)
    required = (dataclasses.MISSING, dataclasses.MISSING)
    for name, each in fields.items():
        if name not in table and (each.default, each.default_factory) == required:
            raise ScenarioError(f"{where}: the key {name!r} is missing")
    return kind(**{name: _value(hints[name], value, f"{where}.{name}") for name, value in table.items()})


def refuse_unknown(table: Mapping[str, Any], allowed: Mapping[str, Any] | set[str], where: str) -> None:
    """`ScenarioError` for a key that is not allowed, with the nearest allowed one."""
    for name in table:
        if name not in allowed:
            near = difflib.get_close_matches(name, list(allowed), 1)
            hint = f"; did you mean {near[0]!r}?" if near else f"; allowed: {', '.join(sorted(allowed))}"
            raise ScenarioError(f"{where}: unknown key {name!r}{hint}")


def _value(hint: Any, value: Any, where: str) -> Any:
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return _value(next(each for each in inner if each is not type(None)), value, where)
    if origin is tuple:
        return _sequence(inner, value, where)
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(value, dict):
            raise ScenarioError(f"{where}: found {value!r}, a table is wanted")
        if inner[1] is object:
            return dict(value)
        return {key: _value(inner[1], each, f"{where}.{key}") for key, each in value.items()}
    if dataclasses.is_dataclass(hint):
        return build(typing.cast(type, hint), value, where)
    return _plain(hint, value, where)


def _sequence(inner: tuple[Any, ...], value: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise ScenarioError(f"{where}: found {value!r}, a list is wanted")
    if inner[-1] is Ellipsis:
        return tuple(_value(inner[0], each, f"{where}[{number}]") for number, each in enumerate(value))
    if len(value) != len(inner):
        raise ScenarioError(f"{where}: found {len(value)} values, {len(inner)} are wanted")
    return tuple(_value(kind, each, where) for kind, each in zip(inner, value, strict=True))


def _plain(hint: Any, value: Any, where: str) -> Any:
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if type(value) is not hint:
        raise ScenarioError(f"{where}: found {value!r}, {hint.__name__} is wanted")
    return value

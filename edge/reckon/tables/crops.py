"""The table of common crops: kernel weight, bushel, bulk density, kernel width and standard moisture, with sources.

Defaults only: a value weighed on the day beats any of them. Kernel counts are computed, never stored.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from typing import Any, Protocol

from edge.reckon.tables import units

VALUES = ("tgw_g", "bushel_lb", "bulk_kg_m3", "kernel_width_mm", "moisture_pct")
_FROM_BUSHEL = "the bushel mass in 35.239 L"
_FROM_SETTINGS = "settings"


@dataclass(frozen=True)
class CropRow:
    """One crop; None is unknown. `sources` names where each value is from, `notes` where markets differ."""

    name: str
    tgw_g: float | None = None
    bushel_lb: float | None = None
    bulk_kg_m3: float | None = None
    kernel_width_mm: float | None = None
    moisture_pct: float | None = None
    kind: str = ""
    """`cereal`, `pulse`, `small oilseed`, `small seed`, `coarse`, or empty for a crop of the settings."""
    also: tuple[str, ...] = ()
    sources: Mapping[str, str] | None = None
    notes: tuple[str, ...] = ()


class CropValues(Protocol):
    """A crop of the settings file: what `[[crop_data]]` holds."""

    @property
    def name(self) -> str: ...
    @property
    def tgw_g(self) -> float | None: ...
    @property
    def bushel_lb(self) -> float | None: ...
    @property
    def bulk_kg_m3(self) -> float | None: ...
    @property
    def kernel_width_mm(self) -> float | None: ...
    @property
    def moisture_pct(self) -> float | None: ...


def table(crop_data: Iterable[CropValues] = ()) -> dict[str, CropRow]:
    """The built-in crops by name, with those of the settings added; a value given there replaces the built-in one."""
    rows = dict(_built_in())
    for given in crop_data:
        found = find(given.name, rows)
        row = found or CropRow(name=plain_name(given.name))
        sources = dict(row.sources or {})
        values: dict[str, Any] = {}
        for key in VALUES:
            value = getattr(given, key)
            if value is not None:
                values[key], sources[key] = value, _FROM_SETTINGS
        if "bushel_lb" in values and "bulk_kg_m3" not in values and sources.get("bulk_kg_m3") in (None, _FROM_BUSHEL):
            values["bulk_kg_m3"] = units.bulk_kg_m3(values["bushel_lb"])
            sources["bulk_kg_m3"] = _FROM_BUSHEL
        rows[row.name] = replace(row, sources=sources, **values)
    return rows


def find(name: str, rows: Mapping[str, CropRow]) -> CropRow | None:
    """The crop of that name or by another of its names; case, hyphens and spaces do not matter. None if unknown."""
    plain = plain_name(name)
    if plain in rows:
        return rows[plain]
    return next((row for row in rows.values() if plain in row.also), None)


def names(rows: Mapping[str, CropRow]) -> list[str]:
    """Every name a crop can be found by."""
    return sorted(name for row in rows.values() for name in (row.name, *row.also))


def plain_name(name: str) -> str:
    """The name in the form that the table uses."""
    return " ".join(name.lower().replace("_", " ").replace("-", " ").split())


@lru_cache(maxsize=1)
def _built_in() -> dict[str, CropRow]:
    data = tomllib.loads(files("edge.reckon.tables").joinpath("crops.toml").read_text("utf-8"))
    return {row.name: row for row in map(_row, data["crop"])}


def _row(plain: dict[str, Any]) -> CropRow:
    values: dict[str, float] = {}
    sources: dict[str, str] = {}
    for key in VALUES:
        if key in plain:
            values[key], sources[key] = float(plain[key][0]), plain[key][1]
    if "bushel_lb" in values and "bulk_kg_m3" not in values:
        values["bulk_kg_m3"], sources["bulk_kg_m3"] = units.bulk_kg_m3(values["bushel_lb"]), _FROM_BUSHEL
    return CropRow(
        name=plain_name(plain["name"]),
        kind=plain["kind"],
        also=tuple(map(plain_name, plain.get("also", ()))),
        sources=sources,
        notes=tuple(plain.get("notes", ())),
        **values,
    )

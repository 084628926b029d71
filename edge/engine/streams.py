"""ONE table of what is measured: name, unit, how it is kept, where it is published. Those of inputs come from their own table.

Columns of the `second` table, export and the topic schemas follow it; add a stream here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from edge.reckon.figures import Figures, LossFigure, PointFigure
from edge.reckon.sensors import inputs
from edge.reckon.sensors.inputs import INPUTS, InputColumn


class Stream(NamedTuple):
    """One measured thing, once a second. `published`: its path in the `live` object, empty if it is kept only; `about`: what it
    is, in words, where `export/columns.py` does not say it."""

    name: str
    unit: str
    sql: str
    published: str
    read: Callable[[Figures], Any]
    about: str = ""


def _loss(key: str) -> Callable[[Figures], Any]:
    nothing = LossFigure()
    return lambda figures: getattr(figures.loss or nothing, key)


def _point(name: str, key: str) -> Callable[[Figures], Any]:
    nothing = PointFigure()
    return lambda figures: getattr(figures.points.get(name, nothing), key)


def _rate(name: str) -> Callable[[Figures], Any]:
    return lambda figures: figures.pulses_per_s.get(name)


def _loss_streams() -> list[Stream]:
    units = {"kg_ha": "kg/ha", "low": "kg/ha", "high": "kg/ha", "pct": "%", "t_h": "t/h", "value_h": "money/h"}
    units |= {"over_limit_p": "1", "over_twice_limit_p": "1"}
    return [Stream(f"loss_{key}", unit, "REAL", f"loss.{key}", _loss(key)) for key, unit in units.items()]


def _point_streams(name: str) -> list[Stream]:
    units = {"kg_ha": "kg/ha", "low": "kg/ha", "high": "kg/ha", "left_share": "1"}
    streams = [
        Stream(f"{name}_{key}", unit, "REAL", f"points.{name}.{key}", _point(name, key)) for key, unit in units.items()
    ]
    return [*streams, Stream(f"{name}_per_s", "1/s", "REAL", f"pulses_per_s.{name}", _rate(name))]


def _input_streams(reads: str) -> list[Stream]:
    return [_input_stream(column) for column in INPUTS[reads].columns]


def _input_stream(column: InputColumn) -> Stream:
    return Stream(
        column.name, column.unit, column.sql, column.published, lambda figures: column.read(figures.inputs), column.about
    )


STREAMS: tuple[Stream, ...] = (
    Stream("state", "", "TEXT", "state", lambda f: f.state),
    Stream("speed_kmh", "km/h", "REAL", "speed_kmh", lambda f: f.speed_kmh),
    Stream("area_rate_ha_h", "ha/h", "REAL", "area_rate_ha_h", lambda f: f.area_rate_ha_h),
    *_loss_streams(),
    *_point_streams("separator"),
    *_point_streams("cleaning"),
    *_input_streams("beam"),
    Stream("calibration_state", "", "TEXT", "calibration.state", lambda f: f.calibration.state),
    Stream("lat", "deg", "REAL", "position.lat", lambda f: f.lat),
    Stream("lon", "deg", "REAL", "position.lon", lambda f: f.lon),
    Stream("distance_m", "m", "REAL", "", lambda f: f.distance_m),
    Stream("area_m2", "m2", "REAL", "", lambda f: f.area_m2),
    Stream("limit_kg_ha", "kg/ha", "REAL", "", lambda f: f.limit_kg_ha),
    Stream("flags", "", "TEXT", "flags", lambda f: "; ".join(f.flag_words)),
    *_input_streams("shaft"),
    *[stream for reads in INPUTS if reads not in ("beam", "shaft") for stream in _input_streams(reads)],
)
inputs.close()

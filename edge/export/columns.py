"""Columns of an export, with unit and meaning, out of the table of streams. `python -m edge.export.columns` writes the page.

SenML names follow RFC 8428: units of its registry, values in them; what has no unit there carries it in its name.
"""

from __future__ import annotations

from typing import NamedTuple

from edge.engine.streams import STREAMS, Stream

PAGE = "columns.md"


class Column(NamedTuple):
    """`kind`: number, whole number, text or time; `about`: what it is, in words."""

    name: str
    unit: str
    kind: str
    about: str


class SenmlName(NamedTuple):
    """Name and unit (empty: none registered) in SenML, and what the column's value is multiplied by."""

    name: str
    unit: str
    factor: float = 1.0


_KEYS = (
    Column("time", "", "time", "end of the second, RFC 3339 UTC, with the offsets of the clock that are on record"),
    Column("run", "", "whole number", "run of the kit's program in its database, from 1"),
    Column("number", "", "whole number", "closed second of the run, from 1: the row's key together with `run`"),
    Column("t", "s", "whole number", "end of the second in epoch seconds, by the clock as it was then"),
    Column("job", "", "whole number", "job that was open, from 1; empty: none"),
)

_ABOUT = {
    "state": "working, filling, turning, idle or no data",
    "speed_kmh": "ground speed",
    "area_rate_ha_h": "speed times width in use",
    "loss_kg_ha": "machine loss, smoothed, of the ground that was cut `lag` seconds before",
    "loss_low": "lower end of its central 90 % interval",
    "loss_high": "upper end of its central 90 % interval; empty beside a loss: unknown",
    "loss_pct": "machine loss over tank plus machine loss",
    "loss_t_h": "machine loss in time",
    "loss_value_h": "its price, in the money of the price entered",
    "loss_over_limit_p": "probability that the loss is over its limit",
    "loss_over_twice_limit_p": "probability that the loss is over twice its limit",
    "calibration_state": "none, rough, good or stale",
    "lat": "latitude (WGS 84)",
    "lon": "longitude (WGS 84)",
    "distance_m": "travelled in the second",
    "area_m2": "cut in the second",
    "limit_kg_ha": "limit in force",
    "flags": "what to keep in mind, separated by `; `",
}
_POINT_ABOUT = {
    "kg_ha": "loss at the {point}, smoothed",
    "low": "lower end of its central 90 % interval",
    "high": "upper end of its central 90 % interval",
    "left_share": "share of the left side in its pulses",
    "per_s": "pulses at the {point}, corrected for dead time, sides summed, not smoothed",
}

SENML = {
    "speed_kmh": SenmlName("speed", "m/s", 1 / 3.6),
    "loss_kg_ha": SenmlName("loss_kg_ha", ""),
    "loss_low": SenmlName("loss_low_kg_ha", ""),
    "loss_high": SenmlName("loss_high_kg_ha", ""),
    "loss_pct": SenmlName("loss_of_crop", "/", 0.01),
    "loss_over_limit_p": SenmlName("loss_over_limit_p", "/"),
    "loss_over_twice_limit_p": SenmlName("loss_over_twice_limit_p", "/"),
    "separator_kg_ha": SenmlName("separator_kg_ha", ""),
    "separator_left_share": SenmlName("separator_left_share", "/"),
    "separator_per_s": SenmlName("separator_pulses", "1/s"),
    "cleaning_kg_ha": SenmlName("cleaning_kg_ha", ""),
    "cleaning_left_share": SenmlName("cleaning_left_share", "/"),
    "cleaning_per_s": SenmlName("cleaning_pulses", "1/s"),
    "returns_pct": SenmlName("returns", "/", 0.01),
    "lat": SenmlName("lat", "lat"),
    "lon": SenmlName("lon", "lon"),
    "distance_m": SenmlName("distance", "m"),
    "area_m2": SenmlName("area", "m2"),
    "state": SenmlName("state", ""),
    "calibration_state": SenmlName("calibration_state", ""),
}
"""Columns that SenML gets, by name."""


def columns() -> list[Column]:
    """All columns of a row, in order."""
    return [*_KEYS, *(_column(stream) for stream in STREAMS)]


def _column(stream: Stream) -> Column:
    kind = "text" if stream.sql == "TEXT" else "number"
    if stream.about:
        return Column(stream.name, stream.unit, kind, stream.about)
    if stream.name in _ABOUT:
        return Column(stream.name, stream.unit, kind, _ABOUT[stream.name])
    point, _, key = stream.name.partition("_")
    return Column(stream.name, stream.unit, kind, _POINT_ABOUT.get(key, "").format(point=point))


def page() -> str:
    """The page that documents them."""
    rows = [f"| `{one.name}` | {one.unit} | {one.kind} | {one.about} |" for one in columns()]
    senml = [
        f"| `{name}` | `{one.name}` | {f'`{one.unit}`' if one.unit else ''} | {'' if one.factor == 1 else f'{one.factor:.6g}'} |"
        for name, one in SENML.items()
    ]
    return "\n".join([
        "# Columns of an export",
        "",
        "Written by `python -m edge.export.columns` from the table of streams; don't edit it by hand. One row a closed second;",
        "an unknown value is empty (csv, parquet) or absent (senml), never 0. Unit 1 is a share from 0 to 1.",
        "",
        "| column | unit | kind | what it is |",
        "| --- | --- | --- | --- |",
        *rows,
        "",
        "## SenML names",
        "",
        "Units are those registered for SenML (RFC 8428); where none is registered, the name says it. Texts are given when",
        "they change.",
        "",
        "| column | name | unit | times |",
        "| --- | --- | --- | --- |",
        *senml,
        "",
    ])  # fmt: skip


if __name__ == "__main__":
    print(page(), end="")

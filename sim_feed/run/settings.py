"""The settings file of the simulated machine, as its owner would describe it: what is known, not what is true."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim_feed.run.scenario import Scenario

Value = str | int | float


def settings_text(
    scenario: Scenario, port: str | None, mqtt_port: int | None, store: str | None, dashboard_port: int | None
) -> str:
    """TOML text; tables without a value are left out."""
    s = scenario
    m, c, k = s.machine, s.crop, s.sensors
    tables: list[tuple[str, dict[str, Value | None]]] = [
        (
            "[machine]",
            {
                "name": m.name,
                "cut_width_m": m.cut_width_m,
                "kit": m.kit,
                "lag_s": m.lag_s,
                "separator": m.separator,
                "pre_sieve": m.pre_sieve,
                "fan": m.fan,
                "returns_to": m.returns_to,
            },
        ),
        (
            "[crop]",
            {
                "name": c.name,
                "tgw_g": c.tgw_g,
                "yield_t_ha": c.yield_t_ha,
                "moisture_pct": c.moisture_pct,
                "price_per_t": c.price_per_t,
            },
        ),
        ("[limits]", {"loss_kg_ha": m.limit_kg_ha, "returns_pct": m.limit_returns_pct}),
    ]
    at = 0
    for plate in k.plates:
        reads: dict[str, Value | None] = {"at": at, "reads": "loss", "point": plate.point, "side": plate.side}
        tables.append(("[[input]]", {**reads, "dead_time_us": k.dead_time_us}))
        at += 1
    beam: dict[str, Value | None] = {"empty_pct": k.beam_empty_pct, "full_pct": k.beam_full_pct}
    tables.append(("[[input]]", {"at": at, "reads": "beam", **beam}))
    tables.append(("[[input]]", {"at": at + 1, "reads": "ground", "pulses_per_m": k.pulses_per_m}))
    shafts = [("fan", k.fan_pulses_per_rev)] + ([("rotor", k.rotor_pulses_per_rev)] if k.rotor_shaft else [])
    for offset, (shaft, per_rev) in enumerate(shafts):
        table: dict[str, Value | None] = {"at": at + 2 + offset, "reads": "shaft", "shaft": shaft}
        tables.append(("[[input]]", {**table, "pulses_per_rev": per_rev}))
    tables += [
        ("[[level]]", {"bit": 0, "means": "front down"}),
        ("[[level]]", {"bit": 1, "means": "threshing on"}),
        ("[serial]", {"port": port}),
        ("[mqtt]", {"port": mqtt_port}),
        ("[store]", {"path": store}),
        ("[dashboard]", {"port": dashboard_port}),
        ("[costs]", {"hourly": m.hourly_cost}),
    ]
    return "\n".join(_table(head, values) for head, values in tables if any(v is not None for v in values.values()))


def _table(head: str, values: dict[str, Value | None]) -> str:
    lines = [head] + [f"{key} = {_toml(value)}" for key, value in values.items() if value is not None]
    return "\n".join(lines) + "\n"


def _toml(value: Value) -> str:
    # A JSON string with its escapes is a TOML basic string too, once DEL is escaped (toml.io, v1.0.0, string).
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    return repr(value)

"""The one builder of settings texts: a test says only what matters to it.

    kit_toml(WIRED, cut_width_m=12.0, crop=WHEAT, mqtt={"port": 1884})
    kit_toml([loss("separator", "left"), beam(empty_pct=20.0), ground()], levels=(FRONT_DOWN,))
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

Table = dict[str, Any]

FRONT_DOWN: Table = {"bit": 0, "means": "front down"}
THRESHING_ON: Table = {"bit": 1, "means": "threshing on"}
FRONT, THRESHING = 1, 2
"""Their bits in a sentence."""
LEVELS = (FRONT_DOWN, THRESHING_ON)
WHEAT: Table = {"name": "wheat", "tgw_g": 40.0}


def loss(point: str, side: str = "centre", **more: Any) -> Table:
    return {"reads": "loss", "point": point, "side": side, **more}


def beam(**more: Any) -> Table:
    return {"reads": "beam", **more}


def ground(pulses_per_m: float = 10.0, **more: Any) -> Table:
    return {"reads": "ground", "pulses_per_m": pulses_per_m, **more}


def shaft(name: str, **more: Any) -> Table:
    return {"reads": "shaft", "shaft": name, **more}


def both_sides(*points: str, **more: Any) -> list[Table]:
    """A loss sensor on the left and one on the right of each point."""
    return [loss(point, side, **more) for point in points for side in ("left", "right")]


GROUND = ground()
WIRED = [loss("separator"), loss("cleaning"), GROUND]
"""The inputs most tests need: one loss sensor at each point and ground pulses."""


def _table(head: str, keys: Table) -> str:
    # A JSON value of the kinds used here is a TOML value too.
    return "".join([f"{head}\n", *(f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in keys.items())])


def kit_toml(inputs: Iterable[Table] = (), levels: Sequence[Table] = LEVELS, more: str = "", **said: Any) -> str:
    """A settings file: a machine of 9 m with these inputs, numbered in order unless one says `at`.

    A mapping is a table by its name, a list the tables of a repeated name, anything else a key of `[machine]`; `more` comes
    last, as it stands.
    """
    machine = {"name": "machine one", "cut_width_m": 9.0}
    text = ""
    for name, value in said.items():
        if isinstance(value, dict):
            text += _table(f"[{name}]", value)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            text += "".join(_table(f"[[{name}]]", one) for one in value)
        else:
            machine[name] = value
    text += "".join(_table("[[input]]", {"at": at, **one}) for at, one in enumerate(inputs))
    text += "".join(_table("[[level]]", one) for one in levels)
    return _table("[machine]", machine) + text + more


FULL = kit_toml(
    [*both_sides("separator"), loss("cleaning"), ground(), beam(), shaft("fan"), shaft("rotor")],
    crop={**WHEAT, "yield_t_ha": 5.0, "price_per_t": 200},
    limits={"loss_kg_ha": 50},
)
"""A kit with every kind of sensor."""


def places(port: object, broker_port: int, store: object, **more: Any) -> str:
    """The tables of where things are: the counter's port, the broker on this computer (`more`: of its table), the store."""
    serial, mqtt = _table("[serial]", {"port": str(port)}), _table("[mqtt]", {"port": broker_port, **more})
    return serial + mqtt + _table("[store]", {"path": str(store)})

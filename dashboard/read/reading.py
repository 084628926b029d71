"""What entries have put in force, for the screens that change it: the settings file, overridden by the record in its order."""

from __future__ import annotations

import sqlite3
from typing import Any

from dashboard.read.asked import Question
from dashboard.read.entered import entered
from dashboard.read.history import opened
from edge.contract import entries
from edge.contract.settings import Settings
from edge.reckon.entered.inforce import InForce
from edge.reckon.tables import crops

NOT_OURS = (
    "ack", "shelve", "note", "gauge", "tray", "sample", "returns_look", "returns_catch", "ground_run", "idle_run", "strike_out",
)  # fmt: skip
"""Kinds that put nothing in force that is read here; there may be thousands of them."""

MOST_CHANGES = 60
MOST_MARKS = 12


def in_force(question: Question) -> dict[str, Any]:
    """What holds now: crop, limits, width, residue, machine settings, the latest changes and tray marks. Raises StoreError."""
    with opened(question.store) as connection:
        now, numbered, at = replayed(connection, question.settings)
    changes = [
        {"n": n, "seq": seq, "at": one.at_s, "what": one.what, "name": one.name, "from": one.was, "to": one.to}
        for (n, seq), one in zip(numbered, now.changes, strict=True)
    ]
    return {
        "crop": now.crop,
        "tgw_g": now.tgw_g,
        "bushel_lb": bushel_of(now.crop, question.settings),
        "yield_t_ha": now.yield_t_ha,
        "yield_is_typed": now.yield_is_typed,
        "moisture_pct": now.moisture_pct,
        "price_per_t": now.price_per_t,
        "trash_discount": now.trash_discount,
        "cracked_discount": now.cracked_discount,
        "limits": {"loss_kg_ha": now.loss_kg_ha, "loss_pct": now.loss_pct, "returns_pct": now.returns_pct},
        "width_used": now.width_used,
        "residue_width_m": now.residue_width_m,
        "chopper": now.chopper,
        "spreader": now.spreader,
        "mill": now.mill,
        "job_open": now.job_open,
        "settings": now.machine_settings,
        "changes": changes[-MOST_CHANGES:],
        "marks": [{"mark": number, "at": now.marks[number], "seq": at[number]} for number in sorted(now.marks)[-MOST_MARKS:]],
        "crops": crops.names(crops.table(question.settings.crop_data)),
    }


def replayed(
    connection: sqlite3.Connection, settings: Settings
) -> tuple[InForce, list[tuple[int, int]], dict[int, int]]:
    """What is in force after the whole record; of each change its N and its number in the record; of each mark the latter.

    What was struck out is not in force, but counts in N and among the marks.
    """
    now = InForce.from_settings(settings)
    numbered: list[tuple[int, int]] = []
    marks: dict[int, int] = {}
    for seq, at_s, entry, struck in entered(connection, without=NOT_OURS, with_struck=True):
        if struck:
            now.skip(entry)
            continue
        if isinstance(entry, entries.TrayMarkEntry):
            marks[now.add_mark(at_s)] = seq
        now.learn(entry, at_s)
        if isinstance(entry, entries.SettingEntry):
            numbered.append((now.setting_count, seq))
    return now, numbered, marks


def bushel_of(crop: str | None, settings: Settings) -> float | None:
    """Pounds in a bushel of a crop; None when they aren't known."""
    row = crops.find(crop, crops.table(settings.crop_data)) if crop else None
    return row.bushel_lb if row else None

"""The same loop over a capture: the universal debugger. Gives what the daemon gave live from the same lines."""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib.metadata import version
from itertools import chain
from pathlib import Path
from typing import Any

from edge.contract import settings as settings_module
from edge.contract.errors import StoreError
from edge.contract.settings import Settings
from edge.engine import messages
from edge.engine.engine import Engine, Keeper, Nowhere
from edge.engine.ledger import Numbering
from edge.judge.alerts.judge import AlertChange
from edge.keep.store import Store
from edge.playback import recording


def replay(
    path: Path,
    settings: Settings,
    store: Path | None = None,
    on_second: Callable[[dict[str, Any]], None] | None = None,
    on_refused: Callable[[str], None] | None = None,
    on_progress: Callable[[int], None] | None = None,
) -> dict[str, Any]:
    """Run a capture through the engine; returns the summary.

    `store`: a new database to keep everything in. `on_second` hears each `live` object; `on_refused` hears each refused
    entry in one line; `on_progress` hears the number of lines so far, now and then. Raises CaptureError, StoreError.
    """
    lines = recording.opened(path)  # what is no capture is found before anything is made
    keeper: Keeper = Nowhere()
    database: Store | None = None
    if store is not None:
        database = keeper = _new_store(store)
    try:
        numbering: Numbering = "capture" if database is None else "capture into a store"
        engine = Engine(settings, keeper, Nowhere(), advises=database is not None, numbering=numbering)
        if on_second is not None:
            engine.on_figures.append(lambda figures: on_second(messages.live(figures)))
        if database is not None:
            first = next(lines, None)
            began_ms = first.stamp_ms if first is not None and first.stamp_ms is not None else 0
            database.begin_run(began_ms, settings_module.to_plain(settings), f"capture {path.name}", version("tailgrain"))
            lines = chain([first] if first is not None else [], lines)
        recording.play(engine, lines, on_refused, on_progress)
        if database is not None:
            database.end_run(engine.assembler.stamp_ms or 0)
        return summary(engine)
    finally:
        if database is not None:
            database.close()


def _new_store(path: Path) -> Store:
    store = Store(path)
    if store.holds_data():
        store.close()
        raise StoreError(f"{path}: holds data already; allowed: a new database")
    return store


def summary(engine: Engine) -> dict[str, Any]:
    """The `--summary` object of a finished engine."""
    reckoner, assembler = engine.reckoner, engine.assembler
    now_s = (assembler.stamp_ms or 0) / 1000
    parts = messages.totals(reckoner, reckoner.totals, reckoner.now.samples.mean())
    parts["distance_m"] = reckoner.totals.distance_m + reckoner.open_metres(assembler.open_parts)
    budget = reckoner.mean_loss(reckoner.totals).budget
    return {
        **{key: parts[key] for key in ("seconds", "distance_m", "area_ha")},
        "pulses": assembler.total_pulses(),
        **{key: parts[key] for key in ("loss", "points", "returns_pct", "value")},
        "calibration": {**messages.calibration(reckoner, now_s), "applied": "whole job"},
        "budget": budget.to_plain() if budget is not None else None,
        "lag": messages.lag(reckoner.lag.learned(reckoner.now.lag_s)),
        "alerts": alert_lives(engine.alerts),
        "settings": messages.settings_changes(reckoner),
        "tests": messages.tests(reckoner),
        "lines": messages.lines(assembler.lines),
    }


def alert_lives(changes: list[AlertChange]) -> list[dict[str, Any]]:
    """Each alert from raised to the end of its condition (null: still on)."""
    lives: list[dict[str, Any]] = []
    open_ones: dict[str, dict[str, Any]] = {}
    for change in changes:
        if change.name not in open_ones and change.state in ("raised", "shelved"):
            life = {"rule": change.rule, "object": change.object or None}
            lives.append({**life, "raised": messages.rfc3339_ms(change.since_ms), "cleared": None})
            open_ones[change.name] = lives[-1]
        elif change.ended_ms is not None and change.name in open_ones:
            open_ones.pop(change.name)["cleared"] = messages.rfc3339_ms(change.ended_ms)
    return lives


def to_stderr(text: str) -> None:
    """One line for a person, beside the output."""
    print(text, file=sys.stderr)

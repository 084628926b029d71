"""The lines of a capture through an engine: what `replay`, `compare` and `speed` share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from edge.contract import entries
from edge.contract.errors import CaptureError, EntryError
from edge.engine.engine import Engine
from edge.feed import capture

SQLITE_BEGINS = b"SQLite format 3\x00"


def opened(path: Path) -> Iterator[capture.CaptureLine]:
    """The lines of a capture. Raises CaptureError when it can't be read, or when no line begins with a time."""
    without = 0
    for line in capture.read(path):
        if line.stamp_ms is not None:
            return capture.read(path)
        without += 1
    if without:
        raise CaptureError(_no_capture(path, without))
    return iter(())


def _no_capture(path: Path, looked_at: int) -> str:
    with path.open("rb") as stream:
        if stream.read(len(SQLITE_BEGINS)) == SQLITE_BEGINS:
            return f"{path}: a database, no capture; allowed: a recording (compare, speed, report and export read databases)"
    none = "its one line doesn't begin" if looked_at == 1 else f"none of its {looked_at} lines begins"
    return f"{path}: no capture; {none} with a time; allowed: lines of `<epoch seconds, 3 decimals> <sentence or entry>`"


def play(
    engine: Engine,
    lines: Iterable[capture.CaptureLine],
    on_refused: Callable[[str], None] | None = None,
    on_progress: Callable[[int], None] | None = None,
) -> None:
    """Run lines through an engine to their end."""
    for number, line in enumerate(lines, 1):
        _take(engine, line, number, on_refused)
        if number % 20_000 == 0 and on_progress is not None:
            on_progress(number)
    engine.finish()


def _take(engine: Engine, line: capture.CaptureLine, number: int, on_refused: Callable[[str], None] | None) -> None:
    stamp_ms, text = line
    if text[:1] == b"$":
        engine.take_line(stamp_ms, text)
    elif stamp_ms is None:
        engine.take_malformed(None)
    elif text[:1] != b"!":
        engine.take_line(stamp_ms, text)
    else:
        plain = entries.plain_or_none(text[1:])
        if plain is None:
            engine.take_malformed(stamp_ms)
            return
        try:
            engine.take_entry(stamp_ms, entries.from_plain(plain))
        except EntryError as fault:
            if on_refused is not None:
                on_refused(f"line {number}: {fault}")

"""Writing a simulated run as a capture, a recording that can be replayed."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import IO

from sim_feed.run.simulation import Simulation


def write_capture(simulation: Simulation, path: str | Path, epoch: float) -> int:
    """Write the run as a capture (`.tgcap`, or gzip when the name ends in `.gz`); returns the number of lines.

    A line is stamped `epoch` + the tick's ms with three decimals; entries follow the sentences of their tick. The file
    appears under its name only when it is whole. The same run gives the same bytes, gzip included.
    """
    target = Path(path)
    part = target.with_name(target.name + ".part")
    simulation.epoch = epoch
    epoch_ms = round(epoch * 1000.0)
    lines = 0
    try:
        with part.open("wb") as raw:
            if target.suffix == ".gz":
                with gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0) as packed:
                    lines = _write_ticks(simulation, packed, epoch_ms)
            else:
                lines = _write_ticks(simulation, raw, epoch_ms)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return lines


def _write_ticks(simulation: Simulation, out: IO[bytes] | gzip.GzipFile, epoch_ms: int) -> int:
    count = 0
    for tick in simulation:
        seconds, ms = divmod(epoch_ms + tick.ms, 1000)
        stamp = b"%d.%03d " % (seconds, ms)
        told = [b"!" + json.dumps(entry).encode() + b"\n" for entry in tick.entries]
        for line in (*tick.lines, *told):
            out.write(stamp + line)
            count += 1
    return count

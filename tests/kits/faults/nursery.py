"""Starts kits quickly: the program is imported once, and each kit is a fork of this process that runs `edge.live.daemon.run`.

Reads one JSON object a line ({"config", "log", "epoch_ms", "record"}) and answers with the pid of the kit. Run as
`python -m tests.kits.faults.nursery` by `tests.kits.faults.forked`; a kit started so is killed like any other process.
"""

from __future__ import annotations

import ctypes
import json
import logging
import os
import signal
import sys
from pathlib import Path

import edge.feed.ports
import edge.keep.schema
from edge.contract.errors import TailgrainError
from edge.live import daemon

PR_SET_PDEATHSIG = 1
"""prctl(2)"""


def grow_up(order: dict[str, str | int | None]) -> None:
    """The child: become a kit and never come back."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)  # whatever ends the tests ends their kits
    log = os.open(str(order["log"]), os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    for handle in (1, 2):
        os.dup2(log, handle)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    status = 0
    try:
        epoch_ms = order["epoch_ms"]
        record = Path(str(order["record"])) if order["record"] else None
        daemon.run(Path(str(order["config"])), record, int(epoch_ms) if epoch_ms is not None else None)
    except TailgrainError as fault:
        print(f"tailgrain: {fault}", file=sys.stderr)
        status = fault.exit_status
    finally:
        sys.stderr.flush()
        os._exit(status)


def main() -> None:
    """Fork on order until the input ends."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # ended kits leave no trace
    assert edge.feed.ports.PORTS and edge.keep.schema.migrations
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            grow_up(json.loads(line))
        print(pid, flush=True)


if __name__ == "__main__":
    main()

"""Kits that can be started and killed in a moment: forks of a process that has imported everything once."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

from tests.kits.kit import END_LIMIT_S, Kit
from tests.kits.tools import wait_until

ROOT = Path(__file__).resolve().parents[3]


class Nursery:
    """The process that kits are forked from; one for any number of kits."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.kits.faults.nursery"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=ROOT,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )

    def fork(self, order: dict[str, Any]) -> int:
        assert self._process.stdin is not None and self._process.stdout is not None
        with self._lock:
            self._process.stdin.write(json.dumps(order) + "\n")
            self._process.stdin.flush()
            return int(self._process.stdout.readline())

    def close(self) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(timeout=10)


class ForkedKit(Kit):
    """A kit out of the nursery; `start` does not wait, so that it can be killed at any moment."""

    def __init__(self, nursery: Nursery, folder: Path, toml: str) -> None:
        super().__init__(folder, toml)
        self._nursery = nursery
        self._pid: int | None = None

    def start(self, epoch_s: float | None = None, record: Path | None = None) -> ForkedKit:
        assert not self.alive
        order = {"config": str(self.config), "log": str(self.log_file), "record": str(record) if record else None}
        self._pid = self._nursery.fork({**order, "epoch_ms": None if epoch_s is None else round(1000 * epoch_s)})
        return self

    @property
    def pid(self) -> int | None:
        return self._pid

    @property
    def alive(self) -> bool:
        """Whether the process is there and still ours: it carries the nursery's name, or none any more while it ends."""
        if self._pid is None:
            return False
        try:
            name = Path(f"/proc/{self._pid}/cmdline").read_bytes()
        except OSError:
            return False
        return name == b"" or b"tests.kits.faults.nursery" in name

    def end(self, number: int) -> None:
        """Signal the kit and wait until it is gone; its status is the nursery's."""
        if self._pid is not None and self.alive:
            with suppress(ProcessLookupError):  # it ended this moment
                os.kill(self._pid, number)
            wait_until(lambda: not self.alive, END_LIMIT_S, f"the end of the kit by signal {number}")
        self._pid = None  # the number may soon be somebody else's

    def close(self) -> None:
        self.kill()
        super().close()

"""What the system says of a process: see proc(5)."""

from __future__ import annotations

from pathlib import Path


def written_bytes(pid: int) -> int:
    """What a process made the disk write (proc(5), io)."""
    fields = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    return int(fields["write_bytes"])


def waited_s(pid: int) -> float:
    """How long a process was ready but other programs had the processors (proc(5), schedstat, second field); 0: not told."""
    try:
        return int(Path(f"/proc/{pid}/schedstat").read_text().split()[1]) / 1e9
    except OSError:
        return 0.0


def resident_kb(pid: int | None) -> int:
    """Memory that a process holds (proc(5), status)."""
    return int(Path(f"/proc/{pid}/status").read_text().split("VmRSS:")[1].split()[0])

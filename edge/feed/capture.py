"""Captures: recordings that can be replayed. One line: `<epoch seconds, 3 decimals> <sentence or !entry JSON>`."""

from __future__ import annotations

import gzip
import os
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

from edge.contract.errors import CaptureError
from edge.feed.lines import LineSplitter

LATEST_MS = 32_503_680_000_000
"""Year 3000: a later stamp is no stamp."""


class CaptureLine(NamedTuple):
    """One line of a capture: its stamp in epoch ms (None: the line has none) and what stands behind it."""

    stamp_ms: int | None
    text: bytes


UNSTAMPED = CaptureLine(None, b"")
_line = tuple.__new__
CHUNK = 1 << 18
LONGEST_LINE = 32_768
"""Bytes of a capture line kept whole: an entry of the largest size fits."""


def read_stamp(line: bytes) -> CaptureLine:
    """Split the stamp off a capture line (0x0A already removed)."""
    space = line.find(b" ")
    if 5 <= space <= 16 and line[space - 4 : space - 3] == b".":  # `1.234 ` is the shortest
        digits = line[: space - 4] + line[space - 3 : space]
        if digits.isdigit() and (stamp_ms := int(digits)) < LATEST_MS:
            return CaptureLine(stamp_ms, line[space + 1 :])
    return UNSTAMPED


def read(path: str | os.PathLike[str]) -> Iterator[CaptureLine]:
    """The lines of a capture, plain or gzip-compressed, split on 0x0A only.

    A recording cut off in the middle of a compressed block gives what can be read of it. Raises CaptureError when the
    file can't be opened or is no gzip file although its name says so.
    """
    file = Path(path)
    try:
        with _open(file) as stream:
            yield from _stamped(_lines(stream))
    except (OSError, zlib.error) as fault:
        raise CaptureError(f"{file}: can't be read as a capture ({getattr(fault, 'strerror', None) or fault})") from fault


def _lines(stream: BinaryIO) -> Iterator[bytes]:
    splitter = LineSplitter(LONGEST_LINE)
    while True:
        try:
            data = stream.read1(CHUNK)  # type: ignore[attr-defined]  # a cut-off block gives what it holds
        except EOFError:  # the recorder was cut off in a compressed block: everything before is whole
            data = b""
        if not data:
            yield from splitter.end()
            return
        yield from splitter.feed(data)


def _stamped(lines: Iterator[bytes]) -> Iterator[CaptureLine]:
    """The stamps of one second share their ten digits, so most lines need only their milliseconds read."""
    second, second_ms = b"", 0
    for line in lines:
        thousandths = line[11:14]
        if line[:11] == second and line[14:15] == b" " and thousandths.isdigit():
            yield _line(CaptureLine, (second_ms + int(thousandths), line[15:]))
            continue
        read = read_stamp(line)
        if read.stamp_ms is not None and line[10:11] == b".":
            second, second_ms = line[:11], read.stamp_ms // 1000 * 1000
        yield read


def _open(file: Path) -> BinaryIO:
    if file.name.endswith(".gz"):
        return gzip.open(file, "rb")  # type: ignore[return-value]
    return file.open("rb", buffering=1 << 18)


class Recorder:
    """Writes a capture as it happens. `flush()` hands it to the operating system; a cut loses at most the rest."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = Path(path)
        try:
            self._stream: BinaryIO = (
                gzip.open(self._path, "wb", compresslevel=5)  # type: ignore[assignment]
                if self._path.name.endswith(".gz")
                else self._path.open("wb", buffering=1 << 16)
            )
        except OSError as fault:
            raise CaptureError(f"{self._path}: can't be written ({fault.strerror or fault})") from fault

    def write(self, stamp_ms: int, line: bytes) -> None:
        """One line, sentence or `!` with entry JSON, without its 0x0A."""
        self._stream.write(b"%d.%03d %b\n" % (stamp_ms // 1000, stamp_ms % 1000, line))

    def flush(self) -> None:
        """Hand what was written to the operating system."""
        self._stream.flush()

    def close(self) -> None:
        """End the recording."""
        self._stream.close()

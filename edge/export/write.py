"""Kept seconds for other programs: csv, geojson, parquet, senml. What each column is stands in `columns.md`.

A file appears whole or not at all, and never in the place of a database, a recording, a key or a settings file.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

import msgspec

from edge.contract.errors import StoreError, WrongInput
from edge.export import csvpart, rows
from edge.export.columns import SENML, columns
from edge.export.rows import OnProgress, Source
from edge.export.track import features
from edge.keep.places import Position

KINDS = ("csv", "geojson", "parquet", "senml")
_OURS = (".tgcap", ".tgcap.gz", ".db", ".key", ".toml")
_SQLITE_BEGINS = b"SQLite format 3\0"


def export(
    database: Path,
    kind: str,
    out: Path,
    position: Position = "exact",
    job: int | None = None,
    on_progress: OnProgress | None = None,
) -> int:
    """Write the seconds of a database to a file; returns how many rows (geojson: features; senml: records).

    Raises StoreError when the database can't be read or the file not be written, WrongInput for what is not allowed.
    """
    check_out(out, database)
    writers = {"csv": _csv, "geojson": _geojson, "parquet": _parquet, "senml": _senml}
    if kind not in writers:
        raise WrongInput(f"export: found {kind!r}; allowed: {', '.join(KINDS)}")
    with rows.opened(database, position, job) as source, _whole_file(out) as file:
        return writers[kind](source, file, on_progress)


def check_out(out: Path, source: Path) -> None:
    """Raises WrongInput for a place where something lies that is not an earlier export."""
    if out.is_dir():
        raise WrongInput(f"export: -o: {out} is a folder; allowed: a file")
    if not out.exists():
        return
    if source.exists() and out.samefile(source):
        raise WrongInput(f"export: -o: {out} is the source; allowed: another file")
    with out.open("rb") as file:
        begin = file.read(len(_SQLITE_BEGINS))
    if begin == _SQLITE_BEGINS or out.name.endswith(_OURS):
        raise WrongInput(f"export: -o: {out} is a database, recording, key or settings file; allowed: another file")


@contextmanager
def _whole_file(out: Path) -> Iterator[IO[bytes]]:
    beside = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        with beside.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        beside.replace(out)
    except OSError as fault:
        raise StoreError(f"{out}: can't be written ({fault.strerror or fault})") from fault
    finally:
        with suppress(OSError):
            beside.unlink()


# ---------------------------------------------------------------- csv (RFC 4180 but for its line end, which is 0x0A)


def _csv(source: Source, file: IO[bytes], on_progress: OnProgress | None) -> int:
    names = source.names()
    texts = [at for at, name in enumerate(names) if name in csvpart.TEXTS]
    file.write((",".join(names) + "\n").encode())
    file.flush()
    whole = source.rows
    queries = [source.query(span, names) for span in source.spans]
    return csvpart.write(
        source.db, queries, texts, file, lambda done: None if on_progress is None else on_progress(done, whole)
    )


# ---------------------------------------------------------------- geojson (RFC 7946)


def _geojson(source: Source, file: IO[bytes], on_progress: OnProgress | None) -> int:
    file.write(b'{"type":"FeatureCollection","features":[')
    count = 0
    for feature in features(source, on_progress):
        file.write((b",\n" if count else b"\n") + msgspec.json.encode(feature))
        count += 1
    file.write(b"\n]}\n")
    return count


# ---------------------------------------------------------------- parquet


def _parquet(source: Source, file: IO[bytes], on_progress: OnProgress | None) -> int:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as fault:
        raise WrongInput("export: parquet: pyarrow is missing; allowed after: pip install 'tailgrain[parquet]'") from fault
    names = source.names()
    kinds = {"number": pa.float64(), "whole number": pa.int64(), "text": pa.string(), "time": pa.timestamp("ms", "UTC")}
    known = {one.name: one for one in columns()}
    fields = [
        pa.field(name, kinds[known[name].kind], metadata={"unit": known[name].unit, "about": known[name].about}) for name in names
    ]
    schema, count = pa.schema(fields), 0
    asked = ["time_ms" if name == "time" else name for name in names]
    with pq.ParquetWriter(file, schema, compression="zstd") as writer:
        for _, chunk in source.chunks(asked, on_progress, 50_000):
            arrays = [pa.array(column, type=field.type) for column, field in zip(zip(*chunk, strict=True), fields, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            count += len(chunk)
    return count


# ---------------------------------------------------------------- senml (RFC 8428)


def _senml(source: Source, file: IO[bytes], on_progress: OnProgress | None) -> int:
    names = [name for name in source.names() if name in SENML]
    base: dict[str, Any] = {"bn": f"{rows.kit_name(source.db)}/"}
    told: dict[str, Any] = {}
    began_ms, count, encode = None, 0, msgspec.json.Encoder().encode_lines
    file.write(b"[")
    for _, chunk in source.chunks(["time_ms", *names], on_progress):
        records: list[dict[str, Any]] = []
        for time_ms, *values in chunk:
            if began_ms is None:
                began_ms = time_ms
                base["bt"] = time_ms / 1000
            for name, value in zip(names, values, strict=True):
                if value is None:
                    continue
                if name in csvpart.TEXTS:
                    if told.get(name) == value:
                        continue
                    told[name] = value
                records.append({**base, **_measured(name, value), "t": (time_ms - began_ms) / 1000})
                base = {}
        lines = encode(records)[:-1].replace(b"\n", b",\n")  # a line end in a text would be written \\n
        if lines:
            file.write((b",\n" if count else b"") + lines)
        count += len(records)
    file.write(b"]\n")
    return count


def _measured(name: str, value: Any) -> dict[str, Any]:
    told = SENML[name]
    if isinstance(value, str):
        return {"n": told.name, "vs": value}
    unit = {"u": told.unit} if told.unit else {}
    return {"n": told.name, **unit, "v": value * told.factor}

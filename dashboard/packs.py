"""The evidence pack of a job as a download; made by the record's own part, and offered only where that is there."""

from __future__ import annotations

import asyncio
import importlib
import tempfile
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from edge.errors import StoreError, TailgrainError

MAKER = "edge.keep.evidence"
POSITIONS = ("exact", "coarse", "none")


def can_pack() -> bool:
    """Whether packs can be made here."""
    return find_spec(MAKER) is not None


class Packs:
    """Answers `/pack/<job>?position=`: one pack at a time, for it takes the board's one free core for some seconds."""

    def __init__(self, store: Path, kit: str) -> None:
        self._store, self._kit = store, kit
        self._turn = asyncio.Lock()

    async def answer(self, request: Request) -> Response:
        """The pack of one job as a file."""
        job, position = int(request.path_params["job"]), request.query_params.get("position", "coarse")
        if position not in POSITIONS:
            return _refused(f"position: found {position[:20]!r}; allowed: {', '.join(POSITIONS)}", 400)
        if not can_pack():
            return _refused("evidence packs can't be made by this version", 404)
        async with self._turn:
            try:
                page = await run_in_threadpool(self._make, job, position)
            except StoreError as fault:
                return _refused(str(fault), 503)
            except TailgrainError as fault:
                return _refused(str(fault), 400)
        name = f"tailgrain-{self._kit}-job-{job}.html"
        headers = {"content-disposition": f'attachment; filename="{name}"', "cache-control": "no-store"}
        return Response(page, media_type="text/html; charset=utf-8", headers=headers)

    def _make(self, job: int, position: str) -> bytes:
        write_pack: Callable[..., Any] = importlib.import_module(MAKER).write_pack
        with tempfile.TemporaryDirectory(prefix="tailgrain-pack-") as folder:
            out = Path(folder) / "pack.html"
            write_pack(self._store, job, out, position)
            return out.read_bytes()


def _refused(why: str, status: int) -> JSONResponse:
    return JSONResponse({"why": why}, status_code=status, headers={"cache-control": "no-store"})

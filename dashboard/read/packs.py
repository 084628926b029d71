"""The evidence pack of a job as a download, made by `tailgrain report` in a process of its own."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from dashboard.read import child
from dashboard.read.plainly import plainly
from edge.contract.errors import StoreError, TailgrainError

POSITIONS = {"exact": "exact-track", "coarse": "within-a-kilometre", "none": "without-place"}
"""How much of the place a pack tells -> what its file name says of it, so that two packs of a job are told apart."""

LIMIT_S = 120.0
MOST_WAITING = 4


class Packs:
    """Answers `/pack/<job>?position=`: one pack at a time, for it takes a core of the board for some seconds."""

    def __init__(self, store: Path, kit: str, limit_s: float = LIMIT_S) -> None:
        self._store, self._kit, self._limit_s = store, kit, limit_s
        self._turn = asyncio.Lock()
        self._asked = 0

    async def answer(self, request: Request) -> Response:
        """The pack of one job as a file."""
        job, position = int(request.path_params["job"]), request.query_params.get("position", "coarse")
        if position not in POSITIONS:
            return _refused(f"position: found {position[:20]!r}; allowed: {', '.join(POSITIONS)}", 400)
        if self._asked >= MOST_WAITING:
            return _refused("other packs are being made; try again in a minute", 503)
        self._asked += 1
        try:
            async with self._turn:
                page = await self._make(job, position)
        except StoreError as fault:
            return _refused(plainly(fault, self._store), 503)
        except TailgrainError as fault:
            return _refused(plainly(fault, self._store), 400)
        finally:
            self._asked -= 1
        name = f"tailgrain-{self._kit}-job-{job}-{POSITIONS[position]}.html"
        headers = {"content-disposition": f'attachment; filename="{name}"', "cache-control": "no-store"}
        return Response(page, media_type="text/html; charset=utf-8", headers=headers)

    async def _make(self, job: int, position: str) -> bytes:
        if not self._store.is_file():
            raise StoreError(f"{self._store}: no such database")
        with tempfile.TemporaryDirectory(prefix="tailgrain-pack-") as folder:
            out = Path(folder) / "pack.html"
            asked = ("report", str(self._store), "--job", str(job), "-o", str(out), "--position", position)
            await child.run(*asked, limit_s=self._limit_s, what="making the pack")
            return await run_in_threadpool(out.read_bytes)


def _refused(why: str, status: int) -> JSONResponse:
    return JSONResponse({"why": why}, status_code=status, headers={"cache-control": "no-store"})

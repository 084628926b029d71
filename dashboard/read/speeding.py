"""The screen Speed: `tailgrain speed` asked of the kit's own record, in a process of its own."""

from __future__ import annotations

import asyncio
import math
import time
from collections import Counter
from pathlib import Path
from typing import Any

import msgspec
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from dashboard.read import child
from dashboard.read.plainly import plainly
from edge.contract.errors import StoreError, WrongInput

LIMIT_S = 60.0
FRESH_S = 60.0
"""An answer is told again for so long: an operator who looks twice costs once."""

KEPT = 8
MOST_WAITING = 4
MOST_COST = 1e9


class Speeds:
    """The newest answers by the costs they were asked with; one child at a time."""

    def __init__(self, store: Path, config: Path | None, limit_s: float = LIMIT_S) -> None:
        self._store, self._config, self._limit_s = store, config, limit_s
        self._answers: dict[tuple[float | None, float | None], tuple[float, dict[str, Any]]] = {}
        self._turn = asyncio.Lock()
        self._asked: Counter[tuple[float | None, float | None]] = Counter()

    async def told(self, request: Request) -> Response:
        """What answers `GET /speed?hourly=X&weather=Y`; both may be absent, then the settings file's hold."""
        try:
            key = _cost(request, "hourly"), _cost(request, "weather")
        except WrongInput as fault:
            return _why(str(fault), 400)
        # Any number of pages may wait for one answer, few different ones may be wished for at a time.
        if key not in self._asked and len(self._asked) >= MOST_WAITING:
            return _why("others ask with other costs now; try again in a minute", 503)
        self._asked[key] += 1
        try:
            answer = msgspec.json.encode(await self.answer(*key))
        except StoreError as fault:
            return _why(plainly(fault, self._store, self._config), 503)
        finally:
            self._asked[key] -= 1
            if not self._asked[key]:
                del self._asked[key]
        return Response(answer, headers={"content-type": "application/json", "cache-control": "no-store"})

    async def answer(self, hourly: float | None, weather: float | None) -> dict[str, Any]:
        """`speed`'s answer, and `age_s` of it. Raises StoreError when there is none or it takes too long."""
        key = hourly, weather
        async with self._turn:
            found = self._answers.get(key)
            now = time.monotonic()
            if found is None or now - found[0] > FRESH_S:
                answer = await self._ask(hourly, weather)
                self._answers = {**dict(list(self._answers.items())[-KEPT + 1 :]), key: (time.monotonic(), answer)}
                return {**answer, "age_s": 0.0}
            return {**found[1], "age_s": round(now - found[0], 1)}

    async def _ask(self, hourly: float | None, weather: float | None) -> dict[str, Any]:
        if self._config is None or not self._store.is_file():
            raise StoreError(f"{self._store}: no such database")
        command = ["speed", str(self._store), "--config", str(self._config), "--json"]
        for option, value in (("--hourly-cost", hourly), ("--weather-cost", weather)):
            command += [] if value is None else [option, repr(value)]
        try:
            out = await child.run(*command, limit_s=self._limit_s, what="the reckoning")
        except WrongInput as fault:  # of the kit's own files, not of what the page asked
            raise StoreError(str(fault)) from fault
        answer: dict[str, Any] = msgspec.json.decode(out)
        return answer


def _cost(request: Request, name: str) -> float | None:
    """A cost an hour; None where it wasn't given. Raises WrongInput."""
    text = request.query_params.get(name, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value <= MOST_COST:
        raise WrongInput(f"{name}: found {text!r:.40}; allowed: 0 to {MOST_COST:g}")
    return value


def _why(why: str, status: int) -> JSONResponse:
    return JSONResponse({"why": why}, status_code=status, headers={"cache-control": "no-store"})

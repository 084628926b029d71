"""The screen Speed: `tailgrain speed` asked of the kit's own record, in a process of its own.

Half a day of seconds costs tens of MB and seconds of work. A child keeps both out of the server: the page's figures go on
without a hitch, what it took goes back when it ends, and it can be ended when it takes too long.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import msgspec
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from edge.errors import StoreError, WrongInput

LIMIT_S = 60.0
FRESH_S = 60.0
"""An answer is told again for so long: an operator who looks twice costs once."""

LOW_PRIORITY = 15
KEPT = 8
LARGEST_ANSWER = 1_000_000
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
            return _why(str(fault), 503)
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
        command = ["-m", "edge.cli", "speed", str(self._store), "--config", str(self._config), "--json"]
        for option, value in (("--hourly-cost", hourly), ("--weather-cost", weather)):
            command += [] if value is None else [option, repr(value)]
        child = await asyncio.create_subprocess_exec(
            sys.executable, *command, stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, limit=LARGEST_ANSWER,
        )  # fmt: skip
        with contextlib.suppress(OSError):  # it may have ended already
            os.setpriority(os.PRIO_PROCESS, child.pid, LOW_PRIORITY)
        try:
            async with asyncio.timeout(self._limit_s):
                out, fault = await child.communicate()
        except TimeoutError:
            raise StoreError(f"the reckoning took over {self._limit_s:.0f} s and was stopped") from None
        finally:
            if child.returncode is None:
                child.kill()
                await child.wait()
        if child.returncode:
            lines = fault.decode(errors="replace").strip().splitlines()
            raise StoreError(lines[-1][:300] if lines else f"the reckoning ended with status {child.returncode}")
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

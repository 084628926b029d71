"""One entry from a page to the kit: over the broker, kept once however often it is sent."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse

from dashboard.guard import is_loopback
from edge import entries
from edge.errors import BrokerError, EntryError, SettingsError
from edge.settings import Settings
from edge.tell.ask import ask
from edge.tell.topics import ASK_ID

LARGEST_QUESTION = 20_000
AT_ONCE = 8
"""Questions waiting for the kit at the same time; each holds a thread for up to 10 s."""


class Entering:
    """Answers `POST /ask`. `again` in the answer: nothing is known to be kept, the same id may be sent again."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._room = asyncio.Semaphore(AT_ONCE)

    def why_not(self) -> str:
        """Why nobody may enter here; empty: they may."""
        host = self._settings.dashboard.host
        if is_loopback(host):
            return ""
        return f"entering is off: the page is open to the network ({host}) and no PIN is set"

    async def answer(self, request: Request) -> JSONResponse:
        """Check the question, ask the kit, hand its answer on."""
        why = self.why_not()
        if why:
            return refused(why, 403)
        if request.headers.get("content-type", "").split(";")[0].strip() != "application/json":
            return refused("Content-Type: allowed: application/json", 415)
        raw = await _body(request)
        if raw is None:
            return refused(f"the question is too long; allowed: up to {LARGEST_QUESTION} bytes", 413)
        try:
            ask_id, entry = checked(raw)
        except EntryError as fault:
            return refused(str(fault), 400)
        if self._room.locked():
            return refused("too many entries wait for the kit; try again", 503, again=True)
        async with self._room:
            try:
                kit = self._settings.machine.kit
                return JSONResponse(await run_in_threadpool(ask, self._settings.mqtt, kit, entry, ask_id))
            except (BrokerError, SettingsError) as fault:
                return refused(str(fault), 503, again=True)


def checked(raw: bytes) -> tuple[str, dict[str, Any]]:
    """Id and entry of a question. Raises EntryError."""
    try:
        question = msgspec.json.decode(raw)
    except (msgspec.DecodeError, RecursionError) as fault:
        raise EntryError(f"no valid JSON ({fault})") from fault
    if not isinstance(question, dict):
        raise EntryError("found no object; allowed: {id, entry}")
    ask_id = question.get("id")
    if not isinstance(ask_id, str) or not ASK_ID.fullmatch(ask_id):
        raise EntryError("id: allowed: 1 to 64 of A-Z a-z 0-9 _ -")
    return ask_id, entries.to_plain(entries.from_plain(question.get("entry")))


def refused(why: str, status: int, again: bool = False) -> JSONResponse:
    """An answer that says why nothing was kept."""
    return JSONResponse({"ok": False, "why": why, "again": again}, status_code=status)


async def _body(request: Request) -> bytes | None:
    """The body, None when it is too long."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_QUESTION:
            return None
    return body

"""What a page may send: the PIN, and entries for the kit, over the broker and kept once however often they are sent.

An entry that waited in a page (line lost, kit away) gets the time of the touch as its `at`: a setting change is worth
nothing with the time at which the network came back.
"""

from __future__ import annotations

import asyncio
import logging
import math
import time
from typing import Any

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse

from dashboard.enter import pin
from dashboard.serve.limits import LIMITS, Limits
from dashboard.serve.live import Hub
from dashboard.serve.tries import Tries
from edge.contract import entries
from edge.contract.errors import BrokerError, EntryError, SettingsError, StoreError
from edge.contract.settings import Settings
from edge.tell.ask import ask
from edge.tell.topics import ASK, ASK_ID, LIVE, PREVIEW, Topic

LOG = logging.getLogger("tailgrain.dashboard")

LARGEST_QUESTION = 20_000
TYPING_LIMIT_KMH = 1.0
"""Above this nobody types, unless a passenger enters."""

TAPPED = frozenset(
    {
        "ack", "shelve", "setting", "width_used", "tray_mark", "residue", "returns_look", "limit", "job_start", "job_finish",
        "idle_run", "strike_out",
    }
)  # fmt: skip
"""Kinds that steppers and buttons can make up; every other needs something typed."""

READY_REASONS = frozenset({"Typed wrongly", "Wrong unit", "Not on this machine"})
"""Why an entry is struck out, by one touch; the page's words. Any other reason was typed."""

TYPED_KEYS = frozenset(
    {"note", "by", "name", "client", "paddock", "machine", "operator", "harvested_t", "area_ha", "residue_width_m"}
)
"""These make any entry a typed one."""

TAPPED_WITH_TYPED = frozenset({"job_start", "job_finish"})

UNTIMED = frozenset({"ack", "shelve"})
LATE_S = 2.0
LONGEST_WAIT_S = 7 * 86_400.0
UNDATED = "It was touched long ago, or this device's clock was set since; it counts from the time it was kept."
SPEED_IS_NEWS_S = 10.0
"""An older speed says nothing of now."""

AT_ONCE = 8
"""Questions waiting for the kit at the same time; each holds a thread for up to 10 s."""

PREVIEWS_AT_ONCE = 2
"""Previews have a room of their own: they are asked while somebody types, and must hold up no entry."""


class Entering:
    """Answers `/ask`, `/preview` and `/pin`. `again` in an answer: nothing is known to be kept, the same id may be sent again."""

    def __init__(self, settings: Settings, hub: Hub, limits: Limits = LIMITS) -> None:
        self._settings, self._hub, self._limits = settings, hub, limits
        self._keys = pin.Keys(settings)
        self._tries = Tries(limits.pin_together, limits.pin_turn_s, limits.pin_turns)
        self._rooms = {ASK: asyncio.Semaphore(AT_ONCE), PREVIEW: asyncio.Semaphore(PREVIEWS_AT_ONCE)}
        self._trying = asyncio.Lock()

    async def state(self, request: Request) -> JSONResponse:
        """May this browser enter, and if not, why; `pin`: the PIN would let it."""
        why = self._keys.why_not(request.cookies.get(pin.COOKIE, ""))
        told = {"allowed": not why, "pin": why == "pin", "why": "" if why == "pin" else why}
        return JSONResponse(told, headers={"cache-control": "no-store"})

    async def unlock(self, request: Request) -> JSONResponse:
        """Open a session with the PIN. One check at a time; `tries` says how often one may try."""
        question = await _question(request, self._limits.body_s)
        if isinstance(question, JSONResponse):
            return question
        given = question.get("pin") if isinstance(question, dict) else None
        if not isinstance(given, str) or len(given) > pin.LONGEST:
            return refused(f"pin: allowed: a text of up to {pin.LONGEST} characters", 400)
        address = request.client.host if request.client else ""
        wait_s = self._tries.wait_s(address, time.monotonic())
        if wait_s > 0:
            return refused(f"too many wrong tries; wait {math.ceil(wait_s)} s", 429)
        async with self._trying:  # as many as may try wait here at most
            try:
                right = await pin.matches(given, self._keys.kept())
            except StoreError as fault:
                return refused(str(fault), 503)
        if not right:
            return refused("wrong PIN", 403)
        self._tries.right(address)
        answer = JSONResponse({"ok": True})
        session = self._keys.opened(time.monotonic())
        answer.set_cookie(pin.COOKIE, session, max_age=int(pin.SESSION_S), httponly=True, samesite="strict")
        return answer

    async def answer(self, request: Request) -> JSONResponse:
        """Check the question, ask the kit to keep the entry, hand its answer on."""
        return await self._asked(request, ASK)

    async def preview(self, request: Request) -> JSONResponse:
        """The same doors, but the kit only says what the entry would do."""
        return await self._asked(request, PREVIEW)

    async def _asked(self, request: Request, topic: Topic) -> JSONResponse:
        why = self._keys.why_not(request.cookies.get(pin.COOKIE, ""))
        if why:
            if why == "pin":  # a session that ended must not cost an entry
                return refused("the PIN is needed first", 403, again=True, waits_for="pin")
            return refused(f"entering is off: {why}", 403)
        question = await _question(request, self._limits.body_s)
        if isinstance(question, JSONResponse):
            return question
        try:
            ask_id, entry, doubt = checked(question)
        except EntryError as fault:
            return refused(str(fault), 400)
        if needs_typing(entry) and not typed_before(question, entry) and (why := self._why_no_typing()):
            return refused(why, 409, again=True, waits_for="standing")
        if self._rooms[topic].locked():
            return refused("too many entries wait for the kit; try again", 503, again=True)
        async with self._rooms[topic]:
            try:
                kit = self._settings.machine.kit
                told = await run_in_threadpool(ask, self._settings.mqtt, kit, entry, ask_id, topic)
                undated = doubt and told.get("ok") and topic is ASK
                return JSONResponse({**told, "notices": [*told.get("notices", []), doubt]} if undated else told)
            except (BrokerError, SettingsError) as fault:
                LOG.warning("%s", fault)
                return refused(f"The kit on {self._settings.machine.name} does not answer.", 503, again=True)

    def _why_no_typing(self) -> str:
        """Why nothing typed is taken now; empty when it is. An unknown speed forbids nothing."""
        if self._settings.dashboard.passenger_enters:
            return ""
        live, age_s = self._hub.latest(LIVE.name)
        speed = live.get("speed_kmh") if isinstance(live, dict) else None
        if not isinstance(speed, int | float) or age_s > SPEED_IS_NEWS_S or speed <= TYPING_LIMIT_KMH:
            return ""
        return f"no typed entries while the machine drives (found {speed:.1f} km/h; allowed: up to {TYPING_LIMIT_KMH:g} km/h)"


def checked(question: Any) -> tuple[str, dict[str, Any], str]:
    """Id and entry of a question, the entry timed when it waited, and what is to be said of its time. Raises EntryError."""
    if not isinstance(question, dict):
        raise EntryError("found no object; allowed: {id, entry, waited_s}")
    ask_id = question.get("id")
    if not isinstance(ask_id, str) or not ASK_ID.fullmatch(ask_id):
        raise EntryError("id: allowed: 1 to 64 of A-Z a-z 0-9 _ -")
    waited_s = question.get("waited_s", 0)
    if isinstance(waited_s, bool) or not isinstance(waited_s, int | float):
        raise EntryError(f"waited_s: found {waited_s!r:.40}; allowed: a number")
    entry = entries.to_plain(entries.from_plain(question.get("entry")))
    if "at" in entry or entry["entry"] in UNTIMED:
        return ask_id, entry, ""
    if not -LATE_S <= waited_s <= LONGEST_WAIT_S:
        # A device's clock that was set meanwhile must not cost the entry; a guessed time would be worse than none.
        return ask_id, entry, UNDATED
    if waited_s > LATE_S:
        entry["at"] = round(time.time() - waited_s, 3)
    return ask_id, entry, ""


def needs_typing(entry: dict[str, Any]) -> bool:
    """Whether a person had to type for this entry. A setting's value comes from steppers."""
    if entry["entry"] == "strike_out" and entry.get("why") not in READY_REASONS:
        return True
    return entry["entry"] not in TAPPED or not TYPED_KEYS.isdisjoint(entry)


def typed_before(question: dict[str, Any], entry: dict[str, Any]) -> bool:
    """Whether a tap only sends what was typed at a stand. Where a job starts and ends is where the tap comes: its names must
    neither hold it up nor get lost. The page keeps the fields shut while the machine drives."""
    return entry["entry"] in TAPPED_WITH_TYPED and question.get("typed_standing") is True


def refused(why: str, status: int, again: bool = False, waits_for: str = "") -> JSONResponse:
    """An answer that says why nothing was kept; `waits_for`: what must come before it is sent again, `pin` or `standing`."""
    more = {waits_for: True} if waits_for else {}
    return JSONResponse({"ok": False, "why": why, "again": again, **more}, status_code=status)


async def _question(request: Request, limit_s: float) -> Any:
    """The JSON value of the body, or the answer that refuses it."""
    if request.headers.get("content-type", "").split(";")[0].strip() != "application/json":
        return refused("Content-Type: allowed: application/json", 415)
    body = b""
    try:
        async with asyncio.timeout(limit_s):
            async for part in request.stream():
                body += part
                if len(body) > LARGEST_QUESTION:
                    return refused(f"the question is too long; allowed: up to {LARGEST_QUESTION} bytes", 413)
    except TimeoutError:
        late = refused(f"the question did not come whole within {limit_s:g} s", 408, again=True)
        late.headers["connection"] = "close"
        return late
    except ClientDisconnect:
        return refused("the question broke off", 400)  # nobody hears it
    try:
        return msgspec.json.decode(body)
    except (msgspec.DecodeError, RecursionError) as fault:
        return refused(f"no valid JSON ({fault})", 400)

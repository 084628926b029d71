"""Who may come in and stay: deadlines and numbers of connections and of open pages.

uvicorn waits for ever for a question that doesn't come or doesn't end, and for a guest that doesn't read its answer. Here a
guest that owes something for too long goes, and when the house is full, of the address with the most guests the one that
waited longest without a question under way.
"""

from __future__ import annotations

import asyncio
from collections import Counter

import h11
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from dashboard.serve.limits import Limits
from dashboard.serve.tries import network

FULL = b"too many connections; close a page\n"
REFUSAL = (
    b"HTTP/1.1 503 Service Unavailable\r\nconnection: close\r\ncontent-type: text/plain; charset=utf-8\r\n"
    b"content-length: %d\r\n\r\n%s" % (len(FULL), FULL)
)
GUEST = "guest"
"""Its name in the state of a request."""


class Guest(H11Protocol):
    """One connection."""

    limits: Limits

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Somebody came; too many: one goes."""
        super().connection_made(transport)
        self.came = self.loop.time()
        self.network = network(self.client[0] if self.client else "")
        self.left = self.seated = False
        self.app_state = {**self.app_state, GUEST: self}
        self._deadline: asyncio.TimerHandle | None = None
        self._flush: asyncio.TimerHandle | None = None
        leaving = self._who_leaves()
        if leaving is self:
            self.left = True
            transport.write(REFUSAL)
            transport.close()
            return
        if leaving is not None:
            leaving.leave()
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """Gone."""
        super().connection_lost(exc)
        self.left = True
        for timer in (self._deadline, self._flush):
            if timer is not None:
                timer.cancel()

    def data_received(self, data: bytes) -> None:
        """A piece of a question."""
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        """All of an answer was handed to the line."""
        super().on_response_complete()
        self._look()
        if self._flush is not None:
            self._flush.cancel()
        self._look_at_flush()

    @property
    def is_stalled(self) -> bool:
        """Whether it doesn't read what it is sent."""
        return self.flow.write_paused

    def leave(self) -> None:
        """End it at once, whatever is under way."""
        self.left = True
        self.transport.abort()

    def _look(self) -> None:
        """One deadline for each question; a drop of bytes doesn't move it."""
        if not self._owes() or self.left:
            if self._deadline is not None:
                self._deadline.cancel()
            self._deadline = None
        elif self._deadline is None:
            self._deadline = self.loop.call_later(self.limits.request_s, self.leave)

    def _owes(self) -> bool:
        """Whether a question is to come or has begun. (Between two questions uvicorn's own limit holds.)"""
        if self.conn.their_state is h11.IDLE:
            return self.cycle is None or bool(self.conn.trailing_data[0])
        return self.conn.their_state is h11.SEND_BODY

    def _look_at_flush(self, before: int | None = None) -> None:
        """What was left of an answer must become less. (An open page may rest; it costs a seat and no more.)"""
        size = self.transport.get_write_buffer_size()
        if not size or self.seated:
            self._flush = None
        elif before is not None and size >= before:
            self.leave()
        else:
            self._flush = self.loop.call_later(self.limits.flush_s, self._look_at_flush, size)

    def _who_leaves(self) -> Guest | None:
        guests = [one for one in self.connections if isinstance(one, Guest) and not one.left]
        of = Counter(one.network for one in guests)
        if of[self.network] > self.limits.connections_each:
            guests = [one for one in guests if one.network == self.network]
        elif len(guests) <= self.limits.connections:
            return None
        idle = [one for one in guests if one is not self and (one.cycle is None or one.cycle.response_complete)]
        fair = [one for one in idle if of[one.network] >= of[self.network]]
        return max(fair, key=lambda one: (of[one.network], -one.came), default=self)


def protocol(limits: Limits) -> type[Guest]:
    """The class that uvicorn makes one of for each connection."""
    return type("Guest", (Guest,), {"limits": limits})


class Seats:
    """The open pages, one stream each."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._taken: dict[Guest, None] = {}

    def wanted(self, guest: Guest) -> str:
        """Take a seat; returns why there is none, or nothing. A page that reads nothing, or one of the address that has the
        most, makes room."""
        of = Counter(one.network for one in self._taken)
        mine, all_taken = of[guest.network], len(self._taken)
        if mine >= self._limits.streams_each:
            leaving = next((one for one in self._taken if one.network == guest.network and one.is_stalled), None)
            why = f"{mine} pages are open at this address; close one"
        elif all_taken >= self._limits.streams:
            crowded = [one for one in self._taken if of[one.network] > mine + 1]
            leaving = max(crowded, key=lambda one: (of[one.network], one.is_stalled, one.came), default=None)
            why = f"{all_taken} pages are open; close one"
        else:
            leaving, why = None, ""
        if leaving is not None:
            self.free(leaving)
            leaving.leave()
        elif why:
            return why
        self._taken[guest] = None
        guest.seated = True
        return ""

    def free(self, guest: Guest) -> None:
        """The page is gone."""
        self._taken.pop(guest, None)
        guest.seated = False


class Seated:
    """An answer that lasts as long as a page is open: given to those who find a seat."""

    def __init__(self, seats: Seats, answer: ASGIApp) -> None:
        self._seats, self._answer = seats, answer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        guest: Guest = scope["state"][GUEST]
        if why := self._seats.wanted(guest):
            await PlainTextResponse(f"{why}\n", status_code=503)(scope, receive, send)
            return
        try:
            await self._answer(scope, receive, send)
        finally:
            self._seats.free(guest)

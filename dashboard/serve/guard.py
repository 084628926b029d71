"""What every answer carries and every question must: security headers, a known `Host`, an `Origin` of our own on POST.

A page of another site can make a browser ask us under a name it controls (DNS rebinding): only our own names and the
address the connection itself came to are answered.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "font-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = [
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
]
READING = ("GET", "HEAD")
WAYS = (*READING, "POST")


def host_name(header: str) -> str:
    """The name in a `Host` header, lower case, without port, brackets and closing dot; empty if it is none."""
    try:
        name = urlsplit(f"//{header}").hostname or ""
    except ValueError:
        return ""
    return name.rstrip(".").lower()


def is_loopback(host: str) -> bool:
    """Whether an address or name reaches this machine only."""
    name = host.strip("[]").rstrip(".").lower()
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return name == "localhost" or name.endswith(".localhost")


def own_names(allowed: Iterable[str], bound: str) -> frozenset[str]:
    """The names this dashboard answers to."""
    machine = socket.gethostname().lower()
    names = {"localhost", "127.0.0.1", "::1", machine, f"{machine.split('.')[0]}.local", host_name(bound)}
    given = {host_name(f"[{one}]" if one.count(":") > 1 and not one.startswith("[") else one) for one in allowed}
    return frozenset((names | given) - {""})


class Guard:
    """Wraps the application."""

    def __init__(self, app: ASGIApp, names: frozenset[str]) -> None:
        self._app, self._names = app, names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", []), *HEADERS]}
            await send(message)

        why = self._why_not(scope)
        if why:
            await PlainTextResponse(why + "\n", status_code=403)(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)

    def _why_not(self, scope: Scope) -> str:
        headers = [(name, value.decode("latin-1")) for name, value in scope["headers"]]
        hosts = [value for name, value in headers if name == b"host"]
        host = hosts[0] if len(hosts) == 1 else ""
        name = host_name(host)
        came_to = str((scope.get("server") or ("",))[0])
        if not name or name not in {*self._names, came_to}:
            return f"Host: found {host[:80]!r}; allowed: this machine's names, or those in [dashboard] allowed_hosts"
        if scope["method"] not in WAYS:
            return f"{scope['method']}: allowed: {', '.join(WAYS)}"
        if scope["method"] in READING:
            return ""
        origins = [value for name, value in headers if name == b"origin"]
        if len(origins) != 1 or origins[0] not in (f"http://{host}", f"https://{host}"):
            return f"Origin: found {', '.join(origins)[:80] or 'none'}; allowed: http://{host}"
        return ""

"""The `dashboard` command: one small web server that hears the broker, reads the database and asks by MQTT.

broker -> listener (thread) -> live.Hub -> /events        what is
database (read only) -> READINGS -> /ribbon, ...          what was
/ask, /preview, /pin -> entering -> broker -> the kit               what an operator tells
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import socket
import stat
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from dashboard.enter import pin
from dashboard.enter.entering import TYPING_LIMIT_KMH, Entering
from dashboard.read import counts, health, history, jobs, judged, listed, morning, reading, sieving
from dashboard.read.asked import Question, Reading
from dashboard.read.packs import Packs
from dashboard.read.plainly import plainly
from dashboard.read.speeding import Speeds
from dashboard.serve.assets import Asset, Assets, pack
from dashboard.serve.doors import Seated, Seats, protocol
from dashboard.serve.guard import Guard, is_loopback, own_names
from dashboard.serve.limits import LIMITS, Limits, fitting
from dashboard.serve.listener import Listener
from dashboard.serve.live import EventStream, Hub
from edge.contract import settings as settings_module
from edge.contract.errors import StoreError, WrongInput
from edge.contract.inputs import BeamInput, LossInput, ShaftInput
from edge.contract.settings import Settings

LOG = logging.getLogger("tailgrain.dashboard")

READINGS: dict[str, Reading] = {
    "/ribbon": history.ribbon_asked,
    "/marks": history.marks_asked,
    "/in-force": reading.in_force,
    "/counts": counts.recent,
    "/health": health.facts,
    "/morning": morning.facts,
    "/sieves": sieving.known,
    "/sieves/trial": sieving.trial,
    "/sieves/dial": sieving.dial,
    "/verdicts": judged.verdicts,
    "/worked": judged.worked,
    "/tests": judged.tests,
    "/jobs": jobs.jobs,
    "/job-cut": jobs.cut,
    "/entered": listed.newest,
}
"""Path -> what answers it, read only. A screen that needs more of the record adds a function in a module of its own here."""

ENDS_WITH_STDIN = "TAILGRAIN_ENDS_WITH_STDIN"
END_LIMIT_S = 2
"""A page that reads nothing can't hold up the end for longer."""


class Dashboard:
    """The application of one kit."""

    def __init__(self, settings: Settings, config: Path | None = None, limits: Limits = LIMITS) -> None:
        self._settings = settings
        self._store = settings_module.database(settings)
        self._assets = Assets()
        self._packs = Packs(self._store, settings.machine.kit)
        self._speeds = Speeds(self._store, config)
        self.hub = Hub()
        self._seats = Seats(limits)
        self._entering = Entering(settings, self.hub, limits)

    def about(self) -> dict[str, Any]:
        """What a page must know of the kit before the first second."""
        machine = self._settings.machine
        return {
            "kit": machine.kit,
            "machine": machine.name,
            "cut_width_m": machine.cut_width_m,
            "width_used": machine.width_used,
            "points": sorted({one.point for one in self._settings.inputs(LossInput)}, reverse=True),
            "returns": bool(self._settings.inputs(BeamInput)),
            "shafts": [one.shaft for one in self._settings.inputs(ShaftInput)],
            "separator": machine.separator,
            "pre_sieve": machine.pre_sieve,
            "units": self._settings.units.show,
            "bushel_lb": reading.bushel_of(self._settings.crop.name if self._settings.crop else None, self._settings),
            "passenger_enters": self._settings.dashboard.passenger_enters,
            "typing_limit_kmh": TYPING_LIMIT_KMH,
            "version": version("tailgrain"),
            "assets": self._assets.version,
        }

    def app(self) -> ASGIApp:
        """Everything behind the guard."""
        self.hub.put("kit", self.about())
        self.hub.put("broker", {"connected": False, "why": "not yet connected"})
        routes = [
            Route("/", self._index),
            Route("/assets/{version}/{name:path}", self._asset),
            Route("/events", self._events),
            *(Route(path, self._reading(read)) for path, read in READINGS.items()),
            Route("/pack/{job:int}", self._packs.answer),
            Route("/speed", self._speeds.told),
            Route("/ask", self._entering.answer, methods=["POST"]),
            Route("/preview", self._entering.preview, methods=["POST"]),
            Route("/pin", self._entering.state, methods=["GET"]),
            Route("/pin", self._entering.unlock, methods=["POST"]),
        ]
        dashboard = self._settings.dashboard
        app = Starlette(routes=routes, exception_handlers={Exception: _failed})
        return Guard(app, own_names(dashboard.allowed_hosts, dashboard.host))

    async def _index(self, request: Request) -> Response:
        return _sent(request, self._assets.index, "no-cache")

    async def _asset(self, request: Request) -> Response:
        found = self._assets.files.get(request.path_params["name"])
        if found is None or request.path_params["version"] != self._assets.version:
            return PlainTextResponse("no such file in this version; load the page anew\n", status_code=404)
        return _sent(request, found, "public, max-age=31536000, immutable")

    async def _events(self, request: Request) -> Any:
        return Seated(self._seats, EventStream(self.hub, request.headers.get("last-event-id", "")))

    def _reading(self, read: Reading) -> Callable[[Request], Awaitable[Response]]:
        """What answers one path out of the database. Wrong questions are answered 400, an unreadable database 503."""

        async def answer(request: Request) -> Response:
            question = Question(self._store, self._settings, dict(request.query_params))
            try:
                found = await run_in_threadpool(lambda: pack(msgspec.json.encode(read(question)), JSON))
            except StoreError as fault:
                return JSONResponse({"why": plainly(fault, self._store)}, status_code=503, headers={"cache-control": "no-store"})
            except WrongInput as fault:
                return JSONResponse({"why": str(fault)}, status_code=400, headers={"cache-control": "no-store"})
            return _sent(request, found, "no-store")

        return answer


async def _failed(request: Request, fault: Exception) -> Response:
    """A fault of ours: said in the log whole, to the page in a line."""
    LOG.error("%s: failed", request.url.path, exc_info=fault)
    return JSONResponse({"ok": False, "why": FAILED}, status_code=500)


JSON = "application/json"
FAILED = "this page failed here; whoever looks after the kit finds why in its log"


def _sent(request: Request, asset: Asset, cache: str) -> Response:
    headers = {"cache-control": cache, "content-type": asset.kind, "vary": "accept-encoding"}
    if asset.packed is not None and "gzip" in request.headers.get("accept-encoding", ""):
        return Response(asset.packed, headers={**headers, "content-encoding": "gzip"})
    return Response(asset.plain, headers=headers)


class _Server(uvicorn.Server):
    """uvicorn, but a signal ends it with status 0, and open streams end with it."""

    def __init__(self, config: uvicorn.Config, hub: Hub) -> None:
        super().__init__(config)
        self._hub = hub

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._hub.close()
        await super().shutdown(sockets)


def serve(config: Path, set_pin: bool = False, limits: Limits = LIMITS) -> int:
    """Serve until SIGTERM or SIGINT, or set the PIN; returns the exit status. Raises a TailgrainError when it can't."""
    settings = settings_module.load(config)
    if set_pin:
        print(f"the PIN is set ({pin.ask_and_set(settings)})")
        return 0
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")
    dashboard = Dashboard(settings, config, limits)
    listening = _bind(settings.dashboard.host, settings.dashboard.port)
    asyncio.run(_serve(settings, dashboard, listening, fitting(limits)))
    LOG.info("ended cleanly")
    return 0


async def _serve(settings: Settings, dashboard: Dashboard, listening: socket.socket, limits: Limits) -> None:
    loop = asyncio.get_running_loop()
    hub = dashboard.hub
    server = _Server(
        uvicorn.Config(
            dashboard.app(), http=protocol(limits), ws="none", log_config=None, log_level="warning", access_log=False,
            lifespan="off", server_header=False, proxy_headers=False, timeout_graceful_shutdown=END_LIMIT_S,
            timeout_keep_alive=30,
        ),
        hub,
    )  # fmt: skip

    def stop() -> None:
        server.should_exit = True

    def on_broker(connected: bool, why: str) -> None:
        _hand_over(loop, _broker_changed, hub, connected, why)

    listener = Listener(
        settings.mqtt,
        settings.machine.kit,
        lambda topic, payload, kept: _hand_over(loop, hub.heard, topic, payload, kept),
        on_broker,
    )
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop)
    if os.environ.get(ENDS_WITH_STDIN) and stat.S_ISFIFO(os.fstat(0).st_mode):
        threading.Thread(target=_watch_stdin, args=(loop, stop), daemon=True).start()
    listener.start()
    LOG.info("dashboard at %s", address(settings.dashboard.host, settings.dashboard.port))
    try:
        await server.serve(sockets=[listening])
    finally:
        await run_in_threadpool(listener.stop)


def _broker_changed(hub: Hub, connected: bool, why: str) -> None:
    if connected:
        hub.forget("alert/")
    hub.put("broker", {"connected": connected, "why": why})


def _hand_over(loop: asyncio.AbstractEventLoop, call: Callable[..., None], *arguments: Any) -> None:
    """Into the loop's thread; a loop that has just closed needs nothing any more."""
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(call, *arguments)


def _watch_stdin(loop: asyncio.AbstractEventLoop, stop: Callable[[], None]) -> None:
    """A child of the demo ends with its parent, however that one ended: the pipe closes."""
    while sys.stdin.buffer.read(4096):
        pass
    _hand_over(loop, stop)


def _bind(host: str, port: int) -> socket.socket:
    """The listening socket. Raises WrongInput in one line when the address is taken or not ours."""
    where = f"dashboard: {host}:{port}"
    try:
        family, _, _, _, at = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        return socket.create_server(at[:2], family=family, backlog=64)
    except OSError as fault:
        hint = "is another dashboard running? allowed: a free port, [dashboard] port"
        raise WrongInput(f"{where}: can't listen there ({fault.strerror or fault}); {hint}") from fault


def address(host: str, port: int) -> str:
    """What to type into a browser on this machine or, where the page is open to the network, on another."""
    name = {"0.0.0.0": socket.gethostname(), "::": socket.gethostname()}.get(host, host)
    shown = f"[{name}]" if ":" in name else name
    return f"http://{shown}:{port}/" + ("" if is_loopback(host) else " (open to the network)")

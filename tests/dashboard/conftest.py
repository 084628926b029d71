"""A dashboard as a child of its own, with a real broker; what a browser would ask is asked by plain HTTP."""

from __future__ import annotations

import http.client
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import paho.mqtt.client as paho
import pytest

from edge.contract import settings as settings_module
from edge.playback.replay import replay
from edge.tell.client import new_client
from sim_feed.run.scenario import load
from tests.kits import chain as chains
from tests.kits.broker import broker as running_broker
from tests.kits.kit import Program
from tests.kits.tools import free_port

TESTS = Path(__file__).parents[1]
RECORDING = TESTS / "recordings" / "worked_example.tgcap.gz"
"""Eight minutes with a tray test and a setting change, 5 % of the sentences lost."""


class Answer(NamedTuple):
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        return msgspec.json.decode(self.body)


class Server:
    """One dashboard, its broker and its settings."""

    def __init__(self, kit: Any, broker: Any) -> None:
        self.kit, self.broker, self.port = kit, broker, kit.page_port

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> Answer:
        """One request; underscores of header names become hyphens, `None` leaves out what would be sent anyway."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        try:
            given = {name.replace("_", "-"): value for name, value in headers.items()}
            connection.putrequest(method, path, skip_host="Host" in given, skip_accept_encoding=True)
            raw = body if isinstance(body, bytes) else b"" if body is None else msgspec.json.encode(body)
            if body is not None:
                connection.putheader("Content-Length", str(len(raw)))
            for name, value in given.items():
                connection.putheader(name, value)
            connection.endheaders(raw)
            answer = connection.getresponse()
            return Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        finally:
            connection.close()

    def enter(self, question: Any, path: str = "/ask", **headers: str) -> Answer:
        """An entry as the page sends it, or asks what it would do."""
        origin = {"Origin": f"http://127.0.0.1:{self.port}", "Content_Type": "application/json", **headers}
        return self.ask("POST", path, question, **{name: value for name, value in origin.items() if value})

    def speaker(self) -> paho.Client:
        """A client that may say what a kit says."""
        client = new_client(settings_module.load(self.kit.config).mqtt, "test-speaker")
        client.connect("127.0.0.1", self.broker.port)
        client.loop_start()
        return client


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A dashboard over the worked example's database; no daemon runs, tests speak for the kit."""
    folder = tmp_path_factory.mktemp("dashboard")
    with running_broker(folder / "broker") as broker, chains.chain(folder / "kit", broker.port) as kit:
        kit.configure(load("paddock"), "/dev/null")
        (folder / "kit" / "state").mkdir()
        example = settings_module.load(RECORDING.with_name("worked_example.toml"))
        replay(RECORDING, example, store=folder / "kit" / "state" / "tailgrain.db")
        kit.dashboard()
        yield Server(kit, broker)


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[Any]:
    """A configured kit that has never run and has no broker; nothing is started."""
    with chains.chain(tmp_path / "kit", free_port()) as kit:
        kit.configure(load("paddock"), "/dev/null")
        yield kit
    shutil.rmtree(tmp_path / "kit")


LIMITED = """import json, resource, sys
from pathlib import Path
from dashboard.serve.limits import Limits
from dashboard.server import serve
config, files, limits = sys.argv[1:]
if files != "0":
    resource.setrlimit(resource.RLIMIT_NOFILE, (int(files), int(files)))
sys.exit(serve(Path(config), limits=Limits(**json.loads(limits))))
"""


class Limited(Program):
    """`tailgrain dashboard` with other limits; `files`: how many the process may open."""

    def __init__(self, kit: Any, files: int, limits: dict[str, float]) -> None:
        command = [sys.executable, "-c", LIMITED, str(kit.config), str(files), msgspec.json.encode(limits).decode()]
        self.begin(command, kit.folder / "dashboard.log")


@pytest.fixture
def limited(eventually: Callable[..., Any]) -> Callable[..., Any]:
    """`limited(kit, body_s=0.2)`: its dashboard, started with other limits, as a program of the kit."""

    def start(kit: Any, files: int = 0, **limits: float) -> Any:
        program = kit.programs["dashboard"] = Limited(kit, files, limits)
        eventually(lambda: program.process.poll() is not None or kit.answers(), 20.0, "the page")
        assert program.process.poll() is None, program.said()
        return program

    return start


@pytest.fixture
def of() -> Callable[[Any], Server]:
    """`of(kit)`: how to ask the dashboard of this kit."""
    return lambda kit: Server(kit, None)

"""The whole chain on a simulated harvester: pty, embedded broker, `run` and the page, each as on a real kit.

The parent holds the feed and the broker in threads; `run` and `dashboard` are children that run exactly the commands a
user would, and end when their standard input closes, however the parent ended. The only place that knows all parts.
"""

from __future__ import annotations

import asyncio
import fcntl
import logging
import os
import queue
import secrets
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, NamedTuple

import msgspec
from rich.console import Console

from edge import settings as settings_module
from edge.daemon import ENDS_WITH_STDIN
from edge.entries import epoch_s
from edge.errors import BrokerError, TailgrainError, WrongInput
from edge.replay import replay
from edge.settings import Mqtt, Settings
from edge.tell import topics
from edge.tell.ask import Asker
from edge.tell.client import new_client
from sim_feed.emit import Pace, PtyFeed
from sim_feed.scenario import Scenario, Simulation, load

MARKER = ".tailgrain-demo"
HISTORY_MINUTES = 30
FIRST_PORT = 8099
START_LIMIT_S = 30.0
END_LIMIT_S = 20.0
USER = "demo"


class Options(NamedTuple):
    """What the command line asked for. `pace` None: the first half hour at full speed, then real time."""

    pace: Pace | None = None
    minutes: float | None = None
    seed: int = 1
    folder: Path = Path(".demo")
    dashboard: bool = True
    as_json: bool = False


def demo(options: Options, say: Callable[[str], None]) -> dict[str, Any] | None:
    """Run the demo until its minutes are over or Ctrl-C; returns the summary when minutes were given.

    `say` hears progress, a line at a time. Raises TailgrainError.
    """
    folder = _prepare(options.folder)
    with _hold(folder):
        return _run(options, folder, say)


def _run(options: Options, folder: Path, say: Callable[[str], None]) -> dict[str, Any] | None:
    scenario = load("paddock").with_(seed=options.seed, minutes=options.minutes)
    chain = Chain(folder, scenario, options, _epoch(options))
    try:
        chain.start(say)
        chain.play(say)
        if options.minutes is None:
            return None
        chain.settle(say)
    except KeyboardInterrupt:
        say(f"stopping; what was kept lies in {folder}")
        return None
    finally:
        chain.close()
    return chain.summary()


def _epoch(options: Options) -> float:
    """Epoch seconds at which the simulation begins, so that its stamps reach the wall clock at the end, never the future."""
    now = float(int(time.time()))
    if options.minutes is None:
        return now - HISTORY_MINUTES * 60
    pace = options.pace or 1.0
    ahead = 1.0 if pace == "max" else max(0.0, 1 - 1 / float(pace))
    return now - float(int(options.minutes * 60 * ahead))


class Chain:
    """Broker, feed, `run` and `dashboard` of one demo."""

    def __init__(self, folder: Path, scenario: Scenario, options: Options, epoch: float) -> None:
        self._folder, self._options, self._epoch = folder, options, epoch
        self._capture = folder / "demo.tgcap.gz"
        self._config = folder / "demo.toml"
        password = secrets.token_urlsafe(16)
        self._broker = EmbeddedBroker(folder, password)
        catch_up = epoch if options.minutes is None else None
        self._simulation = Simulation(scenario)
        self._feed = PtyFeed(self._simulation, options.pace or 1.0, self._entry, catch_up_epoch=catch_up)
        self.page = free_port(FIRST_PORT) if options.dashboard else None
        self._write_settings(scenario, password)
        self.settings: Settings = settings_module.load(self._config)
        self._refused: list[str] = []
        self._asker: Asker | None = None
        self._children: list[subprocess.Popen[bytes]] = []
        self._watch = Watch(self.settings.mqtt, self.settings.machine.kit)

    def _write_settings(self, scenario: Scenario, password: str) -> None:
        secret = self._folder / "mqtt-password"
        secret.touch(mode=0o600)
        secret.write_text(password + "\n")
        text = scenario.settings_toml(
            port=self._feed.port,
            mqtt_port=self._broker.port,
            store=str(self._folder / "state"),
            dashboard_port=self.page or FIRST_PORT,
        )
        login = f'[mqtt]\nusername = "{USER}"\npassword_file = {msgspec.json.encode(str(secret)).decode()}\n'
        self._config.write_text(text.replace("[mqtt]\n", login))

    def start(self, say: Callable[[str], None]) -> None:
        """Start every part and wait until each is up."""
        self._broker.start()
        self._watch.start()
        self._asker = Asker(self.settings.mqtt, self.settings.machine.kit)
        stamps = ["--stamps", f"board={self._epoch:.0f}"]
        record = ["--record", str(self._capture)] if self._options.minutes is not None else []
        self._spawn("run", "--config", str(self._config), *stamps, *record)
        self._wait(lambda: self._watch.online, "the daemon did not come up")
        self._wait(lambda: ": open\n" in (self._folder / "run.log").read_text(), "the daemon did not open the line")
        say("broker and daemon are up")
        if self.page is not None:
            self._spawn("dashboard", "--config", str(self._config))
            self._wait(lambda: _listens(self.page), "the page did not come up")
            say(f"the page is at http://127.0.0.1:{self.page}/")

    def play(self, say: Callable[[str], None]) -> None:
        """Send the paddock; without minutes, for ever."""
        self._feed.start()
        minutes = self._options.minutes
        catching_up = minutes is None
        if catching_up:
            say(f"playing the first {HISTORY_MINUTES} minutes at full speed")
        said = time.monotonic()
        while not self._feed.join(0.2):
            self._look_at_children()
            done_min = self._feed.ms / 60_000
            if catching_up and self._epoch + self._feed.ms / 1000 >= time.time() - 2:
                catching_up = False
                say("now at real pace; stop with Ctrl-C")
            elif minutes is not None and time.monotonic() - said > 2:
                said = time.monotonic()
                say(f"simulated {done_min:.1f} of {minutes:g} minutes")
        if self._feed.error is not None:
            raise TailgrainError(f"demo: the feed ended early: {self._feed.error}")

    def settle(self, say: Callable[[str], None]) -> None:
        """Wait until the last whole second came out at the other end."""
        last = self._epoch + self._feed.ms // 1000 - 1
        self._wait(lambda: self._watch.last_t >= last, "the last second did not come out of the daemon")
        say("every simulated second went through the chain")

    def close(self) -> None:
        """End feed, children and broker; nothing is left running."""
        self._feed.close()
        for child in reversed(self._children):
            if child.stdin is not None:
                child.stdin.close()
        for child in reversed(self._children):
            try:
                child.wait(timeout=END_LIMIT_S)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
        if self._asker is not None:
            self._asker.close()
        self._watch.stop()
        self._broker.stop()

    def summary(self) -> dict[str, Any]:
        """The simulation's truth beside the estimate, from the recording that `run` made."""
        found = replay(self._capture, self.settings)
        estimate = {key: found["loss"][key] for key in ("kg_ha", "low", "high")}
        truth = self._simulation.truth_summary()
        inside = None
        if estimate["low"] is not None and estimate["high"] is not None:
            inside = bool(estimate["low"] <= truth["loss_kg_ha"] <= estimate["high"])
        return {
            "truth": truth,
            "estimate": {"loss_kg_ha": estimate["kg_ha"], "low": estimate["low"], "high": estimate["high"]},
            "truth_inside_interval": inside,
            **{key: found[key] for key in ("seconds", "distance_m", "area_ha", "pulses", "calibration", "lines")},
            **{key: found[key] for key in ("tests", "settings", "alerts")},
            "refused": self._refused,
        }

    def _entry(self, entry: dict[str, Any], ms: int) -> None:
        """The simulated operator enters something; asked through the broker like any other entry."""
        try:
            if self._asker is None:
                raise BrokerError("the demo is ending")
            answer = self._asker.ask(entry)
        except BrokerError as fault:
            self._refused.append(f"{entry.get('entry')}: {fault}")
            return
        if not answer.get("ok"):
            self._refused.append(f"{entry.get('entry')}: {answer.get('why')}")

    def _spawn(self, verb: str, *arguments: str) -> None:
        with (self._folder / f"{verb}.log").open("wb") as log:
            child = subprocess.Popen(
                [sys.executable, "-m", "edge.cli", verb, *arguments],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                env={**os.environ, ENDS_WITH_STDIN: "1"},
                start_new_session=True,  # Ctrl-C reaches the parent, which ends the children in order
            )
        self._children.append(child)

    def _look_at_children(self) -> None:
        for child in self._children:
            status = child.poll()
            if status is not None:
                verb = str(child.args[3]) if isinstance(child.args, list) else "a child"
                last = (self._folder / f"{verb}.log").read_text(errors="replace").strip().split("\n")[-1]
                raise TailgrainError(f"demo: `{verb}` ended with status {status}: {last}")

    def _wait(self, check: Callable[[], bool], what: str) -> None:
        until = time.monotonic() + START_LIMIT_S
        pause = threading.Event()
        while not check():
            self._look_at_children()
            if time.monotonic() > until:
                raise TailgrainError(f"demo: {what} in {START_LIMIT_S:.0f} s; its log is in {self._folder}")
            pause.wait(0.02)


class Watch:
    """Hears presence and the newest live second, as any client on the broker would."""

    def __init__(self, mqtt: Mqtt, kit: str) -> None:
        self._mqtt, self._base = mqtt, topics.base(kit)
        self._client = new_client(mqtt, f"tailgrain-demo-{secrets.token_hex(4)}")
        self.online = False
        self.last_t = 0.0
        self._client.on_connect = self._subscribe
        self._client.message_callback_add(self._base + topics.PRESENCE.name, self._presence)
        self._client.message_callback_add(self._base + topics.LIVE.name, self._live)

    def start(self) -> None:
        """Connect. Raises BrokerError when the embedded broker is not there."""
        try:
            self._client.connect(self._mqtt.host, self._mqtt.port, keepalive=60)
        except OSError as fault:
            raise BrokerError(f"demo: the embedded broker can't be reached ({fault})") from fault
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def _subscribe(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        client.subscribe([(self._base + topics.PRESENCE.name, 1), (self._base + topics.LIVE.name, 0)])

    def _presence(self, client: Any, userdata: Any, message: Any) -> None:
        self.online = b'"online":true' in message.payload

    def _live(self, client: Any, userdata: Any, message: Any) -> None:
        self.last_t = max(self.last_t, _live_epoch_s(message.payload))


def _live_epoch_s(payload: bytes) -> float:
    """Epoch seconds of a live message; 0 for one that can't be read."""
    try:
        return epoch_s(msgspec.json.decode(payload)["t"])
    except (msgspec.DecodeError, KeyError, TypeError, TailgrainError):
        return 0.0


class EmbeddedBroker:
    """amqtt in a thread of its own: loopback only, one user with a password made at start."""

    def __init__(self, folder: Path, password: str) -> None:
        self.port = free_port(0)
        self._folder, self._password = folder, password
        self._loop = asyncio.new_event_loop()
        self._thread: threading.Thread | None = None
        self._stop = asyncio.Event()
        self._up: queue.SimpleQueue[BaseException | None] = queue.SimpleQueue()

    def start(self) -> None:
        """Start and wait until it listens. Raises WrongInput when the extra `demo` is not installed."""
        try:
            from amqtt.broker import Broker
            from pwdlib import PasswordHash
            from pwdlib.hashers.argon2 import Argon2Hasher
        except ImportError as fault:
            raise WrongInput("demo: the embedded broker is missing; install with: pip install 'tailgrain[demo]'") from fault
        for name in ("amqtt", "transitions", "asyncio"):  # their faults end one client's connection, which comes back
            logging.getLogger(name).setLevel(logging.CRITICAL)
        users = self._folder / "broker-users"
        users.write_text(f"{USER}:{PasswordHash((Argon2Hasher(),)).hash(self._password)}\n")
        config = {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
            "plugins": {"amqtt.plugins.authentication.FileAuthPlugin": {"password_file": str(users)}},
        }

        async def serve() -> None:
            broker = Broker(config)
            try:
                await broker.start()
            except Exception as fault:  # noqa: BLE001 (told to the thread that waits, which raises it)
                self._up.put(fault)
                return
            self._up.put(None)
            await self._stop.wait()
            await broker.shutdown()

        def work() -> None:
            asyncio.set_event_loop(self._loop)
            self._loop.run_until_complete(serve())

        self._thread = threading.Thread(target=work, name="broker", daemon=True)
        self._thread.start()
        try:
            why_not = self._up.get(timeout=START_LIMIT_S)
        except queue.Empty:
            raise BrokerError(f"demo: the embedded broker did not start within {START_LIMIT_S:g} s") from None
        if why_not is not None:
            raise BrokerError(f"demo: the embedded broker can't start ({why_not})") from why_not

    def stop(self) -> None:
        """Shut down and wait."""
        if self._thread is None:
            return
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(timeout=END_LIMIT_S)
        if not self._thread.is_alive():
            self._loop.close()


def free_port(first: int) -> int:
    """`first` or the next free loopback port; 0: any."""
    for port in range(first, first + 50) if first else [0]:
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise WrongInput(f"demo: no free port from {first} to {first + 49} on 127.0.0.1")


def _listens(port: int | None) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port or 0), timeout=1):
            return True
    except OSError:
        return False


def _prepare(folder: Path) -> Path:
    """An empty folder of the demo's own; somebody else's is never emptied."""
    folder = folder.resolve()
    if folder.exists() and not folder.is_dir():
        raise WrongInput(f"demo: --dir: {folder} is no folder")
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / MARKER).exists():
            raise WrongInput(f"demo: --dir: {folder} holds other files; allowed: a new, empty or earlier demo folder")
        _hold(folder).close()
        shutil.rmtree(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as fault:
        raise WrongInput(f"demo: --dir: {folder} can't be written ({fault.strerror})") from fault
    return folder


def _hold(folder: Path) -> IO[bytes]:
    """The marker, locked for as long as it is open: a folder in use is not emptied under a running demo."""
    try:
        marker = (folder / MARKER).open("ab")
    except OSError as fault:
        raise WrongInput(f"demo: --dir: {folder} can't be written ({fault.strerror})") from fault
    try:
        fcntl.flock(marker, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as fault:
        marker.close()
        raise WrongInput(f"demo: --dir: a demo runs in {folder}; allowed: another folder, or end that one first") from fault
    return marker


def in_words(summary: dict[str, Any]) -> list[str]:
    """The demo's summary for a person."""
    truth, estimate = summary["truth"]["loss_kg_ha"], summary["estimate"]
    lines = [f"True machine loss of the simulation: {truth:.1f} kg/ha"]
    if estimate["loss_kg_ha"] is None:
        lines.append(f"Estimate: none ({summary['calibration']['why']})")
    else:
        high = "unknown" if estimate["high"] is None else f"{estimate['high']:.1f}"
        lines.append(f"Estimate: {estimate['loss_kg_ha']:.1f} kg/ha (90 % interval {estimate['low']:.1f} to {high})")
        lines.append("The truth lies inside the interval." if summary["truth_inside_interval"] else "The truth lies outside.")
    lines.append(f"Calibration: {summary['calibration']['state']} ({summary['calibration']['why']})")
    return lines


def run(options: Options) -> int:
    """The `demo` command."""
    console = Console(stderr=True)
    summary = demo(options, lambda text: console.print(text, highlight=False, markup=False, soft_wrap=True))
    if summary is None:
        return 0
    if options.as_json:
        sys.stdout.write(msgspec.json.encode(summary).decode() + "\n")
    else:
        for line in in_words(summary):
            print(line)
    return 0

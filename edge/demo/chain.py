"""The whole chain on a simulated harvester: pty, embedded broker, `run` and the page, each as on a real kit.

The parent holds the feed and the broker in threads; `run` and `dashboard` are children that run exactly the commands a
user would, and end when their standard input closes, however the parent ended. The only place that knows all parts.
"""

from __future__ import annotations

import fcntl
import os
import secrets
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, NamedTuple

import msgspec
from rich.console import Console

from edge.contract import settings as settings_module
from edge.contract.entries import epoch_s
from edge.contract.errors import BrokerError, TailgrainError, WrongInput
from edge.contract.settings import MqttSettings, Settings
from edge.demo.broker import END_LIMIT_S, START_LIMIT_S, USER, EmbeddedBroker, free_port, listens
from edge.live.daemon import ENDS_WITH_STDIN
from edge.playback.replay import replay
from edge.tell import topics
from edge.tell.ask import Asker
from edge.tell.client import new_client
from sim_feed.run.scenario import Scenario, Simulation, load
from sim_feed.sending.emit import Pace, PtyFeed

MARKER = ".tailgrain-demo"
HISTORY_MINUTES = 30
FIRST_PORT = 8099


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
    scenario = load("harvest").with_(seed=options.seed, minutes=options.minutes)
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
        self._watch = LiveWatch(self.settings.mqtt, self.settings.machine.kit)

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
            self._wait(lambda: listens(self.page), "the page did not come up")
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
                [sys.executable, "-m", "edge", verb, *arguments],
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


class LiveWatch:
    """Hears presence and the newest live second, as any client on the broker would."""

    def __init__(self, mqtt: MqttSettings, kit: str) -> None:
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

"""A broker that is away, comes and goes, refuses, is slow, or serves two kits of one name. Recording never waits for it."""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from edge.tell.mqtt import IN_FLIGHT
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.broker import Broker
from tests.kits.ears import Ear, eventually_online
from tests.kits.faults.forked import ForkedKit, Nursery
from tests.kits.tools import free_port, need_tool, wait_until

EPOCH_S = 1_793_600_000
NOTE = {"entry": "note", "note": "Straße"}


class Paddock:
    """A kit on a simulated paddock with one broker, away until `start_broker`."""

    def __init__(
        self, nursery: Nursery, folder: Path, port: int | None = None, pace: Any = 1.0, minutes: float | None = None
    ) -> None:
        folder.mkdir(parents=True)
        self.broker = Broker(need_tool("mosquitto"), folder / "mosquitto")
        self.broker.port = free_port()
        paddock = load("paddock").with_(seed=4, minutes=minutes, operator=())
        self.feed = PtyFeed(Simulation(paddock), pace)
        toml = paddock.settings_toml(port=self.feed.port, mqtt_port=port or self.broker.port, store=str(folder / "state"))
        self.kit = ForkedKit(nursery, folder, toml)
        self.ears: list[Ear] = []

    def start(self, by_board: bool = False) -> None:
        self.kit.start(EPOCH_S if by_board else None)
        wait_until(lambda: ": open" in self.kit.log, 15, "the port is open")
        self.feed.start()

    def ear(self) -> Ear:
        made = Ear(self.broker.port)
        assert made.connected.wait(10)
        self.ears.append(made)
        return made

    def recorded(self) -> int:
        return int(self.kit.query("SELECT coalesce(max(number), 0) FROM second")[0][0]) if self.kit.database.exists() else 0

    def goes_on(self, seconds: int = 3) -> None:
        """Seconds are kept as they pass."""
        before, began = self.recorded(), time.monotonic()
        wait_until(lambda: self.recorded() >= before + seconds, seconds + 2.5, "seconds kept meanwhile")
        assert time.monotonic() - began < seconds + 2.5

    def minutes(self) -> list[int]:
        return [row[0] for row in self.kit.query("SELECT seq FROM record WHERE kind = 'minute' ORDER BY seq")]

    def __enter__(self) -> Paddock:
        return self

    def __exit__(self, *_: object) -> None:
        self.kit.kill()
        self.feed.close()
        for ear in self.ears:
            ear.close()
        self.broker.stop()


def first_told(ear: Ear, topic: str) -> list[int]:
    return list(dict.fromkeys(one.plain["seq"] for one in ear.heard(topic)))


def away_for_hours(nursery: Nursery, folder: Path) -> None:
    """Two hours of minutes wait on disk; the broker comes, the line to it is cut in the middle of the drain, and mended."""
    folder.mkdir(parents=True)
    broker = Broker(need_tool("mosquitto"), folder / "mosquitto")
    broker.port = free_port()
    line = Slow(broker.port, bytes_a_time=1500, wait_s=0.02)
    with Paddock(nursery, folder / "kit", port=line.port, pace="max", minutes=120) as place:
        try:
            place.start(by_board=True)
            assert place.feed.join(50)
            wait_until(lambda: place.recorded() >= 120 * 60 - 2, 20, "two hours kept")
            minutes = place.minutes()
            assert len(minutes) >= 119
            assert place.kit.query("SELECT count(*) FROM outbox") == [(len(minutes),)]
            broker.start()
            ear = Ear(broker.port)
            place.ears.append(ear)
            assert ear.connected.wait(10)
            line.open()
            wait_until(lambda: len(first_told(ear, "kit1/minute")) > 30, 20, "the drain begun")
            line.cut()
            wait_until(lambda: len(first_told(ear, "kit1/minute")) == len(minutes), 30, "all minutes told")
            assert first_told(ear, "kit1/minute") == minutes  # in order, none missing
            told = [one.plain["seq"] for one in ear.heard("kit1/minute")]
            assert len(told) - len(minutes) <= IN_FLIGHT  # again only what was on its way when the line was cut
            wait_until(lambda: place.kit.query("SELECT count(*) FROM outbox") == [(0,)], 10, "the outbox empty")
            assert place.minutes() == minutes
        finally:
            line.close()
            broker.stop()


def restarting_every_few_seconds(nursery: Nursery, folder: Path) -> None:
    with Paddock(nursery, folder) as place:
        place.broker.start()
        ear = place.ear()
        place.start()
        eventually_online(ear, "kit1", 0.0)
        pause = threading.Event()
        for number in range(4):
            place.broker.kill() if number % 2 else place.broker.stop()
            pause.wait(0.5)
            place.broker.start()
            pause.wait(1.5)
        since = time.monotonic()
        wait_until(lambda: ear.heard("kit1/live", since), 10, "live again")
        ask_until_answered(ear, "kit1", "once", NOTE)
        ask_until_answered(ear, "kit1", "once", NOTE)
        assert place.kit.query("SELECT count(*) FROM record WHERE kind = 'entry'") == [(1,)]
        times = [row[0] for row in place.kit.query("SELECT t FROM second ORDER BY number")]
        assert times == list(range(times[0], times[0] + len(times)))
        assert max(one.wall for one in ear.heard("kit1/live")) - times[-1] < 3


def ask_until_answered(ear: Ear, kit: str, ask_id: str, entry: dict[str, Any]) -> dict[str, Any]:
    """Ask as a person does who gets no answer: again, under the same id."""
    since = time.monotonic()
    for _ in range(5):
        ear.ask(kit, ask_id, entry)
        try:
            return wait_until(lambda: ear.answer(kit, ask_id, since), 4, "an answer")
        except BaseException as fault:  # noqa: BLE001 - the last one counts
            last = fault
    raise last


def refusing_the_password(nursery: Nursery, folder: Path) -> None:
    folder.mkdir(parents=True)
    broker = Broker(need_tool("mosquitto"), folder / "mosquitto", username="kit", password="right")
    broker.start()
    try:
        with Paddock(nursery, folder / "kit", port=broker.port) as place:
            secret = folder / "secret"
            secret.write_text("wrong\n")
            text = place.kit.config.read_text()
            place.kit.config.write_text(text.replace("[mqtt]", f'[mqtt]\nusername = "kit"\npassword_file = "{secret}"'))
            place.start()
            wait_until(lambda: "refused" in place.kit.log, 10, "the refusal said")
            place.goes_on()
            assert place.kit.log.count("refused") == 1
            secret.write_text("right\n")
            ear = Ear(broker.port, "kit", "right")
            place.ears.append(ear)
            assert ear.connected.wait(5)
            wait_until(lambda: ear.heard("kit1/live"), 10, "let in with the right word, without a new start")
    finally:
        broker.stop()


def that_takes_the_connection_and_says_nothing_more(nursery: Nursery, folder: Path) -> None:
    """CONNACK, and then nothing is read or written: the line fills up."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(0.2)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        held: list[socket.socket] = []
        over = threading.Event()

        def accept() -> None:
            while not over.is_set():
                try:
                    peer, _ = listener.accept()
                except TimeoutError:
                    continue
                peer.recv(1000)
                peer.sendall(b"\x20\x02\x00\x00")
                held.append(peer)

        thread = threading.Thread(target=accept)
        thread.start()
        try:
            with Paddock(nursery, folder, port=listener.getsockname()[1], pace="max", minutes=90) as place:
                place.start(by_board=True)
                assert place.feed.join(50)
                wait_until(lambda: place.recorded() >= 90 * 60 - 2, 20, "everything kept meanwhile")
                assert held
                assert place.kit.query("SELECT count(*) FROM outbox")[0][0] >= 89
                status = Path(f"/proc/{place.kit.pid}/status").read_text()
                assert int(status.split("VmRSS:")[1].split()[0]) < 200_000
                began = time.monotonic()
                place.kit.stop()
                assert time.monotonic() - began < 15
                assert "ended cleanly" in place.kit.log
        finally:
            over.set()
            thread.join()
            for peer in held:
                peer.close()


class Slow:
    """A line to a broker that lets a few bytes through at a time, late."""

    def __init__(self, to: int, bytes_a_time: int = 2000, wait_s: float = 0.1) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.2)
        self.port = int(self._listener.getsockname()[1])
        self._to, self._bytes, self._wait_s = to, bytes_a_time, wait_s
        self._over, self._open, self._cut = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._accept)
        self._thread.start()

    def open(self) -> None:
        """Let through from now on; before that every connection is closed at once."""
        self._open.set()

    def cut(self) -> None:
        """Break the connection that is there."""
        self._cut.set()

    def _accept(self) -> None:
        while not self._over.is_set():
            try:
                near, _ = self._listener.accept()
            except TimeoutError:
                continue
            with near:
                if self._open.is_set():
                    with socket.create_connection(("127.0.0.1", self._to)) as far:
                        self._carry(near, far)

    def _carry(self, near: socket.socket, far: socket.socket) -> None:
        while not self._over.is_set():
            if self._cut.is_set():
                self._cut.clear()
                return
            for ready in select.select([near, far], [], [], 0.1)[0]:
                try:
                    data = ready.recv(self._bytes)
                    (far if ready is near else near).sendall(data)
                except OSError:
                    return
                if not data:
                    return
            self._over.wait(self._wait_s)

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._listener.close()


def that_is_slow(nursery: Nursery, folder: Path) -> None:
    folder.mkdir(parents=True)
    broker = Broker(need_tool("mosquitto"), folder / "mosquitto")
    broker.start()
    slow = Slow(broker.port)
    slow.open()
    ear = Ear(broker.port)
    try:
        with Paddock(nursery, folder / "kit", port=slow.port, pace="max", minutes=60) as place:
            place.start(by_board=True)
            assert place.feed.join(50)
            wait_until(lambda: place.recorded() >= 3598, 20, "an hour kept meanwhile")
            minutes = place.minutes()
            wait_until(lambda: len(first_told(ear, "kit1/minute")) == len(minutes), 40, "all minutes told")
            assert [one.plain["seq"] for one in ear.heard("kit1/minute")] == minutes
            wait_until(lambda: ear.heard("kit1/live")[-1].plain["t"] >= "2026-11-02T", 10)
            newest = EPOCH_S + place.recorded()
            wait_until(lambda: abs(_epoch_s(ear.heard("kit1/live")[-1].plain["t"]) - newest) <= 2, 15, "the newest second told")
            assert len(ear.heard("kit1/live")) < 3000  # those in between were passed over
    finally:
        ear.close()
        slow.close()
        broker.stop()


def _epoch_s(text: str) -> int:
    from datetime import datetime

    return int(datetime.fromisoformat(text).timestamp())


def with_two_kits_of_one_name(nursery: Nursery, folder: Path) -> None:
    with Paddock(nursery, folder / "one") as one, Paddock(nursery, folder / "two", port=one.broker.port) as two:
        one.broker.start()
        ear = one.ear()
        one.start()
        eventually_online(ear, "kit1", 0.0)
        assert ask_until_answered(ear, "kit1", "alone", NOTE)["ok"]
        two.start()
        for kit in (one.kit, two.kit):
            wait_until(lambda kit=kit: "another kit named `kit1`" in kit.log, 15, "the twin said")
        answer = ask_until_answered(ear, "kit1", "both", NOTE)
        assert answer["ok"] is False and "machine.kit" in answer["why"]
        one.goes_on(2)
        two.goes_on(2)
        kept = [place.kit.query("SELECT count(*) FROM record WHERE kind = 'entry'") for place in (one, two)]
        assert kept == [[(1,)], [(0,)]]
        two.kit.stop()

        def accepted() -> bool:
            return bool(ask_until_answered(ear, "kit1", f"again{time.monotonic_ns()}", NOTE)["ok"])

        wait_until(accepted, 10, "kept again when the twin has gone")
        assert one.kit.bodies("twin kit") == [{"kit": "kit1"}]


def that_tells_an_old_will_late(nursery: Nursery, folder: Path) -> None:
    with Paddock(nursery, folder) as place:
        place.broker.start()
        ear = place.ear()
        place.start()
        eventually_online(ear, "kit1", 0.0)
        since = time.monotonic()
        ear.client.publish("tailgrain/kit1/presence", b'{"online":false}', qos=1, retain=True)
        wait_until(lambda: [one for one in ear.heard("kit1/presence", since) if b"true" in one.payload], 10, "set right")
        late = place.ear()
        wait_until(lambda: late.heard("kit1/presence"), 5, "what is retained")
        assert late.heard("kit1/presence")[0].plain["online"] is True


SCENARIOS = {
    one.__name__: one
    for one in (
        away_for_hours,
        restarting_every_few_seconds,
        refusing_the_password,
        that_takes_the_connection_and_says_nothing_more,
        that_is_slow,
        with_two_kits_of_one_name,
        that_tells_an_old_will_late,
    )
}


@pytest.fixture(scope="module")
def outcomes(nursery, tmp_path_factory) -> Iterator[dict[str, Future[None]]]:
    """All scenarios at once, each with a broker of its own."""
    folder = tmp_path_factory.mktemp("brokers")
    with ThreadPoolExecutor(len(SCENARIOS)) as pool:
        yield {name: pool.submit(scenario, nursery, folder / name) for name, scenario in SCENARIOS.items()}


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_a_broker(name, outcomes):
    outcomes[name].result(timeout=58)

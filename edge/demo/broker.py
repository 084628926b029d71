"""The broker inside the demo: amqtt in a thread of its own, and free loopback ports."""

from __future__ import annotations

import asyncio
import logging
import queue
import socket
import threading
from pathlib import Path

from edge.contract.errors import BrokerError, WrongInput

USER = "demo"
START_LIMIT_S = 30.0
END_LIMIT_S = 20.0


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


def listens(port: int | None) -> bool:
    """Whether something answers on a loopback port."""
    try:
        with socket.create_connection(("127.0.0.1", port or 0), timeout=1):
            return True
    except OSError:
        return False

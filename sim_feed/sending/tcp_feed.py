"""A simulated device server: a TCP address that one client at a time reads from."""

from __future__ import annotations

import errno
import fcntl
import socket
import struct
import termios
import time

from sim_feed.parameters.errors import FeedError
from sim_feed.run.simulation import Simulation
from sim_feed.sending.feed import DRAIN_LIMIT_S, POLL_S, Feed, OnEntry, Pace


class TcpFeed(Feed):
    """Listens on a TCP address and feeds one client at a time; waits for the first one, and for another when it goes.

    What a client that breaks off had not yet read is lost with it, as on any line.
    """

    def __init__(
        self,
        simulation: Simulation,
        pace: Pace = 1.0,
        on_entry: OnEntry | None = None,
        catch_up_epoch: float | None = None,
        host: str = "127.0.0.1",
        tcp_port: int = 0,
    ) -> None:
        super().__init__(simulation, pace, on_entry, catch_up_epoch)
        try:
            self._listener = socket.create_server((host, tcp_port))
        except OSError as error:
            raise FeedError(f"{host}:{tcp_port}: can't listen there ({error.strerror})") from error
        self._listener.settimeout(POLL_S)
        self.address: tuple[str, int] = (host, self._listener.getsockname()[1])
        self._client: socket.socket | None = None

    @property
    def port(self) -> str:
        return f"socket://{self.address[0]}:{self.address[1]}"

    def _wait_reader(self) -> None:
        while self._client is None and not self._stop.is_set():
            try:
                client, _ = self._listener.accept()
            except TimeoutError:
                continue
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            client.settimeout(POLL_S)
            self._client = client

    def _send(self, data: bytes) -> None:
        view = memoryview(data)
        while view and not self._stop.is_set():
            self._wait_reader()
            if self._client is None:
                return
            try:
                sent = self._client.send(view)
            except TimeoutError:
                continue
            except OSError as error:
                if error.errno not in (errno.EPIPE, errno.ECONNRESET):
                    raise
                self._client.close()
                self._client = None
                continue
            self.sent_bytes += sent
            view = view[sent:]

    def _drained(self) -> bool:
        # Only what the kernel still has to deliver can be seen from here; the peer's own buffer can't.
        return self._client is None or _unsent(self._client) == 0

    def run(self) -> None:
        """Send the whole simulation, end the stream; returns when the client has closed too, or after `close()`."""
        try:
            self._wait_reader()
            self._send_all()
            self._say_goodbye()
        finally:
            self.finished.set()

    def _say_goodbye(self) -> None:
        # Closing at once could reset the connection and throw away what the client has not read yet.
        if self._client is None:
            return
        try:
            self._client.shutdown(socket.SHUT_WR)
            limit = time.monotonic() + DRAIN_LIMIT_S
            while not self._stop.is_set() and time.monotonic() < limit:
                try:
                    if not self._client.recv(4096):
                        return
                except TimeoutError:
                    continue
        except OSError:
            # The client broke off; it has read what it wanted.
            return

    def _release(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self._listener.close()


def _unsent(client: socket.socket) -> int:
    """Bytes in the socket's send queue that the peer's kernel has not yet taken (Linux `SIOCOUTQ`, tcp(7))."""
    answer = fcntl.ioctl(client.fileno(), termios.TIOCOUTQ, struct.pack("i", 0))
    return int(struct.unpack("i", answer)[0])

"""Guests who say nothing, half a question, or read nothing; too many of them; and pages that go on beside them."""

from __future__ import annotations

import http.client
import os
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from dashboard.serve.limits import LIMITS, SPARE_FILES, Limits, fitting

LINE = b"Host: localhost\r\n"
EVENTS = b"GET /events HTTP/1.1\r\n" + LINE + b"\r\n"
HALF = LINE + b"Content-Type: application/json\r\nContent-Length: 500\r\nOrigin: http://localhost\r\n\r\n{"


class Guests:
    """Connections to one server by hand; all are closed at the end."""

    def __init__(self, port: int, open_ones: ExitStack) -> None:
        self._port, self._open = port, open_ones

    def come(self, said: bytes = b"", source: str = "127.0.0.1", receive_bytes: int = 0) -> socket.socket:
        line = self._open.enter_context(socket.socket())
        if receive_bytes:
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        line.settimeout(20)
        line.bind((source, 0))
        line.connect(("127.0.0.1", self._port))
        line.sendall(said)
        return line

    def page(self, source: str = "127.0.0.1", receive_bytes: int = 0) -> tuple[int, socket.socket]:
        """An open page: the status of its stream."""
        line = self.come(EVENTS, source, receive_bytes)
        return int(line.recv(12).split()[1]), line

    def get(self, path: str = "/pin", source: str = "127.0.0.1") -> int:
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=20, source_address=(source, 0))
        try:
            connection.request("GET", path)
            answer = connection.getresponse()
            answer.read()
            return answer.status
        finally:
            connection.close()


def rest(line: socket.socket) -> bytes:
    """All that still comes, until the server ends the connection."""
    found = b""
    try:
        while part := line.recv(65536):
            found += part
    except ConnectionResetError:
        pass
    return found


def goes_on(line: socket.socket) -> bool:
    """Whether an open page was neither ended nor cut."""
    line.setblocking(False)
    try:
        while line.recv(65536):
            pass
    except BlockingIOError:
        return True
    return False


def lines_of(pid: int) -> int:
    """Open sockets of a process."""
    found = 0
    for path in Path(f"/proc/{pid}/fd").iterdir():
        try:
            found += os.readlink(path).startswith("socket:")
        except FileNotFoundError:
            continue
    return found


@pytest.fixture
def opened(bare: Any, limited: Callable[..., Any]) -> Iterator[Callable[..., Guests]]:
    """`opened(request_s=0.3)`: the dashboard with these limits, to come to."""
    with ExitStack() as stack:

        def start(**limits: float) -> Guests:
            limited(bare, **limits)
            return Guests(bare.page_port, stack)

        yield start


def test_who_says_nothing_goes_and_an_open_page_stays(opened: Callable[..., Guests]) -> None:
    guests = opened(request_s=0.3)
    status, page = guests.page()
    assert status == 200
    silent = [guests.come() for _ in range(20)]
    assert [rest(line) for line in silent] == [b""] * 20
    assert goes_on(page)
    assert guests.get() == 200


def test_drops_of_a_question_do_not_keep_a_line(opened: Callable[..., Guests], eventually: Callable[..., Any]) -> None:
    guests = opened(request_s=0.5)
    answered = guests.come(b"GET /pin HTTP/1.1\r\n" + LINE + b"\r\n")
    assert answered.recv(65536).startswith(b"HTTP/1.1 200")
    for line in (guests.come(b"GET / HTTP/1.1\r\nX: "), answered):  # its first question, and a later one
        line.setblocking(False)

        def ended(line: socket.socket = line) -> bool:
            try:
                line.send(b"x")
                return line.recv(65536) == b""
            except BlockingIOError:
                return False
            except OSError:
                return True

        eventually(ended, 10.0, "the end of the line")


def test_half_a_question_is_refused_in_words_and_ended(opened: Callable[..., Guests]) -> None:
    guests = opened(request_s=5.0, body_s=0.2)
    for path in (b"/pin", b"/ask"):
        said = rest(guests.come(b"POST " + path + b" HTTP/1.1\r\n" + HALF))
        assert said.startswith(b"HTTP/1.1 408") and b"did not come whole within 0.2 s" in said
        assert b'"again":true' in said


def test_a_body_nobody_asked_for_does_not_keep_a_line(opened: Callable[..., Guests]) -> None:
    guests = opened(request_s=0.3)
    said = rest(guests.come(b"GET /pin HTTP/1.1\r\n" + HALF))
    assert said.startswith(b"HTTP/1.1 200")
    said = rest(guests.come(b"GET /events HTTP/1.1\r\n" + HALF))
    assert said.startswith(b"HTTP/1.1 200")


def test_who_does_not_read_its_answer_goes(bare: Any, opened: Callable[..., Guests], eventually: Callable[..., Any]) -> None:
    guests = opened(flush_s=0.2)
    pid = bare.programs["dashboard"].process.pid
    before = lines_of(pid)
    many = b"GET / HTTP/1.1\r\n" + LINE + b"\r\n"
    stalled = [guests.come(many * 200, receive_bytes=4096) for _ in range(3)]
    for line in stalled:
        assert line.recv(8) == b"HTTP/1.1"
    eventually(lambda: lines_of(pid) <= before, 10.0, "the end of the lines")


def test_a_newcomer_takes_the_place_of_one_who_waits_and_of_nobody_at_work(opened: Callable[..., Guests]) -> None:
    guests = opened(connections_each=8, connections=12)
    first = guests.come()
    waiting = [guests.come() for _ in range(7)]
    assert guests.get() == 200
    assert rest(first) == b""
    for line in waiting[1:]:
        line.sendall(EVENTS)
        assert line.recv(12) == b"HTTP/1.1 200"
    pages = [guests.page()[0] for _ in range(2)]  # waiting[0] and the place of the question above
    assert pages == [200, 200]
    assert rest(guests.come()).startswith(b"HTTP/1.1 503")
    # Another address: it has none, and a third the rest.
    others = [guests.come(source="127.0.0.2") for _ in range(4)]
    assert guests.get(source="127.0.0.3") == 200
    assert rest(others[0]) == b""
    assert guests.get() == 503


def test_pages_of_one_address_leave_room_for_others(opened: Callable[..., Guests]) -> None:
    guests = opened(streams=4, streams_each=3)
    mine = [guests.page() for _ in range(3)]
    assert [status for status, _ in mine] == [200] * 3
    status, line = guests.page()
    assert status == 503
    line.shutdown(socket.SHUT_WR)
    assert b"3 pages are open at this address; close one" in rest(line)
    assert guests.page("127.0.0.2")[0] == 200
    assert guests.page("127.0.0.3")[0] == 200  # all four were taken: the address with three gives one
    assert guests.page("127.0.0.4")[0] == 200
    assert guests.page("127.0.0.5")[0] == 503  # each has one
    for _, line in mine[1:]:
        rest(line)
    mine[0][1].close()


def test_with_256_files_silent_and_half_guests_do_not_keep_a_page_out(bare: Any, limited: Callable[..., Any]) -> None:
    limited(bare, files=256)
    with ExitStack() as stack:
        guests = Guests(bare.page_port, stack)
        pages = [guests.page() for _ in range(21)]
        assert [status for status, _ in pages] == [200] * 21
        for _ in range(150):
            guests.come()
            guests.come(b"POST /pin HTTP/1.1\r\n" + HALF, source="127.0.0.2")
        assert guests.get("/") == 200  # of the same address
        assert guests.get("/", source="127.0.0.3") == 200
        assert guests.page()[0] == guests.page("127.0.0.3")[0] == 200
        assert all(goes_on(line) for _, line in pages)


def test_the_limits_bear_a_crew_behind_one_address() -> None:
    assert LIMITS.streams_each >= 24 and LIMITS.streams >= LIMITS.streams_each + 24
    assert LIMITS.connections_each >= LIMITS.streams_each + 100  # a loading page opens six
    assert LIMITS.body_s < LIMITS.request_s
    fit = fitting(Limits(connections=10**9, connections_each=10**9))
    files = os.sysconf("SC_OPEN_MAX")
    assert fit.connections == files - SPARE_FILES and fit.connections_each == fit.connections // 2

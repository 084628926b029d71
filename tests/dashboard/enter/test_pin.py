"""Who may enter: the PIN's hash against the published vectors of scrypt, sessions, tries, and the road by HTTP."""

from __future__ import annotations

import asyncio
import hashlib
import http.client
import stat
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from typing import Any

import msgspec
import pytest

from dashboard.enter import pin, scrypt
from dashboard.serve import tries
from edge.contract import settings as settings_module
from edge.contract.errors import StoreError

QUESTION = {"id": "a", "entry": {"entry": "note", "note": "x"}}


def set_pin(kit: Any, typed: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "edge", "dashboard", "--config", str(kit.config), "--set-pin"]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=30)


def test_the_hash_is_scrypt_as_published() -> None:
    # RFC 7914, section 12, the vector for N = 16384, r = 8, p = 1.
    found = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, maxmem=64 * 2**20)
    assert found.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")
    assert (scrypt.COST, scrypt.BLOCK, scrypt.PARALLEL) == (16384, 8, 1)
    assert pin.hashed("pleaseletmein", b"SodiumChloride") == f"scrypt${b'SodiumChloride'.hex()}${found.hex()}"
    kept = pin.hashed("4711", b"salt")
    assert matches("4711", kept)
    assert not matches("4712", kept)
    assert not matches("4711", "scrypt$zz$00")
    assert not matches("4711", "unreadable")
    assert not matches("", "")


def matches(typed: str, kept: str) -> bool:
    return asyncio.run(pin.matches(typed, kept))


def test_a_check_that_gets_no_process_or_no_time_is_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = pin.hashed("4711", b"salt")
    with pytest.raises(StoreError, match="took too long"):
        asyncio.run(pin.matches("4711", kept, limit_s=0.0))
    monkeypatch.setattr(sys, "executable", "/no/such/program")
    with pytest.raises(StoreError, match="the PIN can't be checked now .*; try again"):
        matches("4711", kept)


def try_pin(port: int, typed: str, source: str = "127.0.0.1") -> tuple[int, str]:
    """Status and words for a PIN typed at one address of this machine."""
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20, source_address=(source, 0))) as line:
        headers = {"Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json"}
        line.request("POST", "/pin", msgspec.json.encode({"pin": typed}), headers)
        answer = line.getresponse()
        return answer.status, msgspec.json.decode(answer.read()).get("why", "")


def memory_kb(pid: int, which: str) -> int:
    with open(f"/proc/{pid}/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith(which))


def test_tries_cost_the_server_no_memory_even_while_pages_are_read(bare: Any, of: Callable[[Any], Any]) -> None:
    set_pin(bare, "4711\n")
    pid = bare.dashboard().process.pid
    server = of(bare)
    with ExitStack() as pages, ThreadPoolExecutor(8) as pool:
        for _ in range(12):
            page = pages.enter_context(closing(http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)))
            page.request("GET", "/events")
            assert page.getresponse().status == 200
        list(pool.map(lambda _: server.ask("GET", "/in-force"), range(40)))  # the pool's threads are there
        before, peak = memory_kb(pid, "VmRSS"), memory_kb(pid, "VmHWM")
        reads = [pool.submit(server.ask, "GET", "/in-force") for _ in range(40)]
        tries = [pool.submit(try_pin, server.port, "0000", f"127.0.2.{number}") for number in range(1, 9)]
        assert [one.result()[0] for one in tries] == [403] * 8
        assert {one.result().status for one in reads} == {503}
    # One check takes 16 MiB.
    assert memory_kb(pid, "VmRSS") - before < 8_000
    assert memory_kb(pid, "VmHWM") - peak < 8_000


def test_a_pin_is_kept_as_its_hash_readable_by_its_owner_only(bare: Any) -> None:
    said = set_pin(bare, "4711 x\n")
    assert said.returncode == 0
    kept = bare.folder / "state" / "pin"
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert "4711" not in kept.read_text()
    before = kept.read_text()
    for typed in ("123\n", "12\x0734\n"):
        refused = set_pin(bare, typed)
        assert refused.returncode == 2
        assert "allowed: 4 to 64" in refused.stderr
    assert kept.read_text() == before


def test_sessions_end(bare: Any) -> None:
    set_pin(bare, "4711\n")
    keys = pin.Keys(settings_module.load(bare.config))
    assert keys.why_not("") == "pin"
    session = keys.opened(100.0)
    assert keys.why_not(session, 100.0 + pin.SESSION_S - 1) == ""
    assert keys.why_not(session, 100.0 + pin.SESSION_S) == "pin"
    set_pin(bare, "another\n")
    assert keys.why_not(session, 100.0) == "pin"  # a new PIN ends what the old one opened


def test_on_the_network_the_pin_opens_entering(bare: Any, of: Callable[[Any], Any]) -> None:
    bare.config.write_text(bare.config.read_text().replace("[dashboard]\n", '[dashboard]\nhost = "0.0.0.0"\n'))
    set_pin(bare, "4711\n")
    bare.dashboard()
    server = of(bare)
    assert server.ask("GET", "/pin").json() == {"allowed": False, "pin": True, "why": ""}
    assert "PIN is needed" in server.enter(QUESTION).json()["why"]
    origin = {"Origin": f"http://127.0.0.1:{server.port}", "Content_Type": "application/json"}
    for wrong in ({"pin": "4712"}, {"pin": ""}):
        assert server.ask("POST", "/pin", wrong, **origin).status == 403
    for odd in ({"pin": 4711}, {}, [], b'{"pin": "\\ud800"}'):
        assert server.ask("POST", "/pin", odd, **origin).status == 400
    assert server.ask("POST", "/pin", {"pin": "4711"}, Content_Type="application/json").status == 403  # without an Origin
    opened = server.ask("POST", "/pin", {"pin": "4711"}, **origin)
    assert opened.status == 200
    cookie = opened.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie
    session = cookie.split(";")[0]
    assert server.ask("GET", "/pin", Cookie=session).json()["allowed"] is True
    assert server.enter(QUESTION, Cookie=session).status == 503  # past the door; no broker behind it
    for _ in range(tries.EACH):
        last = server.ask("POST", "/pin", {"pin": "0000"}, **origin)
    assert last.status == 429
    assert server.ask("POST", "/pin", {"pin": "4711"}, **origin).status == 429
    assert server.enter(QUESTION, Cookie=session).status == 503  # who is in stays in


def test_nobody_finds_a_pin_from_many_addresses_and_who_has_it_gets_in(
    bare: Any, limited: Callable[..., Any], eventually: Callable[..., Any]
) -> None:
    set_pin(bare, "4711\n")
    limited(bare, pin_together=2, pin_turn_s=2.0, pin_turns=2)
    port = bare.page_port
    found = [try_pin(port, "0000", f"127.0.3.{number}")[0] for number in range(1, 3)]
    assert found == [403] * 2
    said = [try_pin(port, "4711", f"127.0.4.{number}") for number in range(1, 21)]  # each guesses right, and learns nothing
    assert {status for status, _ in said} == {429}
    assert all(why.startswith("too many wrong tries; wait ") for _, why in said)
    ended = threading.Event()

    def go_on() -> None:
        number = 0
        while not ended.is_set():
            number = number % 20 + 1
            try_pin(port, "0000", f"127.0.4.{number}")

    others = threading.Thread(target=go_on)
    others.start()
    try:
        # Presses again and again, as people do; a turn is 2 s, and at most 2 are given out ahead.
        eventually(lambda: try_pin(port, "4711", "127.0.0.9")[0] == 200, 30.0, "the way in")
    finally:
        ended.set()
        others.join()

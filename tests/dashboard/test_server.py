"""The dashboard's server by real HTTP: what it gives, what it refuses, how it starts and ends."""

from __future__ import annotations

import gzip
import hashlib
import os
import posixpath
import re
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboard.serve.assets import Assets, word
from dashboard.serve.guard import host_name, is_loopback, own_names
from dashboard.serve.screens import WEB
from dashboard.server import address
from edge.contract.errors import WrongInput

POLICY = {
    "default-src 'none'", "script-src 'self'", "style-src 'self'", "img-src 'self' data:", "connect-src 'self'",
    "font-src 'self'", "manifest-src 'self'", "base-uri 'none'", "form-action 'self'", "frame-ancestors 'none'",
}  # fmt: skip
FIRST_LOAD_BYTES = 150_000


def named_files(page: str) -> set[str]:
    return set(re.findall(r'(?:href|src)="(/[^"]+)"', page))


def test_every_answer_carries_the_security_headers(server: Any) -> None:
    for path in ("/", "/ribbon?minutes=10", "/no-such-page"):
        headers = server.ask("GET", path).headers
        assert set(headers["content-security-policy"].split("; ")) == POLICY
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
    assert "content-security-policy" in server.ask("GET", "/", Host="elsewhere.example").headers


def test_the_page_holds_no_inline_script_or_style(server: Any) -> None:
    page = server.ask("GET", "/").body.decode()
    assert "{{" not in page
    assert re.findall(r"<script(?![^>]*\bsrc=)", page) == []
    assert re.findall(r"<style|\sstyle=|\son[a-z]+=", page) == []


def test_the_first_load_is_small_and_its_files_may_be_kept_for_ever(server: Any) -> None:
    index = server.ask("GET", "/", Accept_Encoding="gzip")
    assert index.headers["cache-control"] == "no-cache"
    page = gzip.decompress(index.body).decode()
    files = named_files(page)
    assert len(files) > 15
    total = len(index.body)
    for path in sorted(files):
        packed = server.ask("GET", path, Accept_Encoding="gzip")
        plain = server.ask("GET", path)
        assert packed.status == plain.status == 200, path
        assert packed.headers["cache-control"] == "public, max-age=31536000, immutable"
        unpacked = gzip.decompress(packed.body) if packed.headers.get("content-encoding") == "gzip" else packed.body
        assert unpacked == plain.body
        total += len(packed.body)
    assert total < FIRST_LOAD_BYTES


def test_a_module_imports_only_what_the_page_hints_at(server: Any) -> None:
    page = server.ask("GET", "/").body.decode()
    hinted = named_files(page)
    for path in hinted:
        if path.endswith(".js"):
            imported = re.findall(r"from '(\.[^']+)'", server.ask("GET", path).body.decode())
            assert {posixpath.normpath(posixpath.join(posixpath.dirname(path), name)) for name in imported} <= hinted, path


def test_files_of_another_version_and_files_not_meant_for_a_page_are_not_there(server: Any) -> None:
    path = next(one for one in named_files(server.ask("GET", "/").body.decode()) if one.endswith("app.js"))
    version = path.split("/")[2]
    assert server.ask("GET", path.replace(version, "0" * 16)).status == 404
    for name in ("index.html", "package.json", "words.json", "..%2fserver.py", "../server.py"):
        assert server.ask("GET", f"/assets/{version}/{name}").status == 404


def test_names_of_this_machine_are_answered_and_others_refused(server: Any) -> None:
    machine = socket.gethostname()
    own = ("localhost", f"localhost:{server.port}", "127.0.0.1:1", "[::1]:8099", "LOCALHOST.", machine)
    for host in (*own, f"{machine.split('.')[0]}.local"):
        assert server.ask("GET", "/", Host=host).status == 200, host
    other = ("elsewhere.example", "127.0.0.1.elsewhere.example", "192.0.2.7", "localhost@elsewhere.example:80")
    for host in (*other, "", "[", "a b"):
        refused = server.ask("GET", "/", Host=host)
        assert refused.status == 403, host
        assert b"allowed_hosts" in refused.body


def test_host_names_are_read_without_port_brackets_and_closing_dot() -> None:
    assert host_name("Kit.Local.:8099") == "kit.local"
    assert host_name("[::1]:80") == "::1"
    assert own_names(["cab.example", "fd00::5"], "0.0.0.0") >= {"cab.example", "fd00::5", "localhost"}
    assert all(is_loopback(one) for one in ("127.0.0.1", "127.8.0.1", "::1", "[::1]", "localhost"))
    assert not any(is_loopback(one) for one in ("0.0.0.0", "::", "192.0.2.1", "elsewhere.example"))
    assert address("::1", 80) == "http://[::1]:80/"


def test_a_post_from_elsewhere_is_refused(server: Any) -> None:
    question = {"id": "a", "entry": {"entry": "note", "note": "x"}}
    for origin in ("http://elsewhere.example", "null", f"http://127.0.0.1:{server.port + 1}", ""):
        refused = server.enter(question, Origin=origin)
        assert refused.status == 403, origin
        assert refused.body.startswith(b"Origin: found ")


@pytest.mark.parametrize(
    ("question", "headers", "status", "word"),
    [
        (b"{", {}, 400, "no valid JSON"),
        ([], {}, 400, "allowed: {id, entry, waited_s}"),
        ({"id": "bad id", "entry": {}}, {}, 400, "id: allowed"),
        ({"id": "a", "entry": {"entry": "width_used", "part": 7}}, {}, 400, "part"),
        ({"id": "a", "entry": {"entry": "dance"}}, {}, 400, "dance"),
        ({"id": "a", "entry": {"entry": "note", "note": "x"}}, {"Content_Type": "text/plain"}, 415, "application/json"),
        (b" " * 30_000, {}, 413, "too long"),
    ],
)
def test_a_wrong_question_is_refused_in_one_line(
    server: Any, question: Any, headers: dict[str, str], status: int, word: str
) -> None:
    refused = server.enter(question, **headers)
    assert refused.status == status
    answer = refused.json()
    assert (answer["ok"], answer["again"]) == (False, False)
    assert word in answer["why"]
    assert "\n" not in answer["why"]


def test_other_methods_are_refused(server: Any) -> None:
    assert server.ask("PUT", "/").status == 403
    assert server.ask("OPTIONS", "/ask").status == 403
    assert server.enter({}, Accept="*/*").status == 400
    assert server.ask("GET", "/ask").status == 405


def test_without_a_kit_an_entry_may_be_asked_again(bare: Any, of: Callable[[Any], Any]) -> None:
    """No broker at all: the page is served, says so, and the answer tells that the same id may be sent again."""
    program = bare.dashboard()
    server = of(bare)
    answer = server.enter({"id": "a", "entry": {"entry": "note", "note": "x"}})
    assert answer.status == 503
    assert answer.json()["again"] is True
    assert answer.json()["why"] == "The kit on Older rotor machine does not answer."  # the log says which broker
    assert server.enter({"id": "a", "entry": {"entry": "note", "note": "x"}}, "/preview").status == 503
    assert server.ask("GET", "/ribbon?minutes=10").status == 503
    assert "no such database" in server.ask("GET", "/marks?minutes=10").json()["why"]
    assert program.said().count("trying again") == 1  # said once, not at each try
    assert program.stop() == 0


def test_on_the_network_nobody_enters_without_a_pin(bare: Any, of: Callable[[Any], Any]) -> None:
    bare.config.write_text(bare.config.read_text().replace("[dashboard]\n", '[dashboard]\nhost = "0.0.0.0"\n'))
    program = bare.dashboard()
    server = of(bare)
    refused = server.enter({"id": "a", "entry": {"entry": "note", "note": "x"}})
    assert refused.status == 403
    assert "no PIN is set" in refused.json()["why"]
    assert server.enter({"id": "a", "entry": {"entry": "note", "note": "x"}}, "/preview").status == 403, "the same door"
    assert "open to the network" in program.said()


def test_a_taken_port_is_one_clear_line_and_status_2(server: Any) -> None:
    command = [sys.executable, "-m", "edge", "dashboard", "--config", str(server.kit.config)]
    second = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert second.returncode == 2
    lines = [line for line in second.stderr.splitlines() if line]
    assert len(lines) == 1
    assert f"127.0.0.1:{server.port}" in lines[0] and "in use" in lines[0] and "Traceback" not in second.stderr


def test_it_ends_at_once_though_streams_are_open(bare: Any) -> None:
    program = bare.dashboard()
    with socket.create_connection(("127.0.0.1", bare.page_port)) as line:
        line.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert line.recv(100).startswith(b"HTTP/1.1 200")
        began = time.monotonic()
        assert program.stop() == 0
        assert time.monotonic() - began < 3
    assert "ended cleanly" in program.said()
    assert "Traceback" not in program.said()


def test_it_ends_when_the_demo_closes_its_pipe(bare: Any, eventually: Callable[..., Any]) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "edge", "dashboard", "--config", str(bare.config)],
        stdin=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "TAILGRAIN_ENDS_WITH_STDIN": "1"},
    )
    eventually(bare.answers, 20.0, "the page")
    _, said = child.communicate(timeout=10)  # closes the pipe
    assert child.returncode == 0
    assert f"dashboard at http://127.0.0.1:{bare.page_port}/".encode() in said


def test_reading_history_leaves_the_database_as_it_was(server: Any) -> None:
    database: Path = server.kit.database
    before = hashlib.sha256(database.read_bytes()).hexdigest()
    for minutes in (10, 30, 120):
        assert server.ask("GET", f"/ribbon?minutes={minutes}").status == 200
        assert server.ask("GET", f"/marks?minutes={minutes}").status == 200
    assert hashlib.sha256(database.read_bytes()).hexdigest() == before
    wal = database.with_name(database.name + "-wal")
    assert not wal.exists() or wal.stat().st_size == 0


def test_only_three_spans_can_be_asked(server: Any) -> None:
    for asked in ("", "11", "-10", "10 ", "1e1", "9" * 5000):
        answer = server.ask("GET", f"/ribbon?minutes={asked.replace(' ', '%20')}")
        assert answer.status == 400
        assert answer.json()["why"].endswith("allowed: 10, 30, 120")


def test_every_text_a_module_asks_for_is_in_the_words() -> None:
    words = Assets().words
    asked = {name for path in WEB.rglob("*.js") for name in re.findall(r"say\('([a-z0-9_.]+)'", path.read_text(encoding="utf-8"))}
    assert len(asked) > 40
    for name in asked:
        assert word(words, name)
    with pytest.raises(WrongInput, match="no text named"):
        word(words, "loss.nothing")

"""What the page costs: sentence to screen, redraw, first load, twenty pages at once, memory of its server."""

from __future__ import annotations

import gzip
import http.client
import json
import socket
import threading
import time
import urllib.request
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import sync_playwright

from sim_feed.run.scenario import load
from sim_feed.sending.emit import PtyFeed
from tests.bench import results
from tests.kits import chain as chains
from tests.kits.broker import broker as running_broker
from tests.kits.tools import need_tool, wait_until

SECONDS = 65
CLIENTS, CLIENT_S = 20, 20
COMMAND = "make bench ARGS=tests/bench/bench_page.py"

WATCH = """() => { window.shown = []; const figure = document.getElementById('figure');
  new MutationObserver(() => window.shown.push([figure.dataset.second, Date.now()])).observe(figure,
    {attributes: true, attributeFilter: ['data-second']}); }"""

REDRAW = """async () => {
  const at = (name) => document.querySelector('script[type=module]').src.replace('app.js', name);
  const { Series } = await import(at('screens/now/series.js')); const { Ribbon } = await import(at('screens/now/ribbon.js'));
  const n = 7200; const series = new Series(); const wave = (i) => 40 + 15 * Math.sin(i / 90) + 5 * Math.sin(i / 7);
  const t = [...Array(n).keys()]; const kg = t.map(wave);
  series.load({minutes: 120, step_s: 1, until: n, filled: 1, t, kg_ha: kg, low: kg.map((v) => v * 0.8),
    high: kg.map((v) => v * 1.25), limit_kg_ha: t.map(() => 60), pulses_per_s: kg});
  const host = document.createElement('div'); document.getElementById('main').append(host);
  const ribbon = new Ribbon(host, () => {}); ribbon.draw(series, false, 0, n, []);
  const times = [];
  for (let i = 0; i < 40; i += 1) {
    const began = performance.now(); ribbon.draw(series, false, 0, n, []); await Promise.resolve();
    times.push(performance.now() - began); await new Promise(requestAnimationFrame);
  }
  host.remove(); times.sort((a, b) => a - b); return [times[20], times[38]];
}"""

READY = "() => performance.getEntriesByType('navigation')[0].domInteractive"
FIRST = """() => new Promise((done) => { const look = () => document.getElementById('figure')?.dataset.second
  ? done(performance.now()) : requestAnimationFrame(look); look(); })"""


class Timed(PtyFeed):
    """The pty feed of the simulation, noting when each batch of sentences was written."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self.written: list[float] = []

    def _send(self, data: bytes) -> None:
        self.written.append(time.time())
        super()._send(data)


def percentile(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, round(share * (len(ordered) - 1)))]


def memory_mb(pid: int) -> float:
    rows = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(row.split()[1]) for row in rows if row.startswith("VmRSS")) / 1024


def first_load_kb(url: str) -> float:
    """Bytes of the page and of all files it names, as they are sent compressed."""
    found = compressed(f"{url}/")
    page = gzip.decompress(found).decode()
    names = {part.split('"')[0] for part in page.split('"/assets/')[1:]}
    return (len(found) + sum(len(compressed(f"{url}/assets/{name}")) for name in names)) / 1000


def compressed(url: str) -> bytes:
    asked = urllib.request.Request(url, headers={"Accept-Encoding": "gzip"})
    with urllib.request.urlopen(asked, timeout=5) as answer:
        body: bytes = answer.read()
        return body if answer.headers.get("Content-Encoding") == "gzip" else gzip.compress(body)


class Reader(threading.Thread):
    """One page's stream: when it heard each second."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self._port = port
        self.heard: dict[str, float] = {}

    def run(self) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=10)
        connection.request("GET", "/events")
        stream = connection.getresponse()
        until = time.monotonic() + CLIENT_S
        while time.monotonic() < until:
            line = stream.readline()
            if line.startswith(b'data: {"topic":"live"'):
                value = json.loads(line[6:])["value"]
                self.heard.setdefault(value["t"], time.monotonic())
        connection.close()


def worst_behind_s(port: int) -> float:
    """Twenty streams at once, one of which never reads: how far the slowest reader is behind the quickest."""
    stalled = socket.create_connection(("127.0.0.1", port))
    stalled.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    readers = [Reader(port) for _ in range(CLIENTS - 1)]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join(timeout=CLIENT_S + 20)
    stalled.close()
    seconds = set.intersection(*(set(reader.heard) for reader in readers))
    assert len(seconds) >= CLIENT_S - 5
    return max(
        max(reader.heard[t] for reader in readers) - min(reader.heard[t] for reader in readers) for t in sorted(seconds)[1:]
    )


@pytest.mark.timeout(300)
def test_what_the_page_costs(tmp_path: Path) -> None:
    chromium = need_tool("chromium")
    with running_broker(tmp_path / "broker") as broker, chains.chain(tmp_path / "kit", broker.port) as kit:
        kit.play(load("paddock").with_(minutes=None, operator=()), live=True, kind=Timed)
        kit.dashboard()
        server = kit.programs["dashboard"].process.pid
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            page.goto(kit.url)
            shown_ms = page.evaluate(FIRST)
            interactive_ms = page.evaluate(READY)
            page.evaluate(WATCH)
            wait_until(lambda: page.evaluate("() => window.shown.length") >= SECONDS, within=SECONDS + 60, what="the seconds")
            seen = page.evaluate("() => window.shown")
            redraw = page.evaluate(REDRAW)
            browser.close()
        before_mb = memory_mb(server)
        behind_s = worst_behind_s(kit.page_port)
        after_mb = memory_mb(server)
        delays = []
        for second, at_ms in seen:
            end = datetime.fromisoformat(second).timestamp()
            # A line stamped after the second's end closes it; the stamp is its arrival, a moment after it was written.
            closing = next((at for at in kit.feed.written if at > end), None)
            if closing is not None:
                delays.append(at_ms - closing * 1000)
        load_kb = first_load_kb(kit.url)
    rows = [
        ("closing sentence to the page, p50", "under 80 ms", f"{percentile(delays, 0.5):.0f} ms"),
        ("the same, p99", "under 200 ms", f"{percentile(delays, 0.99):.0f} ms"),
        ("page interactive on loopback", "under 1 s", f"{interactive_ms / 1000:.2f} s"),
        ("first second on the page after the load began", "", f"{shown_ms / 1000:.2f} s"),
        ("ribbon of 7,200 points redrawn, p50", "under 8 ms", f"{redraw[0]:.1f} ms"),
        ("first load, compressed, all files", "under 150 kB", f"{load_kb:.0f} kB"),
        ("20 pages, one stalled: slowest reader behind the quickest", "under 2 s", f"{behind_s:.2f} s"),
        ("page's server, resident, before and after the 20", "under 70 MB", f"{before_mb:.0f} and {after_mb:.0f} MB"),
    ]
    how = f"Real chain (pty, mosquitto, SQLite, Chromium), {len(delays)} seconds at real pace; load of the machine as it was."
    results.write("The page", COMMAND, [how, results.table(("figure", "target", "reached"), rows)])
    print("\n" + results.table(("figure", "target", "reached"), rows))
    assert load_kb < 150 and after_mb < 70 and behind_s < 2 and after_mb < before_mb + 5
    assert percentile(delays, 0.5) < 100 and percentile(delays, 0.99) < 250

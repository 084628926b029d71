"""How long from the sentence that closes a second to its value on the page, and what a page costs. Run with -s.

    python -m pytest -s -o python_files='bench_*.py' tests/browser/bench_page.py
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

chains: Any = sys.modules["chain"]

SECONDS = 65

WATCH = """() => { window.shown = []; const figure = document.getElementById('figure');
  new MutationObserver(() => window.shown.push([figure.dataset.second, Date.now()])).observe(figure,
    {attributes: true, attributeFilter: ['data-second']}); }"""

REDRAW = """async () => {
  const at = (name) => document.querySelector('script[type=module]').src.replace('app.js', name);
  const { Series } = await import(at('series.js')); const { Ribbon } = await import(at('ribbon.js'));
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


class Timed(chains.PtyFeed):  # type: ignore[misc]
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


@pytest.mark.timeout(180)
def test_from_the_closing_sentence_to_the_page(tmp_path: Path, open_page: Callable[..., Page]) -> None:
    with chains.broker(tmp_path / "broker") as broker, chains.chain(tmp_path / "kit", broker.port) as kit:
        kit.play(chains.load("paddock").with_(minutes=None, operator=()), live=True, kind=Timed)
        kit.dashboard()
        page = open_page(kit.url)
        page.evaluate(WATCH)
        chains.until(lambda: page.evaluate("() => window.shown.length") >= SECONDS, within=SECONDS + 30, what="the seconds")
        delays = []
        for second, shown_ms in page.evaluate("() => window.shown"):
            end = datetime.fromisoformat(second).timestamp()
            # A line stamped after the second's end closes it; the stamp is its arrival, a moment after it was written.
            closing = next((at for at in kit.feed.written if at > end), None)
            if closing is not None:
                delays.append(shown_ms - closing * 1000)
        redraw = page.evaluate(REDRAW)
        figures = {
            "seconds": len(delays),
            "least_ms": round(min(delays), 1),
            "p50_ms": round(percentile(delays, 0.5), 1),
            "p99_ms": round(percentile(delays, 0.99), 1),
            "worst_ms": round(max(delays), 1),
            "redraw_7200_p50_ms": round(redraw[0], 2),
            "redraw_7200_p95_ms": round(redraw[1], 2),
            "server_mb": round(memory_mb(kit.programs["dashboard"].process.pid), 1),
        }
        print("\n" + json.dumps(figures))
        assert figures["p50_ms"] < 100 and figures["p99_ms"] < 250

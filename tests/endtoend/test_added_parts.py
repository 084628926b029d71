"""A toy input, entry, alert and screen, each put into its one table from outside, work from end to end.

They are registered in the processes of `tests/kits/toys.py`; nothing else of the project is touched. Real pty, mosquitto,
database and browser.
"""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import tty
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from playwright.sync_api import expect, sync_playwright

from edge.keep.store import FILE_NAME
from tests.kits.broker import Broker
from tests.kits.tools import free_port, need_tool, wait_until
from tests.kits.wire import count_line, framed

ROOT = Path(__file__).parents[2]
TEXT = """
[machine]
name = "machine with a probe"
cut_width_m = 9.0
[[input]]
at = 0
reads = "loss"
point = "separator"
side = "left"
[[input]]
at = 1
reads = "ground"
pulses_per_m = 10
[[input]]
at = 2
reads = "probe"
pulses_per_pct = 1.5
[[level]]
bit = 0
means = "front down"
[[level]]
bit = 1
means = "threshing on"
"""


class ToyKit:
    """The commands with the toys in them, on a board of three inputs that sends ten times a second."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        self.folder, self.database = folder, folder / "state" / FILE_NAME
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self._slave, self._end, self._ticks = slave, threading.Event(), 0
        self.page_port = free_port()
        self.config = folder / "kit.toml"
        self.config.write_text(
            f'{TEXT}[serial]\nport = "{os.ttyname(slave)}"\n[mqtt]\nport = {broker.port}\n'
            f'[store]\npath = "{folder / "state"}"\n[dashboard]\nport = {self.page_port}\n'
        )
        self.running: list[subprocess.Popen[bytes]] = []
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._thread.start()

    def _send(self) -> None:
        """2 loss pulses, 20 ground pulses and 30 of the probe a second, the thresher off: no headland keeps an alert back."""
        while not self._end.wait(0.1):
            n = self._ticks = self._ticks + 1
            lines = [count_line(n, 100 * n, n // 5, 2 * n, 3 * n, levels=0)]
            if n % 100 == 1:
                lines.append(framed("TGH,1,kit1,toy,3,100"))
            os.write(self._master, b"".join(line + b"\n" for line in lines))

    def start(self, verb: str, sign: str) -> subprocess.Popen[bytes]:
        """A command that goes on, once its log holds a sign of life."""
        log = self.folder / f"{verb}.log"
        with log.open("wb") as out:
            command = [sys.executable, "-m", "tests.kits.toys", verb, "--config", str(self.config)]
            program = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=out, stderr=out)
        self.running.append(program)
        wait_until(lambda: sign in log.read_text() or program.poll() is not None, 20, f"{verb}: {sign}")
        assert program.poll() is None, log.read_text()
        return program

    def say(self, *arguments: str) -> str:
        """What a command prints."""
        command = [sys.executable, "-m", "tests.kits.toys", *arguments]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=40)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        if not self.database.exists():
            return []
        with closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)) as connection:
            return connection.execute(sql).fetchall()

    def stop(self, program: subprocess.Popen[bytes]) -> None:
        program.send_signal(signal.SIGTERM)
        assert program.wait(timeout=20) == 0
        self.running.remove(program)

    def end(self) -> None:
        self._end.set()
        self._thread.join(timeout=5)
        for program in self.running:
            program.kill()
            program.wait()
        os.close(self._master)
        os.close(self._slave)


@pytest.fixture
def kit(tmp_path: Path, mosquitto: Broker) -> Iterator[ToyKit]:
    made = ToyKit(tmp_path, mosquitto)
    try:
        yield made
    finally:
        made.end()


@pytest.fixture
def heard(mosquitto: Broker) -> Iterator[dict[str, Any]]:
    """The newest message of each topic."""
    found: dict[str, Any] = {}
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: found.update({message.topic: json.loads(message.payload or b"null")})
    client.connect(mosquitto.host, mosquitto.port)
    client.subscribe("tailgrain/kit1/#", qos=1)
    client.loop_start()
    yield found
    client.disconnect()
    client.loop_stop()


def test_a_toy_of_each_kind_works_from_the_wire_to_the_page(kit: ToyKit, heard: dict[str, Any]) -> None:
    # The input: checked by the wiring check, published, kept in a column of its own.
    inputs = json.loads(kit.say("check", "--config", str(kit.config), "--json"))["inputs"]
    assert inputs[2]["reads"] == "straw probe" and inputs[2]["says"] == "20.0 %"
    run = kit.start("run", "recording into")
    live = wait_until(lambda: heard.get("tailgrain/kit1/live", {}).get("probe"), 20, "the probe is published")
    assert live == {"hz": pytest.approx(30, abs=3), "rain_mm": 0}
    # The alert: raised by its own condition.
    alert = wait_until(lambda: heard.get("tailgrain/kit1/alert/straw-damp"), 20, "the alert")
    assert alert["state"] == "raised" and alert["severity"] == "notice" and alert["limit"] == 25
    # The entry: admitted by its types, acted on, kept; a wrong one is refused by name.
    said = kit.say("entry", '{"entry": "rain", "mm": 4.5}', "--config", str(kit.config))
    assert "(4.5 mm in all)" in said
    wrong = subprocess.run(
        [sys.executable, "-m", "tests.kits.toys", "entry", '{"entry": "rain", "mm": -1}', "--config", str(kit.config)],
        cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=40,
    )  # fmt: skip
    assert wrong.returncode == 2 and "rain: mm: found -1; allowed: a number from 0 up to 500" in wrong.stderr
    kit.stop(run)
    kept = [hz for (hz,) in kit.query("SELECT probe_hz FROM second WHERE probe_hz IS NOT NULL")]
    assert len(kept) >= 2 and min(kept) > 20
    # The next run takes the entry up again.
    heard.clear()
    kit.start("run", "recording into")
    again = wait_until(lambda: heard.get("tailgrain/kit1/live", {}).get("probe"), 20, "the probe is published again")
    assert again["rain_mm"] == 4.5
    # Other programs get the column, and its meaning.
    out = kit.folder / "seconds.csv"
    kit.say("export", str(kit.database), "csv", "-o", str(out))
    with out.open() as stream:
        assert any(row["probe_hz"] for row in csv.DictReader(stream))
    assert "| `probe_hz` | 1/s | number | pulses of the probe |" in kit.say("export", "--columns")
    # The screen, and the input on the screen Kit.
    kit.start("dashboard", "dashboard at")
    url = f"http://127.0.0.1:{kit.page_port}/"
    wait_until(lambda: urllib.request.urlopen(url, timeout=2).status == 200, 10, "the page")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=need_tool("chromium"), args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(f"{url}#toy")
        expect(page.locator("#toy-said")).to_have_text(re.compile("[0-9]+ seconds are kept"))
        expect(page.locator("#nav a[data-screen=toy]")).to_contain_text("Toy")
        page.goto(f"{url}#kit")
        expect(page.locator("#kit-inputs [data-input='2']")).to_contain_text("straw probe")
        expect(page.locator("#kit-inputs [data-input='2']")).to_contain_text(re.compile(r"\d+\.\d %"))
        browser.close()

"""Every command of the README runs, and its settings file is one."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from edge.contract import settings
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.tools import free_port, wait_until

README = (Path(__file__).parent.parent / "README.md").read_text()
COMMANDS = re.findall(r"\.venv/bin/tailgrain ([^\n`]+)", README)
NEEDS_A_KIT = ("check", "run", "dashboard", "install", "entry")


def run(arguments: list[str], **more) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "edge", *arguments],
        capture_output=True, text=True, timeout=50, stdin=subprocess.DEVNULL, **more,
    )  # fmt: skip


def test_the_readme_names_commands():
    assert len(COMMANDS) >= 10


@pytest.mark.timeout(150)  # two demos and what asks them
def test_commands_that_need_no_kit(tmp_path):
    """In the README's order and one folder: some ask what the demo before them kept."""
    for command in [one for one in COMMANDS if one.split()[0] not in NEEDS_A_KIT]:
        done = run(shlex.split(command), cwd=tmp_path)
        assert done.returncode == 0, (command, done.stderr)
        assert done.stdout.strip(), command
        if "--json" in command:
            json.loads(done.stdout)


def test_commands_on_a_kit(tmp_path, mosquitto):
    """The settings text of the README with a simulated counter on its port and a broker of the test's own."""
    text = block("toml")
    scenario = load("paddock").with_(seed=4, minutes=600)
    feed = PtyFeed(Simulation(scenario), 20.0)
    config = tmp_path / "kit.toml"
    config.write_text(
        text.replace("/dev/ttyUSB0", feed.port)
        + f'\n[mqtt]\nport = {mosquitto.port}\n[store]\npath = "{tmp_path / "state"}"\n[dashboard]\nport = {free_port()}\n'
    )
    loaded = settings.load(config)
    commands = {one.split()[0]: one for one in COMMANDS if one.split()[0] in NEEDS_A_KIT}
    assert set(commands) == set(NEEDS_A_KIT)
    with feed:
        feed.start()
        checked = run(shlex.split(commands["check"]), cwd=tmp_path)
        assert checked.returncode == 0 and "km/h" in checked.stdout, checked.stdout + checked.stderr
        assert "ExecStart" in run(shlex.split(commands["install"]), cwd=tmp_path).stdout
        daemon = start(commands["run"], tmp_path, "run.log")
        page = start(commands["dashboard"], tmp_path, "page.log")
        try:
            wait_until(lambda: "open" in (tmp_path / "run.log").read_text(), 15, "the line open")
            wait_until(lambda: f":{loaded.dashboard.port}" in (tmp_path / "page.log").read_text(), 15, "the page's address")
            entries = [one for one in COMMANDS if one.split()[0] == "entry"]
            assert len(entries) == 3
            number = ""
            for one in entries:
                said = run(shlex.split(one.replace('"seq": 2', f'"seq": {number}')), cwd=tmp_path)
                assert said.returncode == 0 and "kept as number" in said.stdout, said.stderr
                number = said.stdout.split("kept as number ")[1].split()[0].rstrip(",;:.")
        finally:
            for child in (daemon, page):
                child.terminate()
            for child in (daemon, page):
                child.wait(timeout=20)


def start(command: str, folder: Path, log: str) -> subprocess.Popen[bytes]:
    with (folder / log).open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "edge", *shlex.split(command)],
            cwd=folder, stdin=subprocess.DEVNULL, stdout=out, stderr=out,
        )  # fmt: skip


def block(language: str) -> str:
    """The README's one block in a language, its indentation taken off."""
    found = re.findall(rf"```{language}\n(.*?)```", README, flags=re.S)
    assert len(found) == 1
    text = "\n".join(line.strip() for line in found[0].split("\n"))
    tomllib.loads(text)
    return text


def test_pictures_and_files_that_it_names_are_there():
    root = Path(__file__).parent.parent
    for name in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (root / name).is_file(), name
    for name in ("DEVELOPERS.md", "CHANGELOG.md", "hardware_notes/counter_board.md", "tests/bench/RESULTS.md"):
        assert name in README and (root / name).is_file()

"""The command line, as a user would call it."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib

import pytest
from click.testing import CliRunner

from sim_feed.__main__ import main
from sim_feed.run.scenario import Simulation, load


def call(*arguments: str):
    return CliRunner().invoke(main, arguments)


def test_capture_with_truth_and_settings(tmp_path) -> None:
    capture, truth, settings = (tmp_path / name for name in ("run.tgcap", "truth.json", "kit.toml"))
    result = call(
        "paddock", "--to", f"capture:{capture}", "--seed", "7", "--minutes", "3", "--epoch", "1700000000",
        "--truth", str(truth), "--settings", str(settings),
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert capture.read_bytes().startswith(b"1700000000.100 $TGH,1,kit1,")
    simulation = Simulation(load("paddock").with_(seed=7, minutes=3))
    ticks = list(simulation)
    assert json.loads(truth.read_text()) == simulation.truth_summary()
    assert capture.read_bytes().count(b"\n") == sum(len(tick.lines) + len(tick.entries) for tick in ticks)
    assert tomllib.loads(settings.read_text())["machine"]["kit"] == "kit1"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["padock", "--to", "pty"], "no scenario 'padock'"),
        (["paddock", "--to", "capture:run.txt"], "ends in .tgcap"),
        (["paddock", "--to", "udp:1:2"], "capture:FILE, pty or tcp:HOST:PORT"),
        (["paddock", "--to", "tcp:host:port"], "capture:FILE, pty or tcp:HOST:PORT"),
        (["paddock", "--to", "pty", "--pace", "0"], "a number over 0, or max"),
        (["paddock", "--to", "capture:/nowhere/at/all.tgcap"], "No such file"),
        (["paddock"], "--to"),
    ],
)
def test_wrong_use_is_status_2_with_a_reason(arguments: list[str], says: str) -> None:
    result = call(*arguments)
    assert result.exit_code == 2
    assert says in result.output


def test_help_has_an_example_that_works(tmp_path) -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "sim_feed", "--help"], capture_output=True, text=True, check=True, timeout=30
    ).stdout
    words = " ".join(shown.split())
    example = words[words.index("Example: python -m sim_feed ") :].removeprefix("Example: ").split()[1:]
    example[example.index("30")] = "1"
    subprocess.run([sys.executable, *example], cwd=tmp_path, check=True, timeout=30)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["run.tgcap.gz", "truth.json"]


def test_pty_command_shows_its_port_and_is_read_to_the_end() -> None:
    command = [
        sys.executable, "-m", "sim_feed", "paddock", "--to", "pty", "--pace", "max",
        "--minutes", "2", "--start-after", "1",
    ]  # fmt: skip
    expected = b"".join(line for tick in Simulation(load("paddock").with_(minutes=2)) for line in tick.lines)
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        port = json.loads(process.stdout.readline())["port"]
        got = bytearray()
        with open(port, "rb", buffering=0) as line:
            while len(got) < len(expected):
                got += line.read(4096)
        rest = process.stdout.read().splitlines()
        assert process.wait(timeout=30) == 0
    assert bytes(got) == expected
    assert [json.loads(row)["entry"]["entry"] for row in rest] == ["job_start", "idle_run"]

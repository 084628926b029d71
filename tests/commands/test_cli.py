"""The command: help with an example for each verb, exit statuses, and one line on standard error for wrong use."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from pathlib import Path

import click
import pytest

from edge.commands import cli
from tests.kits.tools import free_port

RECORDINGS = Path(__file__).parents[1] / "recordings"
CONFIG = str(RECORDINGS / "worked_example.toml")
CAPTURE = str(RECORDINGS / "worked_example.tgcap.gz")


def verbs() -> list[list[str]]:
    """Every command and every command below a group."""
    found: list[list[str]] = [[]]
    for name, command in cli.tailgrain.commands.items():
        found.append([name])
        if isinstance(command, click.Group):
            found += [[name, below] for below in command.commands]
    return found


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    status = cli.run(list(arguments))
    out, err = capsys.readouterr()
    return status, out, err


def refused(capsys, *arguments: str, status: int = 2) -> str:
    """The one line on standard error; nothing on standard output."""
    found, out, err = run(capsys, *arguments)
    assert found == status, err
    assert out == "" and err.startswith("tailgrain: ") and err.count("\n") == 1 and err.endswith("\n")
    return err


@pytest.mark.parametrize("verb", verbs(), ids=" ".join)
def test_every_verb_has_help_with_an_example(capsys, verb):
    for option in ("--help", "-h"):
        status, out, err = run(capsys, *verb, option)
        assert status == 0 and err == ""
        words = " ".join(out.split())
        assert words.startswith("Usage: tailgrain") and "Example" in words
        assert " ".join(["tailgrain", *verb]) in words.split("Example", 1)[1].split("Options:")[0]


def test_the_verbs_of_the_contract_that_are_built_are_there():
    built = {"demo", "run", "dashboard", "check", "install", "replay", "entry", "calc"}
    assert built <= set(cli.tailgrain.commands)
    assert set(cli.tailgrain.commands) <= built | {"compare", "speed", "report", "verify", "export"}
    assert set(cli.tailgrain.commands["calc"].commands) == {
        "tray", "kernels", "area-rate", "moisture", "ratio", "sieve", "concentration",
    }  # fmt: skip


WRONG = [
    (["no-such-verb"], "no-such-verb"),
    (["replay"], "CAPTURE"),
    (["replay", CAPTURE], "--config"),
    (["replay", CAPTURE, "--config", CONFIG, "--sumary"], "did you mean --summary"),
    (["replay", CAPTURE, "--config", "/nowhere/kit.toml"], "/nowhere/kit.toml"),
    (["replay", "/nowhere/x.tgcap", "--config", CONFIG], "/nowhere/x.tgcap"),
    (["replay", str(RECORDINGS), "--config", CONFIG], "can't be read"),
    (["replay", CAPTURE, "--config", CAPTURE], "UTF-8"),
    (["run"], "--config"),
    (["run", "--config", CONFIG], "serial.port"),
    (["run", "--config", CONFIG, "--stamps", "wall"], "board=EPOCH"),
    (["run", "--config", CONFIG, "--stamps", "board=-1"], "board=EPOCH"),
    (["check", "--config", CONFIG], "serial.port"),
    (["dashboard"], "--config"),
    (["entry"], "JSON"),
    (["entry", "{"], "no valid JSON"),
    (["entry", '{"entry": "not"}'], "did you mean `note`"),
    (["entry", '{"entry": "width_used", "part": 2}'], "width_used: part: found 2"),
    (["entry", '{"entry": "note", "note": "x"}', "--id", "a/b"], "--id"),
    (["demo", "--pace", "fast"], "--pace"),
    (["demo", "--minutes", "0"], "--minutes"),
    (["calc", "no-such"], "no-such"),
    (["calc", "kernels"], "tgw"),
    (["install", "--config", "/nowhere/kit.toml"], "/nowhere/kit.toml"),
]


@pytest.mark.parametrize(("arguments", "said"), WRONG, ids=[" ".join(one)[:60] for one, _ in WRONG])
def test_wrong_use_is_one_line_that_says_what(capsys, monkeypatch, tmp_path, arguments, said):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    assert said in refused(capsys, *arguments)
    assert list(tmp_path.iterdir()) == []  # nothing was started


def test_an_entry_without_a_broker_ends_with_2_and_keeps_nothing(capsys, tmp_path):
    config = tmp_path / "kit.toml"
    config.write_text(f'[machine]\nname = "m"\ncut_width_m = 9\n[mqtt]\nport = {free_port()}\n')
    said = refused(capsys, "entry", '{"entry": "note", "note": "x"}', "--config", str(config))
    assert "can't be reached" in said and "nothing was kept" in said


def test_an_entry_without_a_kit_ends_with_2_after_5_s(capsys, tmp_path, mosquitto, monkeypatch):
    monkeypatch.setattr("edge.tell.ask.ANSWER_LIMIT_S", 0.5)
    config = tmp_path / "kit.toml"
    config.write_text(f'[machine]\nname = "m"\ncut_width_m = 9\nkit = "far"\n[mqtt]\nport = {mosquitto.port}\n')
    assert "no answer from kit `far`" in refused(capsys, "entry", '{"entry": "note", "note": "x"}', "--config", str(config))


def test_the_summary_is_one_object_and_nothing_else(capsys):
    for more in ([], ["--json"]):
        status, out, err = run(capsys, "replay", CAPTURE, "--config", CONFIG, "--summary", *more)
        assert status == 0 and err == "" and out.count("\n") == 1
        assert list(json.loads(out)["lines"]) == ["good", "bad_crc", "malformed", "missing", "restarts", "entries"]


def test_json_is_a_line_a_second(capsys):
    status, out, err = run(capsys, "replay", CAPTURE, "--config", CONFIG, "--json")
    lines = [json.loads(line) for line in out.splitlines()]
    summary = json.loads(run(capsys, "replay", CAPTURE, "--config", CONFIG, "--summary")[1])
    assert status == 0 and err == "" and len(lines) == sum(summary["seconds"].values())
    assert [line["t"] for line in lines] == sorted(line["t"] for line in lines)
    assert {"t", "state", "speed_kmh", "area_rate_ha_h", "loss", "points", "pulses_per_s", "returns", "shafts", "calibration",
            "position", "flags"} <= set(lines[0])  # fmt: skip


def test_a_refused_entry_of_a_capture_is_named_and_skipped(capsys, tmp_path):
    capture = tmp_path / "x.tgcap"
    with gzip.open(CAPTURE) as whole:
        lines = [line for line in whole.read().split(b"\n") if b" !" not in line[:20]][:50]
    stamp = lines[-1].split(b" ")[0]
    capture.write_bytes(b"\n".join(lines) + b"\n" + stamp + b' !{"entry": "width_used", "part": 7}\n' + stamp + b" !{broken\n")
    status, out, err = run(capsys, "replay", str(capture), "--config", CONFIG, "--summary")
    assert status == 0 and err.startswith("refused: line 51: width_used: part: found 7") and err.count("\n") == 1
    counted = json.loads(out)["lines"]
    assert counted["entries"] == 0 and counted["malformed"] >= 1


def test_a_store_that_holds_data_is_refused_and_a_new_one_kept(capsys, tmp_path):
    store = tmp_path / "day.db"
    assert run(capsys, "replay", CAPTURE, "--config", CONFIG, "--store", str(store))[0] == 0
    before = store.read_bytes()
    assert "holds data" in refused(capsys, "replay", CAPTURE, "--config", CONFIG, "--store", str(store))
    assert store.read_bytes() == before


def test_an_unreadable_capture_makes_no_store(capsys, tmp_path):
    refused(capsys, "replay", "/nowhere/x.tgcap", "--config", CONFIG, "--store", str(tmp_path / "day.db"))
    assert not (tmp_path / "day.db").exists()


def test_a_settings_key_with_a_line_break_is_still_one_line(capsys, tmp_path):
    config = tmp_path / "kit.toml"
    config.write_text('[machine]\nname = "m"\ncut_width_m = 9\n"a\\nb" = 1\n')
    refused(capsys, "replay", CAPTURE, "--config", str(config))


def test_the_statuses_reach_the_shell():
    wrong = subprocess.run([sys.executable, "-m", "edge", "replay"], capture_output=True, text=True)
    assert wrong.returncode == 2 and wrong.stdout == "" and wrong.stderr.count("\n") == 1


def test_a_reader_that_leaves_is_no_fault():
    """As in `tailgrain replay ... --json | head -1`."""
    arguments = [sys.executable, "-m", "edge", "replay", CAPTURE, "--config", CONFIG, "--json"]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.read(100)
        process.stdout.close()
        said, status = process.stderr.read(), process.wait(timeout=30)
    assert (said, status) == (b"", 0)

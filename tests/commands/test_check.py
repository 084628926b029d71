"""`tailgrain check` on real lines: what arrives, input by input, what is wrong with a line, and the guided tap test."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from edge.commands import check as check_module
from edge.commands import check_line
from edge.contract.errors import AnswerBad, WrongInput
from edge.keep import signing
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.board import Board
from tests.kits.settings import FRONT_DOWN, ground, kit_toml, loss
from tests.kits.wire import nmea_line

KIT = kit_toml([loss("separator", "left"), loss("cleaning", "left"), ground()], levels=(FRONT_DOWN,), name="m", more="[serial]\n")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check_module, "LISTEN_S", 1.5)
    monkeypatch.setattr(check_module, "TAP_S", 0.7)
    monkeypatch.setattr(check_line, "FAULT_S", 0.6)


@pytest.fixture
def kit(tmp_path: Path) -> Iterator[tuple[PtyFeed, Path]]:
    scenario = load("paddock").with_(seed=5, minutes=60)
    feed = PtyFeed(Simulation(scenario), 60.0)
    config = tmp_path / "kit.toml"
    config.write_text(scenario.settings_toml(port=feed.port, mqtt_port=1, store=str(tmp_path)))
    yield feed, config
    feed.close()


def counting(inputs: int = 3) -> Board:
    """A counter that brings nothing of its own, five times as fast as a real one; a test may tap an input in `counts`."""
    made = Board(brought=(0,) * inputs, levels=1, every_s=0.02)
    made.start()
    return made


@pytest.fixture
def counter() -> Iterator[Board]:
    made = counting()
    yield made
    made.close()


def settings_of(folder: Path, port: str, more: str = "") -> Path:
    config = folder / "kit.toml"
    config.write_text(f'{KIT}port = "{port}"\n{more}')
    return config


def shown(capsys: pytest.CaptureFixture[str]) -> dict:
    return json.loads(capsys.readouterr().out)


def test_every_input_is_shown_with_what_arrives(kit, capsys):
    feed, config = kit
    feed.start()
    assert check_module.check(config, as_json=True) == 0
    answer = shown(capsys)
    assert [row["at"] for row in answer["inputs"]] == list(range(7))
    assert answer["lines"]["good"] > 100 and answer["trouble"] is None
    by_name = {row["reads"]: row for row in answer["inputs"]}
    assert 800 < by_name["shaft, fan"]["value"] < 1100
    assert {level["means"]: level["on"] for level in answer["levels"]}["threshing on"] is True


def test_speed_is_told_in_the_settings_units(tmp_path, counter, capsys):
    counter.brought[2] = 2  # 20 pulses/s, 10 a metre: 7.2 km/h
    config = settings_of(tmp_path, counter.port)
    for more, says in (("", "7.2 km/h"), ('[units]\nshow = "us"\n', "4.5 mph")):
        config.write_text(config.read_text() + more)
        assert check_module.check(config, as_json=True) == 0
        ground = shown(capsys)["inputs"][2]
        assert (ground["says"], ground["value"]) == (says, pytest.approx(7.2))


# --- what is wrong with a line


def test_a_port_that_another_program_holds_is_told_as_that(tmp_path, counter, capsys):
    holder = serial.Serial(counter.port, exclusive=True)
    try:
        with pytest.raises(AnswerBad, match=r"held by another program; .*stop `tailgrain run` or its service first"):
            check_module.check(settings_of(tmp_path, counter.port), as_json=True)
    finally:
        holder.close()
    answer = shown(capsys)
    assert "held by another program" in answer["trouble"]
    assert {row["says"] for row in answer["inputs"]} == {"nothing heard"}  # no input is blamed for it
    assert answer["levels"][0]["on"] is None


def test_a_missing_device_is_named_with_those_that_are_there(tmp_path, monkeypatch):
    (tmp_path / "ttyUSB0").write_text("")
    monkeypatch.setattr(check_line, "DEVICES", (str(tmp_path / "ttyUSB*"),))
    missing = str(tmp_path / "ttyUSB1")
    with pytest.raises(AnswerBad) as fault:
        check_module.check(settings_of(tmp_path, missing), as_json=True)
    said = str(fault.value)
    assert said == f"check: {missing}: no such device; look at serial.port (devices that are there: {tmp_path / 'ttyUSB0'})"
    monkeypatch.setattr(check_line, "DEVICES", ())
    with pytest.raises(AnswerBad, match="no serial device is there: look at the plug"):
        check_module.check(settings_of(tmp_path, missing), as_json=True)


def test_an_address_where_nobody_sends(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"
    with pytest.raises(AnswerBad, match="can't be reached .*whether the sender runs"):
        check_module.check(settings_of(tmp_path, port), as_json=True)
    with pytest.raises(WrongInput, match=r"check: serial\.port: found socket://here: no TCP address"):
        check_module.check(settings_of(tmp_path, "socket://here"), as_json=True)


def test_no_port_in_the_settings_is_wrong_input(tmp_path):
    config = tmp_path / "kit.toml"
    config.write_text(KIT)
    with pytest.raises(WrongInput, match=r"kit\.toml: serial\.port: missing"):
        check_module.check(config, as_json=True)


def test_a_silent_line_is_a_bad_answer_and_no_input_is_blamed(kit, capsys):
    _, config = kit
    with pytest.raises(AnswerBad, match="open, but nothing arrives in 2 s; look at the sender's supply, plug and cable"):
        check_module.check(config, as_json=True)
    assert {row["says"] for row in shown(capsys)["inputs"]} == {"nothing heard"}


def test_lines_of_another_speed_are_told_as_that(tmp_path, counter):
    counter.through = lambda line: b"\x86\xe6\x1e\x9e\x06\n"
    with pytest.raises(AnswerBad, match=r"lines arrive in 2 s, none of them a good sentence; .*\(115200 baud\)"):
        check_module.check(settings_of(tmp_path, counter.port), as_json=True)


def test_a_receiver_on_the_counter_s_port_is_told_as_that(tmp_path, counter):
    counter.through = lambda line: nmea_line("GPVTG,084.4,T,,M,003.9,N,007.2,K,A") + b"\r\n"
    with pytest.raises(AnswerBad, match="no counts among them; is this the counter's port"):
        check_module.check(settings_of(tmp_path, counter.port), as_json=True)


def test_an_input_that_the_counter_does_not_send_is_named(tmp_path, capsys):
    counter = counting(inputs=2)
    try:
        with pytest.raises(AnswerBad, match="input 2: wired in the settings, not sent by the counter; it sends 2 inputs, 0 to 1"):
            check_module.check(settings_of(tmp_path, counter.port), as_json=True)
    finally:
        counter.close()
    assert [row["says"] for row in shown(capsys)["inputs"]] == ["quiet", "quiet", "not sent by the counter"]


def test_the_receiver_s_own_port_is_looked_at_too(tmp_path, counter, capsys):
    receiver = counting()
    try:
        receiver.through = lambda line: nmea_line("GPVTG,084.4,T,,M,003.9,N,007.2,K,A") + b"\r\n"
        config = settings_of(tmp_path, counter.port, f'nmea_port = "{receiver.port}"\n')
        assert check_module.check(config, as_json=True) == 0
    finally:
        receiver.close()
    found = shown(capsys)["receiver"]
    assert (found["speed_kmh"], found["has_position"], found["trouble"]) == (7.2, False, None)
    with pytest.raises(AnswerBad, match=r"no such device; look at serial\.nmea_port"):
        check_module.check(settings_of(tmp_path, counter.port, 'nmea_port = "/dev/not-there"\n'), as_json=False)
    assert "receiver" in capsys.readouterr().out


def test_the_command_says_one_line_on_standard_error(tmp_path):
    config = settings_of(tmp_path, "/dev/not-there")
    done = subprocess.run(
        [sys.executable, "-m", "edge", "check", "--config", str(config), "--json"],
        capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=40, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1 and "/dev/not-there: no such device" in done.stderr
    assert json.loads(done.stdout)["trouble"]


# --- the tap test


def test_the_tap_test_shows_its_cautions_first_and_each_sensor(tmp_path, counter, capsys):
    asked = []
    tap = tapping(counter, {"separator": 0, "cleaning": 1})

    def yes(question: str) -> bool:
        asked.append((question, capsys.readouterr().out))
        return tap(question)

    check_module.check(settings_of(tmp_path, counter.port), as_json=False, ask=yes)
    assert len(asked) == 3  # whether to begin, then two loss sensors
    assert "engine off, key out" in asked[1][1]
    assert "separator sensor, left" in asked[1][0]


def test_nobody_is_sent_to_a_machine_that_runs(kit, tmp_path, counter, capsys):
    feed, config = kit
    feed.start()
    assert check_module.check(config, as_json=False, ask=lambda question: pytest.fail(question)) == 0
    out = capsys.readouterr().out
    assert "No tap test now: threshing is on. Before anyone goes near the sensors: engine off, key out" in out

    def starts(question: str) -> bool:  # somebody turns the key while the first sensor is tapped
        if "separator" in question:
            counter.brought[2] = 5
        return True

    with pytest.raises(AnswerBad, match="tap test ended: ground turns; Before anyone goes near"):
        check_module.check(settings_of(tmp_path, counter.port), as_json=False, ask=starts)


def tapping(counter: Board, hits: dict[str, int]) -> Callable[[str], bool]:
    """Answers yes, then taps ten times where `hits` says (by the point asked for), a moment later."""

    def ask(question: str) -> bool:
        at = next((at for point, at in hits.items() if f"{point} sensor" in question), None)
        if at is not None:
            threading.Timer(0.25, counter.counts.__setitem__, (at, counter.counts[at] + 10)).start()
        return True

    return ask


def test_taps_are_counted_where_they_land(tmp_path, counter, capsys):
    config = settings_of(tmp_path, counter.port)
    assert check_module.check(config, as_json=False, ask=tapping(counter, {"separator": 0, "cleaning": 1})) == 0
    out = capsys.readouterr().out
    assert "input 0: 10 pulses, alive" in out and "input 1: 10 pulses, alive" in out
    with pytest.raises(AnswerBad, match=r"tap test: input 0 \(separator, left\), input 1 \(cleaning, left\): silent"):
        check_module.check(config, as_json=False, ask=tapping(counter, {"separator": 1}))
    out = capsys.readouterr().out
    assert "input 0: 0 pulses, SILENT; heard instead: input 1 (cleaning, left): 10; cables swapped?" in out
    assert "input 1: 0 pulses, SILENT; look at its cable and plug" in out


def test_what_came_before_the_answer_is_no_tap(tmp_path, counter, capsys):
    """A person may take long to answer; knocks on the way to the sensor are not its life."""
    knocked = threading.Event()

    def ask(question: str) -> bool:
        if "separator" in question:
            counter.counts[0] += 50
            knocked.wait(0.3)
        return "cleaning" not in question

    with pytest.raises(AnswerBad, match="silent"):
        check_module.check(settings_of(tmp_path, counter.port), as_json=False, ask=ask)
    assert "input 0: 0 pulses" in capsys.readouterr().out


def test_no_is_no(tmp_path, counter, capsys):
    assert check_module.check(settings_of(tmp_path, counter.port), as_json=False, ask=lambda question: False) == 0
    assert "engine off" not in capsys.readouterr().out


def test_the_signing_key_is_shown_by_its_fingerprint(kit, capsys):
    feed, config = kit
    feed.start()
    check_module.check(config, as_json=True)
    assert shown(capsys)["signing_key"] == {"fingerprint": None, "trouble": None}
    key, _ = signing.read_or_make(config.with_name(signing.FILE_NAME))
    check_module.check(config, as_json=False)
    assert f"Signing key: fingerprint {key.fingerprint}" in capsys.readouterr().out
    config.with_name(signing.FILE_NAME).chmod(0o644)
    with pytest.raises(AnswerBad, match="mode 0644"):
        check_module.check(config, as_json=True)
    assert "0600" in shown(capsys)["signing_key"]["trouble"]

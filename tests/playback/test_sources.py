"""The same verdict from a capture, from a database and live, and the commands as an operator meets them."""

from __future__ import annotations

import gzip
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import click
import pytest
from click.testing import CliRunner

from edge.commands.cli import run as main
from edge.commands.verdict import compare, speed
from edge.contract import entries
from edge.contract import settings as settings_module
from edge.contract.errors import CaptureError, StoreError, WrongInput
from edge.contract.settings import Settings
from edge.engine.engine import Engine, Nowhere
from edge.feed import capture
from edge.judge.speed.cost import DrivingCosts
from edge.judge.watch import Watch
from edge.playback import blocks
from edge.playback.replay import replay
from sim_feed.parameters.structs import Planned
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import write_capture

EPOCH = 1_700_000_000.0
PLAN = (
    Planned(at_s=60, tray={"catches": "both"}),
    Planned(at_s=150, tray={"catches": "both"}),
    Planned(at_s=420, setting={"what": "fan_rpm", "to": 860.0}),
    Planned(at_s=700, entry={"entry": "sample", "cracked_pct": 1.5, "trash_pct": 0.4}),
    Planned(at_s=800, setting={"what": "speed_kmh", "to": 8.2}),
)


class Recording(NamedTuple):
    """A simulated quarter of an hour: capture, database of its replay, settings."""

    capture: Path
    database: Path
    config: Path
    settings: Settings


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    folder = tmp_path_factory.mktemp("recording")
    scenario = load("paddock").with_(seed=5, minutes=17.0)
    scenario = replace(scenario, operator=PLAN, machine=replace(scenario.machine, start={"fan_rpm": 1030.0}))
    path, config, database = folder / "day.tgcap.gz", folder / "kit.toml", folder / "day.db"
    write_capture(Simulation(scenario), path, EPOCH)
    config.write_text(scenario.settings_toml())
    settings = settings_module.load(config)
    replay(path, settings, database)
    return Recording(path, database, config, settings)


def near(one: Any, other: Any) -> None:
    """Equal figures to rounding, equal words, at any depth."""
    if isinstance(one, dict):
        assert set(one) == set(other)
        for key in one:
            near(one[key], other[key])
    elif isinstance(one, float):
        assert other == pytest.approx(one, rel=1e-9, abs=1e-9)
    elif isinstance(one, list):
        assert len(one) == len(other)
        for pair in zip(one, other, strict=True):
            near(*pair)
    else:
        assert one == other


def test_capture_and_database_give_the_same_verdicts(recording: Recording) -> None:
    for n in (1, 2):
        answers = [blocks.read(source, recording.settings, n).compare(n) for source in (recording.capture, recording.database)]
        near(*answers)
    first = blocks.read(recording.capture, recording.settings).compare(1)
    assert first["verdict"] in ("better", "mixed")
    assert first["before"]["kg_ha"] > first["after"]["kg_ha"]
    assert first["after"]["cracked_pct"] == 1.5
    sources = (recording.capture, recording.database)
    near(*[blocks.read(source, recording.settings).speed(DrivingCosts(280.0)) for source in sources])


def test_live_gives_the_verdict_of_the_seconds_so_far(recording: Recording) -> None:
    """The watch beside a running engine: due once a change is open, and at the end the same as from the capture."""

    class Live(Nowhere):
        watch: Watch

        def second(self, second: Any, figures: Any) -> None:
            self.watch.step(second, figures)
            if second.t % 60 == 0:
                found.append(self.watch.due())

    found: list[tuple[int, dict[str, Any]] | None] = []
    keeper = Live()
    engine = Engine(recording.settings, keeper, Nowhere())
    keeper.watch = Watch(engine.reckoner)
    for stamp_ms, text in capture.read(recording.capture):
        assert stamp_ms is not None
        if text[:1] == b"!":
            entry = entries.decode(text[1:])
            engine.take_entry(stamp_ms, entry)
            keeper.watch.learn(entry, stamp_ms)
        else:
            engine.take_line(stamp_ms, text)
    engine.finish()
    assert found[:7] == [None] * 7
    said = [one for one in found if one is not None]
    assert [n for n, _ in said] == sorted(n for n, _ in said)
    assert {n for n, _ in said} == {1, 2}
    assert said[0][1]["verdict"] == "not enough data"
    assert json.loads(json.dumps(said[-1][1])) == said[-1][1]
    near(keeper.watch.compare(1), blocks.read(recording.capture, recording.settings).compare(1))


def test_a_window_of_the_database_is_enough(recording: Recording) -> None:
    whole = blocks.read_database(recording.database, recording.settings)
    part = blocks.read_database(recording.database, recording.settings, 2)
    assert part.course.count <= whole.course.count
    near(whole.compare(2), part.compare(2))


def ask(command: click.Command, *arguments: str | Path) -> Any:
    return CliRunner().invoke(command, [str(one) for one in arguments])


def test_compare_speaks_and_answers_as_json(recording: Recording) -> None:
    spoken = ask(compare, recording.capture, "--config", recording.config, "--setting", "1")
    assert spoken.exit_code == 0
    assert "the fan went from 1030 rpm to 860 rpm" in spoken.output
    assert "before" in spoken.output
    answered = ask(compare, recording.database, "--config", recording.config, "--setting", "1", "--json")
    assert answered.exit_code == 0
    answer = json.loads(answered.output)
    assert answer["words"] in spoken.output
    assert answer["verdict"] in ("better", "mixed")


def test_a_missing_or_wrong_number_lists_the_changes(recording: Recording) -> None:
    for extra in ([], ["--setting", "9"]):
        found = ask(compare, recording.capture, "--config", recording.config, *extra)
        assert isinstance(found.exception, WrongInput)
        assert "1 to 2 (1 = the fan to 860 rpm at 20" in str(found.exception)
        assert "2 = ground speed to 8.2 km/h" in str(found.exception)
        assert "\n" not in str(found.exception)


def test_speed_speaks_and_answers_as_json(recording: Recording) -> None:
    arguments = (recording.capture, "--config", recording.config, "--hourly-cost", "300")
    spoken, answered = ask(speed, *arguments), ask(speed, *arguments, "--json")
    assert (spoken.exit_code, answered.exit_code) == (0, 0)
    answer = json.loads(answered.output)
    assert answer["why"] in spoken.output
    assert len(answer["cost_per_ha"]) == len(answer["points"])
    assert isinstance(ask(speed, recording.capture, "--config", recording.config, "--hourly-cost", "-1").exception, SystemExit)


def test_a_source_that_is_neither_is_refused_in_one_line(recording: Recording, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="can't be read"):
        blocks.read(tmp_path / "nothing.db", recording.settings)
    other = tmp_path / "other.db"
    other.write_bytes(b"SQLite format 3\x00" + bytes(200))
    with pytest.raises(StoreError, match="database"):
        blocks.read(other, recording.settings)
    empty = blocks.read_capture(_written(tmp_path / "empty.tgcap", b""), recording.settings)
    assert empty.course.count == 0
    assert empty.due() is None
    assert empty.speed(DrivingCosts())["best_kmh"] is None
    with pytest.raises(ValueError, match="no setting change"):
        empty.compare(1)


def test_a_table_that_was_driven_is_no_advice(recording: Recording, tmp_path: Path) -> None:
    scenario = load("paddock").with_(seed=6, minutes=8.0)
    path = tmp_path / "held.tgcap"
    write_capture(Simulation(replace(scenario, operator=PLAN[:2])), path, EPOCH)
    said = ask(speed, path, "--config", recording.config, "--hourly-cost", "300").output
    held, label, first = said.splitlines()[:3]
    assert "nothing shows what another speed would lose" in held or "Speed followed the crop" in held
    assert label == "What was driven and lost there, not advice: crop and ground differed as well as speed."
    assert "km/h: " in first and "per ha" not in first


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"[machine]\nname = 'x'\n", "none of its 2 lines begins with a time"),
        (b"hello\n", "its one line doesn't begin with a time"),
        (b"SQLite format 3\x00" + bytes(200), "a database, no capture"),
    ],
)
def test_a_file_that_is_no_capture_is_refused_in_one_line_and_nothing_is_made(
    recording: Recording, tmp_path: Path, content: bytes, why: str
) -> None:
    path, store = _written(tmp_path / "other.txt", content), tmp_path / "new.db"
    for refused in (lambda: replay(path, recording.settings, store), lambda: blocks.read_capture(path, recording.settings)):
        with pytest.raises(CaptureError, match=why) as found:
            refused()
        assert "\n" not in str(found.value) and "allowed" in str(found.value)
    assert not store.exists()
    assert main(["replay", str(path), "--config", str(recording.config)]) == 2


def test_a_few_lost_lines_at_its_begin_do_not_make_a_capture_a_stranger(recording: Recording, tmp_path: Path) -> None:
    path = _written(tmp_path / "torn.tgcap", b"rn half a line\n" * 20 + b"1700000000.000 $TGX\n")
    assert replay(path, recording.settings)["lines"]["malformed"] == 21


def test_refused_entries_are_named(recording: Recording, tmp_path: Path) -> None:
    said: list[str] = []
    lines = b'1700000000.000 !{"entry": "setting", "what": "fan_rpm"}\n1700000001.000 !{"entry": \nno stamp\n'
    blocks.read_capture(_written(tmp_path / "bad.tgcap", lines), recording.settings, said.append)
    assert len(said) == 1
    assert said[0].startswith("line 1: setting: to:")


def _written(path: Path, text: bytes) -> Path:
    path.write_bytes(text)
    return path


def told_in(folder: Path, recorded: Path, *entries_told: dict[str, Any]) -> Path:
    """A recording's lines with entries at their end."""
    capture = folder / "told.tgcap"
    lines = gzip.decompress(recorded.read_bytes()).split(b"\n")
    stamp = max(float(line.split(b" ", 1)[0]) for line in lines if line[:1].isdigit() and b" $" in line[:20])
    more = [f"{stamp:.3f} !{json.dumps(one)}".encode() for one in entries_told]
    capture.write_bytes(b"\n".join([*lines[:-1], *more, b""]))
    return capture


@pytest.mark.parametrize("keeps", [False, True])
def test_a_capture_names_what_it_struck_out_by_its_place(tmp_path: Path, recording: Recording, keeps: bool) -> None:
    here = {"entry": "strike_out", "n": 1, "why": "a slip"}
    elsewhere = {"entry": "strike_out", "seq": 1, "why": "of another record"}
    capture = told_in(tmp_path, recording.capture, here, {**here, "n": 40}, elsewhere)
    refused: list[str] = []
    store = tmp_path / "kept.db" if keeps else None
    before = replay(recording.capture, recording.settings)
    found = replay(capture, recording.settings, store, on_refused=refused.append)
    assert len(refused) == (1 if keeps else 2) and "n: found 40" in refused[0]
    assert found["lines"]["entries"] == before["lines"]["entries"] + (2 if keeps else 1)
    if store is not None:
        with closing(sqlite3.connect(store)) as connection:
            rows = connection.execute("SELECT body FROM record WHERE kind = 'entry' ORDER BY seq").fetchall()
        kept = [json.loads(body) for (body,) in rows]
        [mine, other] = [one for one in kept if one["entry"] == "strike_out"]
        assert "seq" in mine and "n" not in mine and "elsewhere" not in mine
        assert other["elsewhere"] is True

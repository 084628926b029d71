"""Power cuts, a bad line and long hours at full size: a thousand kills, ten million lines, twelve hours, bytes written."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pytest

from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.bench import results
from tests.kits.broker import Broker
from tests.kits.ears import Ear, eventually_online
from tests.kits.faults.forked import ForkedKit, Nursery
from tests.kits.faults.fuzz import Found, course
from tests.kits.faults.lines import SCENARIOS
from tests.kits.faults.proc import waited_s, written_bytes
from tests.kits.faults.soak import scenario, soak
from tests.kits.faults.stores import grow, opened, season_of_records
from tests.kits.faults.torture import check, lost_seconds, torture
from tests.kits.kit import Program
from tests.kits.tools import need_tool, wait_until

COMMAND = "make bench ARGS='-k bench_survival'"
KILLS = int(os.environ.get("TAILGRAIN_KILLS", "1000"))
LINES = int(os.environ.get("TAILGRAIN_LINES", "10000000"))
HOURS = float(os.environ.get("TAILGRAIN_HOURS", "12"))
VOLUME_S = 120
KITS = 8
ROWS: list[tuple[str, str, str]] = []


def say(figure: str, target: str, reached: str) -> None:
    ROWS.append((figure, target, reached))
    print(f"{figure} | {target} | {reached}")


@pytest.fixture(scope="module")
def nursery() -> Iterator[Nursery]:
    made = Nursery()
    yield made
    made.close()


@pytest.fixture(autouse=True)
def written(request: pytest.FixtureRequest) -> Iterator[None]:
    """Each test has a section of its own in the table of results, so that one can be measured anew alone."""
    ROWS.clear()
    yield
    if ROWS:
        name = request.node.name.removeprefix("test_").replace("_", " ")
        results.write(f"Survival: {name}", COMMAND, [results.table(["figure", "target", "reached"], ROWS)])


@pytest.mark.timeout(1800)
def test_a_thousand_kills_under_load(tmp_path, mosquitto, nursery):
    kills = -(-KILLS // KITS)
    began = time.monotonic()
    accounts, ear = torture(nursery, tmp_path, mosquitto.port, KITS, kills, seed=77)
    losses: list[int] = []
    for account in accounts:
        check(account, ear)
        losses += lost_seconds(account, ear)
    ear.close()
    asked = sum(len(account.asked) for account in accounts)
    online = [life.online_s for account in accounts for life in account.lives]
    what = f"{KITS * kills} kills, {asked} entries asked meanwhile, {time.monotonic() - began:.0f} s"
    say(f"{what}: answered entries lost or doubled, gaps in the record, damaged databases", "0", "0")
    say(f"seconds of figures lost by a kill, the most of {len(losses)} that could be measured", "at most 1", str(max(losses)))
    reached = f"{statistics.median(online):.2f} and {max(online):.2f} s"
    say("start of a kit after a kill, the program in memory: median and longest", "under 3 s", reached)
    assert max(losses) <= 1


@pytest.mark.timeout(1800)
def test_ten_million_lines():
    workers = os.cpu_count() or 1
    part = -(-LINES // (10 * workers))
    with ProcessPoolExecutor(workers) as pool:
        found = list(pool.map(_course, range(10 * workers), [part] * 10 * workers))
    lines = sum(one.lines for one in found)
    passed = sum(one.let_through for one in found)
    what = f"{lines} random and mutated lines, {passed} of which passed CRC-16 with other counts"
    say(f"{what}: exceptions, pulses invented beyond those", "0", "0")


def _course(seed: int, lines: int) -> Found:
    return course(seed, lines, good_share=0.3 + 0.05 * (seed % 10))


@pytest.mark.timeout(1800)
def test_twelve_hours(tmp_path, mosquitto, nursery):
    clean = soak(nursery, tmp_path / "clean", mosquitto.port, scenario(1, 60 * HOURS, faulty=False), 900)
    faulty = soak(nursery, tmp_path / "faulty", mosquitto.port, scenario(1, 60 * HOURS, faulty=True), 900)
    off = 100 * (faulty.loss_kg / clean.loss_kg - 1)
    area = 100 * (faulty.area_ha / clean.area_ha - 1)
    memory = f"{faulty.resident_kb[4] / 1000:.0f} and {faulty.resident_kb[-1] / 1000:.0f} MB"
    what = f"{HOURS:g} hours with faults ({faulty.restarts} restarts): loss and area against the same hours without"
    say(what, "under 2 %", f"{off:+.2f} % and {area:+.2f} %")
    say("memory at half time and at the end", "within 5 MB", memory)
    say("open files, least and most", "within 2", f"{min(faulty.files)} and {max(faulty.files)}")
    assert abs(off) < 2 and abs(area) < 2
    assert faulty.resident_kb[-1] - faulty.resident_kb[4] < 5000 and max(faulty.files) - min(faulty.files) <= 2


@pytest.mark.timeout(300)
def test_bytes_written_in_an_hour(tmp_path, mosquitto, nursery):
    paddock = load("paddock").with_(seed=3, minutes=None, operator=())
    feed = PtyFeed(Simulation(paddock), 1.0)
    toml = paddock.settings_toml(port=feed.port, mqtt_port=mosquitto.port, store=str(tmp_path / "state"))
    kit = ForkedKit(nursery, tmp_path, toml)
    ear = Ear(mosquitto.port)
    try:
        began = time.monotonic()
        kit.start()
        eventually_online(ear, "kit1", began)
        with feed:
            feed.start()
            wait_until(lambda: kit.query("SELECT count(*) FROM second")[0][0] > 5, 20, "measuring")
            before, first = _io(kit.pid), kit.query("SELECT count(*) FROM second")[0][0]
            wait_until(lambda: kit.query("SELECT count(*) FROM second")[0][0] >= first + VOLUME_S, VOLUME_S + 30, "two minutes")
            after, last = _io(kit.pid), kit.query("SELECT count(*) FROM second")[0][0]
        hours = (last - first) / 3600
        handed, pages = ((now - then) / 1e6 / hours for now, then in zip(after, before, strict=True))
        what = f"written at ten lines a second and seven inputs ({VOLUME_S} s): to the system, and in whole pages of the disk"
        say(what, "under 100 MB an hour", f"{handed:.0f} and {pages:.0f} MB an hour")
        assert pages < 100
    finally:
        kit.kill()
        ear.close()


def _io(pid: int | None) -> tuple[int, int]:
    assert pid is not None
    fields = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    return int(fields["wchar"]), written_bytes(pid)


@pytest.mark.timeout(300)
def test_a_start_from_nothing_after_a_cut(tmp_path, mosquitto):
    """As a service manager starts it: its own process, a season in the database (400 hours: every second, 24,000 minutes,
    6,000 entries, 6,000 verdicts)."""
    store = opened(tmp_path / "state")
    grow(store, 1_440_000)
    season_of_records(store)
    seconds = store.ask(lambda db: db.execute("SELECT count(*) FROM second").fetchone()[0])
    store.close()
    paddock = load("paddock").with_(seed=2, minutes=None, operator=())
    config = tmp_path / "kit.toml"
    ear = Ear(mosquitto.port)
    assert ear.connected.wait(10)
    took, worked, alone = [], [], []
    try:
        with PtyFeed(Simulation(paddock), 1.0) as feed:
            config.write_text(paddock.settings_toml(port=feed.port, mqtt_port=mosquitto.port, store=str(tmp_path / "state")))
            feed.start()
            for _ in range(7):
                began = time.monotonic()
                program = Program("run", "--config", str(config), log=tmp_path / "log")
                try:
                    took.append(eventually_online(ear, "kit1", began, within=20) - began)
                    worked.append(_processor_s(program.process.pid))
                    alone.append(took[-1] - waited_s(program.process.pid))
                finally:
                    program.stop(kill=True)
    finally:
        ear.close()
    megabytes = store.path.stat().st_size / 1e6
    reached = f"{statistics.median(took):.2f} and {max(took):.2f} s"
    what = f"start of the command after a cut, a season of {seconds} seconds ({megabytes:.0f} MB) on record"
    say(f"{what}: median and longest of 7", "under 3 s", reached)
    reached = f"{statistics.median(alone):.2f} and {max(alone):.2f} s"
    say("the same, without the time in which other programs had the processors", "under 3 s", reached)
    say("the same, processor time alone: median and longest of 7", "", f"{statistics.median(worked):.2f} and {max(worked):.2f} s")
    assert max(alone) < 3


def _processor_s(pid: int) -> float:
    """User and system time so far (proc(5), stat, fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.timeout(300)
def test_seconds_until_a_kit_measures_again(tmp_path, nursery):
    broker = Broker(need_tool("mosquitto"), tmp_path / "mosquitto")
    broker.start()
    try:
        with ThreadPoolExecutor(len(SCENARIOS)) as pool:
            played = {name: pool.submit(one, nursery, tmp_path / name, broker) for name, one in SCENARIOS.items()}
        for name, outcome in played.items():
            back_s = outcome.result()
            say(f"measuring again after: {name.replace('_', ' ')}", "within 5 s", f"{back_s:.1f} s")
            assert back_s < 5
    finally:
        broker.stop()

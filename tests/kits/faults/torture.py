"""Kills kits at random moments while entries are asked and counts flow; the account of what must be there afterwards."""

from __future__ import annotations

import math
import os
import random
import signal
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed
from tests.kits.ears import Ear, eventually_online
from tests.kits.faults.forked import ForkedKit, Nursery
from tests.kits.faults.stores import sound
from tests.kits.tools import wait_until

LONGEST_LIFE_S = 2.3
ENTRIES = ("note", "tray_mark", "width_used")


@dataclass
class Lifetime:
    """One life of a kit: from its start to its death, wall times; `late_s`: how far the killer itself ran behind."""

    started: float
    online_s: float = 0.0
    died: float = 0.0
    late_s: float = 0.0


@dataclass
class Account:
    """What one tortured kit was told and what it answered."""

    name: str
    kit: ForkedKit
    lives: list[Lifetime] = field(default_factory=list)
    asked: dict[str, dict[str, Any]] = field(default_factory=dict)
    answers: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def kills(self) -> int:
        return len(self.lives)


def torture(nursery: Nursery, folder: Path, broker_port: int, kits: int, kills: int, seed: int) -> tuple[list[Account], Ear]:
    """Run `kits` kits side by side, each killed `kills` times; returns their accounts and everything that was heard."""
    ear = Ear(broker_port)
    assert ear.connected.wait(10)
    accounts = []
    threads = []
    faults: list[BaseException] = []
    for number in range(kits):
        name = f"kit-{number}"
        account, feed = _prepared(nursery, folder, broker_port, name, seed + number)
        accounts.append(account)

        def run(account: Account = account, feed: PtyFeed = feed, number: int = number) -> None:
            try:
                with feed:
                    feed.start()
                    _lives(account, ear, random.Random(1000 * seed + number), kills)
            except BaseException as fault:  # noqa: BLE001 - raised again by the caller of the threads
                faults.append(fault)
            finally:
                account.kit.kill()

        threads.append(threading.Thread(target=run))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if faults:
        raise faults[0]
    return accounts, ear


def _prepared(nursery: Nursery, folder: Path, broker_port: int, name: str, seed: int) -> tuple[Account, PtyFeed]:
    paddock = load("paddock").with_(seed=seed, minutes=None, operator=())
    feed = PtyFeed(Simulation(paddock), 1.0)
    toml = paddock.settings_toml(port=feed.port, mqtt_port=broker_port, store=str(folder / name / "state"))
    kit = ForkedKit(nursery, folder / name, toml.replace('kit = "kit1"', f'kit = "{name}"'))
    return Account(name, kit), feed


def _lives(account: Account, ear: Ear, chance: random.Random, kills: int) -> None:
    for _ in range(kills):
        life = _start(account, ear)
        account.lives.append(life)
        _load_and_kill(account, ear, chance, life)
    # The last life: whatever had no answer is asked again under its id, and some of what had one.
    life = _start(account, ear)
    _gather(account, ear)
    again = [one for one in account.asked if one not in account.answers]
    again += chance.sample(sorted(account.answers), min(20, len(account.answers)))
    since = time.monotonic()
    for ask_id in again:
        ear.ask(account.name, ask_id, account.asked[ask_id])
    for ask_id in again:
        answer = wait_until(lambda one=ask_id: ear.answer(account.name, one, since), 20, f"answer to {ask_id}")
        earlier = account.answers.setdefault(ask_id, answer)
        assert answer == earlier, (ask_id, answer, earlier)
    account.kit.stop()
    assert "ended cleanly" in account.kit.log


def _start(account: Account, ear: Ear) -> Lifetime:
    began, life = time.monotonic(), Lifetime(time.time())
    account.kit.start()
    life.online_s = eventually_online(ear, account.name, began, within=20) - began
    return life


def _load_and_kill(account: Account, ear: Ear, chance: random.Random, life: Lifetime) -> None:
    """Ask and ask; the kill comes from a thread of its own, so it hits between any two steps of anything."""
    over = threading.Event()
    pause = threading.Event()
    until = time.monotonic() + chance.uniform(0.02, LONGEST_LIFE_S)

    def killer() -> None:
        pause.wait(max(0.0, until - time.monotonic()))
        life.late_s = time.monotonic() - until
        if account.kit.alive and account.kit.pid is not None:
            with suppress(ProcessLookupError):
                os.kill(account.kit.pid, signal.SIGKILL)
        life.died = time.time()
        over.set()

    thread = threading.Thread(target=killer)
    thread.start()
    while not over.is_set():
        ask_id = f"{account.kills}-{len(account.asked)}"
        kind = chance.choice(ENTRIES)
        extra = {"note": {"note": f"Körner {ask_id}"}, "tray_mark": {}, "width_used": {"part": 1.0}}[kind]
        account.asked[ask_id] = {"entry": kind, **extra}
        ear.ask(account.name, ask_id, account.asked[ask_id])
        before = time.monotonic()
        wait_s = chance.uniform(0.002, 0.06)
        over.wait(wait_s)
        life.late_s = max(life.late_s, time.monotonic() - before - wait_s)
    thread.join()
    account.kit.kill()


def _gather(account: Account, ear: Ear) -> None:
    prefix = f"{account.name}/answer/"
    for one in list(ear.messages):
        if one.topic.startswith(prefix):
            earlier = account.answers.setdefault(one.topic.removeprefix(prefix), one.plain)
            assert one.plain == earlier


def lost_seconds(account: Account, ear: Ear) -> list[int]:
    """Seconds of figures lost by each kill: whole seconds that ended before it, in a run that was measuring, less those
    kept. How far the killing machine itself ran behind is taken off the time."""
    losses = []
    runs = account.kit.query("SELECT run, started_ms FROM run ORDER BY run")
    assert len(runs) == account.kills + 1
    assert ear.heard(f"{account.name}/live")
    told = [one for one in ear.heard(f"{account.name}/live") if not one.retain]
    for (run, _), life in zip(runs, account.lives, strict=False):
        rows = account.kit.query("SELECT number, t FROM second WHERE run = ? ORDER BY number", run)
        assert [row[0] for row in rows] == list(range(1, len(rows) + 1)), "numbers of seconds have a gap"
        assert [row[1] for row in rows] == list(range(rows[0][1], rows[0][1] + len(rows))) if rows else True
        heard = [one for one in told if life.started <= one.wall <= life.died]
        if not heard:
            continue
        last_kept = rows[-1][1] if rows else _epoch_s(heard[0].plain["t"]) - 1
        last_ended = math.floor(life.died - max(0.0, life.late_s - 0.05))
        losses.append(max(0, last_ended - last_kept))
    return losses


def _epoch_s(text: str) -> int:
    from datetime import datetime

    return int(datetime.fromisoformat(text).timestamp())


def check(account: Account, ear: Ear) -> None:
    """No answered entry lost, none doubled, no gap in the record, the database sound, everything told in order."""
    kit = account.kit
    assert sound(kit.database)
    numbers = [row[0] for row in kit.query("SELECT seq FROM record ORDER BY seq")]
    assert numbers == list(range(1, len(numbers) + 1)), "the record has a gap"
    kept: dict[str, list[int]] = {}
    for seq, ask_id in kit.query("SELECT seq, ask_id FROM record WHERE kind = 'entry'"):
        kept.setdefault(ask_id, []).append(seq)
    assert len(account.answers) == len(account.asked)
    for ask_id, answer in account.answers.items():
        assert answer["ok"], answer
        assert kept.get(ask_id) == [answer["seq"]], (ask_id, answer, kept.get(ask_id))
    assert set(kept) == set(account.asked)
    marks = kit.query(
        "SELECT ask_id FROM record WHERE kind = 'entry' AND json_extract(body, '$.entry') = 'tray_mark' ORDER BY seq"
    )
    assert [account.answers[row[0]]["mark"] for row in marks] == list(range(1, len(marks) + 1))
    told = [one.plain["seq"] for one in ear.heard(f"{account.name}/entry")]
    first_told = list(dict.fromkeys(told))
    assert first_told == sorted(first_told), "entries were told out of order"
    assert set(first_told) == {seq for seqs in kept.values() for seq in seqs}
    assert not list(kit.store.glob("*.damaged-*"))

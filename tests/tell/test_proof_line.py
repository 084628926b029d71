"""The proof line leaves the kit: in every minute, with a job's start and finish, in the answer and on the command line."""

from __future__ import annotations

import json
import signal

from edge.contract.settings import MqttSettings
from edge.keep import signing
from edge.keep.chain import Proof
from edge.keep.records import check_database
from edge.tell.ask import ask
from tests.kits.ears import Listener, online
from tests.kits.kit import Kit
from tests.kits.tools import wait_until
from tests.tell.kits import EPOCH


def enter(kit: Kit, entry: dict) -> str:
    """`tailgrain entry` as a person uses it."""
    return kit.command("entry", json.dumps(entry)).stdout


def test_copies_of_the_proof_line_that_left_the_kit_hold_over_restarts_and_find_a_change(kit, mosquitto, opened):
    listener = opened(Listener(mosquitto))
    kit.start(EPOCH)
    wait_until(lambda: online(listener), 10, "presence online")
    fingerprint = signing.read(signing.path_beside(kit.database)).fingerprint
    assert f"signing key (made now): fingerprint {fingerprint}" in kit.log
    said = enter(kit, {"entry": "job_start", "client": "one", "paddock": "north"})
    assert ", job 1" in said and "proof line" in said and "keep a copy outside the kit" in said
    kit.board.send(125)
    wait_until(lambda: len(listener.of("minute")) >= 2, 10, "two minutes")
    answer = ask(MqttSettings(port=mosquitto.port), "kit7", {"entry": "job_finish", "harvested_t": 1.0, "area_ha": 0.2})
    assert answer["job"] == 1 and answer["proof"]["seq"] == answer["seq"]
    wait_until(lambda: len(listener.of("entry")) == 2, 10, "both entries")
    assert kit.kill() == -signal.SIGKILL
    kit.start(1_790_010_000)
    wait_until(lambda: "fingerprint " + fingerprint in kit.log, 10, "the same key")
    assert kit.stop() == 0
    told = [*listener.bodies("minute"), *listener.bodies("entry")]
    held = [Proof(**message["proof"]) for message in told]
    assert len(held) >= 4 and all(message["proof"]["seq"] == message["seq"] for message in told)
    words = said.split("proof line ")[1].split()[0].split(":")
    assert Proof(int(words[0]), words[1]) in held and Proof(**answer["proof"]) in held
    assert check_database(kit.database, held) is None
    forged = [*held, held[0]._replace(hash="00" * 32)]
    broken = check_database(kit.database, forged)
    assert broken is not None and broken.seq == held[0].seq

"""Anything at all on every way in: lines, entries, settings, captures, the broker's topics. One clear line or nothing."""

from __future__ import annotations

import gzip
import json
import os
import random
import time
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.contract.errors import EntryError, SettingsError
from edge.feed.sentences import Counts, decode, frame
from edge.keep.store import canonical
from edge.playback.replay import replay
from sim_feed.run.scenario import load
from tests.kits.ears import Ear, eventually_online
from tests.kits.faults.forked import ForkedKit
from tests.kits.faults.fuzz import course
from tests.kits.faults.stores import SETTINGS
from tests.kits.tools import wait_until
from tests.kits.wire import crc16

EXAMPLES = int(os.environ.get("TAILGRAIN_EXAMPLES", "300"))


def test_the_check_of_the_fuzzing_is_the_catalogue_s():
    assert crc16(b"123456789") == 0x29B1
    assert frame("123456789") == b"$123456789*29B1\n"


@pytest.mark.parametrize("seed", range(4))
def test_random_and_mutated_lines_invent_no_pulse_and_raise_nothing(seed):
    found = course(seed, 40_000)
    assert found.kinds["Fault"] > 10_000 and found.kinds["Counts"] > 300
    assert found.let_through < 100


@pytest.mark.parametrize("seed", range(2))
def test_mostly_noise(seed):
    found = course(100 + seed, 20_000, good_share=0.02)
    assert found.kinds["Fault"] > 15_000


def test_the_fuzzing_notices_an_invented_pulse(monkeypatch):
    """The account itself is tried: a decoder that reads one count too many is found out at once."""
    from tests.kits.faults import fuzz

    class Wrong(fuzz.Assembler):
        def take(self, stamp_ms, line):
            closed = super().take(stamp_ms, line)
            if line[:4] == b"$TGC" and line.endswith(b"7") and self.open_parts:
                self.open_parts[-1].counts[0] += 1
            return closed

    monkeypatch.setattr(fuzz, "Assembler", Wrong)
    with pytest.raises(AssertionError):
        fuzz.course(1, 20_000)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)
KINDS = tuple(entries.KINDS)
KEYS = sorted({name for kind in entries.KINDS.values() for name in kind.__struct_fields__} | {"from", "length_m", "x_m", "zzz"})
NEAR = st.fixed_dictionaries({"entry": st.sampled_from(KINDS)}, optional={key: JSON for key in KEYS[:40]})


def _is_one_line(fault: Exception, begins: str = "") -> None:
    text = str(fault)
    assert text.startswith(begins) and "\n" not in text and 0 < len(text) < 1500


FAR = st.dictionaries(st.sampled_from(["entry", *KEYS]), st.one_of(JSON, st.sampled_from(KINDS)), max_size=6)


@given(st.one_of(JSON, NEAR, FAR))
@settings(max_examples=EXAMPLES)
def test_any_json_is_an_entry_that_can_be_kept_or_is_refused_in_one_line(plain):
    try:
        entry = entries.from_plain(plain)
    except EntryError as fault:
        _is_one_line(fault)
        return
    text = canonical(entries.to_plain(entry))
    assert entries.decode(text) == entry


@given(st.one_of(st.binary(max_size=300), st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass"))))
@settings(max_examples=EXAMPLES)
def test_any_bytes_are_refused_as_an_entry_in_one_line(raw):
    try:
        entries.decode(raw)
    except EntryError as fault:
        _is_one_line(fault)


@pytest.mark.parametrize(
    "raw",
    [
        b"[" * 16_000,
        b'{"entry":"tray","trays":' + b"[" * 10_000,
        b'{"entry":"note","note":"' + b"x" * 20_000 + b'"}',
        b'{"entry":"note","note":"\\ud800"}',
        b'{"entry":"job_reopen","job":99999999999999999999999,"note":"x"}',
        b'{"entry":"tray","trays":[{"length_m":1,"width_m":1,"grains":1}],"mark":9007199254740993}',
        b'{"entry":"note","note":"x","at":1e400}',
        b'{"entry":"limit","loss_kg_ha":NaN}',
        b'{"entry":"note","note":"x","at":"2026-02-30T00:00:00Z"}',
        b'{"entry":"note","note":"x","at":"0001-01-01T00:00:00+23:59"}',
    ],
)
def test_what_is_too_large_too_deep_or_no_number_is_refused_in_one_line(raw):
    with pytest.raises(EntryError, match=r"^[^\n]{5,600}$"):
        entries.decode(raw)


def test_words_of_every_language_are_kept_as_they_were_written():
    for words in ("Gerste – 2 Körner", "收割机", "حصاد", "🌾", "e\u0301", "a\u0000b", "\u202eabc"):
        entry = entries.decode(json.dumps({"entry": "note", "note": words}))
        assert json.loads(canonical(entries.to_plain(entry)))["note"] == words


@given(st.lists(st.tuples(st.integers(0, len(SETTINGS) - 1), st.integers(0, 8), st.text(max_size=12)), min_size=1, max_size=3))
@settings(max_examples=EXAMPLES)
def test_a_mutated_settings_file_is_valid_or_refused_in_one_line(changes):
    text = SETTINGS
    for at, gone, put in changes:
        text = text[:at] + put + text[at + gone :]
    try:
        settings_module.parse(text, "kit.toml")
    except SettingsError as fault:
        _is_one_line(fault, "kit.toml")


@pytest.mark.parametrize(
    "text",
    ["a=" + "[" * 5000, "x" * 300_000, "[machine]\nname = '" + "y" * 1000 + "'", "\ufeff", "[machine]\ncut_width_m = nan"],
)
def test_a_hostile_settings_file_is_one_line(tmp_path, text):
    path = tmp_path / "kit.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=r"^[^\n]{5,600}$"):
        settings_module.load(path)


@pytest.mark.parametrize("seed", range(3))
def test_a_capture_of_noise_is_replayed_to_its_end(tmp_path, seed):
    chance = random.Random(seed)
    path = tmp_path / "noise.tgcap"
    with path.open("wb") as file:
        for number in range(3000):
            kind = chance.randrange(6)
            stamp = b"%d.%03d " % (1_790_000_000 + number // 10, number % 1000)
            if kind == 0:
                file.write(chance.randbytes(chance.randrange(200)) + b"\n")
            elif kind == 1:
                file.write(stamp + b"!" + chance.randbytes(chance.randrange(100)) + b"\n")
            elif kind == 2:
                file.write(b"%d.%03d !{}\n" % (chance.randrange(10**12), chance.randrange(1000)))
            elif kind == 3:
                name = chance.choice(KINDS).encode()
                file.write(stamp + b'!{"entry":"%b","at":%b}\n' % (name, b"9" * chance.randrange(30)))
            else:
                file.write(stamp + frame(f"TGC,1,{number},{number * 100},3,{number},{number},0,0,{number},{number},{number}"))
    refused: list[str] = []
    summary = replay(path, settings_module.parse(load("paddock").settings_toml()), on_refused=refused.append)
    assert summary["lines"]["good"] > 500 and summary["lines"]["malformed"] > 300
    assert refused and all("\n" not in line and line.startswith("line ") for line in refused)
    assert max(summary["pulses"]) < 3000 + 1


def test_a_capture_s_lines_have_limits_of_size_and_depth_and_what_follows_is_read(tmp_path):
    path = tmp_path / "huge.tgcap.gz"
    stamp = b"1790000000.%03d "
    hostile = [
        b"\x00" * (8 << 20),  # one line of 8 MB, 8 kB when compressed
        stamp % 1 + b"$" + b"x" * (4 << 20),
        stamp % 2 + b'!{"entry":"note","note":"' + b"x" * 20_000 + b'"}',
        stamp % 3 + b"!" + b"[" * 16_000,
        stamp % 4 + b"!" + b'{"a":' * 3000 + b"1" + b"}" * 3000,
        stamp % 5 + b'!{"entry":"limit","loss_kg_ha":1' + b"0" * 5000 + b"}",
        b"9" * 5000 + b".000 $",
    ]
    good = [stamp % (100 * n) + frame(f"TGC,1,{n},{100 * n},3,{n},0,0,0,0,0,0")[:-1] for n in range(1, 6)]
    with gzip.open(path, "wb") as file:
        for line in [*hostile, *good]:
            file.write(line + b"\n")
    refused: list[str] = []
    tracemalloc.start()
    summary = replay(path, settings_module.parse(load("paddock").settings_toml()), on_refused=refused.append)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 << 20
    assert summary["lines"] == {
        "good": 5, "bad_crc": 0, "malformed": len(hostile), "missing": 0, "restarts": 0, "entries": 0
    }  # fmt: skip
    assert refused == []  # broken JSON is malformed, not refused
    assert summary["pulses"][0] == 4


def test_a_decoded_sentence_of_counts_never_leaves_its_range():
    over = ("65536,1,0,1", "1,4294967296,0,1", "1,1,0,4294967296", "1,1,100000000,1", "-1,1,0,1", "1,1,0,+1", "1,1,0,1_0")
    for body in (f"TGC,1,{numbers}" for numbers in over):
        assert not isinstance(decode(frame(body)[:-1]), Counts)


def test_a_kit_survives_every_payload_on_its_topics_and_answers_the_next_honest_question(tmp_path, mosquitto, nursery):
    chance = random.Random(9)
    toml = load("paddock").settings_toml(port=str(tmp_path / "none"), mqtt_port=mosquitto.port, store=str(tmp_path / "state"))
    kit = ForkedKit(nursery, tmp_path, toml)
    ear = Ear(mosquitto.port)
    try:
        assert ear.connected.wait(10)
        began = time.monotonic()
        kit.start()
        eventually_online(ear, "kit1", began)
        base = "tailgrain/kit1/"
        topics = ["ask/entry", "presence", "alert/no-data", "alert/x/y/z", "alert/" + "q" * 300, "live", "answer/a"]
        payloads = [b"", b"{}", b"null", b"[" * 5000, b"\xff\xfe", b'"' + b"x" * 30_000 + b'"', b'{"online":true}', b'{"id":1}']
        payloads += [b'{"id":"' + b"a" * 65 + b'","entry":{}}', b'{"id":"a/b","entry":{}}', b'{"state":"raised"}', b"123"]
        payloads += [chance.randbytes(chance.randrange(200)) for _ in range(40)]
        for topic in topics:
            for number, payload in enumerate(payloads):
                ear.client.publish(base + topic, payload, qos=1, retain=number % 3 == 0)
        for number in range(30):
            broken = chance.choice([None, 1, [], "x", {"entry": 5}, {"entry": "note"}, {"entry": "ack", "alert": "é"}])
            ear.client.publish(base + "ask/entry", json.dumps({"id": f"q{number}", "entry": broken}), qos=1)
        for number in range(30):
            answer = wait_until(lambda number=number: ear.answer("kit1", f"q{number}"), 10, "an answer to each that has an id")
            assert answer["ok"] is False and "\n" not in answer["why"]
        for _ in range(2):  # a twin was pretended; it says goodbye
            ear.client.publish(base + "presence", b'{"online":false}', qos=1)
        honest = time.monotonic()
        ear.ask("kit1", "honest", {"entry": "note", "note": "ehrlich"})
        assert wait_until(lambda: ear.answer("kit1", "honest", honest), 10, "an honest answer")["ok"] is True
        assert kit.query("SELECT count(*) FROM record WHERE kind = 'entry'") == [(1,)]
        assert kit.alive and "Traceback" not in kit.log
        kit.stop()
        assert "ended cleanly" in kit.log
    finally:
        kit.kill()
        ear.close()

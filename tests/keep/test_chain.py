"""The chain: what it is, by an independent reckoning, and that no tampering with records goes unseen."""

from __future__ import annotations

import hashlib
import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.keep import chain
from edge.keep.chain import FIRST, Broken, Proof, Record, Withheld


def made(count: int, previous: bytes = FIRST, first: int = 1) -> list[Record]:
    """Records with their hashes."""
    records = []
    for seq in range(first, first + count):
        body = chain.canonical({"entry": "note", "note": f"Nr. {seq} 収", "x": seq / 3})
        record = Record(seq, 1, 1_790_000_000_000 + seq, "entry", body, chain.new_salt())
        previous = chain.link(previous, chain.digest(record))
        records.append(record._replace(hash=previous.hex()))
    return records


def chained_anew(records: list[Record], previous: bytes = FIRST) -> list[Record]:
    """What somebody does who changes a record and reckons all hashes again."""
    out = []
    for record in records:
        previous = chain.link(previous, chain.digest(record))
        out.append(record._replace(hash=previous.hex()))
    return out


def test_digest_and_hash_follow_their_definition():
    record = Record(2, 1, 1_790_000_000_123, "entry", '{"entry":"note","note":"ä"}', "00" * 16)
    plain = {"seq": 2, "run": 1, "at_ms": 1_790_000_000_123, "kind": "entry", "salt": "00" * 16}
    whole = {**plain, "body": {"entry": "note", "note": "ä"}}
    text = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)  # RFC 8785 for such plain values
    digest = hashlib.sha256(text.encode()).digest()
    assert chain.digest(record) == digest
    assert chain.link(FIRST, digest) == hashlib.sha256(b"\0" * 32 + digest).digest()


def test_a_whole_chain_holds_from_its_first_record_or_from_any_later_one():
    records = made(20)
    assert chain.check(records) is None
    assert chain.check(records[7:], bytes.fromhex(records[6].hash), 8) is None
    assert chain.check([]) is None
    assert chain.last_hash(records).hex() == records[-1].hash


@pytest.mark.parametrize(
    ("field", "value"),
    [("run", 2), ("at_ms", 5), ("kind", "alert"), ("salt", "11" * 16), ("body", '{"entry":"note","note":"other"}'),
     ("hash", "ab" * 32)],
)  # fmt: skip
def test_a_changed_record_is_named(field, value):
    records = made(9)
    records[4] = records[4]._replace(**{field: value})
    broken = chain.check(records)
    assert broken is not None and broken.seq == 5


def test_a_dropped_record_is_named():
    records = made(9)
    broken = chain.check(records[:3] + records[4:])
    assert broken is not None and broken.seq == 4 and "missing" in broken.what


def test_a_dropped_record_with_later_ones_renumbered_is_found():
    records = made(9)
    renumbered = [one._replace(seq=one.seq - 1) for one in records[4:]]
    broken = chain.check(records[:3] + renumbered)
    assert broken is not None and broken.seq == 4


def test_an_inserted_record_is_named():
    records = made(9)
    twice = chain.check([*records[:5], records[4], *records[5:]])
    assert twice is not None and twice.seq == 5
    foreign = records[4]._replace(seq=6, body='{"entry":"note"}')
    shifted = [one._replace(seq=one.seq + 1) for one in records[5:]]
    broken = chain.check([*records[:5], foreign, *shifted])
    assert broken is not None and broken.seq == 6


def test_swapped_records_are_named():
    records = made(9)
    records[2], records[3] = records[3], records[2]
    assert chain.check(records) is not None
    contents = made(9)
    contents[2], contents[3] = contents[3]._replace(seq=3), contents[2]._replace(seq=4)
    broken = chain.check(contents)
    assert broken is not None and broken.seq == 3


def test_a_cut_end_is_found_by_a_proof_line_held_elsewhere_and_by_nothing_else():
    records = made(9)
    held = Proof(9, records[-1].hash)
    assert chain.check(records, proofs=[held]) is None
    assert chain.check(records[:6]) is None  # nothing in a shorter chain says that it is short
    broken = chain.check(records[:6], proofs=[held])
    assert broken is not None and broken.seq == 9 and "1 to 6" in broken.what


def test_a_chain_written_anew_is_found_by_a_proof_line_from_the_change_on():
    records = made(9)
    forged = [*records[:4], records[4]._replace(body='{"entry":"note","note":"never happened"}'), *records[5:]]
    forged = chained_anew(forged)
    assert chain.check(forged) is None
    assert chain.check(forged, proofs=[Proof(3, records[2].hash)]) is None  # before the change nothing differs
    broken = chain.check(forged, proofs=[Proof(7, records[6].hash), Proof(3, records[2].hash)])
    assert broken is not None and broken.seq == 7


def test_proof_lines_that_contradict_each_other_are_named():
    assert chain.check(made(3), proofs=[Proof(2, "aa" * 32), Proof(2, "bb" * 32)]) == Broken(
        2, "two proof lines of this number differ"
    )


def test_withheld_records_stand_in_as_digests_and_the_rest_still_holds():
    records = made(9)
    shown: list[Record | Withheld] = [
        Withheld(one.seq, chain.digest(one).hex(), one.hash) if one.seq in (1, 2, 6) else one for one in records
    ]
    assert chain.check(shown, proofs=[Proof(9, records[-1].hash)]) is None
    assert chain.last_hash(shown).hex() == records[-1].hash
    shown[5] = Withheld(6, "00" * 32, records[5].hash)
    broken = chain.check(shown)
    assert broken is not None and broken.seq == 6 and "withheld" in broken.what
    shown[5] = Withheld(6, "no hex", records[5].hash)
    assert chain.check(shown) == Broken(6, "its digest is no hexadecimal number")


def test_without_kept_hashes_the_last_proof_line_still_decides():
    records = [one._replace(hash="") for one in made(9)]
    end = Proof(9, chain.last_hash(records).hex())
    assert chain.check(records, proofs=[end]) is None
    records[3] = records[3]._replace(at_ms=1)
    broken = chain.check(records, proofs=[end])
    assert broken is not None and broken.seq == 9


def test_the_same_content_twice_has_two_digests():
    """Else a withheld record could be guessed: few settings, few words, few moments."""
    one = made(1)[0]
    assert chain.digest(one) != chain.digest(one._replace(salt=chain.new_salt()))
    assert len(bytes.fromhex(one.salt)) == 16


def test_any_single_changed_byte_of_a_body_is_found():
    random_ = random.Random(5)
    records = made(30)
    for _ in range(300):
        at = random_.randrange(30)
        raw = bytearray(records[at].body.encode())
        raw[random_.randrange(len(raw))] ^= random_.randrange(1, 128)
        try:
            changed = raw.decode()
        except UnicodeDecodeError:
            continue  # no text any more: such a record can't even be read
        broken = chain.check([*records[:at], records[at]._replace(body=changed), *records[at + 1 :]])
        assert broken is not None and broken.seq == at + 1


words = st.text(max_size=20)
whole_numbers = st.integers(-(10**15) + 1, 10**15 - 1)
plain = st.none() | st.booleans() | whole_numbers | words | st.floats(allow_nan=False, allow_infinity=False)
values = st.recursive(plain, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words, inner, max_size=4), max_leaves=12)


@given(st.dictionaries(words, values, max_size=5), words)
def test_the_digest_is_that_of_the_whole_object_in_canonical_json_whatever_stands_in_it(body, kind):
    text = chain.canonical(body)
    record = Record(3, 2, 17, kind, text, "ff" * 16)
    back = json.loads(text, parse_int=lambda digits: int(digits) if len(digits) < 16 else float(digits))
    whole = {"seq": 3, "run": 2, "at_ms": 17, "kind": kind, "salt": "ff" * 16, "body": back}
    assert chain.digest(record) == hashlib.sha256(chain.canonical(whole).encode()).digest()

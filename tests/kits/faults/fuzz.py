"""Random and mutated lines through the decoder and the counters; what may come out is known from the lines that went in."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field

from edge.feed.assembler import Assembler
from edge.feed.counters import FASTEST_PER_MS, RESTART_MS
from edge.feed.sentences import LONGEST, Counts, Hello, decode, decode_plain_counts
from tests.kits.wire import count_line, crc16, framed

TICK_MS = 100
BEAM = 4
RATES = (3, 5, 2, 7, 60, 18, 14)
"""Counts a tick and input at most; input 4 is the beam's ms."""

OTHERS = (
    framed(f"TGH,1,kit1,2.4,{len(RATES)},{TICK_MS}"),
    framed("TGP,1,4711,5,20,1030000,6,14,977000"),
    b"$GPRMC,092751.000,A,3457.0000,S,13830.0000,E,4.50,054.7,191126,,,A*7D\r",
    b"$GNVTG,54.7,T,,M,4.50,N,8.33,K,A*13",
)
"""Other sentences of the line; the last two as a receiver writes them, whether their sums are right or not."""


@dataclass
class Found:
    """What a course of lines did."""

    lines: int = 0
    let_through: int = 0
    kinds: Counter[str] = field(default_factory=Counter)


def mutated(chance: random.Random, line: bytes, other: bytes) -> bytes:
    """One line as a bad wire could leave it: bits, bytes, cuts, two lines run together, noise of any length."""
    kind = chance.randrange(9)
    at = chance.randrange(len(line))
    if kind == 0:
        return line[:at] + bytes([line[at] ^ 1 << chance.randrange(8)]) + line[at + 1 :]
    if kind == 1:
        return line[:at] + bytes([chance.randrange(256)]) + line[at + 1 :]
    if kind == 2:
        return line[:at]
    if kind == 3:
        return line[at:]
    if kind == 4:
        return line[:at] + other[chance.randrange(len(other)) :]
    if kind == 5:
        to = chance.randrange(len(line))
        return line[: min(at, to)] + line[max(at, to) :]
    if kind == 6:
        digit = line[at : at + 1]
        return line[:at] + (bytes([chance.randrange(48, 58)]) if digit.isdigit() else digit) + line[at + 1 :]
    if kind == 7:
        return chance.randbytes(chance.randrange(300))
    return b"$" + bytes(chance.choices(b"TGC,1234567890*ABCDEF\r $", k=chance.randrange(1, 80)))


def course(seed: int, count: int, good_share: float = 0.5) -> Found:
    """Feed `count` lines, good ones of a counting board among bad ones; raises AssertionError at the first wrong pulse.

    Good lines are never lost here, so every pulse of the board must be counted, exactly, whatever comes in between; a
    bad line that is no sentence of the board but passes CRC-16 (one in 65,536 of those with a frame) may at most add or
    drop what the plausibility rule of the wire contract allows: then the account begins anew.
    """
    chance = random.Random(seed)
    assembler = Assembler(frozenset({BEAM}))
    found = Found()
    stamp_ms = 1_790_000_000_000
    seq = ms = 0
    counts = [0] * len(RATES)
    line = b""
    account: list[int] | None = None
    lost = [0] * len(RATES)

    while found.lines < count:
        found.lines += 1
        if not line or chance.random() < good_share:
            seq, ms, stamp_ms = (seq + 1) % 65_536, ms + TICK_MS, stamp_ms + TICK_MS
            counts = [(one + chance.randrange(rate + 1)) % (1 << 32) for one, rate in zip(counts, RATES, strict=True)]
            line = count_line(seq, ms, *counts)
            good = assembler.lines.good
            assembler.take(stamp_ms, line)
            held = assembler.counters.holding
            if account is None and not held and assembler.lines.good > good:
                account, lost = list(counts), _total(assembler)
            elif account is not None and not held:
                expected = [base + (now - begun) % (1 << 32) for base, begun, now in zip(lost, account, counts, strict=True)]
                assert _total(assembler) == expected, (seed, found.lines, line)
            continue
        other = count_line(chance.randrange(65_536), ms, *counts) + b"\n"
        if chance.random() < 0.2:
            assembler.take(stamp_ms, other := chance.choice(OTHERS))
        bad = mutated(chance, *((line, other) if chance.random() < 0.8 else (other, line)))
        for piece in bad.split(b"\n"):
            before = _total(assembler)
            sentence = decode(piece)
            found.kinds[type(sentence).__name__] += 1
            _check_decoded(piece, sentence)
            mine = (ms % (1 << 32), *counts)  # under another number in the sequence it is still the truth
            passed = isinstance(sentence, Counts) and (sentence.ms, *sentence.counts) != mine
            passed = passed or (isinstance(sentence, Hello) and sentence.inputs != len(RATES))
            assembler.take(stamp_ms, piece)
            after = _total(assembler)
            if passed:
                found.let_through += 1
                _check_plausible(before, after)
                account = None
            else:
                assert after == before, (seed, found.lines, piece)
    return found


def _total(assembler: Assembler) -> list[int]:
    totals = assembler.total_pulses()
    return totals + [0] * (len(RATES) - len(totals))


def _check_decoded(line: bytes, sentence: object) -> None:
    """A sentence of counts has its frame, its CRC and numbers in range; the quick way agrees with the careful one."""
    quick = decode_plain_counts(line)
    if not isinstance(sentence, Counts):
        assert quick is None, line
        return
    bare = line[:-1] if line.endswith(b"\r") else line
    assert len(bare) <= LONGEST and bare[:1] == b"$" and bare[-5:-4] == b"*"
    assert bare[-4:] == b"%04X" % crc16(bare[1:-5])
    assert sentence.seq < 1 << 16 and sentence.ms < 1 << 32 and all(one < 1 << 32 for one in sentence.counts)
    assert quick in (None, tuple(sentence))


def _check_plausible(before: list[int], after: list[int]) -> None:
    for at, (was, now) in enumerate(zip(before, after, strict=True)):
        most = RESTART_MS + TICK_MS if at == BEAM else FASTEST_PER_MS * RESTART_MS
        assert 0 <= now - was <= most

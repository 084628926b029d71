"""One line of bytes -> one sentence: against a CRC worked out bit by bit, and under damage and noise."""

from __future__ import annotations

import os

import hypothesis.strategies as st
from hypothesis import example, given, settings

from edge.feed.assembler import Assembler
from edge.feed.nmea import Fix
from edge.feed.sentences import Counts, Fault, Hello, Periods, decode, decode_plain_counts, frame
from tests.kits.wire import START_MS, count_line, crc16, framed, nmea_line

EXAMPLES = int(os.environ.get("TAILGRAIN_EXAMPLES", "100"))

WORDS = st.integers(0, 0xFFFF)
LONGS = st.integers(0, 0xFFFFFFFF)


def test_the_crc_worked_out_here_is_the_catalogue_s():
    # Catalogue of parametrised CRC algorithms (RevEng), CRC-16/IBM-3740: check value 29B1 over "123456789".
    assert crc16(b"123456789") == 0x29B1
    # The neighbours that are easily taken for it (same polynomial): XMODEM 31C3 starts from 0, GENIBUS D64E inverts.
    assert crc16(b"123456789") not in (0x31C3, 0xD64E)


@given(st.binary(max_size=230).filter(lambda body: b"\n" not in body))
@settings(max_examples=EXAMPLES)
def test_a_right_crc_over_any_body_is_never_called_a_bad_crc(body):
    assert decode(framed(body)) != Fault("bad_crc") or body[:2] in (b"GP", b"GN")


@given(WORDS, LONGS, LONGS, st.lists(LONGS, min_size=1, max_size=16))
@settings(max_examples=EXAMPLES)
def test_a_count_sentence_comes_out_as_it_went_in(seq, ms, levels, counts):
    line = framed(f"TGC,1,{seq},{ms},{levels:X}," + ",".join(map(str, counts)))
    assert decode(line) == decode(line + b"\r") == Counts(seq, ms, levels, counts)
    quick = decode_plain_counts(line)
    assert quick is None or quick == (seq, ms, levels, counts)


KITS = st.text(st.characters(codec="ascii", exclude_characters=",*\n\r$"), max_size=20)


@given(KITS, st.integers(1, 32), st.integers(1, 60_000))
def test_hello_and_frame_agree(kit, inputs, tick_ms):
    assert decode(frame(f"TGH,1,{kit},1.0,{inputs},{tick_ms}")[:-1]) == Hello(kit, "1.0", inputs, tick_ms)


@given(LONGS, st.lists(st.tuples(st.integers(0, 31), LONGS, LONGS), min_size=1, max_size=7))
def test_periods_come_out_as_they_went_in(ms, periods):
    body = f"TGP,1,{ms}," + ",".join(f"{at},{edges},{span}" for at, edges, span in periods)
    assert decode(framed(body)) == Periods(ms, tuple(periods))


@given(st.integers(0, 0xFFFF), st.integers(1, 16), st.integers(0, (1 << 16) - 1))
@settings(max_examples=EXAMPLES)
@example(where=0, length=1, pattern=1)
def test_no_burst_of_up_to_16_damaged_bits_passes_as_counts(where, length, pattern):
    """A 16-bit CRC finds every burst of up to 16 bits (standard property of a CRC of degree 16)."""
    line = count_line(65535, 4_294_967_295, 4_000_000_000, 17, 0, 123_456)
    burst = (pattern | 1) & ((1 << length) - 1)
    body = int.from_bytes(line[1:-5], "big")
    bits = 8 * len(line[1:-5])
    damaged = body ^ (burst << where % (bits - length))
    hurt = b"$" + damaged.to_bytes(len(line) - 6, "big") + line[-5:]
    if b"\n" in hurt:
        return  # the wire would split it
    assert not isinstance(decode(hurt), Counts)
    assert decode_plain_counts(hurt) is None


def mutations(line: bytes) -> st.SearchStrategy[bytes]:
    """A sentence with a few bytes exchanged, left out or put in, and its CRC made right again or not."""
    some = st.sampled_from(b"0159AaFf,-+_ .*$\r\x00\xff")
    edits = st.lists(st.tuples(st.integers(0, len(line)), st.sampled_from([0, 1, 2]), some))

    def edit(todo: list[tuple[int, int, int]], mend: bool) -> bytes:
        hurt = bytearray(line)
        for where, kind, byte in todo:
            hurt[where : where + (kind > 0)] = bytes([byte]) if kind != 1 else b""
        return framed(bytes(hurt[1:-5])) if mend else bytes(hurt)

    return st.builds(edit, edits, st.booleans())


@given(mutations(count_line(5, 1200, 10, 20, 300)))
@settings(max_examples=2 * EXAMPLES)
def test_the_quick_way_and_the_thorough_way_agree_on_anything(line):
    quick, sentence = decode_plain_counts(line), decode(line)
    if quick is not None:
        assert sentence == Counts(*quick)
    assert isinstance(sentence, (Counts, Hello, Periods, Fix, Fault))


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=260),
            mutations(count_line(7, 700, 1, 2)),
            mutations(framed("TGP,1,700,5,3,70000")),
            mutations(framed("TGH,1,K,1.0,2,100")),
            mutations(nmea_line("GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E")),
            mutations(nmea_line("GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000")),
            mutations(nmea_line("GPVTG,108.53,T,,M,0.04,N,0.07,K,A")),
            st.builds(count_line, WORDS, LONGS, LONGS, LONGS),
        ).map(lambda line: line.replace(b"\n", b"")),
        max_size=30,
    ),
    st.booleans(),
)
@settings(max_examples=EXAMPLES)
def test_any_lines_count_once_each_and_nothing_raises(lines, by_board):
    assembler = Assembler(frozenset([1]), epoch_ms=START_MS if by_board else None)
    for number, line in enumerate(lines):
        assembler.take(None if by_board else START_MS + 100 * number, line)
        counted = assembler.lines
        assert counted.good + counted.bad_crc + counted.malformed == number + 1
    assembler.counters.finish()
    counted = assembler.lines
    assert counted.good + counted.bad_crc + counted.malformed == len(lines)


def test_the_bad_frames_of_the_contract_in_words():
    good = count_line(5, 100, 10, 20)
    for line, kind in {
        good[:-4] + good[-4:].lower().replace(b"0", b"o"): "bad_crc",
        good[:-4] + b"\x00\x01\x02\x03": "bad_crc",
        good[:-4] + b"****": "bad_crc",
        good[1:]: "malformed",
        good + b" ": "malformed",
        b" " + good: "malformed",
        good + good: "bad_crc",  # two sentences run together: a frame whose CRC is not right
        good.replace(b"*", b"+"): "malformed",
        good + b"\r\r": "malformed",  # one 0x0D before the line end is accepted, two are not
        b"$*FFFF": "malformed",  # the CRC of nothing is right, the body unknown
        b"$*0000": "bad_crc",
        framed("TGC"): "malformed",
        framed("TGC,01,5,100,3,1"): "malformed",  # version "1" only
        framed("TGC,1,5,100,,1"): "malformed",
        framed("TGC,1,5,100,0x3,1"): "malformed",
        framed("TGC,1,5,100,3,1,"): "malformed",
        framed("TGC,1,5,100,100000000,1"): "malformed",  # 33 bits of levels
        framed("TGC,1,5,100,3,\xb2".encode("latin-1")): "malformed",  # a superscript two is a digit elsewhere
        framed("TGH,1,K,1,0,100"): "malformed",
        framed("TGH,1,K,1,7"): "malformed",
        framed("TGH,1,K,1,7,100,9"): "malformed",
        framed("TGP,1,100,5,3,700,6"): "malformed",
        framed("tgc,1,5,100,3,1"): "malformed",
        b"$" + b"x" * 250 + b"*0000": "malformed",  # over-long comes before the CRC
        b"!AIVDM,1,1*00": "malformed",
        b"$IIMWV,271.0,R,000.2,N,A*3B": "malformed",  # NMEA of another talker than GP and GN
    }.items():
        assert decode(line) == Fault(kind), line


def test_control_characters_inside_a_line_are_part_of_it():
    hurt = bytearray(count_line(5, 100, 10, 20))
    for byte in (0x00, 0x0B, 0x0C, 0x0D, 0x1A, 0x1C, 0x85):
        hurt[9] = byte
        assert decode(bytes(hurt)) == Fault("bad_crc")

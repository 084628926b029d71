"""Recordings: what is written is what is read, whatever bytes came."""

from __future__ import annotations

import os

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from edge.contract.errors import CaptureError
from edge.feed import capture
from edge.feed.lines import LineSplitter
from tests.kits.wire import START_MS

EXAMPLES = int(os.environ.get("TAILGRAIN_EXAMPLES", "100"))
ANY_LINE = st.binary(max_size=260).map(lambda line: line.replace(b"\n", b"\r"))
LINES = st.lists(st.tuples(st.integers(0, 32_503_679_999_999), ANY_LINE), max_size=12)


@given(LINES, st.sampled_from(["x.tgcap", "x.tgcap.gz"]))
@settings(max_examples=EXAMPLES // 2, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_come_back_with_their_stamps(tmp_path, lines, name):
    recorder = capture.Recorder(tmp_path / name)
    for stamp_ms, line in lines:
        recorder.write(stamp_ms, line)
    recorder.close()
    assert [tuple(line) for line in capture.read(tmp_path / name)] == lines


@given(st.lists(st.binary(max_size=40), max_size=20), st.data())
@settings(max_examples=EXAMPLES)
def test_lines_do_not_depend_on_how_the_bytes_arrive(pieces, data):
    text = b"\n".join(pieces) + b"\n"
    cuts = sorted(data.draw(st.lists(st.integers(0, len(text)), max_size=8)))
    splitter, lines = LineSplitter(), []
    for start, end in zip([0, *cuts], [*cuts, len(text)], strict=True):
        lines += splitter.feed(text[start:end])
    assert lines == text.split(b"\n")[:-1]


@pytest.mark.parametrize("size", [299, 300, 301, 4095, 4096, 4097, 9000])
@pytest.mark.parametrize("chunk", [1000, 100_000])
def test_a_line_that_runs_on_is_one_line_and_the_next_is_whole(size, chunk):
    text = b"a" * size + b"\nnext\n" + b"b" * size + b"\n"
    splitter, lines = LineSplitter(), []
    for start in range(0, len(text), chunk):
        lines += splitter.feed(text[start : start + chunk])
    assert len(lines) == 3 and lines[1] == b"next"
    assert set(lines[0]) == {ord("a")} and set(lines[2]) == {ord("b")}
    assert all(len(line) == size or 240 < len(line) < size for line in (lines[0], lines[2]))


def test_flushed_lines_can_be_read_while_recording_goes_on(tmp_path):
    for name in ("x.tgcap", "x.tgcap.gz"):
        recorder = capture.Recorder(tmp_path / name)
        recorder.write(START_MS, b"$A")
        recorder.flush()
        recorder.write(START_MS + 100, b"$B")
        assert [line.text for line in capture.read(tmp_path / name)][:1] == [b"$A"]
        recorder.close()


def test_stamps_that_are_none(tmp_path):
    path = tmp_path / "x.tgcap"
    bad = [
        b"", b" ", b"$TGC", b"1790000000", b"1790000000.12 $X", b"1790000000.1234 $X", b"1790000000,123 $X", b"-790000000.123 $X",
        b"+790000000.123 $X", b" 1790000000.123 $X", b"1790000000.123$X", b"1790000000.123\t$X", b"17900000.0.123 $X",
        b"99999999999999.123 $X", b"1e9.000 $X", "１７９０００００００.123 $X".encode(), b"nan.000 $X",
    ]  # fmt: skip
    path.write_bytes(b"1790000000.100 $A\n" + b"\n".join(bad) + b"\n1790000000.200 $B\n")
    stamps = [line.stamp_ms for line in capture.read(path)]
    assert stamps == [START_MS + 100, *[None] * len(bad), START_MS + 200]


def test_a_text_keeps_its_blanks_and_carriage_returns(tmp_path):
    path = tmp_path / "x.tgcap"
    path.write_bytes(b"1790000000.100  $A \r\n1790000000.100 \n1790000000.100 !{}")
    assert [line.text for line in capture.read(path)] == [b" $A \r", b"", b"!{}"]


def test_a_folder_that_is_not_there_is_one_clear_fault(tmp_path):
    with pytest.raises(CaptureError, match="can't be written") as fault:
        capture.Recorder(tmp_path / "nowhere" / "x.tgcap")
    assert "\n" not in str(fault.value) and "nowhere" in str(fault.value)
    with pytest.raises(CaptureError, match="can't be read"):
        list(capture.read(tmp_path))

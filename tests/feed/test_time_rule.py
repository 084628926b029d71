"""Section 2 of the contract: which second a line belongs to, silence, clock steps, gaps; and stamps from the board."""

from __future__ import annotations

import gzip

import pytest

from edge.contract.errors import CaptureError
from edge.feed import capture
from edge.feed.assembler import Assembler
from edge.feed.lines import LineSplitter
from edge.feed.sentences import frame

T0 = 1_790_000_000


def line(number: int, ms: int, *counts: int, levels: int = 3) -> bytes:
    fields = [number % 65536, ms, levels, *counts]
    return frame("TGC,1," + ",".join(map(str, fields)))[:-1]


def at(seconds: float) -> int:
    return round((T0 + seconds) * 1000)


def run(assembler, *lines):
    closed = []
    for seconds, text in lines:
        closed += assembler.take(at(seconds), text)
    return closed


def test_a_second_is_left_open_right_closed_and_named_by_its_end():
    assembler = Assembler()
    closed = run(assembler, (0.1, line(1, 100, 0)), (1.0, line(2, 1000, 7)), (1.001, line(3, 1001, 8)), (2.5, line(4, 2500, 9)))
    assert [second.t - T0 for second in closed] == [1, 2]
    assert [sum(part.counts[0] for part in second.parts) for second in closed] == [7, 1]


def test_the_first_second_is_the_first_whole_one_at_or_after_the_first_good_sentence():
    assembler = Assembler()
    run(assembler, (0.2, b"noise"), (3.7, b"$TGC*0000"))
    assert run(assembler, (5.0, line(1, 100, 0)), (5.1, line(2, 200, 1)))[0].t == T0 + 5


def test_silent_seconds_are_output_and_empty():
    assembler = Assembler()
    closed = run(assembler, (0.5, line(1, 100, 0)), (4.5, line(2, 4100, 40)))
    assert [second.t - T0 for second in closed] == [1, 2, 3, 4]
    assert [second.data for second in closed] == [1, 0, 0, 0]


def test_the_counts_of_a_gap_go_to_the_second_of_arrival_with_their_duration_and_the_closing_level():
    assembler = Assembler()
    run(assembler, (0.5, line(1, 100, 0, levels=3)))
    closed = run(assembler, (4.5, line(2, 4100, 40, levels=2)), (5.5, line(3, 5100, 41, levels=2)))
    assert closed[-1].parts == [(2, 4000, 4000, [40])]


def test_exactly_600_s_forward_is_silence_and_more_is_a_clock_step():
    for jump, filled in ((600.0, 600), (600.001, 1)):
        assembler = Assembler()
        run(assembler, (0.5, line(1, 100, 0)))
        closed = run(assembler, (0.5 + jump, line(2, 600, 1)))
        assert len(closed) == filled
        assert [event.kind for event in assembler._events] == (["clock step"] if filled == 1 else [])


def test_a_backward_step_takes_t_back_fills_nothing_and_goes_on():
    assembler = Assembler()
    closed = run(assembler, (100.5, line(1, 100, 0)), (50.2, line(2, 200, 3)), (51.2, line(3, 1200, 5)))
    assert [second.t - T0 for second in closed] == [101, 51]
    assert [second.number for second in closed] == [1, 2]
    assert closed[1].events[0].kind == "clock step"
    assert sum(part.counts[0] for part in closed[1].parts) == 3


def test_a_backward_step_within_the_open_second_closes_nothing():
    assembler = Assembler()
    assert run(assembler, (0.5, line(1, 100, 0)), (0.3, line(2, 200, 3))) == []


def test_a_malformed_line_with_a_stamp_closes_seconds_too():
    assembler = Assembler()
    run(assembler, (0.5, line(1, 100, 0)))
    assert [second.t - T0 for second in run(assembler, (2.5, b"noise"))] == [1, 2]


def test_live_a_second_closes_250_ms_after_its_end_although_nothing_comes():
    assembler = Assembler()
    run(assembler, (0.5, line(1, 100, 0)))
    assert assembler.close_silent(at(1.249)) == []
    assert [second.t - T0 for second in assembler.close_silent(at(1.25))] == [1]
    assert [second.t - T0 for second in assembler.close_silent(at(3.3))] == [2, 3]


def test_the_open_second_counts_in_the_totals():
    assembler = Assembler()
    run(assembler, (0.5, line(1, 100, 5)), (0.6, line(2, 200, 9)))
    assert assembler.total_pulses() == [4] and assembler.closed == 0


def test_board_stamps_are_the_epoch_plus_unwrapped_uptime_and_go_on_one_tick_after_a_restart():
    stamps = []
    assembler = Assembler(epoch_ms=T0 * 1000, on_stamped=lambda stamp_ms, text: stamps.append(stamp_ms - T0 * 1000))
    lines = [
        frame("TGH,1,K,1,1,100")[:-1], line(9, 4_294_967_200, 0), line(10, 4, 1), b"noise", line(11, 104, 2),
        line(0, 50, 0), line(1, 150, 1),
    ]  # fmt: skip
    # the third restart-like step: uptime 104 -> 50 is 4,294,967,242 ms forward, over 600 s: a restart
    for text in lines:
        assembler.take(None, text)
    first = 4_294_967_200
    assert stamps == [first, first, first + 100, first + 100, first + 200, first + 300, first + 400]
    assert assembler.lines.restarts == 1


def test_lines_before_any_count_get_the_first_count_s_stamp_and_are_counted():
    assembler = Assembler(epoch_ms=T0 * 1000)
    assembler.take(None, b"noise")
    assert assembler.lines.malformed == 1
    assembler.take(None, line(1, 700_000_000, 0))
    assert (assembler.lines.malformed, assembler.lines.good) == (1, 1)


@pytest.mark.parametrize("name", ["run.tgcap", "run.tgcap.gz"])
def test_a_capture_is_read_as_it_was_written(tmp_path, name):
    recorder = capture.Recorder(tmp_path / name)
    recorder.write(1_790_000_000_007, b"$X\rY\x0b\xff")
    recorder.write(1_790_000_000_107, b'!{"entry": "note"}')
    recorder.close()
    assert [tuple(one) for one in capture.read(tmp_path / name)] == [
        (1_790_000_000_007, b"$X\rY\x0b\xff"),
        (1_790_000_000_107, b'!{"entry": "note"}'),
    ]


def test_a_line_without_a_stamp_has_none(tmp_path):
    path = tmp_path / "x.tgcap"
    path.write_bytes(b"noise\n1790000000 $X\n1790000000.1234 $X\n1790000000.12x $X\n1790000000.123 $X\n\nlast.000 x")
    assert [one.stamp_ms for one in capture.read(path)] == [None, None, None, None, 1_790_000_000_123, None, None]


def test_a_recording_cut_off_in_a_compressed_block_gives_what_it_holds(tmp_path):
    whole = b"".join(b"1790000000.%03d $line%d\n" % (number % 1000, number) for number in range(50_000))
    packed = gzip.compress(whole)
    path = tmp_path / "cut.tgcap.gz"
    path.write_bytes(packed[: len(packed) // 2])
    lines = list(capture.read(path))
    assert len(lines) > 15_000
    assert all(one.text == b"$line%d" % number for number, one in enumerate(lines[:-1]))


def test_a_missing_capture_or_one_that_is_no_gzip_is_one_clear_fault(tmp_path):
    with pytest.raises(CaptureError, match="can't be read"):
        list(capture.read(tmp_path / "nowhere.tgcap"))
    (tmp_path / "x.tgcap.gz").write_bytes(b"1790000000.000 $X\n")
    with pytest.raises(CaptureError, match="can't be read"):
        list(capture.read(tmp_path / "x.tgcap.gz"))


def test_lines_are_split_on_0x0a_only_however_the_bytes_arrive():
    data = b"a\rb\x0bc\n\nlast\n" + b"x" * 10_000 + b"\nend"
    for size in (1, 3, 7, 5000, 20_000):
        splitter = LineSplitter()
        lines = []
        for start in range(0, len(data), size):
            lines += splitter.feed(data[start : start + size])
        assert lines[:3] == [b"a\rb\x0bc", b"", b"last"]
        assert len(lines) == 4 and len(lines[3]) > 240
        assert splitter.end() == [b"end"]

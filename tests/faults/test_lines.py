"""What can go wrong between the counter board and the kit, on real kits side by side: each must go on, invent nothing,
say it once, and be back within 5 s of the line's return."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import pytest

from edge.feed.ports import Reader, candidates, stable_names
from tests.kits.board import Pty
from tests.kits.broker import Broker
from tests.kits.faults.lines import BACK_WITHIN_S, SCENARIOS
from tests.kits.tools import need_tool


@pytest.fixture(scope="module")
def outcomes(nursery, tmp_path_factory) -> Iterator[dict[str, Future[float]]]:
    """All scenarios at once, a kit each: they wait more than they work."""
    folder = tmp_path_factory.mktemp("lines")
    broker = Broker(need_tool("mosquitto"), folder / "mosquitto")
    broker.start()
    with ThreadPoolExecutor(len(SCENARIOS)) as pool:
        yield {name: pool.submit(scenario, nursery, folder / name, broker) for name, scenario in SCENARIOS.items()}
    broker.stop()


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_a_line_with(name, outcomes):
    assert outcomes[name].result(timeout=55) < BACK_WITHIN_S


def test_a_device_keeps_its_stable_name_when_the_system_numbers_it_anew(tmp_path, eventually):
    devices, stable = tmp_path / "dev", tmp_path / "by-id"
    devices.mkdir()
    stable.mkdir()
    first = Pty(devices / "usb0")
    (stable / "usb-Counter_17").symlink_to(os.path.realpath(first.link))
    heard: list[bytes] = []
    reader = Reader(str(devices / "usb0"), 115_200, lambda: 0, lambda _, lines: heard.extend(lines), (stable,))
    reader.start()
    try:
        eventually(lambda: first.write(b"$one\n") and heard, 10, "heard at the first place")
        assert stable_names(str(devices / "usb0"), (stable, tmp_path / "none")) == [str(stable / "usb-Counter_17")]
        first.unplug()
        (stable / "usb-Counter_17").unlink()
        second = Pty(devices / "usb1")  # the name in the settings does not come back
        (stable / "usb-Counter_17").symlink_to(os.path.realpath(second.link))
        began = time.monotonic()
        eventually(lambda: second.write(b"$two\n") and b"$two" in heard, BACK_WITHIN_S, "heard at the second place")
        assert time.monotonic() - began < BACK_WITHIN_S
        assert reader.fault == ""
        second.unplug()
        eventually(lambda: reader.fault, 5, "the fault said")
    finally:
        reader.stop()
        reader.join(5)


def test_a_pattern_stands_for_every_device_that_matches_and_a_name_for_itself(tmp_path):
    for name in ("ttyB", "ttyA", "other"):
        (tmp_path / name).touch()
    assert candidates(str(tmp_path / "tty*")) == [str(tmp_path / "ttyA"), str(tmp_path / "ttyB")]
    assert candidates(str(tmp_path / "tty[B]")) == [str(tmp_path / "ttyB")]
    assert candidates(str(tmp_path / "none*")) == []
    assert candidates("socket://[::1]:99") == ["socket://[::1]:99"]
    (tmp_path / "odd[1]").touch()
    assert candidates(str(tmp_path / "odd[1]")) == [str(tmp_path / "odd[1]")]

"""Tray tests that an owner wrote into a pack anew, with a chain that holds: worked out from trays and seconds, they differ."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
import rfc8785

from edge.contract.errors import TailgrainError
from edge.evidence.pack import collect
from edge.evidence.pack.document import Document
from edge.evidence.recount import material as report_material
from edge.evidence.verify import seconds, trays
from edge.keep.store import FILE_NAME
from tests.kits.engines import EngineKit
from tests.kits.life import Life
from tests.kits.packs import Data, Kept, chained_anew, data_of, plain_of

KEY = bytes(32)
Body = dict[str, Any]


def wrong(data: Data) -> tuple[int, str] | None:
    document = msgspec.json.decode(json.dumps(data).encode(), type=Document)
    return trays.wrong(report_material.read(document))


def forged(data: Data, kind: str, nth: int, change: Callable[[Body], None]) -> int:
    """Rewrite the n-th record of a kind, and the chain; its number."""
    rows = [row for row in data["records"] if len(row) == 7 and row[3] == kind]
    body = json.loads(rows[nth][4])
    before = copy.deepcopy(body)
    change(body)
    assert body != before
    rows[nth][4] = rfc8785.dumps(body).decode()
    chained_anew(data)
    return int(rows[nth][0])


def result(**times: float) -> Callable[[Body], None]:
    def change(body: Body) -> None:
        for key, factor in times.items():
            body["result"][key] *= factor

    return change


def window(**times: float) -> Callable[[Body], None]:
    def change(body: Body) -> None:
        for key, factor in times.items():
            value = body["window"][key]
            body["window"][key] = [factor * one for one in value] if isinstance(value, list) else factor * value

    return change


def put(**values: Any) -> Callable[[Body], None]:
    return lambda body: body.update(values)


def shift(body: Body) -> None:
    body["at_s"] += 30


def recount(body: Body) -> None:
    """Another catch, with the result that it gives: of no tray entry."""
    for tray in body["entry"]["trays"]:
        tray["grains"] *= 2


def unseen(body: Body) -> None:
    """A test that nobody likes, with seconds that nobody remembers."""
    body["window"].update(seconds=0, working_s=0, speeds=[], metres=0, threshing_s=0, pulses=[], variance=[], area_m2=0)
    body.update(used=False, why="no seconds around the tray are in this record")


NOT_USED = "only 2 of the 10 seconds around the tray were steady work; at least 8 are needed"
FORGED: dict[str, tuple[Callable[[Body], None], str]] = {
    "a tenth of the grain": (result(machine_g_m=0.1, u_machine_g_m=0.1, tray_g_m=0.1), "grain per metre"),
    "surer than it is": (result(u_machine_g_m=0.5), "uncertainty of the grain"),
    "fewer kernels": (result(grains_m2=0.9), "kernels"),
    "five times the pulses": (window(pulses=5, variance=5), "pulses around the tray"),
    "pulses a percent off": (window(pulses=1.01), "pulses around the tray"),
    "a surer window": (window(variance=0.5), "pulses around the tray"),
    "more metres": (window(metres=1.02), "metres around"),
    "less area": (window(area_m2=0.9), "area around"),
    "other exposure": (window(threshing_s=1.1), "exposure around"),
    "steadier": (lambda body: body["window"].update(speeds=[8.0] * 10), "speeds around"),
    "less work": (lambda body: body["window"].update(working_s=4), "seconds of work around"),
    "no seconds": (unseen, "seconds around"),
    "not used, no reason": (put(used=False), "said to count, and not to"),
    "used against its reason": (put(why=NOT_USED), "said to count, and not to"),
    "not used by word": (put(used=False, why=NOT_USED), "does not count, and could be used"),
    "of another crop": (put(crop=7), "of another crop"),
    "at another time": (shift, "at another time"),
    "of other trays": (recount, "of no tray entry"),
}


@pytest.mark.parametrize("name", FORGED)
@pytest.mark.parametrize("nth", [0, 1], ids=["entered at once", "by its mark"])
def test_a_tray_test_that_was_written_anew_is_named(pack: bytes, name: str, nth: int) -> None:
    change, words = FORGED[name]
    data = plain_of(pack)
    seq = forged(data, "calibration", nth, change)
    found = wrong(data)
    assert found is not None and found[0] == seq and words in found[1], found


def test_a_test_that_was_moved_out_of_the_change_before_it_is_named(tmp_path: Path) -> None:
    """A test 20 s after a change of setting can't count; here the owner says that it does."""
    data = told(tmp_path, changed=True)
    assert wrong(copy.deepcopy(data)) is None
    seq = forged(data, "calibration", -1, put(used=True, why=""))
    found = wrong(data)
    assert found is not None and found[0] == seq and "counts, and could not be used: fan_rpm was changed" in found[1]


@pytest.mark.parametrize(("tgw_g", "times"), [(38.0, 38 / 40), (44.0, 44 / 40)])
def test_tgw_in_force_when_the_catch_was_entered_counts(tmp_path: Path, tgw_g: float, times: float) -> None:
    data = told(tmp_path, tgw_g=tgw_g)
    assert wrong(copy.deepcopy(data)) is None
    seq = forged(data, "calibration", -1, result(machine_g_m=1 / times, tray_g_m=1 / times))
    found = wrong(data)
    assert found is not None and found[0] == seq


@pytest.mark.parametrize("counts", [True, False])
def test_what_only_says_where_a_setting_stands_spoils_no_test(tmp_path: Path, counts: bool) -> None:
    """Records of before, when a first value still spoilt the test beside it, are borne too."""
    data = told(tmp_path, stands=True)
    assert wrong(copy.deepcopy(data)) is None
    if not counts:
        forged(data, "calibration", -1, put(used=False, why="fan_rpm was changed 20 s before the tray; 30 s must pass first"))
        assert wrong(data) is None


def told(folder: Path, changed: bool = False, tgw_g: float | None = None, stands: bool = False) -> Data:
    """A job with a test after a setting or a TGW was changed, or a setting told as it stands."""
    path = folder / FILE_NAME
    kit = EngineKit(path)
    kit.enter(entry="job_start", client="First client")
    kit.calibrate()
    if tgw_g is not None:
        kit.enter(entry="crop", tgw_g=tgw_g)
    if changed:
        kit.enter(entry="setting", what="fan_rpm", to=800, **{"from": 860})
    if stands:
        kit.enter(entry="setting", what="fan_rpm", to=800)
    kit.work(20)
    kit.enter(entry="tray", residue_width_m=9.0, trays=[{"grains": 200, "length_m": 1.0, "width_m": 3.0}])
    kit.work(100)
    kit.enter(entry="job_finish", harvested_t=1.1, area_ha=0.4)
    kit.end()
    found: Data = json.loads(msgspec.json.encode(collect.collect(path, 1, "exact", KEY, 0)))
    return found


def test_a_test_of_before_the_job_is_held_against_its_trays(kept: Kept, tmp_path: Path) -> None:
    data = plain_of(kept.pack(tmp_path / "south.html", 2))
    assert wrong(copy.deepcopy(data)) is None

    def tenth(body: Body) -> None:
        for test in body["tests"]:
            result(machine_g_m=0.1, u_machine_g_m=0.1, tray_g_m=0.1)(test)

    seq = forged(data, "job opening", 0, tenth)
    found = wrong(data)
    assert found is not None and found[0] == seq and "test 1 in it" in found[1]


@pytest.mark.parametrize("key", ["harvested_t", "area_ha", "measured_area_ha", "yield_t_ha", "area_off_pct"])
def test_a_correction_follows_from_tonnes_hectares_and_minutes(tmp_path: Path, key: str) -> None:
    data = told(tmp_path)
    seq = forged(data, "job correction", 0, lambda body: body.update({key: body[key] * 1.1}))
    found = wrong(data)
    assert found is not None and found[0] == seq


@pytest.mark.parametrize("nth", [0, 2])
def test_pulses_of_a_minute_that_was_written_anew_are_still_found(pack: bytes, tmp_path: Path, nth: int) -> None:
    """What the kit knew from before the job excuses no more than its first, short seconds."""

    def more(body: Body) -> None:
        for crop in body["sums"]["crops"].values():
            crop["points"]["separator"][0] *= 1.3

    for data in (plain_of(pack), told(tmp_path)):
        seq = forged(data, "minute", nth, more)
        document = msgspec.json.decode(json.dumps(data).encode(), type=Document)
        found = seconds.sums(report_material.read(document))
        assert found is not None and found.record == seq and "separator pulses" in str(found.fault)


def test_a_record_of_another_shape_is_named(pack: bytes) -> None:
    document = data_of(pack)
    material = report_material.read(document)
    one = next(one for one in material.told if one.kind == "calibration")
    del one.body["result"]["tray_count"], one.body["window"]["seconds"]
    found = trays.wrong(material)
    assert found is not None and found[0] == one.seq and "does not hang together" in found[1]


def test_nothing_is_wrong_in_the_packs_of_hard_lives(tmp_path: Path) -> None:
    """Every kind of tray test, over restarts, silence, lost lines, a clock that steps, changed crops and other clients' jobs."""
    tests = used = 0
    for seed in range(14):
        path = tmp_path / str(seed) / FILE_NAME
        path.parent.mkdir()
        for job in range(1, Life(path, seed).live(60) + 1):
            try:
                document = collect.collect(path, job, "exact", KEY, 0)
            except TailgrainError:  # a job without a minute
                continue
            material = report_material.read(document)
            found = [one.body for one in material.told if one.kind == "calibration"]
            tests, used = tests + len(found), used + sum(one["used"] for one in found)
            assert trays.wrong(material) is None, (seed, job)
            assert seconds.sums(material) is None, (seed, job)
    assert tests > 30 and 10 < used < tests

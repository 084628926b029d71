"""What a pack full of small records costs to read: it grows with the records, not with their square."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from typing import Any

import pytest

from edge.evidence.recount import events
from edge.evidence.recount import material as report_material
from edge.evidence.recount.facts import facts, of_material
from edge.evidence.recount.material import Material, ToldRecord
from edge.evidence.report import sections
from edge.evidence.report.words import Pen
from edge.reckon.fit import factor
from tests.kits.packs import data_of

MOST_S = 20.0
"""Far above what is needed (under 2 s), far below what took its square or cube."""


def among(material: Material, *more: ToldRecord) -> list[ToldRecord]:
    """Records with some put in before the last minute."""
    last = max(at for at, one in enumerate(material.told) if one.kind == "minute")
    return [*material.told[:last], *more, *material.told[last:]]


def test_thousands_of_tray_tests_are_fitted_once(pack: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    document, draw = data_of(pack), random.Random(4)
    of_pack = report_material.read(document)
    one = next(one for one in of_pack.told if one.kind == "calibration" and one.body["used"])

    def another(number: int) -> ToldRecord:
        result = {**one.body["result"], "machine_g_m": one.body["result"]["machine_g_m"] * draw.uniform(0.7, 1.4)}
        own = {"number": number, "entry_seq": 100_000 + number}
        return one._replace(body={**one.body, **own, "at_s": one.body["at_s"] + number / 1000, "result": result})

    told = among(of_pack, *(another(number) for number in range(10, 2010)))
    fits = []
    fit = factor.fit

    def counted(*given: Any) -> factor.Fit | None:
        fits.append(len(given[0]))
        return fit(*given)

    monkeypatch.setattr(report_material, "_told", lambda records: told)
    monkeypatch.setattr(factor, "fit", counted)
    began = time.perf_counter()
    found = facts(document)
    assert time.perf_counter() - began < MOST_S
    assert len(found.tests) == len([one for one in of_pack.told if one.kind == "calibration"]) + 2000
    assert max(fits) > 2000 and sum(fits) < 10 * 2000


def test_of_thousands_of_alerts_and_settings_only_what_is_printed_is_kept(pack: bytes) -> None:
    material = report_material.read(data_of(pack))
    alert = next(one for one in material.told if one.kind == "alert")
    raised = {**alert.body, "rule": "loss-high", "state": "raised", "ended_ms": None}
    setting = next(one for one in material.of_kind("entry") if one.body["entry"] == "setting")
    n = 4000
    alerts = [alert._replace(body={**raised, "object": str(at)}) for at in range(n)]
    before = len(events.alerts(material))
    material.told = among(material, *alerts, *[setting._replace(body={**setting.body, "at": alert.at_s + 5})] * n)
    began = time.perf_counter()
    found = of_material(material)
    assert time.perf_counter() - began < MOST_S
    assert len(found.alerts) == before + n
    kept = [len(one.done) for one in found.alerts]
    assert max(kept) == events.MOST_DONE and sum(kept) <= events.MOST_ALERTS * events.MOST_DONE
    page = sections.alerts(found, Pen("m1"))
    assert f"; and {n - events.MOST_DONE} more" in page and f"And {before + n - events.MOST_ALERTS} more" in page
    assert len(page) < 200_000


def scattered(draw: random.Random) -> tuple[list[float], list[float]]:
    """Tests of like precision with a few far off."""
    ks = [draw.lognormvariate(0, 0.25) for _ in range(draw.randint(41, 60))]
    for at in range(draw.randint(0, 2)):
        ks[at] *= draw.choice((0.1, 6.0))
    return ks, [draw.uniform(0.05, 0.15) for _ in ks]


def test_without_each_of_many_tests_the_rest_say_the_same_in_one_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    draw = random.Random(11)
    named = 0
    for _ in range(12):
        ks, us = scattered(draw)
        quick = factor.fit(ks, us)
        monkeypatch.setattr(factor, "MOST_ALONE", 1000)
        slow = factor.fit(ks, us)
        monkeypatch.undo()
        assert quick is not None and slow is not None and quick.k == slow.k and quick.u == slow.u
        assert quick.outlying == slow.outlying
        assert dict(quick.left_out) == pytest.approx(dict(slow.left_out), rel=0.02)
        named += len(slow.outlying)
    assert named > 5


def within(seconds: float, work: Callable[[], object]) -> bool:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began < seconds


def test_a_fit_of_thousands_takes_no_time_to_speak_of() -> None:
    draw = random.Random(5)
    ks = [draw.lognormvariate(0, 0.25) for _ in range(4000)]
    assert within(5.0, lambda: factor.fit(ks, [0.1] * len(ks)))

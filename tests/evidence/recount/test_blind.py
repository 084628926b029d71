"""A point that goes deaf during a job: kit and pack leave the same ground out, and the pack says so."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from edge.evidence.recount import facts
from edge.evidence.verify import check
from sim_feed.parameters.structs import Blind, FaultParameters
from tests.kits.packs import data_of, make


def test_a_deaf_point_leaves_its_ground_out_of_the_mean_in_kit_and_pack_alike(tmp_path: Path) -> None:
    deaf = FaultParameters(blind=(Blind("cleaning", "left", 420.0), Blind("cleaning", "right", 420.0)))
    kit = make(tmp_path, seed=7, faults=deaf)
    raw = kit.pack(tmp_path / "pack.html")
    assert check.check(raw).fault is None
    found = facts.facts(data_of(raw))
    connection = sqlite3.connect(f"file:{kit.database}?mode=ro", uri=True)
    [body] = connection.execute("SELECT body FROM record WHERE kind = 'job figures' ORDER BY seq").fetchone()
    kept = json.loads(body)
    connection.close()
    assert found.loss.value == pytest.approx(kept["loss"]["kg_ha"], rel=0.01)
    assert found.loss.high == pytest.approx(kept["loss"]["high"], rel=0.02)
    for point in found.points:
        assert point.loss.value == pytest.approx(kept["points"][point.name]["kg_ha"], rel=0.01), point.name
    seen = found.points[1].loss.value
    assert seen is not None and seen > 5  # not diluted by the ground of which it saw nothing
    unseen = dict(check.FIGURE.findall(raw.decode()))["m1.quality.unseen"]
    assert unseen.endswith("%") and float(unseen.split()[0]) > 5

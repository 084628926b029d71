"""What the operator tells: tray tests at the right moments with their own scatter, changes, loads, an idle run."""

from __future__ import annotations

import numpy as np
import pytest

from sim_feed.field.script import tray_entry
from sim_feed.parameters.structs import Planned, TrayParameters

BOTH = "both"


def moments(run):
    """(ms when the discharge passed the trays, tray entry) of the tests of a run."""
    marks, found = {}, []
    for ms, entry in run.entries:
        if entry["entry"] == "tray_mark":
            marks[len(marks) + 1] = ms
        elif entry["entry"] == "tray":
            found.append((marks[entry["mark"]] if "mark" in entry else ms, ms, entry))
    return found


def test_three_tray_tests_in_ten_minutes_then_one_fan_change(paddock) -> None:
    tests = moments(paddock)
    assert len(tests) == 3
    assert all(told <= 600_000 for _, told, _ in tests)
    marked = [(at, told) for at, told, entry in tests if "mark" in entry]
    assert [told - at for at, told in marked] == [60_000]
    changes = [(ms, e) for ms, e in paddock.entries if e["entry"] == "setting"]
    assert [e for _, e in changes] == [{"entry": "setting", "what": "fan_rpm", "from": 980.0, "to": 860.0}]
    assert 840_000 < changes[0][0] < 1_020_000
    assert paddock.entries[0][1]["entry"] == "job_start"
    assert [(ms, e["seconds"]) for ms, e in paddock.entries if e["entry"] == "idle_run"] == [(29_000, 20.0)]
    assert all("at" not in e for _, e in paddock.entries)


@pytest.mark.parametrize("seed", range(1, 13))
def test_tray_tests_fall_into_steady_work_whatever_the_seed(run_of, seed) -> None:
    run = run_of("paddock", seed=seed, minutes=17)
    tests = moments(run)
    assert len(tests) == 3
    for at, told, _ in tests:
        assert told <= 600_000
        around = [t.truth for t in run.ticks[at // 100 - 400 : at // 100 + 100]]
        assert all(truth.front_down for truth in around), "40 s before and 10 s after in the pass"
        window = np.array([t.speed_kmh for t in around[-150:-50]])
        assert (np.abs(window / window.mean() - 1.0) < 0.15).all()
    down = [tick.ms for tick in run.ticks if tick.truth.front_down]
    assert tests[0][0] - down[0] >= 80_000, "20 s filling and 60 s of work"
    change = next(ms for ms, e in run.entries if e["entry"] == "setting")
    assert not any(change - 10_000 <= at <= change + 30_000 for at, _, _ in tests)


def test_trays_lie_across_the_cut_width(paddock) -> None:
    for _, _, entry in moments(paddock):
        assert entry["residue_width_m"] == 9.1
        assert entry["catches"] == BOTH
        assert entry["mill"] == "none"
        assert [tray["x_m"] for tray in entry["trays"]] == [-3.41, -1.14, 1.14, 3.41]
        assert all((tray["length_m"], tray["width_m"]) == (1.0, 0.5) for tray in entry["trays"])


def test_tray_scatter_and_mean() -> None:
    generator = np.random.default_rng(3)
    density, kernel_mg = 4.5, 38.0
    totals = np.array(
        [
            sum(t["grains"] for t in tray_entry(density, kernel_mg, BOTH, 9.1, TrayParameters(), generator)["trays"])
            for _ in range(4000)
        ]
    )
    # 4.5 g/m2 over 4 trays of 0.5 m2 with 38 mg kernels: 4.5 * 2 / 0.038 grains.
    assert totals.mean() == pytest.approx(236.8, rel=0.01)
    assert 0.12 < np.log(totals).std() < 0.20


def test_trays_meet_the_true_loss_of_their_moment(run_of) -> None:
    # Mean over many tests: grains to kg/ha by loss[kg/ha] = 10 * g/m2 (exact) against the truth at the same ticks.
    plan = tuple(Planned(at_s=150.0 + 60 * k, tray={"catches": "cleaning"}) for k in range(40))
    run = run_of("paddock", minutes=60, seed=4, operator=plan)
    ratios = []
    for at, _, entry in moments(run):
        grains = sum(tray["grains"] for tray in entry["trays"])
        truth = run.ticks[at // 100 - 1].truth
        passed = truth.cleaning_kg_s / (truth.speed_kmh / 3.6 * 9.1) * 1e4
        ratios.append(grains * 0.038 / 2.0 * 10.0 / passed)
    assert len(ratios) > 25
    assert np.mean(ratios) == pytest.approx(1.0, abs=4 * 0.22 / np.sqrt(len(ratios)))
    assert 0.1 < np.log(ratios).std() < 0.35


def test_loads_add_up_to_the_grain_kept(run_of) -> None:
    plan = (Planned(300.0, load={}), Planned(600.0, load={}), Planned(1195.0, load={"error_pct": 0.0}))
    run = run_of("paddock", minutes=20, operator=plan)
    told = sum(e["t"] for _, e in run.entries if e["entry"] == "load")
    assert told == pytest.approx(run.truth["harvested_t"], abs=0.12)


def test_finish_tells_area_and_tonnes(run_of) -> None:
    plan = (Planned(599.0, finish={"client": "Demo client"}),)
    run = run_of("paddock", minutes=10, operator=plan)
    entry = run.entries[-1][1]
    assert entry["entry"] == "job_finish"
    assert entry["client"] == "Demo client"
    assert entry["area_ha"] == pytest.approx(run.truth["area_ha"], abs=0.01)
    assert entry["harvested_t"] == pytest.approx(run.truth["harvested_t"], abs=0.05)


def test_lighter_lost_grain_means_more_grains_on_the_tray(walkers) -> None:
    assert walkers.simulation.scenario.crop.lost_grain_mass_ratio == 0.95
    assert sum(1 for _, e in walkers.entries if e["entry"] == "tray") == 6
    assert {e["catches"] for _, e in walkers.entries if e["entry"] == "tray"} == {"separator", "cleaning"}

"""Twenty simulated minutes with faults on every scale here; twelve hours in `tests/bench/bench_survival.py`."""

from __future__ import annotations

import pytest

from tests.kits.faults.soak import scenario, soak

MINUTES = 20.0


@pytest.mark.slow_ok
def test_memory_and_files_stay_flat_and_faults_change_the_figures_by_less_than_two_percent(tmp_path, mosquitto, nursery):
    clean = soak(nursery, tmp_path / "clean", mosquitto.port, scenario(8, MINUTES, faulty=False), 45)
    faulty = soak(nursery, tmp_path / "faulty", mosquitto.port, scenario(8, MINUTES, faulty=True), 45)
    assert clean.restarts == 0 and faulty.restarts == 1
    assert clean.loss_kg > 10 and clean.area_ha > 1
    assert faulty.loss_kg == pytest.approx(clean.loss_kg, rel=0.02)
    assert faulty.area_ha == pytest.approx(clean.area_ha, rel=0.02)
    assert 0 <= clean.seconds - faulty.seconds <= 5
    for found in (clean, faulty):
        assert max(found.files) - min(found.files[1:]) <= 2  # a connection on its way in or out
        assert max(found.resident_kb) - found.resident_kb[2] < 8_000

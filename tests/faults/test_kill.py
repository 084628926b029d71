"""The power goes at any moment, under load: sixty times here, a thousand times in `tests/bench/bench_survival.py`."""

from __future__ import annotations

import pytest

from tests.kits.faults.torture import check, lost_seconds, torture

KITS, KILLS = 6, 10


# Sixty lives of up to 2.3 s, six at a time.
@pytest.mark.slow_ok
def test_nothing_answered_is_lost_or_doubled_and_at_most_one_second_of_figures(tmp_path, mosquitto, nursery):
    accounts, ear = torture(nursery, tmp_path, mosquitto.port, KITS, KILLS, seed=5)
    try:
        losses = []
        for account in accounts:
            check(account, ear)
            losses += lost_seconds(account, ear)
            assert max(life.online_s for life in account.lives) < 3.0
        assert len(losses) > KITS * KILLS // 3  # most lives were long enough to measure
        assert max(losses) <= 1, losses
        assert sum(len(account.asked) for account in accounts) > 1000
    finally:
        ear.close()

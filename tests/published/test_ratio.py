"""The exact rate ratio against a published check vector."""

import pytest

from edge.reckon.statistics.ratio import rate_ratio


# Gu, Ng, Tang and Schucany 2008, Biometrical Journal 50:283; exact central interval as given by R package exactci.
def test_two_rates_of_gu_2008() -> None:
    found = rate_ratio((60, 30), (51477.5, 54308.7), 0.95)
    assert found.ratio == pytest.approx(2.10999757, abs=5e-9)
    assert found.low == pytest.approx(1.339735721772650, rel=1e-12)
    assert found.high == pytest.approx(3.388365573616252, rel=1e-12)

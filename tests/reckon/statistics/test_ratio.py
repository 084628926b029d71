"""Edges of the exact rate ratio; scipy is the reference (tests only)."""

import math

import pytest
from scipy import stats

from edge.reckon.statistics.ratio import rate_ratio


@pytest.mark.parametrize("events", [(1, 1), (5, 40), (400, 390), (3, 0), (0, 3), (20_000, 15_000)])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_ends_are_where_the_binomial_tail_is(events: tuple[int, int], level: float) -> None:
    exposure = (2.5, 4.0)
    found = rate_ratio(events, exposure, level)
    first, both = events[0], sum(events)

    def share(ratio: float) -> float:
        return ratio * exposure[0] / (ratio * exposure[0] + exposure[1])

    tail = (1 - level) / 2
    if found.low > 0:
        assert stats.binom.sf(first - 1, both, share(found.low)) == pytest.approx(tail, rel=1e-7)
    if found.high is not None:
        assert stats.binom.cdf(first, both, share(found.high)) == pytest.approx(tail, rel=1e-7)


def test_zero_counts() -> None:
    assert rate_ratio((0, 5), (1, 1)).low == 0
    assert rate_ratio((0, 5), (1, 1)).ratio == 0
    none = rate_ratio((0, 0), (1, 1))
    assert (none.ratio, none.low, none.high) == (None, 0, None)
    first_only = rate_ratio((5, 0), (1, 1))
    assert (first_only.ratio, first_only.high) == (None, None)
    assert first_only.low > 0


def test_swapping_the_two_turns_the_ratio_over() -> None:
    one, other = rate_ratio((12, 30), (2, 3), 0.9), rate_ratio((30, 12), (3, 2), 0.9)
    assert one.ratio is not None
    assert other.ratio is not None
    assert other.high is not None
    assert one.ratio * other.ratio == pytest.approx(1)
    assert one.low * other.high == pytest.approx(1, rel=1e-9)


@pytest.mark.parametrize(
    ("events", "exposure", "level", "names"),
    [
        ((-1, 2), (1, 1), 0.9, "events"),
        ((1.5, 2), (1, 1), 0.9, "events"),
        ((math.nan, 2), (1, 1), 0.9, "events"),
        ((1, 2), (0, 1), 0.9, "exposure"),
        ((1, 2), (1, math.inf), 0.9, "exposure"),
        ((1, 2), (1, 1), 1.0, "level"),
    ],
)
def test_wrong_input_is_named(events: tuple[float, float], exposure: tuple[float, float], level: float, names: str) -> None:
    with pytest.raises(ValueError, match=f"^{names}: found"):
        rate_ratio(events, exposure, level)

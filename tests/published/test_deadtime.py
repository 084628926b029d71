"""Dead time by the two-source method against a published student exercise.

Source: "Nuclear Physics Lab", experiment 2, Umm Al-Qura University (student laboratory sheet): counts per second of one
source 823, of the other 440, of both 1164, of none 13; the formulas are those of Knoll, Radiation Detection and
Measurement, chapter 4.
"""

from __future__ import annotations

import pytest

from edge.reckon.sensors.deadtime import corrected_rate, two_source


def test_two_sources_with_background():
    assert two_source(823, 440, 1164, 13) == pytest.approx(1.345e-4, abs=0.0005e-4)
    assert two_source(823, 440, 1164, 13) == pytest.approx(1.345425e-4, rel=1e-6)  # recomputed from the sheet's counts


def test_two_sources_without_background():
    assert two_source(823, 440, 1164) == pytest.approx(1.497e-4, abs=0.0005e-4)
    assert two_source(823, 440, 1164) == pytest.approx(1.497456e-4, rel=1e-6)


def test_with_the_found_dead_time_the_sources_add_up():
    """What the method means: corrected rates of the two alone add up to that of both, background once too often."""
    tau = two_source(823, 440, 1164, 13)
    one, other, both, none = (corrected_rate(rate, tau) for rate in (823, 440, 1164, 13))
    assert one + other == pytest.approx(both + none, rel=1e-9)

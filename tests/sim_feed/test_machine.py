"""The machine's laws, compared in direction with the published findings they stand for."""

from __future__ import annotations

import numpy as np
import pytest

from sim_feed.field.machine import Machine, Transport
from sim_feed.parameters.structs import REACTING_SETTINGS, MachineParameters

AT_REFERENCE = {name: np.ones(1) for name in REACTING_SETTINGS}


def share(machine: Machine, kind: str, load: float, **ratio: float) -> float:
    ratios = {**AT_REFERENCE, **{name: np.array([value]) for name, value in ratio.items()}}
    law = machine.separator_share if kind == "separator" else machine.cleaning_share
    return float(law(np.array([load]), ratios)[0])


def test_transport_keeps_mass_and_delays_by_delay_and_mixing() -> None:
    transport = Transport(8.0, 2.0)
    pulse = np.zeros(600)
    pulse[0] = 1.0
    out = np.concatenate([transport.carry(part) for part in np.split(pulse, [3, 100, 101])])
    assert out.sum() == pytest.approx(1.0)
    assert out[:80].sum() == 0.0
    # First-order mixing (Sensors 2008, 8(2):952-962): exponential tail; mean stay = delay + mixing constant.
    assert float(np.arange(600) @ out) * 0.1 == pytest.approx(10.0, abs=0.1)
    assert out[100] / out[80] == pytest.approx(np.exp(-1.0), rel=1e-6)


@pytest.mark.parametrize(("exponent", "name"), [(1.7, "rotor"), (2.6, "walkers")])
def test_loss_rises_more_than_in_proportion_to_feed_rate(exponent: float, name: str) -> None:
    # Nyborg 1967: percent loss = a * feedrate^b, so lost mass goes as feedrate^(b+1).
    machine = Machine(MachineParameters(separator=name, separator_exponent=exponent))
    loads = np.array([2.0, 4.0, 6.0, 8.0])
    lost = [load * share(machine, "separator", float(load)) for load in loads]
    assert all(after / before > now / then for before, after, then, now in zip(
        lost, lost[1:], loads, loads[1:], strict=False))  # fmt: skip
    slope = np.polyfit(np.log(loads), np.log(lost), 1)[0]
    assert slope == pytest.approx(exponent + 1.0)


def test_cleaning_loss_is_u_shaped_over_the_fan_and_its_best_rises_with_load() -> None:
    # Craessaerts et al. 2010, Biosystems Engineering 106:97-102: both extremes lose.
    machine = Machine(MachineParameters())
    fan = np.linspace(0.75, 1.25, 101)
    best = []
    for load in (2.0, 5.0, 8.0):
        losses = [share(machine, "cleaning", load, fan_rpm=ratio) for ratio in fan]
        bottom = int(np.argmin(losses))
        assert 5 < bottom < 95
        assert losses[0] > 1.5 * losses[bottom] < losses[-1]
        falls = np.diff(losses) < 0
        assert falls[:bottom].all()
        assert not falls[bottom:].any()
        best.append(fan[bottom])
    assert best[0] < best[1] < best[2]


def test_reference_settings_give_the_reference_losses() -> None:
    machine = Machine(MachineParameters(separator_loss_pct=0.9, cleaning_loss_pct=0.6))
    assert share(machine, "separator", 5.0) == pytest.approx(0.009)
    assert share(machine, "cleaning", 5.0) == pytest.approx(0.006)


def test_faster_rotor_separates_more_and_loads_the_cleaning() -> None:
    # Direction: common practice.
    p = MachineParameters()
    grain, load, on = np.full(900, 4.0), np.full(900, 5.0), np.ones(900)
    plain = Machine(p).run(grain, load, [], on)
    fast = Machine(p).run(grain, load, [(0, "rotor_rpm", 1.15 * p.reference["rotor_rpm"])], on)
    assert fast.separator_loss[-1] < plain.separator_loss[-1]
    assert fast.cleaning_loss[-1] > plain.cleaning_loss[-1]
    assert fast.returns[-1] > plain.returns[-1]


def test_returns_rise_when_the_bottom_sieve_is_closed_and_when_the_fan_slows() -> None:
    # Direction: common practice.
    p = MachineParameters()
    grain, load, on = np.full(900, 4.0), np.full(900, 5.0), np.ones(900)
    plain = Machine(p).run(grain, load, [], on).returns[-1]
    assert Machine(p).run(grain, load, [(0, "bottom_sieve_mm", 7.0)], on).returns[-1] > plain
    assert Machine(p).run(grain, load, [(0, "fan_rpm", 780.0)], on).returns[-1] > plain


def test_a_setting_stays_for_the_next_leg_and_the_fan_takes_seconds() -> None:
    machine = Machine(MachineParameters())
    still, on = np.zeros(100), np.ones(100)
    fan = machine.run(still, still, [(40, "fan_rpm", 800.0)], on).fan_rpm
    assert fan[39] == 860.0
    assert 800.0 < fan[45] < 860.0
    assert fan[75] == 800.0
    assert (machine.run(still, still, [], on).fan_rpm == 800.0).all()


def test_nothing_cut_nothing_lost() -> None:
    flows = Machine(MachineParameters()).run(np.zeros(50), np.zeros(50), [], np.ones(50))
    assert flows.separator_loss.sum() == flows.cleaning_loss.sum() == flows.returns.sum() == 0.0

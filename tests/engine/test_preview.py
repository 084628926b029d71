"""What an entry would do is what it does when it is kept, and asking changes nothing."""

from __future__ import annotations

import time
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import given
from hypothesis import settings as profile

from edge.contract import entries
from edge.contract.errors import EntryError
from edge.engine.preview import preview
from tests.kits.engines import AskedKit

FULL_TRAY = {"mass_g": 20.0, "length_m": 1.0, "width_m": 3.0}


def told(kit: AskedKit, **plain: Any) -> dict[str, Any]:
    return preview(kit.engine, entries.from_plain(plain), kit.now_ms)


def state(thing: Any, seen: dict[int, int] | None = None) -> Any:
    """Everything that a kit's state holds, as plain values; objects met again by the place where they were met first."""
    seen = {} if seen is None else seen
    if isinstance(thing, (int, float, str, bytes, bool, type(None), type)) or callable(thing):
        return thing if isinstance(thing, (int, float, str, bytes, bool, type(None))) else type(thing).__name__
    if id(thing) in seen:
        return seen[id(thing)]
    seen[id(thing)] = len(seen)
    if isinstance(thing, dict):
        return [(state(key, seen), state(value, seen)) for key, value in thing.items()]
    if hasattr(thing, "__iter__"):
        return [state(one, seen) for one in thing]
    names = [*getattr(thing, "__dict__", ()), *(name for kind in type(thing).__mro__ for name in getattr(kind, "__slots__", ()))]
    return type(thing).__name__, [(name, state(getattr(thing, name, None), seen)) for name in names]


@pytest.fixture(scope="module")
def kit() -> AskedKit:
    made = AskedKit()
    told(made, entry="note", note="x")  # what is worked out when it is first asked for is worked out now
    return made


def test_a_tray_of_twice_the_grain_moves_factor_loss_and_mean_as_it_then_does() -> None:
    kit = AskedKit()
    would = told(kit, entry="tray", trays=[FULL_TRAY], at=kit.at_s - 6)["would"]
    loss, mean = kit.engine.reckoner.loss_now(), kit.engine.reckoner.mean_loss(kit.engine.reckoner.totals)
    assert loss is not None and would["loss_kg_ha"][0] == loss.kg_ha and would["mean_kg_ha"][0] == mean.kg_ha
    kit.enter(entry="tray", trays=[FULL_TRAY], at=kit.at_s - 6)
    kit.engine.finish()
    after = kit.engine.reckoner
    assert would["loss_kg_ha"][1] == after.loss_now().kg_ha
    assert would["mean_kg_ha"][1] == after.mean_loss(after.totals).kg_ha
    factors = {name: two[1] for name, two in would["factor_mg_per_pulse"].items()}
    assert factors == after.calibration_figure(kit.at_s).factor_mg_per_pulse
    was, to = would["loss_kg_ha"]
    assert would["words"][0] == f"Loss would read {to:.3g} instead of {was:.3g} kg/ha."


def test_a_tray_that_lies_now_is_judged_as_if_work_went_on(kit: AskedKit) -> None:
    would = told(kit, entry="tray", trays=[FULL_TRAY])["would"]
    assert would["note"] is None and would["factor_mg_per_pulse"]


def test_a_tray_that_would_not_be_used_says_why(kit: AskedKit) -> None:
    would = told(kit, entry="tray", trays=[FULL_TRAY], mill="engaged", at=kit.at_s - 10)["would"]
    assert would["loss_kg_ha"] is None and would["note"].startswith("kept, not used: the tray lay in a stream")
    assert would["words"][-1].startswith("It would be kept, not used")


@pytest.mark.parametrize(
    ("plain", "words"),
    [
        ({"entry": "crop", "yield_t_ha": 4}, "The yield would be 4 instead of 3.08 t/ha."),
        ({"entry": "limit", "loss_kg_ha": 40}, "The limit would be 40 instead of 60 kg/ha."),
        ({"entry": "residue", "residue_width_m": 7}, "The residue width of later tray tests would be 7 instead of 9.1 m."),
        ({"entry": "width_used", "part": 0.75}, "The part of the cut width in crop would be 0.75 instead of 1."),
        ({"entry": "ground_run", "metres": 100, "pulses": 1100}, "The wheel sensor would be 11 instead of 10 pulses a metre."),
        (
            {"entry": "gauge", "sieve": "top", "readout_mm": 16, "measured_mm": 18.0},
            "For a gap of 18 mm the cab would be set to 16 instead of 16.8.",
        ),
    ],
)
def test_what_would_be_in_force_is_said_in_words(kit: AskedKit, plain: dict[str, Any], words: str) -> None:
    assert words in told(kit, **plain)["would"]["words"]


def test_what_changes_nothing_says_nothing(kit: AskedKit) -> None:
    answer = told(kit, entry="note", note="x")
    assert answer["would"]["words"] == [] and answer["ask_again"] is False and answer["why"] is None


def test_the_question_comes_with_it_and_a_refused_entry_is_refused(kit: AskedKit) -> None:
    answer = told(kit, entry="tray", trays=[{**FULL_TRAY, "mass_g": 1.7, "width_m": 50}])
    assert answer["ask_again"] is True and answer["why"].startswith("50 m wide? The discharge is 9.1 m.")
    assert answer["suggest"]["trays"][0]["width_m"] == 0.5
    assert told(kit, entry="tray", trays=[{**FULL_TRAY, "width_m": 50}], sure=True)["ask_again"] is False
    with pytest.raises(EntryError):
        told(kit, entry="tray", trays=[{**FULL_TRAY, "x_m": 6.0}])


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


ENTRIES = st.one_of(
    st.builds(lambda m, w, at: {"entry": "tray", "trays": [{"mass_g": m, "length_m": 1.0, "width_m": w}], "at_before": at},
              numbers(0, 5000), numbers(0.1, 60), st.integers(0, 300)),
    st.builds(lambda y, g: {"entry": "crop", "yield_t_ha": y, "tgw_g": g}, numbers(0, 40), numbers(1, 300)),
    st.sampled_from([{"entry": "crop", "name": "barley"}, {"entry": "tray_mark"}, {"entry": "job_start", "client": "b"},
                     {"entry": "job_finish", "harvested_t": 3.0, "area_ha": 1.0}, {"entry": "idle_run", "seconds": 30}]),
    st.builds(lambda v: {"entry": "limit", "loss_kg_ha": v}, numbers(0, 900)),
    st.builds(lambda r, m: {"entry": "gauge", "sieve": "top", "readout_mm": r, "measured_mm": m}, numbers(0, 60), numbers(0, 60)),
    st.builds(lambda v: {"entry": "residue", "residue_width_m": v}, numbers(1, 30)),
    st.builds(lambda v: {"entry": "width_used", "part": v}, numbers(0, 1)),
    st.builds(lambda v: {"entry": "load", "t": v}, numbers(0.1, 900)),
    st.builds(lambda w, v: {"entry": "setting", "what": w, "to": v}, st.sampled_from(["fan_rpm", "lag_s"]), numbers(0, 60)),
    st.builds(lambda v: {"entry": "ground_run", "metres": 100.0, "pulses": v}, numbers(1, 9000)),
    st.builds(lambda v: {"entry": "returns_catch", "mass_kg": v, "seconds": 10.0}, numbers(0, 900)),
    st.builds(lambda v: {"entry": "sample", "trash_pct": v}, numbers(0, 100)),
)  # fmt: skip


@given(plains=st.lists(ENTRIES, min_size=1, max_size=3))
@profile(max_examples=60, deadline=None)
def test_asking_changes_the_kit_by_no_digit(kit: AskedKit, plains: list[dict[str, Any]]) -> None:
    before = state(vars(kit.engine.reckoner.kit)), kit.engine.assembler.lines
    for plain in plains:
        plain = dict(plain)
        if "at_before" in plain:
            plain["at"] = kit.at_s - plain.pop("at_before")
        told(kit, **plain)
    assert (state(vars(kit.engine.reckoner.kit)), kit.engine.assembler.lines) == before


def test_the_state_that_is_compared_sees_what_an_entry_does() -> None:
    kit = AskedKit()
    told(kit, entry="note", note="x")
    before = state(vars(kit.engine.reckoner.kit))
    assert before == state(vars(kit.engine.reckoner.kit))
    kit.enter(entry="width_used", part=0.9)
    assert before != state(vars(kit.engine.reckoner.kit))


def test_it_costs_little_after_hours_of_work() -> None:
    """Beside the quarter second that a closed second may wait on the slowest board; a copy of all seconds would not do."""
    kit = AskedKit()
    reckoner = kit.engine.reckoner
    rows, idle = reckoner.rows.history, reckoner.kit.idle.history
    rows.extend([rows[-1]] * 20_000)
    idle.extend([idle[-1]] * 3_600)
    best = min(_seconds(kit) for _ in range(5))
    assert best < 0.5  # some 10 ms on a quiet machine


def _seconds(kit: AskedKit) -> float:
    began = time.perf_counter()
    told(kit, entry="tray", trays=[FULL_TRAY])
    return time.perf_counter() - began

"""An entry that was struck out: everything that rests on entries is as if it had never been made."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import Phase, given
from hypothesis import settings as settings_of
from hypothesis import strategies as st

from edge.contract import entries, settings
from edge.contract.errors import EntryError
from edge.contract.struck import struck_out
from edge.engine import messages
from edge.engine.engine import Engine, Nowhere
from edge.engine.hindsight import KEPT, Hindsight
from edge.judge.advice.adviser import Adviser
from edge.keep.store import Store
from edge.live.daemon import RESTORED
from edge.playback.replay import summary
from tests.kits.engines import NOON, job_toml
from tests.kits.settings import GROUND, beam, both_sides, shaft
from tests.kits.wire import count_line

INPUTS = [*both_sides("separator", "cleaning"), beam(), GROUND, shaft("fan")]
CONFIG = settings.parse(job_toml(INPUTS))


class Story:
    """An engine that is told a list of things in order: work, headlands, entries. `path`: over a store, which outlasts it."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path
        self.seq = 0
        self.counts = [0] * 7
        self.live: list[dict[str, Any]] = []
        self.taken: list[bool] = []
        self.start()

    def start(self) -> None:
        """A run begins, with what earlier ones left."""
        store = None if self.path is None else Store(self.path)
        records = [] if store is None else store.earlier_records(RESTORED)
        struck = frozenset(struck_out(one.body for one in records if one.kind == "entry"))
        self.store, self.engine = store, Engine(CONFIG, store or Nowhere(), Nowhere(), struck=struck)
        for one in records:
            self.engine.restore(*one)
        if store is not None:
            loads = self.engine.reckoner.now.loads
            if loads.since_s is not None:
                self.engine.reckoner.kit.carry_area(store.area_ha_since(loads.since_s))
            store.begin_run(self.now_s * 1000, settings.to_plain(CONFIG), "test", "0")
        self.engine.on_figures.append(lambda figures: self.live.append(messages.live(figures)))

    def end(self) -> None:
        self.engine.finish()
        if self.store is not None:
            self.store.end_run(self.now_s * 1000)
            self.store.close()

    @property
    def now_s(self) -> int:
        return NOON + self.seq

    def work(self, seconds: int, levels: int = 3, rate: int = 20) -> None:
        for _ in range(seconds):
            self.seq += 1
            wobble = (self.seq * 7919) % 5 - 2
            down = levels == 3
            one = [rate + wobble, rate - wobble, rate // 2 + wobble, rate // 2, 300 + 20 * wobble, 20, 28]
            if not down:
                one = [2, 1, 1, 1, 100, 12, 28]
            self.counts = [old + new for old, new in zip(self.counts, one, strict=True)]
            self.engine.take_line(self.now_s * 1000 - 500, count_line(self.seq, 1000 * self.seq, *self.counts, levels=levels))

    def enter(self, entry: dict[str, Any]) -> dict[str, Any] | None:
        try:
            return self.engine.take_entry(self.now_s * 1000, entries.from_plain(entry))
        except EntryError:
            return None

    def says(self, verdicts: bool = True) -> dict[str, Any]:
        """What is in force at the end; numbers of settings and tests left out, since they count struck entries too."""
        engine = self.engine
        found = summary(engine)
        found["settings"] = [{key: one for key, one in line.items() if key != "n"} for line in found["settings"]]
        del found["lines"], found["alerts"]
        now = engine.reckoner.now
        found["in force"] = {
            name: getattr(now, name)
            for name in (
                "crop", "tgw_g", "yield_t_ha", "yield_is_typed", "moisture_pct", "price_per_t", "loss_kg_ha", "loss_pct",
                "returns_pct", "residue_width_m", "machine_settings", "job", "samples",
            )
        }  # fmt: skip
        found["loads"] = (now.loads.t, now.loads.ha)
        adviser = engine.adviser
        found["advice"] = (adviser.told, adviser.book.pages, adviser.awaits_verdict)
        known = [adviser.verdicts.get(change.n) for change in now.changes]
        found["known"] = [one and {key: value for key, value in one.items() if key != "setting"} for one in known]
        found["sieves"] = [engine.reckoner.sieves.check_of(sieve) for sieve in ("pre", "top", "bottom")]
        found["verdicts"] = [
            {key: one for key, one in engine.watch.compare(change.n).items() if key != "setting"}
            for change in now.changes
            if verdicts and change.what != "lag_s"
        ]
        return found


def tray(mass_g: float, width_m: float = 3.0, **more: Any) -> dict[str, Any]:
    return {"entry": "tray", "residue_width_m": 9.0, "trays": [{"mass_g": mass_g, "length_m": 1.0, "width_m": width_m}], **more}


def test_the_slip_of_a_width_in_centimetres_can_be_taken_back() -> None:
    told = Story()
    told.work(60)
    for mass_g in (9.0, 10.0, 11.5):
        told.enter(tray(mass_g))
        told.work(40)
    before = told.says()
    slip = told.enter(tray(10.0, width_m=50.0))
    assert slip is not None
    told.work(10)
    assert told.says()["loss"]["kg_ha"] < 0.9 * before["loss"]["kg_ha"]
    told.enter({"entry": "strike_out", "seq": slip["seq"], "why": "50 was typed for 0.50"})
    told.work(1)
    other = Story()
    other.work(60)
    for mass_g in (9.0, 10.0, 11.5):
        other.enter(tray(mass_g))
        other.work(40)
    other.work(11)
    assert told.says() == other.says()


crop = st.fixed_dictionaries(
    {"entry": st.just("crop")},
    optional={
        "name": st.sampled_from(["wheat", "barley", "oats"]),
        "tgw_g": st.sampled_from([31.0, 40.0, 48.0]),
        "yield_t_ha": st.sampled_from([3.0, 6.0]),
        "price_per_t": st.just(210.0),
    },
)
setting = st.builds(
    lambda what, to: {"entry": "setting", "what": what, "to": to},
    st.sampled_from(["fan_rpm", "top_sieve_mm", "bottom_sieve_mm", "concave_mm"]),
    st.sampled_from([8.0, 12.0, 16.0]),
)
some_tray = st.one_of(
    st.builds(tray, st.sampled_from([4.0, 9.0, 14.0]), st.sampled_from([1.0, 3.0])),
    st.builds(
        lambda grains: {"entry": "tray", "trays": [{"grains": grains, "length_m": 1.0, "width_m": 3.0}]},
        st.sampled_from([0.0, 150.0, 400.0]),
    ),
    st.builds(lambda mark: tray(9.5, mark=mark), st.integers(1, 3)),
)
entry = st.one_of(
    some_tray,
    some_tray,
    setting,
    crop,
    st.just({"entry": "tray_mark"}),
    st.builds(lambda width: {"entry": "residue", "residue_width_m": width}, st.sampled_from([6.0, 9.0])),
    st.builds(lambda kg: {"entry": "limit", "loss_kg_ha": kg}, st.sampled_from([None, 20.0, 60.0])),
    st.builds(
        lambda mm: {"entry": "gauge", "sieve": "top", "readout_mm": mm, "measured_mm": mm + 1.5}, st.sampled_from([8.0, 14.0])
    ),
    st.builds(lambda t: {"entry": "load", "t": t}, st.sampled_from([0.5, 2.0])),
    st.builds(lambda pct: {"entry": "sample", "trash_pct": pct}, st.sampled_from([0.5, 3.0])),
    st.just({"entry": "returns_look", "clean_grain": "much"}),
    st.just({"entry": "returns_catch", "mass_kg": 2.0, "seconds": 5.0}),
    st.just({"entry": "note", "note": "wind"}),
    st.sampled_from([{"entry": "job_start", "client": "one"}, {"entry": "job_start", "client": "two"}]),
)
step = st.one_of(
    st.builds(lambda seconds, rate: ("work", seconds, 3, rate), st.integers(3, 120), st.sampled_from([12, 20, 31])),
    st.just(("work", 700, 3, 20)),
    st.builds(lambda seconds: ("work", seconds, 2, 0), st.integers(3, 70)),
    entry,
    entry,
)


def play(steps: list[Any], struck: int, until: int | None, path: Path | None = None) -> Story:
    """Tell the steps; step `struck` is struck out before step `until`, or (None) never was told."""
    told, seq = Story(path), None
    told.work(45)
    for at, one in enumerate(steps):
        if at == until and seq is not None:
            told.enter({"entry": "strike_out", "seq": seq, "why": "a slip"})
        if one == "restart":
            told.end()
            told.start()
        elif isinstance(one, tuple):
            told.work(one[1], one[2], one[3])
        elif at != struck or until is not None:
            answer = told.enter(one)
            if at != struck:
                told.taken.append(answer is not None)
            elif answer is not None:
                seq = answer["seq"]
    if until == len(steps) and seq is not None:
        told.enter({"entry": "strike_out", "seq": seq, "why": "a slip"})
    told.work(20)
    return told


@given(st.lists(step, min_size=3, max_size=14), st.data())
def test_what_was_struck_out_was_never_made(steps: list[Any], data: st.DataObject) -> None:
    told = [at for at, one in enumerate(steps) if isinstance(one, dict) and one["entry"] != "job_start"]
    if not told:
        return
    struck = data.draw(st.sampled_from(told))
    until = data.draw(st.integers(struck + 1, len(steps)))
    if any(isinstance(one, dict) and one["entry"] == "job_start" for one in steps[struck:until]):
        return  # the job it belongs to is finished by the next one's start
    one, other = play(steps, struck, until), play(steps, struck, None)
    if one.taken != other.taken:
        return  # what could only be entered because of it (a tray of its mark, kernels by its TGW) stays as far as it can
    assert one.says() == other.says()
    assert one.live[-1] == other.live[-1]


def known(story: Story) -> dict[str, Any]:
    """What another run knows: what seconds of this run gave is left out."""
    names = ("calibration", "settings", "tests", "in force", "loads", "sieves")
    return {key: one for key, one in story.says(verdicts=False).items() if key in names}


@settings_of(max_examples=40, phases=[Phase.generate])
@given(st.lists(st.one_of(step, step, step, st.just("restart")), min_size=4, max_size=12), st.data())
def test_what_was_struck_out_was_never_made_after_a_restart_either(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Any], data: st.DataObject
) -> None:
    told = [at for at, one in enumerate(steps) if isinstance(one, dict) and one["entry"] != "job_start"]
    if not told:
        return
    struck = data.draw(st.sampled_from(told))
    until = data.draw(st.integers(struck + 1, len(steps)))
    if any(isinstance(one, dict) and one["entry"] == "job_start" for one in steps[struck:until]):
        return
    folder = tmp_path_factory.mktemp("kit")
    one = play([*steps, "restart"], struck, until, folder / "one.db")
    other = play([*steps, "restart"], struck, None, folder / "other.db")
    try:
        if one.taken == other.taken:
            assert known(one) == known(other)
    finally:
        one.end()
        other.end()


# ------------------------------------------------------------------ what can be struck out


def calibrated() -> Story:
    told = Story()
    told.work(60)
    told.enter(tray(9.0))
    told.work(20)
    return told


def refusal(told: Story, **entry: Any) -> str:
    with pytest.raises(EntryError) as fault:
        told.engine.take_entry(told.now_s * 1000, entries.from_plain({"entry": "strike_out", "why": "a slip", **entry}))
    return str(fault.value)


def test_only_an_entry_that_counts_can_be_struck_out() -> None:
    told = calibrated()
    assert "seq: found 99; allowed: the number of an entry's record" in refusal(told, seq=99)
    assert told.enter({"entry": "strike_out", "seq": 1, "why": "a slip"}) is not None
    assert "1 was struck out already" in refusal(told, seq=1)
    assert "2 is a strike_out; allowed: any entry but job_start, job_finish, ack" in refusal(told, seq=2)
    assert "n: found 1; allowed: only in a capture" in refusal(told, n=1)


@pytest.mark.parametrize("plain", [{"seq": 1}, {"seq": 1, "why": "  "}, {"why": "x"}, {"seq": 1, "n": 1, "why": "x"}])
def test_a_strike_out_names_one_entry_and_a_reason(plain: dict[str, Any]) -> None:
    with pytest.raises(EntryError):
        entries.from_plain({"entry": "strike_out", **plain})


def test_entries_of_a_finished_job_only_after_it_is_taken_up_again() -> None:
    told = Story()
    told.work(30)
    told.enter({"entry": "job_start", "client": "one"})
    told.work(30)
    slip = told.enter(tray(9.0))
    told.work(20)
    told.enter({"entry": "job_finish"})
    assert slip is not None
    assert "belongs to job 1, which is finished; allowed: job_reopen first" in refusal(told, seq=slip["seq"])
    told.enter({"entry": "job_reopen", "job": 1, "note": "a slip"})
    assert told.enter({"entry": "strike_out", "seq": slip["seq"], "why": "a slip"}) is not None
    assert told.engine.reckoner.calibration.tests == []


def test_what_a_finished_job_began_with_is_not_taken_from_under_it() -> None:
    told = calibrated()
    told.enter({"entry": "job_start", "client": "one"})
    told.work(30)
    told.enter({"entry": "job_finish"})
    assert "job 1, which is finished, began with what 1 says; allowed: job_reopen first" in refusal(told, seq=1)
    told.enter({"entry": "job_reopen", "job": 1, "note": "a slip"})
    assert told.enter({"entry": "strike_out", "seq": 1, "why": "a slip"}) is not None


def test_a_number_that_was_struck_out_is_not_given_again() -> None:
    told = Story()
    told.work(60)
    told.enter({"entry": "setting", "what": "fan_rpm", "to": 800})
    told.enter({"entry": "tray_mark"})
    for seq in (1, 2):
        told.enter({"entry": "strike_out", "seq": seq, "why": "a slip"})
    told.enter({"entry": "setting", "what": "fan_rpm", "to": 850})
    assert told.enter({"entry": "tray_mark"}) == {"seq": 6, "mark": 2}
    assert [change.n for change in told.engine.reckoner.now.changes] == [2]


def test_kept_seconds_stay_when_a_width_is_struck_out_and_later_ones_go_by_the_width_before() -> None:
    told = Story()
    told.work(60)
    before = summary(told.engine)["area_ha"]
    told.enter({"entry": "width_used", "part": 0.5})
    told.work(100)
    half = summary(told.engine)["area_ha"] - before
    told.enter({"entry": "strike_out", "seq": 1, "why": "it was the whole width"})
    assert summary(told.engine)["area_ha"] == before + half
    told.work(100)
    assert summary(told.engine)["area_ha"] == pytest.approx(before + 3 * half)


def test_a_job_taken_up_again_is_not_taken_back_once_something_was_struck_out_in_it() -> None:
    """It would take the strike-out out of the job's sight."""
    told = calibrated()
    told.enter({"entry": "job_start", "client": "one"})
    told.work(30)
    told.enter({"entry": "job_finish"})
    again = told.enter({"entry": "job_reopen", "job": 1, "note": "a slip"})
    assert again is not None and told.enter({"entry": "strike_out", "seq": 1, "why": "a slip"}) is not None
    assert "in which entries were struck out since" in refusal(told, seq=again["seq"])


@pytest.mark.parametrize(
    "plain",
    [
        {"entry": "ground_run", "metres": 1e-300, "pulses": 300},
        {"entry": "limit", "loss_kg_ha": 5e-324},
        {"entry": "tray", "residue_width_m": 9, "trays": [{"grains": 1e-6, "heads_grains": 3, "length_m": 60, "width_m": 3}]},
        {"entry": "load", "t": 1e-300},
        {"entry": "gauge", "sieve": "top", "readout_mm": 1e-300, "measured_mm": [5e-324, 200]},
    ],
)
def test_figures_of_no_machine_are_asked_about_and_stop_nothing(plain: dict[str, Any]) -> None:
    told = calibrated()
    entry = entries.from_plain(plain)
    with pytest.raises(EntryError):
        told.engine.take_entry(told.now_s * 1000, entry, asks=True)
    told.work(5)
    assert told.live[-1]["state"] == "working"


def test_what_is_no_longer_kept_is_not_lived_again() -> None:
    """Seconds go on after the last entry; an old one's place in them must not be taken for another."""
    hindsight, adviser = Hindsight(), Adviser(CONFIG)
    hindsight.entry(7, adviser)
    for _ in range(KEPT):
        hindsight.second(None)
    assert hindsight.before(7) is not None
    hindsight.second(None)
    assert hindsight.before(7) is None

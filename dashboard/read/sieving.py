"""The screen Sieves: what gauge checks and readouts are known, what a further check would say, the readout to dial.

Everything is reckoned by `edge.reckon`, from the entries of the record in their order, as the kit itself does.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from dashboard.read.asked import Question
from dashboard.read.entered import Entered, entered, told_strike
from dashboard.read.history import opened
from edge.contract import entries
from edge.contract.errors import EntryError, WrongInput
from edge.contract.typed import did_you_mean
from edge.reckon.entered import gauge
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.sieves import SETTING_OF, Sieves
from edge.reckon.tables.guards import overrides_in

SIEVES = ("pre", "top", "bottom")
SHOWN_CHECKS = 6
WIDEST_MM = 200.0

KINDS = ("gauge", "setting", "crop", "load", "job_finish")


class _Known(NamedTuple):
    """The record's state: what is in force, the sieves, gauge entries by sieve, struck ones too."""

    now: InForce
    sieves: Sieves
    checks: dict[str, list[Entered]]
    set_at: dict[str, float]


def _learned(question: Question) -> _Known:
    settings = question.settings
    known = _Known(InForce.from_settings(settings), Sieves(settings), {one: [] for one in SIEVES}, {})
    with opened(question.store) as connection:
        found = list(entered(connection, only=KINDS, with_struck=True))
    for one in found:
        entry, at_s = one.entry, one.at_s
        if isinstance(entry, entries.GaugeEntry):
            known.checks[entry.sieve].append(one)
        if one.struck:
            continue
        known.now.learn(entry, at_s)
        if isinstance(entry, entries.GaugeEntry):
            known.sieves.learn_gauge(entry, known.now)
        elif isinstance(entry, entries.SettingEntry):
            known.sieves.learn_setting(entry, known.now)
            known.set_at[entry.what] = at_s
    return known


def known(question: Question) -> dict[str, Any]:
    """Each sieve's checks (newest first), the line through them, and the readout now set with its gap.

    Raises StoreError.
    """
    state, settings = _learned(question), question.settings
    return {
        "crop": state.now.crop,
        "pre_sieve": settings.machine.pre_sieve,
        "guards": list(settings.machine.sieve_guards),
        "sieves": [_sieve(name, state) for name in SIEVES if name != "pre" or settings.machine.pre_sieve != "none"],
    }


def _sieve(name: str, state: _Known) -> dict[str, Any]:
    checks = state.checks[name]
    set_to = state.now.machine_settings.get(SETTING_OF[name])
    found = state.sieves.check_of(name)
    readout = set_to if isinstance(set_to, float) else None
    in_mm = found is not None and found.unit == "mm" and readout is not None
    return {
        "sieve": name,
        "what": SETTING_OF[name],
        "set_to": readout,
        "set_at": state.set_at.get(SETTING_OF[name]),
        "gap_mm": found.gap_mm(readout) if in_mm and found is not None and readout is not None else None,
        "check": None if found is None else _model(found),
        "checks": [_one(one) for one in checks[: -SHOWN_CHECKS - 1 : -1]],
    }


def _model(found: gauge.GaugeCheck) -> dict[str, Any]:
    return {
        "unit": found.unit,
        "offset_mm": found.offset_mm,
        "gain": found.gain,
        "believed": found.believed,
        "spread_mm": found.spread_mm,
        "readouts": list(found.readouts),
        "warnings": list(found.warnings),
    }


def _one(one: Entered) -> dict[str, Any]:
    assert isinstance(one.entry, entries.GaugeEntry)
    readout, unit = gauge.readout_of(one.entry)
    told = {"seq": one.seq, "at": one.at_s, "readout": readout, "unit": unit, "measured_mm": list(gauge.measured_mm(one.entry))}
    return {**told, "struck": told_strike(one.struck)}


def trial(question: Question) -> dict[str, Any]:
    """What the kit would answer to an entry `gauge` or `setting` of a sieve, without keeping anything.

    `gauge`, `gap_mm`, `notices` as in the kit's answer; `rails`: names of the guard rails that the notices are of, with
    `reason` where the entry's note gives one. Raises EntryError, StoreError.
    """
    entry = entries.decode(question.query.get("entry", ""))
    state = _learned(question)
    if isinstance(entry, entries.GaugeEntry):
        told = state.sieves.learn_gauge(entry, state.now)
    elif isinstance(entry, entries.SettingEntry) and entry.what in SETTING_OF.values():
        told = state.sieves.learn_setting(entry, state.now)
    else:
        raise EntryError(f"entry: found {entries.kind_of(entry)}; allowed: a gauge entry, or a setting of a sieve")
    reasons = overrides_in(entries.given(entry.note, ""))
    names = _rails(told.get("notices", []), reasons, question.settings.machine.sieve_guards)
    return {"notices": [], **told, "reasons": reasons, "rails": names}


def _rails(notices: list[str], reasons: dict[str, str], guards: tuple[str, ...]) -> list[str]:
    """The guard's name for each notice: notices stand in the order of the guards, and end with a name or its reason."""
    found: list[str] = []
    left = list(guards)
    for text in notices:
        while left:
            name = left.pop(0)
            if text.endswith((f"override {name}: ...", f"overridden: {reasons.get(name, text)}")):
                found.append(name)
                break
    return found


def dial(question: Question) -> dict[str, Any]:
    """The readout to set for a wanted gap: `dial` in `unit`, rounded to what can be set (None: there is none), `gap_mm` behind
    it, `known` (whether there is a model that is believed), `warnings`, and `to`, what a setting entry names: the readout where
    it is in mm, else the gap. Raises WrongInput, StoreError."""
    sieve, want = question.query.get("sieve", ""), question.query.get("want_mm", "")
    if sieve not in SIEVES:
        raise WrongInput(f"sieve: found {sieve!r:.40}{did_you_mean(sieve, SIEVES)}; allowed: {', '.join(SIEVES)}")
    try:
        want_mm = float(want)
    except ValueError:
        want_mm = float("nan")
    if not 0 <= want_mm <= WIDEST_MM:
        raise WrongInput(f"want_mm: found {want!r:.40}; allowed: 0 to {WIDEST_MM:g}")
    found = _learned(question).sieves.check_of(sieve)
    if found is None:
        return {"dial": None, "gap_mm": None, "known": False, "unit": None, "to": None, "warnings": []}
    value = found.dial_set(want_mm)
    gap = None if value is None else found.gap_mm(value)
    to = value if found.unit == "mm" or gap is None else round(gap, 1) + 0.0
    return {
        "dial": value,
        "gap_mm": gap,
        "known": found.dial(want_mm) is not None,
        "unit": found.unit,
        "to": to,
        "warnings": [*found.warnings, *found.warnings_for(want_mm)],
    }

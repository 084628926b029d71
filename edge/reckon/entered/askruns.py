"""What is asked about settings, gauge checks, measured runs and times before they are kept."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from edge.contract import entries
from edge.contract.entries import given
from edge.reckon.entered.gauge import GAIN_BAND, GaugeCheck, measured_mm, readout_of
from edge.reckon.entered.inforce import InForce
from edge.reckon.entered.loads import plain
from edge.reckon.entered.question import FOOT_M, HardlyMeant, digits_off, meant, times

INCH_MM = 25.4
USUAL = {
    "fan_rpm": (200.0, 2500.0), "rotor_rpm": (150.0, 2000.0), "concave_mm": (1.0, 80.0), "top_sieve_mm": (2.0, 40.0),
    "bottom_sieve_mm": (1.0, 35.0), "pre_sieve_mm": (2.0, 50.0), "speed_kmh": (0.8, 20.0), "lag_s": (2.0, 40.0),
}  # fmt: skip
"""What a combine harvester's settings stand at, in the unit of their names (from memory)."""

JUMP = {"fan_rpm": 2.5, "rotor_rpm": 3.5, "speed_kmh": 4.0}
OTHER_JUMP = 6.0
"""One change moves a setting less than so many times (from memory)."""

GAP_MM = 6.0
GAP_TIMES = 2.0
"""Gaps across one sieve lie nearer to each other than both (from memory)."""

LEAST_APART_MM = 3.0
"""Nothing nearer is asked about: a bent sieve differs by as much."""

READOUT_OFF_MM = 15.0
"""A readout in mm is seldom so far out; 8 to 10 mm is common (common practice)."""

GAIN_OFF_MM = 2.5
"""A gain is asked about where it is off by more than a worn sieve and a hasty gauge are: near readouts give any (from memory)."""

GROUND_TIMES = 2.0
BREAK_S = 60.0
AHEAD_S = 300.0
BACK_S = 86_400.0
RETURNS_T_H = (0.05, 60.0)
"""What a machine's returns carry (from memory)."""

UNITS_MM = (("cm", 10.0), ("inches", INCH_MM))


def ask_setting(entry: entries.SettingEntry, now: InForce) -> HardlyMeant | None:
    """A value that jumps, stands outside all harvesters, or comes from another than the one known."""
    if isinstance(entry.to, str) or entry.what == "mill":
        return None
    key = f"other: {given(entry.name)}" if entry.what == "other" else entry.what
    known = now.lag_s if entry.what == "lag_s" else now.machine_settings.get(key)
    was = given(entry.from_, known)
    what, unit = given(entry.name, entry.what.rpartition("_")[0].replace("_", " ")), entries.SETTING_UNITS[entry.what]
    if isinstance(was, float) and isinstance(known, float) and was > 0 and known > 0 and times(was, known) >= _jump(entry.what):
        words = f"From {was:g} {unit}? As far as the kit knows, {what} stands at {known:g} {unit}."
        return meant(words, "from", known, f"{{:g}} {unit}")
    if isinstance(was, float) and was > 0:
        if entry.to > 0 and times(entry.to, was) < _jump(entry.what):
            return None
        guess = digits_off(entry.to, was / 2, was * 2) or _mm_meant(entry.what, entry.to, was / 2, was * 2)
        return meant(f"{what.capitalize()} from {was:g} to {entry.to:g}{unit and f' {unit}'}?", "to", guess, f"{{:g}} {unit}")
    low, high = USUAL.get(entry.what, (0.0, float("inf")))
    if low <= entry.to <= high:
        return None
    guess = digits_off(entry.to, 2 * low, high) or _mm_meant(entry.what, entry.to, 2 * low, high)
    words = f"{what.capitalize()} at {entry.to:g} {unit}? It stands between {low:g} and {high:g} {unit} on most machines."
    return meant(words, "to", guess, f"{{:g}} {unit}")


def _jump(what: str) -> float:
    return JUMP.get(what, OTHER_JUMP)


def _mm_meant(what: str, value: float, low: float, high: float) -> float | None:
    if not what.endswith("_mm"):
        return None
    return next((round(value * mm, 1) for _, mm in UNITS_MM if low <= value * mm <= high), None)


def ask_gauge(entry: entries.GaugeEntry, with_it: GaugeCheck) -> HardlyMeant | None:
    """Gaps far from their neighbours or from the readout, and a readout whose model would make no sense.

    `with_it`: what the checks of the sieve say, this one in.
    """
    gaps = list(measured_mm(entry))
    if not any(gaps):
        return HardlyMeant("No gap at all? A closed sieve lets no grain through.")
    return _neighbours(gaps) or _readout(entry, gaps) or _gain(with_it)


def _neighbours(gaps: Sequence[float]) -> HardlyMeant | None:
    """The gap that lies furthest from the middle of them; of two, the smaller: a lost digit is commoner than one too many."""
    if len(gaps) < 2:
        return None
    middle = median(gaps) if len(gaps) > 2 else max(gaps)
    number = max(range(len(gaps)), key=lambda one: abs(gaps[one] - middle))
    gap, others = gaps[number], median([*gaps[:number], *gaps[number + 1 :]])
    apart = abs(gap - others)
    if apart < LEAST_APART_MM or (apart <= GAP_MM and min(gap, others) > 0 and times(gap, others) <= GAP_TIMES):
        return None
    near = others - GAP_MM / 2, others + GAP_MM / 2
    guess = (digits_off(gap, *near) or _mm_of(gap, *near)) if gap else None
    words = f"A gap of {gap:g} mm? The others of this check are about {others:.3g} mm."
    if guess is None:
        return HardlyMeant(words)
    return HardlyMeant(f"{words} Did you mean {guess:g} mm?", {"measured_mm": [*gaps[:number], guess, *gaps[number + 1 :]]})


def _mm_of(value: float, low: float, high: float) -> float | None:
    return next((round(value * mm, 1) for _, mm in UNITS_MM if low <= value * mm <= high), None)


def _readout(entry: entries.GaugeEntry, gaps: Sequence[float]) -> HardlyMeant | None:
    """A readout in millimetres shows the gap, be it some millimetres out."""
    readout, unit = readout_of(entry)
    gap = sum(gaps) / len(gaps)
    far = abs(gap - readout) > READOUT_OFF_MM or (min(gap, readout) > 0 and times(gap, readout) > 4.0)
    if unit != "mm" or not far:
        return None
    words = f"A gap of {gap:.3g} mm where the cab shows {readout:g} mm?"
    if readout <= 0:
        return HardlyMeant(words)
    for name, mm in UNITS_MM:
        if abs(gap * mm - readout) <= READOUT_OFF_MM / 2:
            mended = [round(one * mm, 1) for one in gaps]
            words += f" Did you mean {gap:.3g} {name}, {sum(mended) / len(mended):.3g} mm?"
            return HardlyMeant(words, {"measured_mm": mended if isinstance(entry.measured_mm, tuple) else mended[0]})
    guess = digits_off(gap, readout - READOUT_OFF_MM / 2, readout + READOUT_OFF_MM / 2)
    if guess is not None and len(gaps) == 1:
        return meant(words, "measured_mm", guess, "{:g} mm")
    near = digits_off(readout, gap - READOUT_OFF_MM / 2, gap + READOUT_OFF_MM / 2)
    key = "readout_mm" if given(entry.readout_mm) is not None else "readout"
    return meant(words, key, near, "a readout of {:g} mm")


def _gain(with_it: GaugeCheck) -> HardlyMeant | None:
    gain = with_it.gain
    if gain is None or len(with_it.readouts) < 2:
        return None
    span = f"between readouts of {with_it.readouts[0]:g} and {with_it.readouts[-1]:g}"
    if gain <= 0:
        moves = f"the gap moves {gain:.2g} mm for 1 {with_it.unit} {span}"
        return HardlyMeant(f"The sieve would close as its readout opens: {moves}.")
    off_mm = abs(gain - 1) * (with_it.readouts[-1] - with_it.readouts[0])
    if with_it.unit == "mm" and not GAIN_BAND[0] <= gain <= GAIN_BAND[1] and off_mm > GAIN_OFF_MM:
        return HardlyMeant(f"The gap would move {gain:.2g} mm for each millimetre of the readout {span}; it is mostly about 1.")
    return None


def ask_ground_run(entry: entries.GroundRunEntry, per_m: float) -> HardlyMeant | None:
    """A measured run against the pulses per metre in force."""
    found = entry.pulses / entry.metres
    if times(found, per_m) <= GROUND_TIMES:
        return None
    words = f"{entry.pulses:g} pulses on {entry.metres:g} m are {plain(found)} a metre; so far it was {plain(per_m)}."
    if times(entry.metres / entry.pulses, per_m) <= 1.2:
        more = f" Did you mean {entry.metres:g} pulses on {entry.pulses:g} m?"
        return HardlyMeant(words + more, {"metres": entry.pulses, "pulses": entry.metres})
    right_m = entry.pulses / per_m
    feet = round(entry.metres * FOOT_M, 3)
    guess = feet if times(feet, right_m) <= 1.1 else digits_off(entry.metres, right_m / 1.2, right_m * 1.2)
    return meant(words, "metres", guess, "{:g} m")


def ask_idle_run(entry: entries.IdleRunEntry, run_s: float) -> HardlyMeant | None:
    """Longer than the kit has been running, the seconds that wait to be closed and a short break in."""
    if entry.seconds <= run_s + BREAK_S:
        return None
    return HardlyMeant(f"{entry.seconds:g} s with the machine empty? The kit has been counting for {run_s:.0f} s.")


def ask_returns_catch(entry: entries.ReturnsCatchEntry) -> HardlyMeant | None:
    """A flow of returns that no machine has, or none."""
    t_h = entry.mass_kg * 3.6 / entry.seconds
    if not entry.mass_kg:
        return HardlyMeant("No returns at all in the catch?")
    low, high = RETURNS_T_H
    if low <= t_h <= high:
        return None
    likely = 0.5 * entry.seconds / 3.6, 30 * entry.seconds / 3.6
    guess = digits_off(entry.mass_kg, *likely, (0.001, 0.1, 10.0, 1000.0)) if entry.seconds >= 1 else None
    words = f"{entry.mass_kg:g} kg in {entry.seconds:g} s are {plain(t_h)} t/h of returns."
    return meant(words, "mass_kg", guess, "{:g} kg")


def ask_moment(at_s: float | None, now_s: float) -> HardlyMeant | None:
    """An `at` that has not come yet, or lies days back; both epoch s."""
    if at_s is None or -BACK_S <= at_s - now_s <= AHEAD_S:
        return None
    apart = abs(at_s - now_s)
    said = f"{apart / 86_400:,.1f} days" if apart >= 86_400 else f"{apart / 60:.0f} minutes"
    return HardlyMeant(f"The time given lies {said} {'ahead' if at_s > now_s else 'back'}.")

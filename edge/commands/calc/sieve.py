"""`calc sieve`: gauge entries -> offset, gain, the readout to dial, and what to mind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct

from edge.commands.calc import keys
from edge.contract import entries
from edge.contract.allowed import ChoiceRule, InWords
from edge.contract.errors import EntryError, WrongInput
from edge.contract.refusal import MISSING, Refusal, value_found
from edge.contract.said import say
from edge.contract.settings import Settings
from edge.contract.typed import TypedFault, convert
from edge.reckon.entered import gauge
from edge.reckon.tables import guards

CAUTION = (
    "Before you reach in: engine off, key in your pocket, wait until everything has stopped; prop what can fall; lock out",
    "electric sieve adjusters; never gauge a sieve while anything can move. The operator's manual goes before this.",
)
_LISTS = ("gauge", "gauges", "entries")


class WantedGap(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """What is asked beside the entries."""

    want_mm: Annotated[float, Meta(ge=0, le=200)] | None = None


Placed = tuple[str, Any]
"""Where an entry stands, as a refusal names it (empty: nothing to name), and the plain entry."""


def gather(source: str | None, given: Sequence[str], options: Mapping[str, Any]) -> tuple[list[Placed], dict[str, Any]]:
    """Gauge entries as plain objects with their places, and the keys beside them.

    `--from` may hold one entry, a list of entries, or an object with a list under `gauge` and `want_mm` beside it.
    """
    found: list[Placed] = []
    beside: dict[str, Any] = {}
    if source is not None:
        read = keys.read_json(source, "sieve")
        if isinstance(read, list):
            found = _numbered(read, "")
        elif isinstance(read, dict):
            key = next((key for key in _LISTS if key in read), None)
            beside = {key: read[key] for key in ("want_mm",) if key in read}
            rest = {key: value for key, value in read.items() if key not in beside}
            found = _listed(read[key], rest, key) if key else [("", rest)]
        else:
            raise WrongInput(f"calc sieve: --from: found {type(read).__name__}; allowed: an object or a list of entries")
    for number, text in enumerate(given, 1):
        name = "--gauge" if len(given) == 1 else f"--gauge (number {number})"
        try:
            found.append((name, msgspec.json.decode(text)))
        except (msgspec.DecodeError, RecursionError) as fault:
            raise WrongInput(f"calc sieve: {name}: no valid JSON ({fault})") from fault
    single = {key: value for key, value in options.items() if value is not None and value != () and key != "want_mm"}
    if single:
        measured = single.get("measured_mm")
        if isinstance(measured, tuple):
            single["measured_mm"] = measured[0] if len(measured) == 1 else list(measured)
        _check_single(single)
        found.append(("", single))
    if options.get("want_mm") is not None:
        beside["want_mm"] = options["want_mm"]
    if not found:
        raise WrongInput("calc sieve: nothing measured; allowed: --sieve, --readout-mm and --measured-mm, --gauge, or --from")
    return found, beside


def _check_single(single: Mapping[str, Any]) -> None:
    """What only options can get wrong; the entry itself is checked like any other."""
    if "readout" in single and "readout_mm" in single:
        raise WrongInput("calc sieve: --readout: given beside --readout-mm; allowed: one of the two")
    for key, words in (
        ("sieve", "pre, top or bottom"), ("measured_mm", "the gap at the sieve in mm, again for each place")
    ):  # fmt: skip
        if key not in single:
            raise TypedFault(Refusal((key,), MISSING, InWords((words,)), by="required"))
    if "readout" not in single and "readout_mm" not in single:
        shown = InWords(say("what the cab shows in mm, or --readout with --unit"))
        raise TypedFault(Refusal(("readout_mm",), MISSING, shown, by="required"))


def _numbered(found: list[Any], key: str) -> list[Placed]:
    return [(f"{key}[{number}]", one) for number, one in enumerate(found)]


def _listed(found: Any, rest: Mapping[str, Any], key: str) -> list[Placed]:
    others = [other for other in rest if other != key]
    if others:
        raise WrongInput(f"calc sieve: {others[0]}: unknown key beside `{key}`; allowed: want_mm")
    return _numbered(found, key) if isinstance(found, list) else [(key, found)]


def reckon(found: Sequence[Placed], beside: Mapping[str, Any], config: Settings | None) -> tuple[dict[str, Any], list[str]]:
    """The figures of the contract, and the words. Raises WrongInput, TypedFault or EntryError."""
    want = convert(dict(beside), WantedGap).want_mm
    checked: list[entries.GaugeEntry] = []
    for place, one in found:
        try:
            checked.append(_entry(one))
        except EntryError as fault:
            if not place or fault.refusal is None:
                raise
            raise WrongInput(f"calc sieve: {place}: {fault.refusal.line()}") from fault  # no option is meant there
    result = gauge.check(checked)
    dial, dial_set = (result.dial(want), result.dial_set(want)) if want is not None else (None, None)
    warnings = [*result.warnings, *(result.warnings_for(want) if want is not None else ())]
    if config is not None:
        warnings += _guard_rails(checked, want, config)
    figures = {
        "offset_mm": result.offset_mm,
        "gain": result.gain,
        "dial": dial,
        "dial_set": dial_set,
        "spread_mm": result.spread_mm,
        "warnings": warnings,
    }
    return figures, _words(result, want, dial_set, warnings)


def _entry(plain: Any) -> entries.GaugeEntry:
    if not isinstance(plain, dict):
        each = InWords(say("gauge entries, each a JSON object"))
        raise entries.GaugeEntry.refused((), (f"found {type(plain).__name__}",), each)
    if plain.get("entry", "gauge") != "gauge":
        found = value_found(plain["entry"], f"{plain['entry']!r:.60}")
        raise entries.GaugeEntry.refused(("entry",), found, ChoiceRule(("gauge",)))
    entry = entries.from_plain({"entry": "gauge", **plain})
    assert isinstance(entry, entries.GaugeEntry)
    return entry


def _guard_rails(checked: Sequence[entries.GaugeEntry], want: float | None, config: Settings) -> list[str]:
    """The gap that will stand in the end: the wanted one, else the last measured."""
    last = checked[-1]
    gaps = gauge.measured_mm(last)
    gap = want if want is not None else sum(gaps) / len(gaps)
    opened = entries.given(last.opened_to_mm)
    crop = keys.known_crop_or_none(config.crop.name if config.crop else None, config)
    state = guards.SieveState(
        gaps_mm={last.sieve: gap},
        opened_to_mm={} if opened is None else {last.sieve: opened},
        crop_kind=crop.kind if crop else None,
        kernel_width_mm=crop.kernel_width_mm if crop else None,
        yield_t_ha=config.crop.yield_t_ha if config.crop else None,
        fan=config.machine.fan,
        pre_sieve=config.machine.pre_sieve,
    )
    reasons = guards.overrides_in(entries.given(last.note, ""))
    return [notice.text for notice in guards.notices(config.machine.sieve_guards, state, reasons)]


def _words(result: gauge.GaugeCheck, want: float | None, dial_set: float | None, warnings: Sequence[str]) -> list[str]:
    lines = [*CAUTION, ""]
    if not result.believed:
        lines.append(f"{result.sieve} sieve: the gauge checks can't be so together")
    elif result.offset_mm is None or result.gain is None:
        lines.append(f"{result.sieve} sieve: one {result.unit} readout ties nothing to millimetres yet")
    elif result.unit == "mm" and result.gain == 1.0:
        lines.append(f"{result.sieve} sieve: gap = readout {_signed(result.offset_mm)} mm")
    else:
        lines.append(f"{result.sieve} sieve: gap = {result.offset_mm:.3g} mm {_signed(result.gain)} mm x readout ({result.unit})")
    if result.spread_mm is not None:
        lines.append(f"spread across positions: {keys.show(result.spread_mm, 'mm')}")
    if want is not None:
        unit = result.unit
        set_to = f"dial {dial_set:g} {unit}" if dial_set is not None else "there is no readout to dial"
        lines.append(f"for a gap of {want:g} mm: {set_to}")
    for warning in warnings:
        about, _, words = warning.partition(": ")
        lines.append(f"Note ({about}): {words}")
    return lines


def _signed(value: float) -> str:
    return f"{'-' if value < 0 else '+'} {abs(value):.3g}"

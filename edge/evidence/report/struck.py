"""Entries that were taken back: what they said and why they count no more, and the figure as it would be with them. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from edge.evidence.recount.facts import JobFacts
from edge.evidence.report.words import Pen, spanned, table
from edge.judge.verdict.words import name_of, shown

NAMES = {
    "tray": "tray test", "tray_mark": "tray mark", "gauge": "gauge check", "setting": "setting change",
    "width_used": "part of the width in use", "residue": "residue", "load": "load", "sample": "tank sample",
    "returns_look": "look at the returns", "returns_catch": "catch of the returns", "ground_run": "measured run",
    "idle_run": "zero run", "shelve": "alert put aside", "job_reopen": "job taken up again",
}  # fmt: skip
LEFT_OUT = ("entry", "at", "by", "sure")
UNITS = {
    "kg_ha": "kg/ha", "t_ha": "t/ha", "kg_m3": "kg/m³", "per_t": "a tonne", "m2": "m²", "m3": "m³", "mm": "mm", "pct": "%",
    "kg": "kg", "ha": "ha", "m": "m", "g": "g", "s": "s", "t": "t",
}  # fmt: skip
"""Ends of keys that are units, the longer ones first."""


def line(facts: JobFacts, pen: Pen) -> str:
    """That tray tests were struck out, and what the loss would be with them; nothing where none was."""
    if facts.with_struck is None:
        return ""
    tests = sum(one.body.get("entry") == "tray" for one in facts.struck)
    some, them = ("A tray test was", "it") if tests == 1 else (f"{tests} tray tests were", "them")
    figure = pen.number("struck.kg_ha", facts.with_struck.value, "kg/ha")
    reach = f" ({pen.figure('struck.kg_ha.interval', spanned(facts.with_struck, 'kg/ha'))})" if facts.with_struck.value else ""
    return (
        f'<p class="struck"><strong>Struck out:</strong> {some} taken back; what it said, and why, stands below. With {them} the '
        f"loss would be {figure}{reach}.</p>\n"
    )


def section(facts: JobFacts, pen: Pen) -> str:
    """Every entry that was taken back, with its reason."""
    rows = []
    for at, one in enumerate(facts.struck):
        when = "before this job" if one.at_s is None else escape(facts.zone.clock(one.at_s))
        kind = str(one.body.get("entry", "an entry of before"))
        said = spoken(one.body)
        by = f" by {escape(one.by)}" if one.by else ""
        what = pen.figure(f"struck.{at}", said) if said else ""
        rows.append([when, escape(NAMES.get(kind, kind)), what, escape(facts.zone.clock(one.struck_s)) + by, escape(one.why)])
    return (
        "<p>These entries were taken back. They stay in the record, and no figure of this pack rests on them.</p>\n"
        + table("Struck out", ["Entered", "What", "It said", "Taken back", "Why"], rows)
    )


def spoken(body: Mapping[str, Any]) -> str:
    """What an entry said, its keys in words: `residue width 9.1 m; trays: mass 10 g, length 1 m, width 50 m`."""
    if body.get("entry") == "setting":
        name = name_of(str(body["what"]), str(body.get("name", "")))
        was = f" from {_plain(body['from'])}" if "from" in body else ""
        note = f"; note {body['note']}" if body.get("note") else ""
        return f"{name}{was} to {shown(body['to'], str(body['what']))}{note}"
    return "; ".join(_spoken(name, value) for name, value in body.items() if name not in LEFT_OUT)


def _spoken(name: str, value: Any) -> str:
    if isinstance(value, Mapping):
        return f"{_words(name)}: {', '.join(_spoken(key, one) for key, one in value.items())}"
    if isinstance(value, list | tuple):
        each = [
            ", ".join(_spoken(key, part) for key, part in one.items()) if isinstance(one, Mapping) else _plain(one)
            for one in value
        ]
        return f"{_words(name)}: {' and '.join(each)}"
    end = next((one for one in UNITS if name.endswith(f"_{one}")), None)
    if end is not None and (value is None or (isinstance(value, int | float) and not isinstance(value, bool))):
        unit = "" if value is None else f"\u00a0{UNITS[end]}"
        return f"{_words(name.removesuffix(f'_{end}'))} {_plain(value)}{unit}"
    return f"{_words(name)} {_plain(value)}"


def _words(name: str) -> str:
    return name.replace("_", " ").replace("tgw", "TGW")


def _plain(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "none"}[value]
    return f"{value:g}" if isinstance(value, int | float) else str(value)

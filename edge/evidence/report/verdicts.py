"""A verdict as a pack puts it: in three words, in a line, with loss and returns on both sides of the change. Pure."""

from __future__ import annotations

from html import escape
from typing import Any

from edge.evidence.recount.events import JudgedChange
from edge.evidence.report.words import Pen

SHORT = {"not enough data": "too little data", "no detectable change": "no change seen"}
SIGNS = {"better": "▲", "worse": "▼", "mixed": "◆", "no detectable change": "●", "not enough data": "○"}
"""Beside the word, never instead of it."""

ROSE = {"returns_pct": "more returns", "trash_pct": "more trash", "cracked_pct": "more cracked grain"}


def in_short(found: dict[str, Any]) -> str:
    """The answer to "Did it help?": `Less loss, more returns`."""
    if found["verdict"] == "no detectable change":
        return "No change seen"
    if _contradicts(found):
        return "Trays and pulses contradict each other"
    if found["verdict"] == "not enough data":
        return "Too little data to say"
    loss = "More loss" if found["verdict"] == "worse" else "Less loss"
    return ", ".join([loss, *(words for key, words in ROSE.items() if found["verdict"] == "mixed" and _rose(found, key))])


def _contradicts(found: dict[str, Any]) -> bool:
    """Whether tests on both sides were there, and the verdict is none because the pulses deny them."""
    return found["verdict"] == "not enough data" and found.get("basis") == "grain"


def _rose(found: dict[str, Any], key: str) -> bool:
    before, after = found["before"].get(key), found["after"].get(key)
    return before is not None and after is not None and after > before


def verdict_line(change: JudgedChange, pen: Pen) -> str:
    """One verdict in a line: the word, the effect, its range, both sides."""
    found = change.verdict
    if found is None:
        return f"<b>{escape(change.name)}:</b> not judged"
    word = "trays and pulses contradict" if _contradicts(found) else SHORT.get(found["verdict"], found["verdict"])
    sign = f'<span aria-hidden="true">{SIGNS.get(found["verdict"], "")}</span> '
    effect = f": {pen.figure(f'change.{change.n}', effect_words(found))}" if found.get("ratio") is not None else ""
    return f"{sign}<b>{escape(change.name)}: {escape(word)}</b>{effect}{_both_sides(found, change.n, pen)}.{_if(found)}"


def _if(found: dict[str, Any]) -> str:
    """What a figure in kilograms rests on where only pulses were compared."""
    if found.get("basis") == "grain" or found["before"].get("kg_ha") is None or found["after"].get("kg_ha") is None:
        return ""
    return " The kilograms hold if the sensors still meet the same share of the lost grain: trays on both sides would tell."


def _both_sides(found: dict[str, Any], n: int, pen: Pen) -> str:
    """Means of the steady work before and after, where both are known."""
    parts = []
    for key, name, unit in (("kg_ha", "loss", "kg/ha"), ("returns_pct", "returns", "% of full")):
        before, after = found["before"].get(key), found["after"].get(key)
        if before is not None and after is not None:
            first, then = pen.number(f"change.{n}.{key}.before", before), pen.number(f"change.{n}.{key}.after", after, unit)
            parts.append(f"{name} {first} before, {then} after")
    return f". In steady work: {'; '.join(parts)}" if parts else ""


def effect_words(found: dict[str, Any]) -> str:
    """`34 % fewer loss pulses (range 1 to 57 % fewer)`."""
    what, less = ("grain lost", "less") if found.get("basis") == "grain" else ("loss pulses", "fewer")
    ratio = found["ratio"]
    part = round(abs(ratio - 1) * 100)
    as_many = f"as {'much' if less == 'less' else 'many'} {what} as before"
    seen = as_many if part == 0 else f"{part}\u00a0% {less if ratio < 1 else 'more'} {what}"
    return f"{seen} (range {_between(found['low'], found['high'], less)})"


def _between(low: float, high: float | None, less: str) -> str:
    """An interval of a ratio, the nearest to no change first: `20 to 46 % fewer`, `3 % fewer to 12 % more`."""
    down = round((1 - low) * 100)
    if high is None:
        return f"from {abs(down)}\u00a0% {less if down > 0 else 'more'}, no upper end"
    up = round((high - 1) * 100)
    if up <= 0:
        return f"{-up} to {down}\u00a0% {less}"
    if down <= 0:
        return f"{-down} to {up}\u00a0% more"
    return f"{down}\u00a0% {less} to {up}\u00a0% more"

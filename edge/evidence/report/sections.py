"""The body of a pack below its answers: charts, settings, trays, sieves, returns, alerts, uncertainty, data quality. Pure."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np

from edge.evidence.recount.events import MOST_ALERTS
from edge.evidence.recount.facts import JobFacts
from edge.evidence.report.answers import from_to, untested
from edge.evidence.report.classes import class_of, classes, has_track, values_of
from edge.evidence.report.verdicts import verdict_line
from edge.evidence.report.words import UNKNOWN, Pen, lasting, percent, shown, table

CATCHES = {"both": "separator and cleaning", "separator": "separator alone", "cleaning": "cleaning alone"}
LAID = {"released": "released from the machine", "ahead": "laid ahead", "ground": "counted on the ground"}
NEARLY_ALL = 0.9995
NONE = "none"
OF_OTHERS = "other jobs', the kit's advice, or telling a place; their digests keep the chain whole"
OF_KIT = "a setting of the kit, not of the machine"
STOOD = "no change: taken as what it stood at"
LEAST_U = 0.001
"""Doubts below a tenth of a percent need no figure."""


def chart(name: str, drawn: dict[str, str], description: str, fits: bool = False) -> str:
    """A chart with its description; the drawing stands between two marks, so that `verify` can tell it from the words.
    `fits`: it can be read as narrow as a telephone; others are swiped there."""
    kind = "map" if fits else name
    swipe = "" if fits else '<p class="swipe">Swipe the chart sideways for the rest.</p>'
    return (
        f'<figure>{swipe}<div class="wide chart {kind}" role="img" tabindex="0" aria-label="{escape(description)}">'
        f"<!--chart {name}-->{drawn.get(name, '')}<!--end chart--></div>\n"
    )


def trend(facts: JobFacts, pen: Pen, drawn: dict[str, str]) -> str:
    """Loss over time with its marks."""
    steps = facts.steps
    if not len(steps.t):
        return "<p>There was no steady work to draw.</p>\n"
    known = ~np.isnan(steps.kg_ha)
    of = steps.kg_ha[known] if known.any() else steps.pulses_m2
    unit = "kg/ha" if known.any() else "pulses per m²"
    least, most = pen.number("trend.least", float(of.min()), unit), pen.number("trend.most", float(of.max()), unit)
    marks = f"{sum(one.moved for one in facts.changes)} setting changes, {len(facts.tests)} tray tests, "
    description = (
        f"Line chart over time of machine loss in steps of {lasting(steps.step_s)}, from {shown(float(of.min()), unit)} to "
        f"{shown(float(of.max()), unit)}, with {marks}{len(facts.alerts)} alerts; below it speed and returns."
    )
    return (
        chart("trend", drawn, description)
        + f"<figcaption>The line: steps of {lasting(steps.step_s)} of steady work, lowest {least}, highest {most}. The band: the "
        f"90 % interval of each step.{_signs(facts)}{_of_steps(facts)}</figcaption></figure>\n"
    )


def _signs(facts: JobFacts) -> str:
    """What the marks of the chart mean, those that stand in it."""
    said = []
    if any(one.moved for one in facts.changes):
        said.append("A number in a square: a setting change.")
    if any(not one.before_job for one in facts.tests):
        said.append("▲ a tray test (hollow: not used).")
    if any(one.severity != "notice" for one in facts.alerts):
        said.append("A bar with ◆: an alert of danger, with ■: of caution.")
    return "".join(f" {one}" for one in said)


def _of_steps(facts: JobFacts) -> str:
    """Why a line that crosses the limit need not be area over it."""
    steps = facts.steps.kg_ha[~np.isnan(facts.steps.kg_ha)]
    if facts.limit_kg_ha is None or not len(steps) or facts.over_share or float(steps.max()) <= facts.limit_kg_ha:
        return ""
    return " Some single steps were over the limit; averaged over half a minute none was."


def ground(facts: JobFacts, pen: Pen, drawn: dict[str, str]) -> str:
    """Loss along the track, or by time where no position is known."""
    pieces = facts.pieces
    if not len(pieces.t):
        return "<p>There was no steady work to draw.</p>\n"
    values, number = class_of(facts)
    total = float(pieces.area_m2.sum())
    shares = [float(pieces.area_m2[number == at].sum()) / total if total > 0 else 0.0 for at in range(len(classes(facts)))]
    rows = []
    for at, (name, share) in enumerate(zip(classes(facts), shares, strict=True)):
        key = f'<span class="key k{at}" aria-hidden="true"></span> {pen.figure(f"class.{at}", name)}'
        rows.append([key, pen.figure(f"class.{at}.share", percent(share))])
    what = "map of the track, north up" if has_track(facts) else "plan by time"
    why = {
        "none": "Positions are left out of this pack, so the work is drawn by time.",
        "coarse": "Positions in this pack are rounded to about a kilometre, so the work is drawn by time.",
        "exact": "No positions were recorded, so the work is drawn by time.",
    }[facts.document.position]
    _, unit, _ = values_of(facts)
    fits = has_track(facts)
    middle = shown(float(np.nanmedian(values)), unit)
    caption = (
        f"{why} Each block is half a minute of steady work: taller and darker is more loss, a gap is turning, filling or a stop."
    )
    if has_track(facts):
        caption = "Each stroke is half a minute of steady work, set where its ground was cut: wider and darker is more loss."
    return (
        chart("track", drawn, f"Loss over the ground, {what}: half-minute pieces, middle {middle}, in five classes.", fits)
        + f"<figcaption>{caption}</figcaption></figure>\n"
        + table("Classes of loss and their share of the area", ["Class", "Share of the area"], rows, (1,))
    )


def spread(facts: JobFacts, pen: Pen, drawn: dict[str, str]) -> str:
    """How loss is spread over the area, and how much was over the limit."""
    low, middle, high = facts.spread
    words = []
    if middle is not None:
        words.append(
            f"Half of the area lost less than {pen.number('spread.middle', middle, 'kg/ha')}; a tenth less than "
            f"{pen.number('spread.low', low, 'kg/ha')}, a tenth more than {pen.number('spread.high', high, 'kg/ha')}."
        )
    if facts.limit_kg_ha is None:
        words.append("No limit was set.")
    elif facts.over_share is not None:
        limit = pen.number("limit", facts.limit_kg_ha, "kg/ha")
        words.append(f"<b>{pen.figure('over', percent(facts.over_share))} of the area was over the limit</b> of {limit}.")
    words.append("Pieces of half a minute scatter by chance too, so the true spread is a little narrower.")
    text = f"<p>{' '.join(words)}</p>\n"
    if not len(facts.pieces.t):
        return text
    return text + chart("spread", drawn, "Bar chart: share of the area by loss.") + "</figure>\n"


def settings(facts: JobFacts, pen: Pen) -> str:
    """Setting changes and the verdict on each."""
    if not facts.changes:
        return "<p>None was entered.</p>\n"
    rows = []
    for one in facts.changes:
        words = verdict_line(one, pen) if one.moved else STOOD if one.stood else OF_KIT
        told = str(one.verdict.get("words") or "") if one.verdict else ""
        said = f"<br>As told to the operator: {escape(told)}" if told else ""
        note = f"<br>Note: {escape(one.note)}" if one.note else ""
        when = escape(facts.zone.clock(one.at_s))
        rows.append([str(one.n), when, escape(one.name), escape(from_to(one)) + note, words + said])
    return table("Each change, and what it did", ["No", "Time", "Setting", "Change", "Verdict"], rows, (0,))


def trays(facts: JobFacts, pen: Pen) -> str:
    """Tray tests, used and not used, and the factors they give."""
    state, why = facts.calibration
    said = f"<p>Calibration: <b>{pen.figure('calibration.state', state)}</b>. {escape(_sentence(why))}"
    each = [
        f"{escape(name)} {pen.number(f'factor.{name}', k, 'mg per pulse')} ± {pen.figure(f'factor.{name}.u', percent(u))}"
        + (f", less {pen.number(f'factor.{name}.clicks', clicks)} straw clicks per m²" if clicks else "")
        for name, k, u, clicks in facts.factors
    ]
    if each:
        said += f" Factors in force (± one standard uncertainty; the 90 % interval is wider): {'; '.join(each)}."
    said += f"</p>\n{untested(facts, pen)}"
    if not facts.tests:
        return said + "<p>No tray test was made.</p>\n"
    rows = []
    for one in facts.tests:
        key = f"test.{one.number}"
        used = "used" if one.used else f"not used: {escape(one.why)}"
        when = escape(facts.zone.clock(one.at_s)) + (" (before this job)" if one.before_job else "")
        what = f"{one.trays} tray{'s' if one.trays > 1 else ''}, {LAID.get(one.laid, one.laid)}; {CATCHES[one.catches]}"
        caught = pen.number(f"{key}.grains", one.grains_m2) if one.grains_m2 is not None else "weighed"
        seen = pen.number(f"{key}.pulses", one.pulses_m2)
        factor = pen.number(f"{key}.factor", one.factor) if one.factor is not None else "none"
        rows.append([str(one.number), when, escape(what), caught, pen.number(f"{key}.kg_ha", one.kg_ha), seen, factor, used])
    head = ["No", "Time", "How", "Kernels per m²", "Loss there, kg/ha", "Pulses per m²", "Factor, mg per pulse", "Used?"]
    return said + table("Tray tests", head, rows, (0, 3, 4, 5, 6)) + _over_at(facts)


def _over_at(facts: JobFacts) -> str:
    """Tray tests that caught more than the limit, beside an area of which little or nothing was over it."""
    over = [str(one.number) for one in facts.tests if one.kg_ha and facts.limit_kg_ha and one.kg_ha > facts.limit_kg_ha]
    if not over:
        return ""
    numbers = f"{'Tests' if len(over) > 1 else 'Test'} {', '.join(over)}"
    return f"<p>{numbers} caught more than the limit: a tray sees one spot, so it can lie far above or below a mean.</p>\n"


def sieves(facts: JobFacts, pen: Pen) -> str:
    """Gauge checks."""
    if not facts.gauges:
        return "<p>None during this job. A readout that was not checked can be far from the gap at the sieve.</p>\n"
    rows = []
    for at, one in enumerate(facts.gauges):
        gaps = ", ".join(shown(gap) for gap in one.gaps_mm) + "\u00a0mm"
        offset = UNKNOWN if one.offset_mm is None else shown(one.offset_mm, "mm", 1)
        warned = escape("; ".join(one.warnings)) or "none"
        measured = [pen.figure(f"gauge.{at}", gaps), pen.figure(f"gauge.{at}.off", offset)]
        rows.append([escape(facts.zone.clock(one.at_s)), one.sieve, escape(one.readout), *measured, warned])
    return table("Gauge checks", ["Time", "Sieve", "Readout", "Measured", "Gap less readout", "Noticed"], rows)


def returns(facts: JobFacts, pen: Pen) -> str:
    """Returns, looks at them, catches, tank samples."""
    said = "<p>No returns beam is fitted."
    if facts.returns_pct is not None:
        ran = pen.number("returns", facts.returns_pct, "% of full")
        said = f"<p>Returns ran at {ran} on average while working{_of_limit(facts, pen)}."
    rows = []
    for one in sorted([*facts.looks, *facts.catches, *facts.samples], key=lambda one: one.seq):
        kind = {"returns_look": "look at the returns", "returns_catch": "catch of the returns", "sample": "tank sample"}
        body = {name: value for name, value in one.body.items() if name not in ("entry", "at", "by", "note")}
        words = ", ".join(_spoken(name, value) for name, value in body.items())
        rows.append([escape(facts.zone.clock(one.moment_s)), kind[one.body["entry"]], pen.figure(f"seen.{one.seq}", words)])
    if not rows:
        return said + " No look, catch or tank sample was entered.</p>\n"
    return said + "</p>\n" + table("What was seen in returns and tank", ["Time", "What", "Found"], rows)


def _of_limit(facts: JobFacts, pen: Pen) -> str:
    if facts.returns_limit_pct is None:
        return ""
    return f" (limit {pen.number('returns.limit', facts.returns_limit_pct, '%')}, as entered)"


def _spoken(name: str, value: Any) -> str:
    """`trash 1.2 %`, `clean grain: some`."""
    if name == "seconds":
        return f"in {value:g} s"
    for end, unit in (("_pct", "%"), ("_kg", "kg")):
        if name.endswith(end):
            return f"{name.removesuffix(end).replace('_', ' ')} {value:g}\u00a0{unit}"
    return f"{name.replace('_', ' ')}: {value}"


def alerts(facts: JobFacts, pen: Pen) -> str:
    """Alerts and what was done about them."""
    if not facts.alerts:
        return "<p>No alert was raised.</p>\n"
    rows = []
    for at, one in enumerate(facts.alerts[:MOST_ALERTS]):
        lasted = "still on at the end" if one.ended_s is None else lasting(max(one.ended_s - one.raised_s, 0.0))
        done = "; ".join(f"{facts.zone.clock(when)} {what}" for when, what in one.done) or "nothing entered"
        done += f"; and {one.more} more" if one.more else ""
        when = escape(facts.zone.clock(one.raised_s))
        rows.append([when, one.severity, escape(one.text), pen.figure(f"alert.{at}", lasted), escape(done)])
    more = len(facts.alerts) - MOST_ALERTS
    words = f"<p>And {more} more; all of them are in the data of this pack.</p>\n" if more > 0 else ""
    return table("Alerts", ["Time", "Severity", "What", "Lasted", "What was done"], rows) + words


def notes(facts: JobFacts) -> str:
    """Remarks of the operator."""
    return "<ul>\n" + "".join(
        f"<li>{escape(facts.zone.clock(one.moment_s))} {escape(str(one.body['note']))}</li>\n" for one in facts.notes
    ) + "</ul>\n"  # fmt: skip


def uncertainty(facts: JobFacts, pen: Pen) -> str:
    """The budget, its largest line first, and what would make each smaller."""
    if not facts.budget:
        return "<p>There is no mean to be uncertain about.</p>\n"
    rows, most = [], float(facts.budget[0]["u"]) or 1.0
    for at, one in enumerate(facts.budget):
        u = float(one["u"])
        bar = f'<span class="bar" aria-hidden="true"><span style="width:{100 * u / most:.1f}%"></span></span>'
        size = pen.figure(f"budget.{at}", percent(u, 1) if u >= LEAST_U else f"under {percent(LEAST_U, 1)}")
        rows.append([escape(str(one["term"])), size, bar, escape(str(one["remedy"]))])
    together = pen.figure("budget.all", percent(_together(facts), 1))
    rows.append(["<b>All together</b>", f"<b>{together}</b>", "", "root of the sum of squares"])
    head = ["Doubt about", "Relative standard uncertainty", "Compared with the largest", "How to reduce it"]
    largest = facts.budget[0]
    said = f"<p>The largest doubt: <b>{escape(str(largest['term']))}</b>. What helps most: {escape(str(largest['remedy']))}."
    whole = pen.range("budget", facts.loss, "kg/ha")
    said += f" The 90 % interval, {whole}, is the wider for it the fewer tray tests there are."
    names = [one.name for one in facts.points]
    scatter = ", ".join(f"{name} {shown(value)}" for name, value in zip(names, facts.dispersion, strict=True))
    said += f" Counts scatter {pen.figure('dispersion', scatter)} times as much as pure chance would (variance over mean).</p>\n"
    return said + table("Uncertainty budget of the mean loss", head, rows, (1,))


def _together(facts: JobFacts) -> float:
    return float(np.sqrt(sum(float(one["u"]) ** 2 for one in facts.budget)))


def quality(facts: JobFacts, pen: Pen) -> str:
    """What is missing or doubtful in the data."""
    q = facts.quality
    lines = q["good"] + q["bad_crc"] + q["malformed"] + q["missing"]
    lost = percent((q["missing"] + q["bad_crc"] + q["malformed"]) / lines, 2) if lines else UNKNOWN
    seen = facts.mean.seen_share
    some_unseen = seen is not None and seen <= NEARLY_ALL
    unseen = pen.figure("quality.unseen", percent(1 - seen, 1) if seen is not None and some_unseen else NONE)
    share = f"{pen.figure('quality.lost', lost)} of {pen.figure('quality.lines', shown(lines, '', 0))}"

    def seconds(name: str) -> tuple[str, bool]:
        return pen.figure(f"quality.{name}", lasting(q[name]) if q[name] else NONE), bool(q[name])

    def count(name: str) -> tuple[str, bool]:
        return pen.figure(f"quality.{name}", str(q[name]) if q[name] else NONE), bool(q[name])

    found = [
        ("Messages of the counter board, lost or damaged", (share, True), "no pulse is lost: the counts run on"),
        ("Time without data", seconds("no_data_s"), "pulses of a gap are kept, the place of their loss is not"),
        ("Restarts of the counter board", count("restarts"), "what fell into a restart is lost; nothing is invented"),
        ("Starts of the kit", count("kit_starts"), "time between two runs is not in the figures"),
        ("Times the kit was cut off", count("broken_off"), "up to a second before the break may be missing"),
        ("Jumps of the clock", count("clock_steps"), "durations and areas follow the board's own time"),
        ("Times when nothing could be kept", count("gaps"), "the record names them"),
        ("Records moved to a new file", count("stores_moved"), "what could be read was taken over"),
        ("Seconds given up for room", seconds("given_up_s"), "they are missing in every figure"),
        ("Time a sensor was saturated", seconds("saturated_s"), "true loss may be higher; over a tenth of work: no upper end"),
        ("Time one side was silent", seconds("half_blind_s"), "its twin stands in for it, at higher uncertainty"),
        ("Ground of which a point saw nothing", (unseen, some_unseen), "left out of that point's mean, not taken for no loss"),
        ("Records withheld from this pack", count("withheld"), OF_OTHERS),
    ]  # fmt: skip
    rows = [[what, figure, meaning if is_some else "no effect"] for what, (figure, is_some), meaning in found]
    return table("What is missing or doubtful", ["What", "How much", "What it means for the figures"], rows)


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}." if words else ""

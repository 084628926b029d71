"""The first screenful of a pack and what stands right below it: how much, how sure, what was changed, did it help. Pure."""

from __future__ import annotations

from html import escape

from edge.evidence.recount.events import JudgedChange
from edge.evidence.recount.facts import JobFacts
from edge.evidence.report.verdicts import SHORT, in_short, verdict_line
from edge.evidence.report.words import UNKNOWN, Pen, lasting, pairs, percent, place, shown, table, weight
from edge.reckon.tables.units import M2_PER_HA

ORDER = ("better", "mixed", "worse", "no detectable change", "not enough data", "not judged")
MOST_ANSWERS = 6


def answers(facts: JobFacts, pen: Pen) -> str:
    """The four questions with their answers."""
    changed = [one for one in facts.changes if one.moved]
    return (
        '<div class="answers">\n'
        + _answer("How much was lost?", *_how_much(facts, pen))
        + _answer("How sure is that?", *_how_sure(facts, pen))
        + _answer("What was changed?", *_what_changed(facts, changed, pen))
        + _answer("Did it help?", *_did_it_help(changed, pen))
        + "</div>\n"
    )


def _answer(question: str, figure: str, words: str) -> str:
    return f'<section class="answer"><h2>{question}</h2><p class="big">{figure}</p>{words}</section>\n'


def _how_much(facts: JobFacts, pen: Pen) -> tuple[str, str]:
    if facts.loss.value is None:
        return "kg/ha unknown", f"<p>{escape(_why_unknown(facts))} Pulses and their trend are shown below.</p>"
    said = [f"{pen.number('loss.pct', facts.pct.value, '%')} of the crop" if facts.pct.value is not None else ""]
    lost, unit = weight(facts.lost_t)
    said.append(f"{pen.number('loss.t', lost.value, unit)} on {pen.number('area.used', facts.area_used_ha, 'ha')}")
    if facts.money.value is not None:
        price = shown(facts.crop["price_per_t"])
        each = facts.money.times(1 / facts.area_used_ha if facts.area_used_ha > 0 else None).value
        said.append(
            f"worth {pen.number('loss.money', facts.money.value)}, or {pen.number('loss.money.ha', each)} per ha, at the price "
            f"entered ({pen.figure('price', price)} per t, no currency stated)"
        )
    if facts.limit_kg_ha is not None:
        over = "over" if facts.loss.value > facts.limit_kg_ha else "under"
        said.append(f"{over} the limit of {pen.number('loss.limit', facts.limit_kg_ha, 'kg/ha')}")
    body = "; ".join(one for one in said if one)
    return (
        pen.number("loss.kg_ha", facts.loss.value, "kg/ha"),
        f"<p>{body}.</p><p>Machine loss: separator and cleaning. Loss at the front and shed grain are not in it.</p>",
    )


def _why_unknown(facts: JobFacts) -> str:
    if facts.area_ha <= 0:
        return "No ground was cut while counts came."
    return f"Without a tray test that can be used, pulses are not kilograms ({facts.calibration[1]})."


def _how_sure(facts: JobFacts, pen: Pen) -> tuple[str, str]:
    if facts.loss.value is None:
        return UNKNOWN, f"<p>Calibration: {pen.figure('calibration', facts.calibration[0])}.</p>"
    budget = facts.budget
    given = " as long as the tray tests still held after the change named below" if facts.untested is not None else ""
    words = f"<p>The mean over the job lies in this range with 90 % confidence{given}.</p>"
    checked = ", not checked since the change" if facts.untested is not None else ""
    words += f"<p>Calibration {pen.figure('calibration', facts.calibration[0])}{checked}: {escape(facts.calibration[1])}."
    if budget:
        words += f" Largest doubt: {escape(str(budget[0]['term']))}; narrowed by {escape(str(budget[0]['remedy']))}."
    return pen.range("loss", facts.loss, "kg/ha"), f"{words}</p>{untested(facts, pen)}"


def untested(facts: JobFacts, pen: Pen) -> str:
    """That no tray test checked the work after a change of settings, where it is so."""
    if facts.untested is None:
        return ""
    name, share = facts.untested
    return (
        f"<p>All tray tests were made before the {escape(name[:1].lower() + name[1:])} was changed: none checked the "
        f"{pen.figure('untested', percent(share))} of the area cut after it, so the true loss may lie outside this range.</p>"
    )


def _what_changed(facts: JobFacts, changed: list[JudgedChange], pen: Pen) -> tuple[str, str]:
    if not changed:
        return "Nothing", "<p>No change of a machine setting was entered during this job.</p>"
    each = "".join(
        f'<li value="{one.n}">{escape(facts.zone.clock(one.at_s))} <b>{escape(one.name)}</b> {escape(from_to(one))}</li>'
        for one in changed[:MOST_ANSWERS]
    )
    more = f"<p>And {len(changed) - MOST_ANSWERS} more, below.</p>" if len(changed) > MOST_ANSWERS else ""
    count = pen.figure("changes", str(len(changed)))
    return f"{count} setting{'s' if len(changed) > 1 else ''}", f"<ol>{each}</ol>{more}"


def from_to(change: JudgedChange) -> str:
    """`980 rpm → 860 rpm`, or `at 980 rpm` where nothing was changed."""
    if change.stood:
        return f"at {change.to}"
    return f"{change.was} → {change.to}" if change.was else f"→ {change.to}"


def _did_it_help(changed: list[JudgedChange], pen: Pen) -> tuple[str, str]:
    if not changed:
        return "Nothing to judge", "<p>Without a change there is nothing to compare.</p>"
    if len(changed) == 1 and changed[0].verdict is not None:
        only = f'<ol><li value="{changed[0].n}">{verdict_line(changed[0], pen)}</li></ol>'
        return escape(in_short(changed[0].verdict)), only
    judged = [one.verdict["verdict"] if one.verdict else "not judged" for one in changed]
    counts = [f"{judged.count(kind)} {SHORT.get(kind, kind)}" for kind in ORDER if kind in judged]
    each = "".join(f'<li value="{one.n}">{verdict_line(one, pen)}</li>' for one in changed[:MOST_ANSWERS])
    return escape(", ".join(counts)), f"<ol>{each}</ol>"


def work(facts: JobFacts, pen: Pen) -> str:
    """Who, where, when, with what, and how much was harvested."""
    job, crop = facts.job, facts.crop
    digits = 4 if facts.document.position == "exact" else 2
    spot = "left out of this pack" if facts.document.position == "none" else "no position was recorded"
    if facts.place is not None:
        rough = "" if facts.document.position == "exact" else ", on a grid of about 1 km"
        spot = f"{place(facts.place, digits)}{rough}"
    state = "finished" if job["finished"] else "not finished when this pack was made"
    rows = [
        ("Client", escape(str(job.get("client", "not entered")))),
        ("Paddock", escape(str(job.get("paddock", "not entered")))),
        ("Operator", escape(str(job.get("operator", "not entered")))),
        ("Machine", escape(str(job.get("machine", facts.document.kit)))),
        ("Job", f"number {job['number']} of the kit {escape(facts.document.kit)}, {state}"),
        ("From", pen.figure("from", facts.zone.stamp(facts.start_s))),
        ("To", pen.figure("to", facts.zone.stamp(facts.end_s))),
        ("Place", pen.figure("place", spot)),
    ]
    rows += [(name, escape(value)) for name, value in facts.machine]
    turned = facts.seconds["filling"] + facts.seconds["turning"]
    typed = "" if crop["yield_t_ha"] is None else " (typed)" if crop["typed"] else " (by weighed grain)"
    grain = [
        ("Crop", escape(str(crop["name"] or "not entered"))),
        ("Thousand-grain weight", pen.number("tgw", crop["tgw_g"], "g")),
        ("Yield in the tank", pen.number("yield", crop["yield_t_ha"], "t/ha") + typed),
        ("Grain moisture", pen.number("moisture", crop["moisture_pct"], "%")),
        ("Price", "not entered" if crop["price_per_t"] is None else f"{pen.number('price.per_t', crop['price_per_t'])} per t"),
        ("Area cut, measured", pen.number("area", facts.area_ha, "ha")),
        ("Limit of machine loss", _limit(facts, pen)),
        ("Area stated at the finish", pen.number("area.stated", facts.stated_area_ha, "ha") if facts.stated_area_ha else "none"),
        ("Harvested", f"{pen.number('harvested', facts.harvested_t, 't')} ({escape(facts.harvest_basis)})"),
        ("Steady work", pen.figure("time.working", lasting(facts.seconds["working"]))),
        ("Filling (cutting too) and turning", pen.figure("time.turning", lasting(turned))),
        ("Standing", pen.figure("time.idle", lasting(facts.seconds["idle"]))),
        ("Without data", pen.figure("time.none", lasting(facts.seconds["no data"]))),
        ("Distance cut", pen.number("distance.cut", facts.cut_m / 1000, "km")),
        ("Mean width cut", pen.number("width", _width(facts), "m")),
        ("Distance with turns", pen.number("distance", facts.distance_m / 1000, "km")),
        ("Mean speed in steady work", pen.number("kmh", facts.kmh, "km/h")),
    ]
    again = "".join(f"<p>Reopened {facts.zone.stamp(at)}: {escape(str(why))}</p>\n" for at, why in job["reopened"])
    return f'<div class="two">{pairs(rows)}{pairs(grain)}</div>\n{again}'


def _width(facts: JobFacts) -> float | None:
    """Metres: area over distance cut."""
    return facts.area_ha * M2_PER_HA / facts.cut_m if facts.cut_m > 0 else None


def _limit(facts: JobFacts, pen: Pen) -> str:
    """The limit in force at the end; it is the operator's own."""
    return "none set" if facts.limit_kg_ha is None else f"{pen.number('limit.set', facts.limit_kg_ha, 'kg/ha')} (as entered)"


def loss_table(facts: JobFacts, pen: Pen) -> str:
    """All units, then each point with its sides."""
    head = ["What", "Mean", "90 % interval"]
    lost, unit = weight(facts.lost_t)
    rows = [
        ["Loss per hectare", pen.number("loss.row", facts.loss.value, "kg/ha"), pen.range("loss.row", facts.loss, "kg/ha")],
        ["Share of the crop", pen.number("pct.row", facts.pct.value, "%"), pen.range("pct.row", facts.pct, "%")],
        ["Loss of the job", pen.number("t.row", lost.value, unit), pen.range("t.row", lost, unit)],
    ]
    if facts.crop["price_per_t"] is not None:
        money = [pen.number("money.row", facts.money.value), pen.range("money.row", facts.money)]
        rows.append(["In money, at the price entered", *money])
    if facts.discounts is not None:
        cell = pen.number("discounts", facts.discounts)
        rows.append(["A buyer's discounts for trash and cracked grain, by the tank samples", cell, "not reckoned"])
    whole = table("Machine loss over the whole job", head, rows, (1, 2))
    points = []
    for one in facts.points:
        key = f"point.{one.name}"
        left = None if one.left_share is None else one.left_share
        sides = "one side only" if left is None else f"{percent(left)} left, {percent(1 - left)} right"
        blind = lasting(one.half_blind_s) if one.half_blind_s else "never"
        amounts = [pen.number(key, one.loss.value, "kg/ha"), pen.range(key, one.loss, "kg/ha")]
        points.append([escape(one.name.capitalize()), *amounts, pen.figure(f"{key}.sides", sides), blind])
    names = ["Where", "Mean", "90 % interval", "Pulses by side", "One side silent"]
    more = ""
    if len(facts.factors) > 1 and len({k for _, k, _, _ in facts.factors}) == 1:
        more = (
            "<p>The trays caught both together, so both share one factor: the split between them is assumed, and "
            "each is less certain than their sum.</p>\n"
        )
    return whole + table("Loss by where it left the machine, and by side", names, points, (1, 2)) + more


def interim(facts: JobFacts) -> str:
    """That a job still goes on; nothing for a finished one."""
    if facts.job["finished"]:
        return ""
    made, end = facts.zone.stamp(facts.document.made_ms / 1000), facts.zone.stamp(facts.end_s)
    return (
        f"<p><strong>Interim:</strong> the job was still open when this pack was made ({made}). The figures cover what was cut "
        f"up to {end}; anything cut later is not in them.</p>\n"
    )


def headline(facts: JobFacts) -> str:
    """Who, where, when in one line."""
    job = facts.job
    crop = str(facts.crop["name"] or "crop not entered")
    parts = [crop, str(job.get("client", "")), facts.zone.stamp(facts.start_s), str(job.get("operator", ""))]
    return escape(" · ".join(one for one in parts if one))


def title(facts: JobFacts) -> str:
    """The paddock, else the job's number."""
    return str(facts.job.get("paddock") or f"Job {facts.job['number']}")

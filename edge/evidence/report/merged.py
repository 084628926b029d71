"""Several machines of one client in one report: their sums, with errors of different kits taken as independent. Pure."""

from __future__ import annotations

from html import escape
from math import inf, sqrt

from edge.evidence.recount.facts import Amount, JobFacts
from edge.evidence.report import method
from edge.evidence.report.words import UNKNOWN, Pen, lasting, pairs, table, weight
from edge.reckon.statistics.budget import effective_dof, log_interval

ALL = "all"


def name(facts: JobFacts) -> str:
    """What a machine is called: as the job said, else its kit."""
    return str(facts.job.get("machine") or facts.document.kit)


def whole(machines: list[JobFacts]) -> tuple[Amount, Amount, float]:
    """Lost tonnes and mean loss of all machines together with their intervals, and the area in ha.

    Lost tonnes add; their standard uncertainties, of kits calibrated apart, add in quadrature.
    """
    area = sum(one.area_used_ha for one in machines)
    if any(one.lost_t.value is None for one in machines) or area <= 0:
        return Amount(), Amount(), area
    tonnes = [float(one.lost_t.value or 0.0) for one in machines]
    total = sum(tonnes)
    if total <= 0:
        return Amount(total, 0.0, None), Amount(0.0, 0.0, None), area
    budgets = [one.mean.budget for one in machines]
    parts = [
        (share / total * budget.u, budget.dof) if budget is not None else (0.0, inf)
        for share, budget in zip(tonnes, budgets, strict=True)
    ]
    low, high = log_interval(total, sqrt(sum(u * u for u, _ in parts)), effective_dof(parts))
    known = all(one.lost_t.high is not None for one in machines)
    lost = Amount(total, low, high if known else None)
    return lost, lost.times(1000 / area), area


def head(machines: list[JobFacts]) -> str:
    """Who, where, when."""
    client = str(machines[0].job.get("client", ""))
    paddocks = " and ".join(dict.fromkeys(str(one.job.get("paddock", "")) for one in machines if one.job.get("paddock")))
    starts = [one.start_s for one in machines if one.start_s is not None]
    when = machines[0].zone.stamp(min(starts)) if starts else ""
    crops = ", ".join(dict.fromkeys(str(one.crop["name"]) for one in machines if one.crop["name"]))
    line = " · ".join(one for one in (crops, client, when, f"{len(machines)} machines") if one)
    title = escape(paddocks or client or "Several machines")
    kind = '<p class="kind">Evidence pack of several machines: what this harvest lost</p>'
    return f"{kind}\n<h1>{title}</h1>\n<p>{escape(line)}</p>\n"


def answers(machines: list[JobFacts]) -> str:
    """The machines together, then beside each other."""
    pen = Pen(ALL)
    lost, mean, area = whole(machines)
    money = [one.money.value for one in machines]
    known = [one for one in money if one is not None]
    worth = f"; worth {pen.number('money', sum(known))}" if len(known) == len(money) else ""
    if mean.value is None:
        first = "<p>Not every machine has a mean loss, so there is none for all.</p>"
        big = sure = UNKNOWN
    else:
        together, unit = weight(lost)
        tonnes, hectares = pen.number("t", together.value, unit), pen.number("area", area, "ha")
        first = f"<p>{tonnes} on {hectares}{worth}. Machine loss only.</p>"
        big, sure = pen.number("kg_ha", mean.value, "kg/ha"), pen.range("kg_ha", mean, "kg/ha")
    rows = []
    for at, one in enumerate(machines, 1):
        mine = Pen(f"{ALL}.m{at}")
        verdicts = [change.verdict["verdict"] for change in one.changes if change.verdict]
        rows.append(
            [
                f'<a href="#m{at}">{escape(name(one))}</a>',
                mine.number("area", one.area_used_ha, "ha"),
                mine.figure("time", lasting(one.seconds["working"])),
                mine.number("kg_ha", one.loss.value, "kg/ha"),
                mine.range("kg_ha", one.loss),
                mine.number("t", weight(one.lost_t)[0].value, weight(one.lost_t)[1]),
                mine.figure("changes", str(sum(change.moved for change in one.changes))),
                escape(", ".join(f"{verdicts.count(kind)} {kind}" for kind in dict.fromkeys(verdicts)) or "none"),
            ]
        )
    names = ["Machine", "Area", "Working", "Mean loss", "90 % interval", "Lost", "Settings changed", "Verdicts"]
    return (
        '<div class="answers">\n'
        f'<section class="answer"><h2>How much was lost?</h2><p class="big">{big}</p>{first}</section>\n'
        f'<section class="answer"><h2>How sure is that?</h2><p class="big">{sure}</p>'
        "<p>The mean of all machines lies in this range with 90 % confidence; each kit was calibrated apart.</p></section>\n"
        "</div>\n" + table("What was changed, and did it help: machine by machine", names, rows, (1, 3, 5, 6))
    )


def proof(machines: list[JobFacts], fingerprint: str) -> str:
    """The key of this report, and the fingerprint of each pack inside it."""
    pen = Pen(ALL)
    rows = [("Fingerprint of this report's key", f"<b>{pen.figure('fingerprint', fingerprint)}</b>")]
    text = pairs(rows)
    for at, one in enumerate(machines, 1):
        mine = Pen(f"m{at}")
        key = ("Fingerprint of its key", mine.figure("fingerprint", method.fingerprint_of(one)))
        inner = [key, ("Kit", escape(one.document.kit)), *method.chain_lines(one, mine)]
        text += f"<h3>Pack of machine {at}</h3>\n{pairs(inner)}"
    return f'<div class="proof">{text}</div>\n{method.HOW_TO_CHECK}'

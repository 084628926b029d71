"""Facts and drawings -> the page of a pack. The same text is made by `report` and, from the data inside, by `verify`. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from html import escape
from importlib.resources import files

from edge.evidence.pack.times import Zone
from edge.evidence.recount.facts import JobFacts
from edge.evidence.report import answers as report_answers
from edge.evidence.report import merged, method, sections
from edge.evidence.report import struck as report_struck
from edge.evidence.report.words import Pen

CHART_BEGINS, CHART_ENDS = "<!--chart ", "<!--end chart-->"
SLOT = "{signature}"


@lru_cache(maxsize=2)
def _file(name: str) -> str:
    return files("edge.evidence.report").joinpath("template", name).read_text(encoding="utf-8")


def _contents(facts: JobFacts, pen: Pen, drawn: dict[str, str]) -> list[tuple[str, str, Callable[[], str]]]:
    """Sections in order: anchor, head, text."""
    found: list[tuple[str, str, Callable[[], str]]] = [
        ("work", "The work", lambda: report_answers.work(facts, pen)),
        ("loss", "Loss", lambda: report_answers.loss_table(facts, pen)),
        ("time", "Loss over time", lambda: sections.trend(facts, pen, drawn)),
        ("ground", "Loss over the ground", lambda: sections.ground(facts, pen, drawn)),
        ("spread", "How loss is spread", lambda: sections.spread(facts, pen, drawn)),
        ("changes", "Setting changes and verdicts", lambda: sections.settings(facts, pen)),
        ("trays", "Tray tests and factors", lambda: sections.trays(facts, pen)),
        ("sieves", "Sieve gauge checks", lambda: sections.sieves(facts, pen)),
        ("returns", "Returns and tank samples", lambda: sections.returns(facts, pen)),
        ("alerts", "Alerts and what was done", lambda: sections.alerts(facts, pen)),
        ("doubt", "How sure the figures are", lambda: sections.uncertainty(facts, pen)),
        ("data", "Data quality", lambda: sections.quality(facts, pen)),
    ]
    if facts.struck:
        found.insert(10, ("struck", "Struck out", lambda: report_struck.section(facts, pen)))
    if facts.notes:
        found.insert(10, ("notes", "Notes", lambda: sections.notes(facts)))
    return found


def _machine(facts: JobFacts, key: str, level: int, drawn: dict[str, str]) -> tuple[str, list[tuple[str, str]]]:
    pen, text, index = Pen(key), "", []
    for anchor, head, make in _contents(facts, pen, drawn):
        text += f'<section id="{key}-{anchor}"><h{level}>{head}</h{level}>\n{make()}</section>\n'
        index.append((f"{key}-{anchor}", head))
    return text, index


def _nav(index: list[tuple[str, str]]) -> str:
    each = "".join(f'<li><a href="#{anchor}">{head}</a></li>' for anchor, head in index)
    return f'<nav aria-label="In this pack"><ul>{each}</ul></nav>\n'


def body(machines: list[JobFacts], drawn: list[dict[str, str]], fingerprint: str, made_ms: int) -> str:
    """Everything between `<body>` and the data. `drawn`: the charts of each machine by name."""
    first = machines[0]
    if len(machines) == 1:
        pen = Pen("m1")
        text, index = _machine(first, "m1", 2, drawn[0])
        kind = '<p class="kind">Evidence pack: what this harvest lost</p>'
        head, line = escape(report_answers.title(first)), report_answers.headline(first)
        top = f"{kind}\n<h1>{head}</h1>\n<p>{line}</p>\n{report_answers.interim(first)}{report_struck.line(first, pen)}"
        answers = report_answers.answers(first, pen)
        proofs = method.proof(first, pen, fingerprint)
    else:
        top, answers = merged.head(machines), merged.answers(machines)
        text, index = "", []
        for at, (facts, charts) in enumerate(zip(machines, drawn, strict=True), 1):
            inner, _ = _machine(facts, f"m{at}", 3, charts)
            name = f"Machine {at}: {escape(merged.name(facts))}"
            text += f'<article class="machine" id="m{at}"><h2>{name}</h2>\n{report_struck.line(facts, Pen(f"m{at}"))}'
            text += report_answers.answers(facts, Pen(f"m{at}")).replace("<h2>", "<h3>").replace("</h2>", "</h3>")
            text += f"{inner}</article>\n"
            index.append((f"m{at}", name))
        proofs = merged.proof(machines, fingerprint)
    closing = [
        ("method", "How it is measured", f'<div class="method">{method.method()}</div>'),
        ("cautions", "Cautions", method.cautions()),
        ("proof", "Proof", proofs),
    ]
    for anchor, name, inside in closing:
        text += f'<section id="{anchor}"><h2>{name}</h2>\n{inside}</section>\n'
        index.append((anchor, name))
    foot = f"<footer>{_foot(first.zone, made_ms)}</footer>\n"
    return f"<header>\n{top}</header>\n<main>\n{answers}{_nav(index)}{text}</main>\n{foot}"


def _foot(zone: Zone, made_ms: int) -> str:
    return (
        "An estimate with its uncertainty, not a legal-for-trade measurement. Machine loss only: front loss and shed grain are "
        f"not included. Times are {zone.name}. Made {zone.day(made_ms / 1000)}."
    )


def page(
    machines: list[JobFacts],
    drawn: list[dict[str, str]],
    fingerprint: str,
    public_key: str,
    program: str,
    made_ms: int,
    data: str,
) -> str:
    """The whole file, its signature still the word `{signature}`."""
    title = " + ".join(dict.fromkeys(report_answers.title(one) for one in machines))
    parts = {
        "program": escape(program), "public_key": public_key, "signature": SLOT, "title": f"{escape(title)}: evidence pack",
        "css": _file("pack.css"), "body": body(machines, drawn, fingerprint, made_ms), "data": data,
    }  # fmt: skip
    return re.sub(r"\{([a-z_]+)\}", lambda found: parts[found[1]], _file("pack.html"))


def charts_in(text: str) -> list[tuple[str, str]]:
    """Name and drawing of every chart of a page, in order. One pass, whatever stands in the text."""
    found = []
    at = text.find(CHART_BEGINS)
    while at >= 0:
        head = text.find("-->", at)
        end = text.find(CHART_ENDS, head) if head >= 0 else -1
        if end < 0:
            break
        found.append((text[at + len(CHART_BEGINS) : head], text[head + 3 : end]))
        at = text.find(CHART_BEGINS, end)
    return found

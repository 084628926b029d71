"""What a pack says about method, cautions and proof. Words that stand in every pack; the proof names its own hashes. Pure."""

from __future__ import annotations

from html import escape

from edge.evidence.pack.document import chained
from edge.evidence.recount.facts import JobFacts
from edge.evidence.report.words import Pen, pairs
from edge.keep.chain import Record
from edge.keep.signing import fingerprint

METHOD = (
    (
        "What is measured",
        "Impact sensors behind the separator and the cleaning count grains that fall past them to the ground. A counter board "
        "sends its running counts ten times a second, so a lost line loses no pulse. Counts are corrected for the short time "
        "a sensor is deaf after each impact, and the pulses that vibration alone makes are taken off.",
    ),
    (
        "From pulses to kilograms",
        "Sensors meet only a part of the lost grain. A tray test says how much: trays on the ground catch what falls while the "
        "sensors count the same stream at the same moment. Grain per metre over pulses per metre is the factor of that test. "
        "Several tests give a mean factor and, from their scatter, its uncertainty (random effects, Student t).",
    ),
    (
        "From kilograms to hectares",
        "What reaches the sensors now was cut some seconds ago (the lag). The mean is all machine loss from the first cut, over "
        "the area cut until one lag before the end: distance with the front down, times cut width, times the part of it in use.",
    ),
    (
        "What the interval means",
        "It bounds the mean of the whole job. It joins the doubts about the factor, the weight of lost grain, counting, width, "
        "speed, vibration and dead time. It does not say how loss varies over the paddock: the section How loss is spread does.",
    ),
    (
        "Percent and money",
        "Percent is machine loss over machine loss plus the grain in the tank. Money is the lost tonnes times the price that "
        "was entered; no currency is assumed.",
    ),
    (
        "Verdicts on setting changes",
        "Steady work before and after a change is compared in pieces of ten seconds, with allowance for the paddock's own "
        "drift. The range given stays valid although it is worked out anew every minute. A fan, sieve, rotor or concave change "
        "can alter the share of grain that sensors meet: unless trays were laid on both sides, a verdict rests on pulses alone, "
        "and says so.",
    ),
)

CAUTIONS = (
    "An estimate with the stated uncertainty, made to help setting and driving. It is not a legal-for-trade measurement.",
    "Machine loss only: grain lost at the front and grain shed before harvest are not included.",
    "Heads that were not threshed make no pulses. They are in the tray tests where they were counted, never in the live figure.",
    "The factor of the tray tests is applied to the whole job. Where crop, moisture or settings changed much after the last "
    "test, the figures are less certain than they look.",
    "Tray tests, sieve checks and work at fan or returns: the operator's manual, local rules and licensed practice come first.",
)


def method() -> str:
    """How it is measured, in a page."""
    return "".join(f"<h3>{escape(head)}</h3>\n<p>{escape(text)}</p>\n" for head, text in METHOD)


def cautions() -> str:
    """What the reader must not take the figures for."""
    return "<ul>\n" + "".join(f"<li>{escape(one)}</li>\n" for one in CAUTIONS) + "</ul>\n"


def fingerprint_of(facts: JobFacts) -> str:
    """Fingerprint of the key that a machine's pack was signed with."""
    return fingerprint(bytes.fromhex(facts.document.public_key)) if facts.document.public_key else "none"


def chain_lines(facts: JobFacts, pen: Pen) -> list[tuple[str, str]]:
    """First and last proof line of one machine's records."""
    records = chained(facts.document)
    if not records:
        return [("Records", "none")]
    first, last = records[0], records[-1]
    shown = sum(isinstance(one, Record) for one in records)
    return [
        ("Records", pen.figure("proof.records", f"{len(records)}, of which {len(records) - shown} withheld")),
        ("Proof line before the first", pen.figure("proof.before", f"{first.seq - 1} {facts.document.previous}")),
        ("First proof line", pen.figure("proof.first", f"{first.seq} {first.hash}")),
        ("Last proof line", pen.figure("proof.last", f"{last.seq} {last.hash}")),
    ]


def proof(facts: JobFacts, pen: Pen, key: str) -> str:
    """How this pack is proved, and how to check it."""
    rows = [("Fingerprint of the signing key", f"<b>{pen.figure('proof.fingerprint', key)}</b>")]
    rows += chain_lines(facts, pen)
    rows.append(("Made", pen.figure("proof.made", facts.zone.stamp(facts.document.made_ms / 1000))))
    rows.append(("By", escape(f"tailgrain {facts.document.program}")))
    return f'<div class="proof">{pairs(rows)}</div>\n{HOW_TO_CHECK}'


HOW_TO_CHECK = """<p>To check this file: <code>tailgrain verify THIS-FILE.html --fingerprint "..."</code>, with the fingerprint as
the kit itself shows it (on its screen Kit; have it read out to you by whoever has the kit), not as it stands here. The check
needs nothing but the file. It tests the signature over the whole file, follows the chain of records, compares the kept
seconds with the digests in the records, works the totals out anew from the counts and compares every printed figure. A
printed copy or a PDF can't be checked; ask for the HTML file.</p>
<p>What this proves: nothing in this file was changed after it was signed, and no record that a copied proof line covers was
changed, dropped or put in later. The running proof line goes out over the kit's MQTT every minute and stands on its screen
Job at start and finish, so that others can keep copies. What it can't prove: that the owner of a kit did not feed it
invented data from the start.</p>
"""

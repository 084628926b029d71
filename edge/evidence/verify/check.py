"""Whether a pack is what was signed, and whether its figures follow from the data inside. Needs nothing but the file.

In this order: chain of records, kept seconds and positions against the digests in the records, what was withheld, sums against
those of the minutes, every printed figure against one worked out anew, the words around them, and the signature. The first
thing that does not hold is named.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from edge.contract.errors import AnswerBad
from edge.evidence.pack import packfile
from edge.evidence.pack.document import Document, chained
from edge.evidence.pack.edition import edition
from edge.evidence.pack.packfile import Merged, Pack
from edge.evidence.recount.facts import FIGURES, JobFacts, of_material
from edge.evidence.recount.material import Material, read
from edge.evidence.report import page
from edge.evidence.verify import seconds as verify_seconds
from edge.evidence.verify import trays
from edge.evidence.verify import whole as verify_whole
from edge.evidence.verify.drawing import is_drawing
from edge.keep import signing
from edge.keep.chain import FIRST, Proof, Record
from edge.keep.chain import check as check_chain

FIGURE = re.compile(r'<span data-f="([^"]*)">([^<]*)</span>')
MOST_SAID, MOST_QUOTED = 400, 60
FAR = 0.03
"""Relative difference of the kit's own figure that is worth a word."""

SPOILT = (LookupError, TypeError, ValueError, ArithmeticError, AttributeError, OSError, RecursionError, MemoryError)


@dataclass(slots=True)
class Checked:
    """What a check found. `fault`: the first thing that does not hold, None: all does; `record`: its number, where it is one."""

    fingerprint: str = ""
    compared: bool = False
    signed: bool = False
    fault: str | None = None
    record: int | None = None
    done: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    records: int = 0
    seconds: int = 0
    figures: int = 0
    withheld: int = 0
    words: bool = True
    charts: bool = False

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        fault = None if self.fault is None else {"record": self.record, "what": self.fault}
        return {
            "ok": self.fault is None and self.words, "fingerprint": self.fingerprint, "fingerprint_compared": self.compared,
            "signature": self.signed, "records": self.records, "seconds": self.seconds, "figures": self.figures,
            "words": self.words, "charts": self.charts, "checked": self.done, "notes": self.notes, "fault": fault,
        }  # fmt: skip


class _Bad(AnswerBad):
    """A check failed, at a record where it is known. What is quoted of a file is cut, and shown without control characters."""

    def __init__(self, text: str, record: int | None = None) -> None:
        super().__init__(plainly(text, MOST_SAID))
        self.record = record


def plainly(text: str, most: int = MOST_QUOTED) -> str:
    """Words of a file as they may be shown: in one line, without control characters, cut."""
    clean = "".join(one if one.isprintable() else " " for one in text)
    return clean if len(clean) <= most else f"{clean[: most - 1]}\u2026"


def check(
    raw: bytes, fingerprints: Sequence[str] = (), redraw: bool = False, proofs: Sequence[Proof] = ()
) -> Checked:
    """Check a file.

    `fingerprints`: what the kits showed; the file, and each pack inside it, must be signed with one of these keys. `redraw`:
    also draw the charts anew and compare them. `proofs`: proof lines held elsewhere; each must be met in the records.
    """
    found = Checked()
    try:
        if b"\r\n" in raw:
            raise _Bad("its line ends were changed on the way, as mail programs and editors do: ask for the file unaltered")
        pack = packfile.take_apart(raw)
        found.fingerprint, found.signed = pack.fingerprint, pack.signed
        _check_key(pack, fingerprints)
        found.compared = bool(fingerprints)
        try:
            with np.errstate(all="ignore"):
                _check_content(pack, found, _HeldAgainst(tuple(fingerprints), redraw, {one.seq: one for one in proofs}))
        except SPOILT as fault:
            # Figures were asked of data of another shape or size than ours ever are.
            raise _Bad(f"the data do not hang together ({type(fault).__name__}: {' '.join(str(fault).split())[:100]})") from fault
        if not pack.signed:
            raise _Bad("the signature does not fit the file: something in it was changed after it was signed")
    except AnswerBad as fault:
        found.fault = plainly(str(fault), MOST_SAID)
        found.record = fault.record if isinstance(fault, _Bad) else None
        if found.fingerprint and not found.signed and "signature" not in found.fault:
            found.fault += "; nor does the signature fit the file"
    return found


class _HeldAgainst(NamedTuple):
    """What a check is held against from outside the file."""

    fingerprints: tuple[str, ...]
    redraw: bool
    proofs: dict[int, Proof]


def _check_key(pack: Pack, fingerprints: Sequence[str]) -> None:
    if fingerprints and not any(signing.is_fingerprint(one, pack.public) for one in fingerprints):
        raise _Bad(f"it was signed with another key: {pack.fingerprint}, not {' or '.join(fingerprints)}")


def _check_content(pack: Pack, found: Checked, wanted: _HeldAgainst) -> None:
    if pack.signed:
        found.done.append("signature over the whole file")
    content = pack.content
    if content.public_key != pack.public.hex():
        raise _Bad("the key in the data is not the key that the page names")
    if isinstance(content, Merged):
        if wanted.proofs:
            raise _Bad("proof lines are of one kit: check the packs that the report was made of with them")
        machines = [_inner(one, found, wanted) for one in content.packs]
        _check_client(machines)
    else:
        machines = [_machine(content, found, wanted)]
    _check_page(pack, machines, found, wanted.redraw)


def _inner(inner: packfile.Inner, found: Checked, wanted: _HeldAgainst) -> JobFacts:
    """A pack inside a merged report: signature, chain, seconds and page of its own."""
    pack = packfile.take_apart(packfile.inner_raw(inner))
    name = plainly(inner.name)
    where = f"the pack {name!r} inside: "
    if not isinstance(pack.content, Document):
        raise _Bad(f"{where}it is no pack of one machine")
    if not pack.signed:
        raise _Bad(f"{where}its signature does not fit it")
    if pack.content.public_key != pack.public.hex():
        raise _Bad(f"{where}the key in its data is not the key that its page names")
    _check_key(pack, wanted.fingerprints)
    facts = _machine(pack.content, found, wanted)
    _check_page(pack, [facts], found, False)
    found.notes.append(f"{name}: signed with the key {pack.fingerprint}")
    return facts


def _machine(document: Document, found: Checked, wanted: _HeldAgainst) -> JobFacts:
    """Chain, seconds and sums of one machine's job."""
    records = chained(document)
    if not records:
        raise _Bad("the pack holds no record")
    try:
        previous = bytes.fromhex(document.previous)
    except ValueError as fault:
        raise _Bad("the hash before the first record is no hexadecimal number") from fault
    if len(previous) != len(FIRST) or (records[0].seq == 1 and previous != FIRST):
        raise _Bad("the hash before the first record is not what a chain begins with", records[0].seq)
    for one in records:
        if not re.fullmatch(r"[0-9a-f]{64}", one.hash):
            raise _Bad(f"record {one.seq}: its hash is missing or damaged", one.seq)
    broken = check_chain(records, previous, records[0].seq, wanted.proofs.values())
    if broken is not None:
        raise _Bad(f"record {broken.seq}: {broken.what}", broken.seq)
    found.records += len(records)
    found.withheld += sum(not isinstance(one, Record) for one in records)
    _done(found, "chain of records")
    if wanted.proofs:
        _done(found, f"{len(wanted.proofs)} proof line{'s' if len(wanted.proofs) > 1 else ''} held elsewhere")
    bound = verify_seconds.digests(document, [one for one in records if isinstance(one, Record)])
    if bound.fault is not None:
        raise _Bad(f"record {bound.record}: {bound.fault}", bound.record)
    found.seconds += bound.seconds
    _done(found, "kept seconds against the digests in the records")
    places = verify_seconds.positions(document, [one for one in records if isinstance(one, Record)])
    if places is not None and places.fault is not None:
        raise _Bad(f"record {places.record}: {places.fault}", places.record)
    if places is not None and places.seconds:
        _done(found, "positions against the digests in the records")
    elif places is None and any("lat" in one.columns for one in document.seconds):
        found.notes.append("the kit kept no digests of positions: they stand under the signature alone")
    whole = verify_whole.check(document, records)
    if whole.fault is not None:
        where = "" if whole.record is None else f"record {whole.record}: "
        raise _Bad(f"{where}{whole.fault}", whole.record)
    found.notes += whole.notes
    if whole.told:
        _done(found, "that no other record of the job is withheld")
    else:
        found.notes.append("the kit was of a version that did not count its records: what is withheld can't be told")
    material = read(document)
    wrong = verify_seconds.sums(material)
    if wrong is not None:
        raise _Bad(f"record {wrong.record}: {wrong.fault}", wrong.record)
    _done(found, "sums of the minutes, worked out anew")
    spoilt = trays.wrong(material)
    if spoilt is not None:
        raise _Bad(f"record {spoilt[0]}: {spoilt[1]}", spoilt[0])
    if any(one.kind == "calibration" for one in material.told):
        _done(found, "tray tests, worked out anew")
    facts = of_material(material)
    found.notes += _own_figures(material, facts)
    return facts


def _own_figures(material: Material, facts: JobFacts) -> list[str]:
    """What the kit itself put down at the end, where it is far from what the data give (a power cut can cost it a minute)."""
    said = [one.body for one in material.of_kind(FIGURES) if one.body.get("job") == material.document.job]
    loss = (said[-1].get("loss") or {}).get("kg_ha") if said else None
    if not isinstance(loss, float | int) or facts.loss.value is None or abs(loss - facts.loss.value) <= FAR * facts.loss.value:
        return []
    return [f"the kit's own figure at the end of the job was {loss:.3g} kg/ha, the data give {facts.loss.value:.3g} kg/ha"]


def _done(found: Checked, what: str) -> None:
    if what not in found.done:
        found.done.append(what)


def _check_client(machines: list[JobFacts]) -> None:
    clients = {str(one.job.get("client", "")).strip().casefold() for one in machines}
    if len(clients) > 1:
        raise _Bad("the packs inside are of different clients")
    jobs = {(one.document.public_key, one.document.kit, one.document.job) for one in machines}
    ends = {one.document.records[-1][-1] for one in machines}
    if len(jobs) < len(machines) or len(ends) < len(machines):
        raise _Bad("the same job of the same kit is inside twice")


def _check_page(pack: Pack, machines: list[JobFacts], found: Checked, redraw: bool) -> None:
    """Every word outside of the charts is put down anew and compared; figures come first, so that one is named."""
    try:
        text = pack.raw.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise _Bad(f"byte {fault.start} of the file is no UTF-8 text") from fault
    charts = page.charts_in(text)
    for name, drawing in charts:
        if not is_drawing(drawing):
            raise _Bad(f"the chart {plainly(name)!r} holds something that is no drawing")
    begin = text.index(packfile.DATA_BEGINS.decode()) + len(packfile.DATA_BEGINS)
    data = text[begin : text.index(packfile.DATA_ENDS.decode(), begin)]
    drawn = _sorted_out(charts, machines)
    content = pack.content
    again = page.page(machines, drawn, pack.fingerprint, pack.public.hex(), content.program, content.made_ms, data)
    printed, follows = FIGURE.findall(text), FIGURE.findall(again)
    for (key, said), (wanted, given) in zip(printed, follows, strict=False):
        if key != wanted:
            raise _Bad(f"a figure is missing or out of place: {plainly(key)!r} stands where {wanted!r} should")
        if said != given:
            by = plainly(content.program)
            other = "" if by == edition() else f" (by this version; {by} made it: ask that one)"
            raise _Bad(f"the printed figure {key} says {_figure(said)}, the data give {_figure(given)}{other}")
    if len(printed) != len(follows):
        raise _Bad(f"{len(printed)} figures are printed, the data give {len(follows)}")
    found.figures += len(printed)
    _done(found, "every printed figure, worked out anew")
    _check_words(text, again, content.program, found)
    if redraw:
        _check_drawings(machines, drawn, found)


def _figure(text: str) -> str:
    return f"'{plainly(text)}'"


def _sorted_out(charts: list[tuple[str, str]], machines: list[JobFacts]) -> list[dict[str, str]]:
    """The charts of each machine by name."""
    drawn: list[dict[str, str]] = [{}]
    for name, drawing in charts:
        if name in drawn[-1]:
            drawn.append({})
        drawn[-1][name] = drawing
    if len(drawn) > len(machines):
        raise _Bad("there are more charts than machines")
    return drawn + [{} for _ in range(len(machines) - len(drawn))]


def _check_words(text: str, again: str, program: str, found: Checked) -> None:
    slot = page.SLOT
    at = again.index(slot)
    same = text[:at] == again[:at] and text[at + packfile.SLOT_DIGITS :] == again[at + len(slot) :]
    if same:
        _done(found, "every word outside of the charts")
        return
    if program != edition():
        made = f"made by version {plainly(program)}, this is {edition()}"
        found.notes.append(f"{made}: only that version can say whether the words around the figures are as made")
        found.words = False
        return
    mine, theirs = text[at + packfile.SLOT_DIGITS :].split("\n"), again[at + len(slot) :].split("\n")
    for said, wanted in zip(mine, theirs, strict=False):
        if said != wanted:
            raise _Bad(f"the page says {_figure(_near(said, wanted))} where the data give {_figure(_near(wanted, said))}")
    raise _Bad("the page is longer or shorter than the data give")


def _near(one: str, other: str) -> str:
    """The part of a line around its first difference from another."""
    at = next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
    return one[max(0, at - 20) : at + 40]


def _check_drawings(machines: list[JobFacts], drawn: list[dict[str, str]], found: Checked) -> None:
    from edge.evidence.report import charts as report_charts  # matplotlib takes longer to load than all other checks together

    for at, (facts, charts) in enumerate(zip(machines, drawn, strict=True), 1):
        again = report_charts.draw(facts, f"m{at}")
        for name in sorted(set(again) | set(charts)):
            if again.get(name) != charts.get(name):
                raise _Bad(f"the chart {plainly(name)!r} is not what the data give (or another version of matplotlib drew it)")
    found.charts = True
    _done(found, "charts, drawn anew")


def summary(found: Checked) -> list[str]:
    """What was done and found, in lines for a person."""
    if found.fault is not None:
        lines = [f"BROKEN: {found.fault}"]
        if found.done:
            lines.append(f"  What did hold: {', '.join(found.done)}.")
        lines.append("  Don't rely on this copy: ask the sender for the original HTML file, and check that.")
    else:
        lines = ["GOOD: the file is as it was signed, and its figures follow from the data inside."]
        if not found.words:
            lines = ["NOT FULLY CHECKED: the figures follow from the data inside; the words around them could not be compared."]
        lines += [f"  Checked: {_counted(found)}."]
        lines += [f"    {one}" for one in found.done]
        if not found.charts:
            lines.append("  Not checked: whether the charts show these data (--charts draws them anew).")
    lines += [f"  {note}" for note in found.notes]
    if found.fingerprint:
        known = "Signed with the key" if found.signed else "It names the key"
        lines.append(f"{known} {found.fingerprint}")
        if not found.compared:
            lines.append("  Compare this fingerprint with the one the kit itself shows (or give it with --fingerprint):")
            lines.append("  without that, anybody could have made and signed this file.")
    return lines


def _counted(found: Checked) -> str:
    withheld = f" ({found.withheld} of them withheld)" if found.withheld else ""
    return f"{found.records} records{withheld}, {found.seconds} seconds, {found.figures} printed figures"

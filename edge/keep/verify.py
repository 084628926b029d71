"""Whether a pack is what was signed, and whether its figures follow from the data inside. Needs nothing but the file.

In this order: signature, chain of records, kept seconds against the digests in the records, sums against those of the
minutes, and every printed figure against one worked out anew. The first thing that does not hold is named.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any
from xml.etree import ElementTree

import numpy as np

from edge.errors import AnswerBad
from edge.keep import pack_file, report_page, signing, verify_seconds
from edge.keep.chain import FIRST, Record
from edge.keep.chain import check as check_chain
from edge.keep.edition import edition
from edge.keep.pack_data import Document, chained
from edge.keep.pack_file import Merged, Pack
from edge.keep.report_facts import Facts, of_material
from edge.keep.report_material import read

FIGURE = re.compile(r'<span data-f="([^"]*)">([^<]*)</span>')
DRAWN = {
    "svg", "g", "path", "defs", "use", "clipPath", "rect", "circle", "line", "polygon", "polyline", "text", "tspan", "pattern",
    "title", "desc", "style",
}  # fmt: skip
"""The marks our drawings are made of. No code, no other document, no text of a page."""
OUT_OF_PAGE = re.compile(r"url\(\s*(?!#)|@|\\|position|expression|:\s*//", re.I)
POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
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

    def to_plain(self) -> dict[str, Any]:
        """As JSON."""
        fault = None if self.fault is None else {"record": self.record, "what": self.fault}
        return {
            "ok": self.fault is None, "fingerprint": self.fingerprint, "fingerprint_compared": self.compared,
            "signature": self.signed, "records": self.records, "seconds": self.seconds, "figures": self.figures,
            "checked": self.done, "notes": self.notes, "fault": fault,
        }  # fmt: skip


class _Bad(AnswerBad):
    """A check failed, at a record where it is known."""

    def __init__(self, text: str, record: int | None = None) -> None:
        super().__init__(text)
        self.record = record


def check(raw: bytes, fingerprint: str | None = None, redraw: bool = False) -> Checked:
    """Check a file. `fingerprint`: what the kit showed; `redraw`: also draw the charts anew and compare them."""
    found = Checked()
    try:
        pack = pack_file.take_apart(raw)
        found.fingerprint, found.signed = pack.fingerprint, pack.signed
        if fingerprint is not None:
            if not signing.is_fingerprint(fingerprint, pack.public):
                raise _Bad(f"it was signed with another key: {pack.fingerprint}, not {fingerprint}")
            found.compared = True
        try:
            with np.errstate(all="ignore"):
                _check_content(pack, found, redraw)
        except SPOILT as fault:
            # Figures were asked of data of another shape or size than ours ever are.
            raise _Bad(f"the data do not hang together ({type(fault).__name__}: {' '.join(str(fault).split())[:100]})") from fault
        if not pack.signed:
            raise _Bad("the signature does not fit the file: something in it was changed after it was signed")
    except AnswerBad as fault:
        found.fault = str(fault)
        found.record = fault.record if isinstance(fault, _Bad) else None
        if found.fingerprint and not found.signed and "signature" not in found.fault:
            found.fault += "; nor does the signature fit the file"
    return found


def _check_content(pack: Pack, found: Checked, redraw: bool) -> None:
    if pack.signed:
        found.done.append("signature over the whole file")
    content = pack.content
    if content.public_key != pack.public.hex():
        raise _Bad("the key in the data is not the key that the page names")
    if isinstance(content, Merged):
        machines = [_inner(one, found) for one in content.packs]
        _check_client(machines)
    else:
        machines = [_machine(content, found)]
    _check_page(pack, machines, found, redraw)


def _inner(inner: pack_file.Inner, found: Checked) -> Facts:
    """A pack inside a merged report: signature, chain, seconds and page of its own."""
    pack = pack_file.take_apart(pack_file.inner_raw(inner))
    where = f"the pack {inner.name!r} inside: "
    if not isinstance(pack.content, Document):
        raise _Bad(f"{where}it is no pack of one machine")
    if not pack.signed:
        raise _Bad(f"{where}its signature does not fit it")
    if pack.content.public_key != pack.public.hex():
        raise _Bad(f"{where}the key in its data is not the key that its page names")
    facts = _machine(pack.content, found)
    _check_page(pack, [facts], found, False)
    found.notes.append(f"{inner.name}: signed with the key {pack.fingerprint}")
    return facts


def _machine(document: Document, found: Checked) -> Facts:
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
    broken = check_chain(records, previous, records[0].seq)
    if broken is not None:
        raise _Bad(f"record {broken.seq}: {broken.what}", broken.seq)
    found.records += len(records)
    found.withheld += sum(not isinstance(one, Record) for one in records)
    _done(found, "chain of records")
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
    material = read(document)
    wrong = verify_seconds.sums(material)
    if wrong is not None:
        raise _Bad(f"record {wrong.record}: {wrong.fault}", wrong.record)
    _done(found, "sums of the minutes, worked out anew")
    return of_material(material)


def _done(found: Checked, what: str) -> None:
    if what not in found.done:
        found.done.append(what)


def _check_client(machines: list[Facts]) -> None:
    clients = {str(one.job.get("client", "")).strip().casefold() for one in machines}
    if len(clients) > 1:
        raise _Bad("the packs inside are of different clients")


def _check_page(pack: Pack, machines: list[Facts], found: Checked, redraw: bool) -> None:
    """Every word outside of the charts is put down anew and compared; figures come first, so that one is named."""
    try:
        text = pack.raw.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise _Bad(f"byte {fault.start} of the file is no UTF-8 text") from fault
    charts = report_page.charts_in(text)
    for name, drawing in charts:
        if not is_drawing(drawing):
            raise _Bad(f"the chart {name!r} holds something that is no drawing")
    begin = text.index(pack_file.DATA_BEGINS.decode()) + len(pack_file.DATA_BEGINS)
    data = text[begin : text.index(pack_file.DATA_ENDS.decode(), begin)]
    drawn = _sorted_out(charts, machines)
    content = pack.content
    again = report_page.page(machines, drawn, pack.fingerprint, pack.public.hex(), content.program, content.made_ms, data)
    printed, follows = FIGURE.findall(text), FIGURE.findall(again)
    for (key, said), (wanted, given) in zip(printed, follows, strict=False):
        if key != wanted:
            raise _Bad(f"a figure is missing or out of place: {key!r} stands where {wanted!r} should")
        if said != given:
            by = content.program
            other = "" if by == edition() else f" (by this version; {by} made it: ask that one)"
            raise _Bad(f"the printed figure {key} says {said!r}, the data give {given!r}{other}")
    if len(printed) != len(follows):
        raise _Bad(f"{len(printed)} figures are printed, the data give {len(follows)}")
    found.figures += len(printed)
    _done(found, "every printed figure, worked out anew")
    _check_words(text, again, content.program, found)
    if redraw:
        _check_drawings(machines, drawn, found)


def is_drawing(text: str) -> bool:
    """Whether a text is one SVG drawing and nothing else: known marks, no handlers, no way out of the page."""
    if "<!" in text or "<?" in text:
        return False
    try:
        root = ElementTree.fromstring(text.strip())
    except ElementTree.ParseError:
        return False
    if root.tag != "svg":
        return False
    for mark in root.iter():
        if mark.tag not in DRAWN or (mark.tag == "style" and OUT_OF_PAGE.search(mark.text or "")):
            return False
        for name, value in mark.items():
            if name.lower().startswith("on") or OUT_OF_PAGE.search(value) or (name == "href" and not value.startswith("#")):
                return False
    return True


def _sorted_out(charts: list[tuple[str, str]], machines: list[Facts]) -> list[dict[str, str]]:
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
    slot = report_page.SLOT
    at = again.index(slot)
    same = text[:at] == again[:at] and text[at + pack_file.SLOT_DIGITS :] == again[at + len(slot) :]
    if same:
        _done(found, "every word outside of the charts")
        return
    if program != edition():
        if POLICY.findall(text) != POLICY.findall(again) or text.lower().count("<script") != again.lower().count("<script"):
            raise _Bad("its head is not that of a pack: it could run programs or load other pages")
        found.notes.append(f"made by version {program}: the figures were compared, THE OTHER WORDS OF THE PAGE WERE NOT")
        found.words = False
        return
    mine, theirs = text[at + pack_file.SLOT_DIGITS :].split("\n"), again[at + len(slot) :].split("\n")
    for said, wanted in zip(mine, theirs, strict=False):
        if said != wanted:
            raise _Bad(f"the page says {_near(said, wanted)!r} where the data give {_near(wanted, said)!r}")
    raise _Bad("the page is longer or shorter than the data give")


def _near(one: str, other: str) -> str:
    """The part of a line around its first difference from another."""
    at = next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
    return one[max(0, at - 20) : at + 40]


def _check_drawings(machines: list[Facts], drawn: list[dict[str, str]], found: Checked) -> None:
    from edge.keep import report_charts  # matplotlib takes longer to load than all other checks together

    for at, (facts, charts) in enumerate(zip(machines, drawn, strict=True), 1):
        again = report_charts.draw(facts, f"m{at}")
        for name in sorted(set(again) | set(charts)):
            if again.get(name) != charts.get(name):
                raise _Bad(f"the chart {name!r} is not what the data give (or another version of matplotlib drew it)")
        _done(found, f"charts of machine {at}, drawn anew")


def summary(found: Checked) -> list[str]:
    """What was done and found, in lines for a person."""
    if found.fault is not None:
        lines = [f"BROKEN: {found.fault}"]
    else:
        words = " and the words around them" if found.words else "; not the words around them"
        withheld = f" ({found.withheld} of them withheld)" if found.withheld else ""
        lines = [
            "GOOD: the file is as it was signed, and its figures follow from the data inside.",
            f"  Checked: the signature over the whole file, the chain of {found.records} records{withheld},",
            f"  {found.seconds} seconds against their digests and the sums of the minutes,",
            f"  {found.figures} printed figures{words}.",
        ]
        if not found.words:
            lines[0] = "FIGURES GOOD, words not compared: as it was signed, and its figures follow from the data inside."
    lines += [f"  {note}" for note in found.notes]
    if found.fingerprint:
        lines.append(f"Signed with the key {found.fingerprint}")
        if not found.compared:
            lines.append(
                "  Compare this fingerprint with the one the kit itself shows (or give it with --fingerprint): without that,"
            )
            lines.append("  anybody could have made and signed this file.")
    return lines

"""Evidence packs: a job of a database, or several packs of one client, as one signed file that opens anywhere.

`write_pack` may be called from any process or thread: the database is only read.
"""

from __future__ import annotations

import base64
import time
from pathlib import Path

from edge.contract.errors import AnswerBad, WrongInput
from edge.evidence.pack import packfile
from edge.evidence.pack.collect import collect
from edge.evidence.pack.document import POSITIONS, Document, Position
from edge.evidence.pack.edition import edition
from edge.evidence.pack.packfile import Inner, Merged
from edge.evidence.recount.facts import JobFacts, facts
from edge.evidence.report import charts
from edge.evidence.report import page as report_page
from edge.evidence.verify import check
from edge.keep import signing
from edge.keep.signing import Key

SUFFIXES = (".html", ".pdf")


def write_pack(database: Path, job: int, out: Path, position: str, made_ms: int | None = None) -> None:
    """Write the pack of one job, signed with the key beside the database. `made_ms`: epoch ms put on it (None: now).

    Raises WrongInput (no such job, no such position, can't be written), StoreError (database or key can't be read).
    """
    raw = pack_of(database, job, _position(position), signing.read(signing.path_beside(database)), made_ms)
    put(out, raw)


def pack_of(database: Path, job: int, position: Position, key: Key, made_ms: int | None = None) -> bytes:
    """The file of one job's pack, as bytes."""
    document = collect(database, job, position, key.public, _now_ms() if made_ms is None else made_ms)
    return finished([document], document, key)


def merge(sources: list[Path], key: Key, made_ms: int | None = None) -> bytes:
    """One report of several packs of one client. Each is verified and carried whole. Raises AnswerBad, WrongInput."""
    documents, inner = [], []
    for source in sources:
        raw = packfile.read(source)
        found = check.check(raw)
        if found.fault is not None:
            raise AnswerBad(f"{source}: {found.fault}; a broken pack is not merged")
        content = packfile.take_apart(raw).content
        if not isinstance(content, Document):
            raise WrongInput(f"{source}: is a merged report; allowed: packs of one machine each")
        documents.append(content)
        inner.append(Inner(source.name, base64.b64encode(raw).decode()))
    made = _now_ms() if made_ms is None else made_ms
    content = Merged(program=edition(), made_ms=made, public_key=key.public.hex(), packs=inner)
    machines = [facts(one) for one in documents]
    _check_one_client(machines, sources)
    return finished(documents, content, key, machines)


def finished(
    documents: list[Document], content: Document | Merged, key: Key, machines: list[JobFacts] | None = None
) -> bytes:
    """Work out, draw, put into words, sign."""
    machines = [facts(one) for one in documents] if machines is None else machines
    drawn = [charts.draw(one, f"m{at}") for at, one in enumerate(machines, 1)]
    data = packfile.pack_data(content)
    page = report_page.page(machines, drawn, key.fingerprint, key.public.hex(), content.program, content.made_ms, data)
    return packfile.sign(page, report_page.SLOT, key)


def put(out: Path, raw: bytes) -> None:
    """Write a finished pack as HTML, or printed as PDF. Raises WrongInput."""
    if out.suffix.lower() == ".pdf":
        from edge.evidence.report.pdf import printed

        raw = printed(raw)
    packfile.write(out, raw)


def check_out(out: Path) -> None:
    """Whether a report can go there. Raises WrongInput before any work is done."""
    if out.suffix.lower() not in SUFFIXES:
        raise WrongInput(f"report: -o: found {out.name!r}; allowed: a name that ends in .html or .pdf")
    if not out.parent.is_dir():
        raise WrongInput(f"report: -o: {out.parent}: no such folder")
    if out.suffix.lower() == ".pdf":
        from edge.evidence.report.pdf import need

        need()


def _position(position: str) -> Position:
    for one in POSITIONS:
        if one == position:
            return one
    raise WrongInput(f"report: --position: found {position!r}; allowed: {', '.join(POSITIONS)}")


def _check_one_client(machines: list[JobFacts], sources: list[Path]) -> None:
    clients = [str(one.job.get("client", "")) for one in machines]
    for source, client in zip(sources, clients, strict=True):
        if client.strip().casefold() != clients[0].strip().casefold():
            first = clients[0] or "no client"
            raise WrongInput(f"{source}: of {client or 'no client'!r}, the first pack of {first!r}; allowed: packs of one client")
    seen: dict[tuple[str, int, str], Path] = {}
    for source, one in zip(sources, machines, strict=True):
        key = (one.document.public_key, one.document.job, one.document.kit)
        if key in seen:
            raise WrongInput(f"{source}: the same job of the same kit as {seen[key]}; allowed: each job once")
        seen[key] = source


def _now_ms() -> int:
    return time.time_ns() // 1_000_000

"""`tailgrain report` and `tailgrain verify`: the evidence pack that a client receives, and its check."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from edge.contract.errors import WrongInput

if TYPE_CHECKING:
    from edge.evidence.verify.check import Checked
    from edge.keep.chain import Proof
    from edge.keep.signing import Key

PACK_NAMES = (".html", ".htm")


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--job", "number", type=int, metavar="N", help="Which job, counted by `job_start` entries from 1.")
@click.option("-o", "--output", "out", type=click.Path(path_type=Path), required=True, metavar="FILE", help=".html or .pdf.")
@click.option("--config", type=click.Path(path_type=Path), metavar="FILE", help="The kit's settings file; for a capture only.")
@click.option("--position", default="exact", show_default=True, metavar="exact|coarse|none", help="Positions in the pack.")
def report(sources: tuple[Path, ...], number: int | None, out: Path, config: Path | None, position: str) -> None:
    """The evidence pack of a job: one signed file that opens anywhere.

    SOURCE is a database or a capture, or several packs of one client (one report of several machines).

    \b
    Example: tailgrain report tailgrain.db --job 1 -o paddock.html
    """
    from edge.evidence import packs
    from edge.playback.blocks import is_database

    packs.check_out(out)
    if all(one.suffix.lower() in PACK_NAMES for one in sources):
        _merge(sources, number, out)
        return
    if len(sources) > 1:
        raise WrongInput("report: SOURCE: several; allowed: one database or capture, or several packs (.html) of one client")
    if number is None:
        raise WrongInput("report: --job: missing; allowed: the number of a job, counted from 1")
    source = sources[0]
    if is_database(source):
        if config is not None:
            raise WrongInput("report: --config: given with a database, which holds each run's settings; allowed: with a capture")
        packs.write_pack(source, number, out, position)
    else:
        _of_capture(source, number, out, config, position)
    click.echo(f"{out}: written, {out.stat().st_size / 1e6:.1f} MB")


def _of_capture(source: Path, number: int, out: Path, config: Path | None, position: str) -> None:
    """Replay into a database for the moment; the kit's own key signs."""
    from edge.contract import settings
    from edge.evidence import packs
    from edge.evidence.pack.document import POSITIONS
    from edge.playback.replay import replay

    if config is None:
        raise WrongInput("report: --config: missing; a capture needs the kit's settings file")
    if position not in POSITIONS:
        raise WrongInput(f"report: --position: found {position!r}; allowed: {', '.join(POSITIONS)}")
    loaded = settings.load(config)
    folder = settings.state_directory(loaded)
    with tempfile.TemporaryDirectory(prefix="tailgrain-") as name:
        database = Path(name, f"{source.name}.db")
        replay(source, loaded, database, on_refused=lambda text: print(f"refused: {text}", file=sys.stderr))
        key = _own_key(folder)
        packs.put(out, packs.pack_of(database, number, position, key))
    print(f"signed with the key {key.fingerprint} in {folder}", file=sys.stderr)


def _own_key(folder: Path) -> Key:
    from edge.keep import signing

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise WrongInput(f"{folder}: can't be made for the signing key ({fault.strerror or fault})") from fault
    return signing.read_or_make(folder / signing.FILE_NAME)[0]


def _merge(sources: tuple[Path, ...], number: int | None, out: Path) -> None:
    from edge.contract import settings
    from edge.evidence import packs

    if number is not None:
        raise WrongInput("report: --job: given with packs, each of which is one job; allowed: with a database or capture")
    if len(sources) < 2:
        raise WrongInput("report: SOURCE: one pack; allowed: two packs or more, a database, or a capture with --config")
    if out.resolve() in [one.resolve() for one in sources]:
        raise WrongInput(f"report: -o: {out} is one of the packs; allowed: another name")
    folder = settings.state_directory(settings.Settings(machine=settings.MachineSettings(name="office", cut_width_m=1.0)))
    key = _own_key(folder)
    packs.put(out, packs.merge(list(sources), key))
    click.echo(f"{out}: written, {len(sources)} machines; signed with the key {key.fingerprint}")


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--fingerprint", "fingerprints", metavar="HEX", multiple=True,
    help="What the kit itself shows; the pack must be signed with that key. Of a report of several machines one for each key.",
)  # fmt: skip
@click.option("--proof", "proofs", metavar="'SEQ HASH'", multiple=True, help="A proof line you keep; the records must meet it.")
@click.option("--charts", is_flag=True, help="Draw the charts anew too (slower; needs the same matplotlib).")
@click.option("--json", "as_json", is_flag=True, help="Answer as JSON.")
def verify(file: Path, fingerprints: tuple[str, ...], proofs: tuple[str, ...], charts: bool, as_json: bool) -> int:
    """Is a pack as it was signed, and do its figures follow from its data? Needs nothing but the file.

    \b
    Example: tailgrain verify paddock.html --fingerprint "3f2a 91bc 77d0 45e1"
    """
    from edge.evidence.pack import packfile
    from edge.evidence.verify import check as checking

    for one in fingerprints:
        if len("".join(sign for sign in one if sign in "0123456789abcdefABCDEF")) < 16:
            raise WrongInput(f"verify: --fingerprint: found {one!r}; allowed: 16 hex digits or more, as the kit shows them")
    held = [_proof(one) for one in proofs]
    found: Checked = checking.check(packfile.read(file), fingerprints, charts, held)
    if as_json:
        sys.stdout.write(msgspec.json.encode(found.to_plain()).decode() + "\n")
    else:
        for line in checking.summary(found):
            click.echo(line)
    return 0 if found.fault is None and found.words else 1


def _proof(text: str) -> Proof:
    """`57 0f3a...`, as the kit's screen Job and its messages show it; blanks between the digits don't count."""
    from edge.keep.chain import Proof

    seq, _, digits = text.strip().partition(" ")
    digits = "".join(digits.split()).lower()
    if not seq.isdecimal() or len(digits) != 64 or any(sign not in "0123456789abcdef" for sign in digits):
        raise WrongInput(f"verify: --proof: found {text[:80]!r}; allowed: the number of a record, a blank, 64 hex digits")
    return Proof(int(seq), digits)

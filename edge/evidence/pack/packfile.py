"""The file of a pack: data packed into the page, the signature in its slot, and both taken out again with hostile files in mind.

The signature (Ed25519, 128 lower-case hex digits) is over the SHA-256 of the whole file with its slot full of zeros. The data
are JSON, deflated by gzip, in base64: nothing in the file is ever executed.
"""

from __future__ import annotations

import base64
import binascii
import gzip
import os
import re
import zlib
from hashlib import sha256
from pathlib import Path
from typing import Literal

import msgspec
from msgspec import Struct

from edge.contract.errors import AnswerBad, WrongInput
from edge.evidence.pack.document import FORMAT, Document
from edge.keep import signing
from edge.keep.signing import Key

SLOT_DIGITS = 2 * signing.SIGNATURE_BYTES
SLOT = re.compile(rb'<meta name="tailgrain-signature" content="([^"]*)">')
KEY = re.compile(rb'<meta name="tailgrain-key" content="([0-9a-f]{64})">')
DATA_BEGINS = b'<script type="application/json" id="tailgrain-data">'
DATA_ENDS = b"</script>"
LARGEST_FILE = 64 << 20
LARGEST_DATA = 96 << 20
"""Unpacked. A 12-hour job is some 10 MB, and packs to a seventh."""

SMALL_DATA, MOST_PACKED = 8 << 20, 40
"""Data that unpack to more than this many times their size are no counts of a kit; small ones may."""

MOST_MACHINES = 16


class Inner(Struct, forbid_unknown_fields=True):
    """A pack carried whole inside a merged report."""

    name: str
    page: str


class Merged(Struct, forbid_unknown_fields=True, kw_only=True):
    """Several packs of one client."""

    format: Literal["tailgrain merged report 1"] = "tailgrain merged report 1"
    program: str
    made_ms: int
    public_key: str
    packs: list[Inner]


class Pack(Struct):
    """A file taken apart. `signed`: whether the signature is that of the key it names."""

    raw: bytes
    public: bytes
    signed: bool
    content: Document | Merged

    @property
    def fingerprint(self) -> str:
        """Short name of the key."""
        return signing.fingerprint(self.public)


def pack_data(content: Document | Merged) -> str:
    """Base64 of the deflated JSON. The same content gives the same text. Raises WrongInput for more than `verify` takes."""
    plain = msgspec.json.encode(content)
    if len(plain) > LARGEST_DATA:
        raise WrongInput(
            f"the job's data are {len(plain) >> 20} MB; allowed: {LARGEST_DATA >> 20} MB (about four days of work): "
            "start a new job each day"
        )
    return base64.b64encode(gzip.compress(plain, 9, mtime=0)).decode()


def sign(page: str, slot: str, key: Key) -> bytes:
    """The finished file: the first `slot` word of the page becomes the signature over the rest."""
    before, _, after = page.partition(slot)
    begin, end = before.encode(), after.encode()
    digest = sha256(begin + b"0" * SLOT_DIGITS + end).digest()
    return begin + key.sign(digest).hex().encode() + end


def write(path: Path, raw: bytes) -> None:
    """Put a finished file in its place, whole or not at all. Raises WrongInput."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        beside.write_bytes(raw)
        beside.replace(path)
    except OSError as fault:
        beside.unlink(missing_ok=True)
        raise WrongInput(f"{path}: can't be written ({fault.strerror or fault})") from fault


def read(path: Path) -> bytes:
    """The bytes of a file that may be a pack. Raises WrongInput: missing, too large, no pack."""
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise WrongInput(f"{path}: no file; allowed: an evidence pack (.html)")
        if size > LARGEST_FILE:
            raise WrongInput(f"{path}: {size >> 20} MB; allowed: an evidence pack of up to {LARGEST_FILE >> 20} MB")
        raw = path.read_bytes()
    except OSError as fault:
        raise WrongInput(f"{path}: can't be read ({fault.strerror or fault})") from fault
    if raw[:5] == b"%PDF-":
        raise WrongInput(f"{path}: a PDF is a printed copy and can't be checked; allowed: the HTML file of the pack")
    if b"tailgrain-signature" not in raw and b"tailgrain-data" not in raw:
        raise WrongInput(f"{path}: no evidence pack; allowed: an HTML file made by `tailgrain report`")
    return raw


def take_apart(raw: bytes) -> Pack:
    """Signature, key and data of a file. Raises AnswerBad: no whole pack any more; the signature is told, not judged."""
    slots, keys = SLOT.findall(raw), KEY.findall(raw)
    if len(slots) != 1:
        raise AnswerBad(f"{len(slots)} places for the signature; a pack has one")
    if len(keys) != 1:
        raise AnswerBad("the public key is missing or damaged")
    public = bytes.fromhex(keys[0].decode())
    return Pack(raw, public, _is_signed(raw, slots[0], public), content_of(raw))


def _is_signed(raw: bytes, found: bytes, public: bytes) -> bool:
    if re.fullmatch(rb"[0-9a-f]{%d}" % SLOT_DIGITS, found) is None:
        return False
    at = raw.index(found, raw.index(b'name="tailgrain-signature"'))
    digest = sha256(raw[:at] + b"0" * SLOT_DIGITS + raw[at + SLOT_DIGITS :]).digest()
    return signing.verify(public, bytes.fromhex(found.decode()), digest)


def content_of(raw: bytes) -> Document | Merged:
    """The data of a file. Raises AnswerBad for anything that is not ours, or too large unpacked."""
    begin = raw.rfind(DATA_BEGINS)
    if begin < 0 or raw.count(DATA_BEGINS) != 1:
        raise AnswerBad("the data block is missing or stands there twice")
    begin += len(DATA_BEGINS)
    end = raw.find(DATA_ENDS, begin)
    try:
        packed = base64.b64decode(raw[begin:end], validate=True)
        inflate = zlib.decompressobj(wbits=31)
        most = min(LARGEST_DATA, max(SMALL_DATA, MOST_PACKED * len(packed)))
        plain = inflate.decompress(packed, most)
    except (binascii.Error, ValueError, zlib.error) as fault:
        raise AnswerBad(f"the data block can't be unpacked ({fault})") from fault
    if inflate.unconsumed_tail:
        raise AnswerBad(f"the data block unpacks to more than {most >> 20} MB, which no pack of its size does")
    if not inflate.eof or inflate.unused_data:
        raise AnswerBad("the data block is cut short or has something behind it")
    try:
        form = msgspec.json.decode(plain, type=_Form).format
        if form == FORMAT:
            return msgspec.json.decode(plain, type=Document)
        merged = msgspec.json.decode(plain, type=Merged)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as fault:
        raise AnswerBad(f"the data block is not what a pack holds ({fault})") from fault
    if not 1 <= len(merged.packs) <= MOST_MACHINES:
        raise AnswerBad(f"{len(merged.packs)} packs in one report; allowed: 1 to {MOST_MACHINES}")
    return merged


class _Form(Struct):
    format: str


def inner_raw(inner: Inner) -> bytes:
    """The file of a pack carried inside. Raises AnswerBad."""
    try:
        return base64.b64decode(inner.page, validate=True)
    except (binascii.Error, ValueError) as fault:
        raise AnswerBad(f"the pack {inner.name!r} inside can't be unpacked ({fault})") from fault

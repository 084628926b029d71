"""The kit's own Ed25519 key (RFC 8032): made once, beside its database, readable by its owner alone.

The key says which kit a pack comes from, to whoever compared the fingerprint with the kit. It says nothing about
whether what the kit recorded is true.
"""

from __future__ import annotations

import os
import stat
from hashlib import sha256
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key

from edge.contract.errors import StoreError

FILE_NAME = "signing.key"
PUBLIC_BYTES = 32
SIGNATURE_BYTES = 64
FINGERPRINT_DIGITS = 24
"""96 bits: short enough to read out, too many to find a second key for."""

LEAST_DIGITS = 16


class Key:
    """A key to sign with. `public`: 32 bytes; `fingerprint`: its short name, in groups of four."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        self.public = private.public_key().public_bytes_raw()
        self.fingerprint = fingerprint(self.public)

    def sign(self, message: bytes) -> bytes:
        """The signature of a message, 64 bytes."""
        return self._private.sign(message)


def path_beside(database: Path) -> Path:
    """Where the key of a database lies."""
    return database.with_name(FILE_NAME)


def fingerprint(public: bytes) -> str:
    """The begin of SHA-256 of a public key in groups of four hex digits: `3f2a 91bc ...`."""
    digits = sha256(public).hexdigest()[:FINGERPRINT_DIGITS]
    return " ".join(digits[at : at + 4] for at in range(0, len(digits), 4))


def is_fingerprint(text: str, public: bytes) -> bool:
    """Whether a fingerprint as somebody typed it (any case, with or without spaces, 16 digits or more) is this key's."""
    digits = "".join(text.split()).replace(":", "").replace("-", "").lower()
    return len(digits) >= LEAST_DIGITS and sha256(public).hexdigest().startswith(digits)


def verify(public: bytes, signature: bytes, message: bytes) -> bool:
    """Whether a signature of this message was made with the key of this public half."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def read(path: Path) -> Key:
    """The key in a file. Raises StoreError: missing, unreadable, open to others, or no Ed25519 key."""
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & 0o077:
            raise StoreError(f"{path}: mode {mode:04o} lets others read the signing key; allowed: 0600 (chmod 600 {path})")
        private = load_pem_private_key(path.read_bytes(), None)
    except FileNotFoundError as fault:
        raise StoreError(f"{path}: no signing key; `tailgrain run` or `replay --store` makes one beside its database") from fault
    except OSError as fault:
        raise StoreError(f"{path}: the signing key can't be read ({fault.strerror or fault})") from fault
    except (ValueError, TypeError) as fault:
        raise StoreError(f"{path}: no usable signing key; allowed: an Ed25519 private key in PEM, as the kit made it") from fault
    if not isinstance(private, Ed25519PrivateKey):
        raise StoreError(f"{path}: no Ed25519 key; allowed: an Ed25519 private key in PEM, as the kit made it")
    return Key(private)


def read_or_make(path: Path) -> tuple[Key, bool]:
    """The key in a file, made now when there is none, and whether it was made. Raises StoreError.

    Written beside its place and linked there, so that a power cut leaves a whole key or none, and an existing one is
    never written over.
    """
    if path.exists():
        return read(path), False
    private = Ed25519PrivateKey.generate()
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        beside.unlink(missing_ok=True)
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), 0o600)
            file.write(private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(beside, path)
        except FileExistsError:
            return read(path), False
        finally:
            beside.unlink()
        _sync_folder(path.parent)
    except OSError as fault:
        raise StoreError(f"{path}: no signing key can be made ({fault.strerror or fault})") from fault
    return Key(private), True


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

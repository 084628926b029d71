"""Which words a program would put down: its version and a digest of its own sources.

A pack made by another edition may say the same in other words. `verify` then compares signature, chain, data and figures,
and says that the words were not compared, instead of calling an honest pack broken.
"""

from __future__ import annotations

from functools import lru_cache
from hashlib import sha256
from importlib.metadata import version
from importlib.resources import files
from importlib.resources.abc import Traversable

KINDS = (".py", ".toml", ".css", ".html")
DIGITS = 8


@lru_cache(maxsize=1)
def edition() -> str:
    """`0.1.0+1a2b3c4d`."""
    return f"{version('tailgrain')}+{digest(files('edge'))[:DIGITS]}"


def digest(folder: Traversable) -> str:
    """Of all sources below a folder, in hexadecimal; line ends don't count."""
    whole = sha256()
    for name, one in sorted(_sources(folder, ""), key=lambda found: found[0]):
        whole.update(f"{name}\n".encode() + sha256(one.read_bytes().replace(b"\r\n", b"\n")).digest())
    return whole.hexdigest()


def _sources(folder: Traversable, name: str) -> list[tuple[str, Traversable]]:
    found = []
    for one in folder.iterdir():
        if one.is_dir() and one.name != "__pycache__":
            found += _sources(one, f"{name}/{one.name}")
        elif one.name.endswith(KINDS):
            found.append((f"{name}/{one.name}", one))
    return found

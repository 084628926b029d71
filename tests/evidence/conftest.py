"""A kit's database with two jobs, made once, and packs whose data were changed."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Callable
from typing import Any

import pytest

from edge.evidence.pack import packfile
from edge.keep import signing
from tests.kits.packs import Kept, make, resigned


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """The database of one kit with two jobs."""
    return make(tmp_path_factory.mktemp("kit"), seed=5)


@pytest.fixture(scope="session")
def pack(kept: Kept, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The pack of its first job."""
    return kept.pack(tmp_path_factory.mktemp("pack") / "north.html")


@pytest.fixture
def reworked(kept: Kept) -> Callable[..., bytes]:
    """`reworked(raw, change, key)`: a pack whose data were changed and that was signed again, its page left as it was.

    `change` gets the data as plain JSON and may alter them in place.
    """

    def rework(raw: bytes, change: Callable[[dict[str, Any]], None], key: signing.Key | None = None) -> bytes:
        key = key or kept.key
        text = raw.decode()
        begin = text.index(packfile.DATA_BEGINS.decode()) + len(packfile.DATA_BEGINS)
        end = text.index(packfile.DATA_ENDS.decode(), begin)
        plain = json.loads(gzip.decompress(base64.b64decode(text[begin:end])))
        change(plain)
        data = base64.b64encode(gzip.compress(json.dumps(plain).encode())).decode()
        return resigned((text[:begin] + data + text[end:]).encode(), key)

    return rework

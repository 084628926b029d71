"""One nursery of kits for all tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.kits.faults.forked import Nursery


@pytest.fixture(scope="session")
def nursery() -> Iterator[Nursery]:
    """Forks kits; everything is imported once."""
    made = Nursery()
    yield made
    made.close()

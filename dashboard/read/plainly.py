"""Faults of the kit's files in an operator's words: no path stands on the page, the log has it."""

from __future__ import annotations

import logging
from pathlib import Path

LOG = logging.getLogger("tailgrain.dashboard")


def plainly(fault: Exception, store: Path, config: Path | None = None) -> str:
    """What a page says of a fault: the same line, with the files named by what they are."""
    whole = str(fault)
    LOG.warning("%s", whole)
    said = whole.replace(str(store), "the kit's record")
    return said if config is None else said.replace(str(config), "the kit's settings")

"""What the page's server bears of many or of bad guests. Tests make it shorter."""

from __future__ import annotations

import resource
from typing import NamedTuple

SPARE_FILES = 120
"""Of the files this process may open: the database in every thread that reads it, the broker, children."""

LEAST_CONNECTIONS = 16


class Limits(NamedTuple):
    """`request_s`: from a connection's begin (or a question's first byte) until the question is here whole; `body_s`: the same
    for the body of what a page sends, answered in words. `flush_s`: an answer must have got on within it. `connections` in all
    and `connections_each` of one address, which may be a whole crew's router; `streams` likewise, one for each open page.
    `pin_together` tries of the PIN at once from everywhere, then one each `pin_turn_s`, `pin_turns` given out ahead."""

    request_s: float = 15.0
    body_s: float = 10.0
    flush_s: float = 30.0
    connections: int = 320
    connections_each: int = 160
    streams: int = 64
    streams_each: int = 32
    pin_together: int = 20
    pin_turn_s: float = 10.0
    pin_turns: int = 5


LIMITS = Limits()


def fitting(limits: Limits) -> Limits:
    """No more connections than this process may open files, and half of them for one address at most."""
    files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if files == resource.RLIM_INFINITY:
        return limits
    most = min(limits.connections, max(LEAST_CONNECTIONS, files - SPARE_FILES))
    each = max(LEAST_CONNECTIONS, most) // 2
    return limits._replace(connections=most, connections_each=min(limits.connections_each, each))

"""Topic names below the base `tailgrain/<kit>/`, with their quality of service and whether they are retained."""

from __future__ import annotations

import re
from typing import NamedTuple

ASK_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")


class Topic(NamedTuple):
    """Name below the base, QoS, retained."""

    name: str
    qos: int
    retained: bool


PRESENCE = Topic("presence", 1, True)
LIVE = Topic("live", 0, True)
MINUTE = Topic("minute", 1, False)
ALERT = Topic("alert", 1, True)
ENTRY = Topic("entry", 1, False)
VERDICT = Topic("verdict", 1, True)
ADVICE = Topic("advice", 1, True)
GUIDANCE = Topic("guidance", 0, True)
ASK = Topic("ask/entry", 1, False)
PREVIEW = Topic("ask/preview", 1, False)
ANSWER = Topic("answer", 1, False)

STATES = {topic.name: topic for topic in (VERDICT, ADVICE, GUIDANCE)}


def base(kit: str) -> str:
    """The base of all topics of one kit, with its closing slash."""
    return f"tailgrain/{kit}/"

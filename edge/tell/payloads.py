"""What goes into MQTT messages and comes out of them, beside the objects of `messages`."""

from __future__ import annotations

from typing import Any

import msgspec

from edge.engine import messages
from edge.judge.alerts.judge import AlertChange

CLEARS = b""
"""The payload that makes a broker forget a retained message."""


def json_object(payload: bytes) -> dict[str, Any] | None:
    """The JSON object in a payload that anybody may have written; None: there is none."""
    try:
        message = msgspec.json.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    return message if isinstance(message, dict) else None


def alert(change: AlertChange) -> dict[str, Any]:
    """The payload of an alert topic."""
    return {
        "rule": change.rule,
        "object": change.object or None,
        "state": change.state,
        "severity": change.severity,
        "since": messages.rfc3339_ms(change.since_ms),
        "text": change.text,
        "cause": change.cause,
        "action": change.action,
        "value": change.value,
        "limit": change.limit,
        "suppressed": change.suppressed,
        "until": messages.rfc3339_ms(change.until_ms) if change.until_ms is not None else None,
        "ended": messages.rfc3339_ms(change.ended_ms) if change.ended_ms is not None else None,
    }

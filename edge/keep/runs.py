"""What the record holds of a run's settings: those that figures follow from, and their digest."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

from edge.keep.chain import canonical

FIGURE_TABLES = ("machine", "crop", "limits", "input", "level", "crop_data", "units")
"""Tables of the settings that figures follow from. The others tell of the kit's network and stay on the kit."""


def safe_settings(plain: dict[str, Any]) -> dict[str, Any]:
    """The tables of a run's settings that figures follow from."""
    return {name: plain[name] for name in FIGURE_TABLES if name in plain}


def settings_sha256(plain: dict[str, Any]) -> str:
    """Digest of a run's settings that figures follow from; the start of the run holds it."""
    return sha256(canonical(safe_settings(plain)).encode()).hexdigest()

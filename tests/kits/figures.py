"""Parts of a second's figures, made by hand."""

from __future__ import annotations

from typing import Any


def told_by_inputs(returns_pct: float | None = None, **rpm: float | None) -> dict[str, Any]:
    """`Figures.inputs` of a kit with a returns beam and named shafts."""
    return {"returns": {"pct": returns_pct, "t_h": None}, "shafts": rpm}

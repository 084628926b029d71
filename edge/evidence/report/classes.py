"""Classes of loss that map, plan and their table share. Pure."""

from __future__ import annotations

import numpy as np

from edge.evidence.recount.facts import JobFacts
from edge.evidence.recount.sums import Floats, Whole

CLASS_EDGES = (0.5, 0.75, 1.0, 1.5)
"""Edges of the classes of loss, as multiples of the limit (of the mean loss where there is no limit)."""


def has_track(facts: JobFacts) -> bool:
    """Whether the pack knows where the work was, exactly enough for a map."""
    pieces = facts.pieces
    return facts.document.position == "exact" and bool((~np.isnan(pieces.lat) & ~np.isnan(pieces.lat_end)).any())


def values_of(facts: JobFacts) -> tuple[Floats, str, float]:
    """What the pieces are drawn by: kg/ha, or pulses where there is no factor; its unit; and what classes refer to."""
    pieces = facts.pieces
    if (~np.isnan(pieces.kg_ha)).any():
        return pieces.kg_ha, "kg/ha", facts.limit_kg_ha or facts.loss.value or 1.0
    known = pieces.pulses_m2[~np.isnan(pieces.pulses_m2)]
    return pieces.pulses_m2, "pulses per m²", float(known.mean()) if len(known) and known.mean() > 0 else 1.0


def classes(facts: JobFacts) -> list[str]:
    """The classes of loss in words, least first."""
    _, unit, reference = values_of(facts)
    edges = [f"{edge * reference:.3g}" for edge in CLASS_EDGES]
    inner = [f"{low} to {high} {unit}" for low, high in zip(edges, edges[1:], strict=False)]
    return [f"under {edges[0]} {unit}", *inner, f"over {edges[-1]} {unit}"]


def class_of(facts: JobFacts) -> tuple[Floats, Whole]:
    """The value of each piece and the number of its class."""
    values, _, reference = values_of(facts)
    number: Whole = np.digitize(np.nan_to_num(values), [edge * reference for edge in CLASS_EDGES]).astype(np.int64)
    return values, number

"""Figures and totals -> the JSON objects of the contract: `live`, `minute`, the summary. Unknown is null, never 0."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from math import isfinite
from typing import Any, NamedTuple

import msgspec

from edge.feed.assembler import Lines
from edge.reckon.entered.money import ValueLost
from edge.reckon.figures import Figures, LossFigure, PointFigure
from edge.reckon.lag.learner import LearnedLag
from edge.reckon.reckoner import Reckoner
from edge.reckon.tables.units import M2_PER_HA
from edge.reckon.totals import MeanLoss, Totals


class OutboxRow(NamedTuple):
    """A row of the outbox: its id, topic (below the base) and payload."""

    id: int
    topic: str
    payload: bytes


def rfc3339(epoch_s: float) -> str:
    """RFC 3339 UTC with milliseconds; years beyond 9999 can't be written and become null-like text."""
    return rfc3339_ms(round(epoch_s * 1000))


def rfc3339_ms(epoch_ms: int) -> str:
    """RFC 3339 UTC with milliseconds from epoch milliseconds (exact)."""
    when = datetime.fromtimestamp(epoch_ms // 1000, UTC)
    return f"{when:%Y-%m-%dT%H:%M:%S}.{epoch_ms % 1000:03d}Z"


def encode(message: Any) -> bytes:
    """Compact JSON; a number that is not finite would be a fault of ours and raises."""
    return msgspec.json.encode(message)


def live(figures: Figures) -> dict[str, Any]:
    """The `live` object of one second."""
    calibration = figures.calibration
    return {
        "t": rfc3339_ms(figures.t * 1000),
        "state": figures.state,
        "speed_kmh": figures.speed_kmh,
        "area_rate_ha_h": figures.area_rate_ha_h,
        "loss": None if figures.loss is None else _loss(figures.loss),
        "points": {name: _point(point) for name, point in figures.points.items()},
        "pulses_per_s": figures.pulses_per_s,
        **figures.inputs,
        "calibration": {
            "state": calibration.state,
            "factor_mg_per_pulse": calibration.factor_mg_per_pulse,
            "tests": calibration.tests,
            "age_s": calibration.age_s,
            "why": calibration.why,
        },
        "position": {"lat": figures.lat, "lon": figures.lon},
        "flags": figures.flag_words,
        "limit_kg_ha": figures.limit_kg_ha,
        "limit_basis": figures.limit_basis,
        "limit_pct": figures.limit_pct,
        "width_used": figures.width_used,
        "lag": None if figures.lag is None else lag(figures.lag),
        "value": {**_value(figures.value, "h"), "sample_age_s": figures.sample_age_s},
    }


def _value(found: ValueLost, per: str) -> dict[str, float | None]:
    return {f"loss_{per}": found.loss, f"quality_{per}": found.quality, f"total_{per}": found.total}


def lag(learned: LearnedLag) -> dict[str, float | int | None]:
    """The lag in force beside the learned one, which is only shown."""
    return learned._asdict()


def _loss(loss: LossFigure) -> dict[str, float | None]:
    return {
        "kg_ha": loss.kg_ha,
        "low": loss.low,
        "high": loss.high,
        "pct": loss.pct,
        "t_h": loss.t_h,
        "value_h": loss.value_h,
        "over_limit_p": loss.over_limit_p,
        "over_twice_limit_p": loss.over_twice_limit_p,
    }


def _point(point: PointFigure) -> dict[str, float | None]:
    return {"kg_ha": point.kg_ha, "low": point.low, "high": point.high, "left_share": point.left_share}


def _mean(mean: MeanLoss, pct: bool = False) -> dict[str, float | None]:
    plain = {"kg_ha": mean.kg_ha, "low": mean.low, "high": mean.high}
    return {**plain, "pct": mean.pct} if pct else plain


def lines(counted: Lines) -> dict[str, int]:
    """Sentences by kind."""
    return {
        "good": counted.good,
        "bad_crc": counted.bad_crc,
        "malformed": counted.malformed,
        "missing": counted.missing,
        "restarts": counted.restarts,
        "entries": counted.entries,
    }


def totals(reckoner: Reckoner, sums: Totals, percents: Mapping[str, float] | None = None) -> dict[str, Any]:
    """What minute, job and summary share: seconds by state, distance, area, mean loss, points, returns, money.

    `percents`: trash and cracked grain that the money goes by, None for the newest tank samples.
    """
    mean = reckoner.mean_loss(sums)
    return {
        "seconds": dict(sums.seconds),
        "distance_m": sums.distance_m,
        "area_ha": sums.area_m2 / M2_PER_HA,
        "loss": _mean(mean, pct=True),
        "points": {name: _mean(reckoner.mean_loss(sums, (name,))) for name in reckoner.names},
        "returns_pct": sums.returns_pct,
        "value": _value(reckoner.value_ha(sums, mean, percents), "ha"),
    }


def minute(reckoner: Reckoner, sums: Totals, t: int, since: Lines, now: Lines) -> dict[str, Any]:
    """One minute's summary, without its `seq`; `since` and `now` are the line counts at its ends."""
    before, after = lines(since), lines(now)
    counted = {kind: after[kind] - before[kind] for kind in after}
    return {"t": rfc3339_ms(t * 1000), **totals(reckoner, sums), "lines": counted}


def calibration(reckoner: Reckoner, now_s: float) -> dict[str, Any]:
    """State of the calibration as data, with its fits."""
    status = reckoner.calibration_figure(now_s)
    fits = reckoner.calibration.factors.points
    return {
        "state": status.state,
        "factor_mg_per_pulse": status.factor_mg_per_pulse,
        "u_relative": {name: found.u for name, found in fits.items()},
        "dof": {name: found.dof if isfinite(found.dof) else None for name, found in fits.items()},
        "clicks_per_m2": {name: found.clicks_m2 for name, found in fits.items() if found.clicks_m2},
        "tests": status.tests,
        "age_s": status.age_s,
        "why": status.why,
    }


def tests(reckoner: Reckoner) -> list[dict[str, Any]]:
    """Every tray test as it was judged."""
    return [
        {"at": rfc3339(test.at_s), "used": test.used, "why": test.why or None} for test in reckoner.calibration.tests
    ]


def settings_changes(reckoner: Reckoner) -> list[dict[str, Any]]:
    """Every setting change in order, numbered from 1."""
    changes = []
    for change in reckoner.now.changes:
        plain = {"n": change.n, "at": rfc3339(change.at_s), "what": change.what, "from": change.was, "to": change.to}
        changes.append({**plain, "name": change.name} if change.name else plain)
    return changes

"""Loss along time and ground: trend in equal steps of time, pieces of the track, and how loss is spread over the area. Pure.

All of it by the job's factors, over steady work, with each second's pulses set against the ground that was cut a lag before.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, inf, sqrt

import numpy as np

from edge.evidence.recount.material import Material, per_second_loss
from edge.evidence.recount.sums import WORKING, Counted, Floats, Mask, Whole, stretches
from edge.reckon.fit.factor import Factors
from edge.reckon.loss import MG_M2_PER_KG_HA
from edge.reckon.statistics.budget import SPEED_U, WIDTH_U, quantile

MOST_STEPS = 360
STEPS_S = (10, 20, 30, 60, 120, 300, 600, 1800, 3600)
PIECE_S = 30
"""Length of the pieces whose spread is shown: shorter ones show the chance of counting more than the paddock."""

LEAST_ROWS = 5


@dataclass(frozen=True, slots=True)
class Steps:
    """Equal steps of time: `t` their ends in epoch s; `kg_ha` with bounds, NaN where there was no steady work or no factor;
    `pulses_m2` of all points; `kmh`; `returns_pct`."""

    step_s: int
    t: Floats
    kg_ha: Floats
    low: Floats
    high: Floats
    pulses_m2: Floats
    kmh: Floats
    returns_pct: Floats


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of steady work of half a minute: `t` their ends in epoch s, `area_m2`, loss, and where the ground begins and
    ends (NaN: no position). `limit` in kg/ha."""

    t: Floats
    seconds: Floats
    area_m2: Floats
    kg_ha: Floats
    pulses_m2: Floats
    limit: Floats
    lat: Floats
    lon: Floats
    lat_end: Floats
    lon_end: Floats


def loss_kg_ha(material: Material, crop: int, net: Floats, lagged_m2: Floats) -> Floats:
    """Loss of net grain pulses per point (n, points) over an area (n,); NaN without a factor or an area."""
    factors = material.factors_of(crop)
    if any(name not in factors.points for name in material.names):
        return np.full(len(net), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = np.where(lagged_m2[:, None] > 0, net / lagged_m2[:, None], np.nan)
    found: Floats
    if factors.common:
        fit = factors.points[material.names[0]]
        found = fit.k * np.maximum(rates.sum(axis=1) - fit.clicks_m2, 0.0) / MG_M2_PER_KG_HA
        return found
    fits = [factors.points[name] for name in material.names]
    found = np.sum([fit.k * np.maximum(rates[:, i] - fit.clicks_m2, 0.0) for i, fit in enumerate(fits)], axis=0)
    return found / MG_M2_PER_KG_HA


def steady(part: Counted) -> Mask:
    """Seconds that can be set against ground: steady work, moving, and both points heard."""
    rows = part.rows
    found: Mask = (rows.state == WORKING) & (rows.ms > 0) & (part.lagged_m2 > 0) & ~part.blind.any(axis=1)
    return found


def step_length(parts: list[Counted]) -> int:
    """Seconds of one step of the trend, so that the whole job gives at most 360."""
    if not parts:
        return STEPS_S[0]
    span = max(int(part.rows.t.max()) for part in parts) - min(int(part.rows.t.min()) for part in parts)
    return next((step for step in STEPS_S if span / step <= MOST_STEPS), STEPS_S[-1] * (1 + span // (STEPS_S[-1] * MOST_STEPS)))


def steps(material: Material) -> Steps:
    """The trend over the whole job."""
    step = step_length(material.counted)
    columns: list[tuple[float, ...]] = []
    for part in material.counted:
        net, variance = per_second_loss(material, part)
        rows = np.flatnonzero(steady(part))
        group = -(-part.rows.t[rows] // step)
        for mine in np.split(rows, np.flatnonzero(np.diff(group)) + 1):
            if len(mine) < min(LEAST_ROWS, step):
                continue
            crop = int(part.rows.crop[mine[-1]])
            area = float(part.lagged_m2[mine].sum())
            grain = net[mine].sum(axis=0, keepdims=True)
            kg_ha = float(loss_kg_ha(material, crop, grain, np.array([area]))[0])
            low, high = _bounds(material, crop, kg_ha, grain[0], variance[mine].sum(axis=0), area)
            end_s = float(-(-part.rows.t[mine[-1]] // step) * step)
            kmh, returns = _mean(part.rows.speed_kmh[mine]), _mean(part.rows.returns_pct[mine])
            columns.append((end_s, kg_ha, low, high, float(grain.sum()) / area, kmh, returns))
    table = np.array(columns, dtype=np.float64).reshape(-1, 7)
    table = table[np.argsort(table[:, 0], kind="stable")]
    return Steps(step, *(table[:, at] for at in range(7)))


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else np.nan


def _bounds(material: Material, crop: int, kg_ha: float, net: Floats, variance: Floats, area: float) -> tuple[float, float]:
    if not kg_ha > 0:
        return kg_ha, np.nan if kg_ha == kg_ha else kg_ha
    factors = material.factors_of(crop)
    u, dof = factor_u(factors, material.names, net, area)
    counting = sqrt(float(variance.sum())) / max(float(net.sum()), 1.0)
    whole = sqrt(hypot(u, counting) ** 2 + material.extra_u**2 + WIDTH_U**2 + SPEED_U**2)
    joined = dof if dof == inf or u <= 0 else dof * (whole / u) ** 4
    reach = exp(min(quantile(joined) * whole, 50.0))
    return kg_ha / reach, kg_ha * reach


def factor_u(factors: Factors, names: tuple[str, ...], net: Floats, area: float) -> tuple[float, float]:
    """Relative uncertainty of all points together that comes from their factors, and its degrees of freedom."""
    fits = [factors.points[name] for name in names]
    if factors.common or len(fits) == 1:
        return fits[0].u_at(float(net.sum()) / area), fits[0].dof
    shares = [max(float(one), 0.0) * fit.k for one, fit in zip(net, fits, strict=True)]
    whole = sum(shares) or 1.0
    parts = [(share / whole * fit.u_at(float(one) / area), fit.dof) for share, fit, one in zip(shares, fits, net, strict=True)]
    square = sum(u * u for u, _ in parts)
    below = sum(u**4 / dof for u, dof in parts)
    return sqrt(square), square * square / below if below > 0 else inf


def pieces(material: Material) -> Pieces:
    """Steady work cut into pieces of half a minute, each with the place where its ground was cut."""
    columns: list[tuple[float, ...]] = []
    for part in material.counted:
        net, _ = per_second_loss(material, part)
        rows = part.rows
        clock = np.cumsum(rows.ms)
        # The second in which the ground was cut whose grain arrives now.
        cut = np.searchsorted(clock, clock - rows.lag_s * 1000, side="left")
        for first, last in stretches(steady(part)):
            for at in range(first, last, PIECE_S):
                end = min(at + PIECE_S, last)
                if end - at < LEAST_ROWS:
                    continue
                area = float(part.lagged_m2[at:end].sum())
                crop = int(rows.crop[end - 1])
                grain = net[at:end].sum(axis=0, keepdims=True)
                kg_ha = float(loss_kg_ha(material, crop, grain, np.array([area]))[0])
                place = _place(rows.lat, rows.lon, cut, at, end)
                rate, limit = float(grain.sum()) / area, float(rows.limit_kg_ha[end - 1])
                columns.append((float(rows.t[end - 1]), float(end - at), area, kg_ha, rate, limit, *place))
    table = np.array(columns, dtype=np.float64).reshape(-1, 10)
    return Pieces(*(table[:, at] for at in range(10)))


def _place(lat: Floats, lon: Floats, cut: Whole, at: int, end: int) -> tuple[float, float, float, float]:
    first, last = int(cut[at]), int(cut[end - 1])
    return float(lat[first]), float(lon[first]), float(lat[last]), float(lon[last])


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float | None:
    """The value below which a share of the weight lies; None without any."""
    known = ~np.isnan(values)
    if not known.any():
        return None
    order = np.argsort(values[known], kind="stable")
    sums = np.cumsum(weights[known][order])
    return float(values[known][order][min(int(np.searchsorted(sums, share * sums[-1])), len(sums) - 1)])

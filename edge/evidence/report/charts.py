"""The charts of a pack as inline SVG: trend, map of the track (or plan by time), spread over the area.

Drawn with matplotlib figures of their own (no pyplot). Text stays text, ids come from a fixed salt and no date is written, so
the same data give the same drawing. Shape, width and words say what colour says.
"""

from __future__ import annotations

import io
import re
import threading
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle

from edge.evidence.pack.times import Zone
from edge.evidence.recount.facts import JobFacts
from edge.evidence.recount.series import Pieces
from edge.evidence.recount.sums import Floats
from edge.evidence.report.classes import class_of, has_track, values_of

INK, QUIET, LINE, BAND, LIMIT = "#1b1f24", "#4a525c", "#12395f", "#c4d5e6", "#8a1c12"
CLASS_COLOURS = ("#7aa0c2", "#4a7ba8", "#1d4e7e", "#b5481a", "#6e130a")
CLASS_WIDTHS = (1.6, 2.4, 3.4, 4.8, 6.4)
CLASS_HATCHES = ("", "", "", "///", "xxx")
TICKS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)
SCALES_M = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000)
METRES_PER_DEGREE = 111_195.0
"""On a sphere of 6371 km: 2 pi 6 371 000 / 360."""

MOST_BARS = 24
_STYLE: Any = {
    "svg.fonttype": "none", "svg.hashsalt": "tailgrain", "font.size": 11, "font.family": ["sans-serif"],
    "font.sans-serif": ["DejaVu Sans"], "axes.edgecolor": QUIET, "axes.labelcolor": INK, "text.color": INK,
    "xtick.color": INK, "ytick.color": INK, "axes.spines.top": False, "axes.spines.right": False, "hatch.linewidth": 1.0,
    "axes.grid": False,
}  # fmt: skip
_LOCK = threading.Lock()
"""matplotlib's settings are one for the whole process."""


def draw(facts: JobFacts, key: str) -> dict[str, str]:
    """Name -> SVG of every chart of one machine's job; `key` keeps ids of several machines apart."""
    with _LOCK, matplotlib.rc_context(_STYLE):
        found = {"trend": _svg(_trend(facts), f"{key}-trend")}
        if len(facts.pieces.t):
            found["track"] = _svg(_map(facts) if has_track(facts) else _plan(facts), f"{key}-track")
            found["spread"] = _svg(_spread(facts), f"{key}-spread")
    return found


def _svg(figure: Figure, key: str) -> str:
    out = io.StringIO()
    FigureCanvasSVG(figure)
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    # Ids must differ between the charts of one page.
    text = re.sub(r'\bid="([^"]*)"', rf'id="{key}-\1"', text)
    text = re.sub(r'(xlink:href="#|url\(#)', rf"\g<1>{key}-", text)
    # A style sheet would be one for the whole page.
    text = re.sub(r"<style[^>]*>.*?</style>", "", text, flags=re.S)
    lines = 'stroke-linejoin="round" stroke-linecap="butt"'
    opening = rf'<svg viewBox="\1" aria-hidden="true" focusable="false" {lines}>'
    text = re.sub(r'<svg [^>]*?viewBox="([^"]*)"[^>]*>', opening, text, count=1)
    text = text.replace("xlink:href", "href")
    return re.sub(r"\n\s*", "\n", text).strip()


def _time_axis(axes: Axes, zone: Zone, low: float, high: float) -> None:
    shift = 60 * zone.offset_min  # round hours are those of the zone
    step = next((one for one in TICKS_S if (high - low) / one <= 9), TICKS_S[-1])
    ticks = np.arange(np.ceil((low + shift) / step) * step - shift, high + 1, step)
    axes.set_xticks(ticks, [zone.clock(float(one)) if step >= 14400 else zone.clock(float(one), days=False) for one in ticks])
    axes.set_xlim(low, high)


def _broken(t: Floats, values: Floats, step_s: float) -> tuple[Floats, Floats]:
    """A line with gaps where there was no steady work for a while."""
    gaps = np.flatnonzero(np.diff(t) > 4 * step_s) + 1
    return np.insert(t, gaps, t[gaps - 1] + step_s), np.insert(values, gaps, np.nan)


def _trend(facts: JobFacts) -> Figure:
    figure = Figure(figsize=(10.4, 5.6))
    top, speed, returns = figure.subplots(3, 1, sharex=True, gridspec_kw={"height_ratios": [5, 1.2, 1.2], "hspace": 0.16})
    steps = facts.steps
    known = bool((~np.isnan(steps.kg_ha)).any())
    values = steps.kg_ha if known else steps.pulses_m2
    low, high = facts.start_s or 0.0, facts.end_s or 1.0
    if len(steps.t):
        t, line = _broken(steps.t - steps.step_s / 2, values, steps.step_s)
        if known:
            _, least = _broken(steps.t - steps.step_s / 2, steps.low, steps.step_s)
            _, most = _broken(steps.t - steps.step_s / 2, steps.high, steps.step_s)
            top.fill_between(t, least, most, color=BAND, linewidth=0)
        top.plot(t, line, color=LINE, linewidth=1.8)
        for axes, column in ((speed, steps.kmh), (returns, steps.returns_pct)):
            _, line = _broken(steps.t - steps.step_s / 2, column, steps.step_s)
            axes.plot(t, line, color=LINE, linewidth=1.3)
    most_shown = float(np.nanquantile(steps.high if known else values, 0.98)) if len(steps.t) else 1.0
    if facts.limit_kg_ha and known:
        most_shown = max(most_shown, facts.limit_kg_ha * 1.1)
        top.axhline(facts.limit_kg_ha, color=LIMIT, linewidth=1.4, linestyle=(0, (6, 3)))
        words = f"limit {facts.limit_kg_ha:.3g} kg/ha"
        paper = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
        place = {"textcoords": "offset points", "ha": "right", "va": "bottom", "color": LIMIT, "bbox": paper, "zorder": 10}
        top.annotate(words, (high, facts.limit_kg_ha), (-3, 5), **place)
    if most_shown != most_shown or most_shown <= 0:
        most_shown = 1.0
    top.set_ylim(0, most_shown * 1.25)
    _marks(facts, top, [speed, returns], most_shown * 1.25)
    top.set_ylabel("machine loss, kg/ha" if known else "loss pulses per m²")
    speed.set_ylabel("speed, km/h")
    speed.set_ylim(0, None)
    returns.set_ylabel("returns,\n% of full")
    returns.set_ylim(0, None)
    _time_axis(returns, facts.zone, low, max(high, low + 60))
    returns.set_xlabel(f"time, {facts.zone.name}")
    figure.align_ylabels()
    figure.subplots_adjust(left=0.075, right=0.99, top=0.985, bottom=0.095)
    return figure


def _marks(facts: JobFacts, top: Axes, below: list[Axes], height: float) -> None:
    """Setting changes numbered along the top, tray tests and alerts under them, each with a shape of its own."""
    for change in facts.changes:
        if not change.moved:
            continue
        for axes in (top, *below):
            axes.axvline(change.at_s, color=QUIET, linewidth=0.9, linestyle=(0, (2, 2)))
        box = {"boxstyle": "square,pad=0.25", "facecolor": "white", "edgecolor": INK, "linewidth": 1.1}
        top.text(change.at_s, height * 0.955, str(change.n), ha="center", va="center", fontsize=10, bbox=box)
    tests = [(one.at_s, one.used) for one in facts.tests if not one.before_job]
    for used, face in ((True, LINE), (False, "white")):
        at = [one for one, is_used in tests if is_used == used]
        top.plot(at, [height * 0.865] * len(at), "^", color=LINE, markerfacecolor=face, markersize=9, clip_on=False)
    for alert in facts.alerts:
        if alert.severity == "notice":
            continue
        end = alert.raised_s + 30 if alert.ended_s is None else max(alert.ended_s, alert.raised_s + 30)
        colour, mark = (LIMIT, "D") if alert.severity == "danger" else ("#7a5b00", "s")
        top.plot([alert.raised_s, end], [height * 0.79] * 2, color=colour, linewidth=5, solid_capstyle="butt")
        top.plot([alert.raised_s], [height * 0.79], mark, color=colour, markersize=7)


def _map(facts: JobFacts) -> Figure:
    pieces = facts.pieces
    known = ~np.isnan(pieces.lat) & ~np.isnan(pieces.lat_end)
    x0, y0, x1, y1 = _metres(pieces, known)
    _, number = class_of(facts)
    number = number[known]
    left, right, bottom, top = min(x0.min(), x1.min()), max(x0.max(), x1.max()), min(y0.min(), y1.min()), max(y0.max(), y1.max())
    span = max(right - left, top - bottom, 20.0)
    ratio = float(np.clip((top - bottom) / max(right - left, 1.0), 0.35, 0.7))
    width = 7.6 if ratio > 0.6 else 10.4
    ratio = ratio if width > 10 else min((top - bottom) / max(right - left, 1.0), 0.9)
    figure = Figure(figsize=(width, width * ratio))
    axes = figure.add_axes((0.01, 0.01, 0.98, 0.98))
    segments = np.stack([np.stack([x0, y0], 1), np.stack([x1, y1], 1)], 1)
    for at, (colour, thick) in enumerate(zip(CLASS_COLOURS, CLASS_WIDTHS, strict=True)):
        chosen = segments[number == at]
        axes.add_collection(LineCollection(list(chosen), colors=colour, linewidths=thick, capstyle="butt", zorder=2 + at))
    # Room for the scale bar below and the arrow at the right; both axes in the same scale.
    wide, high = (right - left) + 0.24 * span, (top - bottom) + 0.24 * span
    wide, high = max(wide, high / ratio), max(high, wide * ratio)
    middle_x, middle_y = (left + right) / 2 + 0.04 * span, (top + bottom) / 2 - 0.04 * span
    axes.set_xlim(middle_x - wide / 2, middle_x + wide / 2)
    axes.set_ylim(middle_y - high / 2, middle_y + high / 2)
    axes.set_axis_off()
    _scale(axes, span)
    return figure


def _metres(pieces: Pieces, known: np.ndarray[Any, np.dtype[np.bool_]]) -> tuple[Floats, Floats, Floats, Floats]:
    """Metres east and north of the middle: begin x, begin y, end x, end y."""
    lat0, lon0 = float(np.median(pieces.lat[known])), float(np.median(pieces.lon[known]))
    east = METRES_PER_DEGREE * float(np.cos(np.radians(lat0)))

    x, x_end = ((lon[known] - lon0) * east for lon in (pieces.lon, pieces.lon_end))
    y, y_end = ((lat[known] - lat0) * METRES_PER_DEGREE for lat in (pieces.lat, pieces.lat_end))
    return x, y, x_end, y_end


def _scale(axes: Axes, span: float) -> None:
    """Scale bar and north arrow in the corner."""
    length = next((one for one in reversed(SCALES_M) if one <= span / 4), SCALES_M[0])
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    x, y = left + 0.02 * (right - left), bottom + 0.03 * (top - bottom)
    tick = 0.012 * (top - bottom)
    axes.plot([x, x, x + length, x + length], [y + tick, y, y, y + tick], color=INK, linewidth=1.8, zorder=20)
    axes.text(x + length / 2, y + 1.6 * tick, f"{length:,} m".replace(",", " "), ha="center", va="bottom", zorder=20)
    axes.annotate(
        "N", (0.975, 0.97), (0.975, 0.85), xycoords="axes fraction", ha="center", va="center", fontsize=13,
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.8}, zorder=20,
    )  # fmt: skip


def _plan(facts: JobFacts) -> Figure:
    """Without positions: the work in rows of equal time, each piece as high and dark as its loss."""
    pieces = facts.pieces
    start = np.floor((facts.start_s or 0.0) / 1800) * 1800
    span = max((facts.end_s or 0.0) - start, 1800)
    row_s = 1800.0 if span <= 5 * 3600 else 3600.0 if span <= 16 * 3600 else 4 * 3600.0
    rows = int(np.ceil(span / row_s))
    figure = Figure(figsize=(10.4, 0.9 + 0.42 * rows))
    axes = figure.add_axes((0.1, 0.6 / (0.9 + 0.42 * rows), 0.89, 1 - 0.7 / (0.9 + 0.42 * rows)))
    _, number = class_of(facts)
    for end, seconds, at in zip(pieces.t, pieces.seconds, number, strict=True):
        row, into = divmod(end - seconds - start, row_s)
        height = 0.2 + 0.16 * at
        axes.add_patch(
            Rectangle(
                (into / 60, row - height / 2), seconds / 60, height, facecolor=CLASS_COLOURS[at], edgecolor="none", linewidth=0
            )
        )
    axes.set_xlim(0, row_s / 60)
    axes.set_ylim(rows - 0.4, -0.6)
    axes.set_yticks(range(rows), [facts.zone.clock(start + one * row_s, days=False) for one in range(rows)])
    axes.set_ylabel("row begins at")
    axes.set_xlabel(f"minutes after the time at the left ({facts.zone.name})")
    axes.spines["left"].set_visible(False)
    axes.tick_params(left=False)
    return figure


def _spread(facts: JobFacts) -> Figure:
    values, unit, reference = values_of(facts)
    known = ~np.isnan(values)
    values, area = values[known], facts.pieces.area_m2[known]
    figure = Figure(figsize=(10.4, 3.0))
    axes = figure.add_axes((0.075, 0.19, 0.915, 0.78))
    most = float(np.quantile(values, 0.995)) if len(values) else 1.0
    width = _nice(max(most, reference * 1.2, 1e-6) / 16)
    edges = np.arange(0, max(most, reference * 1.2) + width, width)[: MOST_BARS + 1]
    share, _ = np.histogram(np.minimum(values, edges[-1] - width / 2), edges, weights=area)
    share = 100 * share / area.sum() if area.sum() > 0 else share
    limit = facts.limit_kg_ha if unit == "kg/ha" else None
    for left, part in zip(edges, share, strict=False):
        over = limit is not None and left >= limit - width / 2
        axes.bar(
            left, part, width * 0.92, align="edge", facecolor="#f3d9cd" if over else "#7fa3c4",
            edgecolor="#8a2f10" if over else LINE, hatch="///" if over else "", linewidth=0.8,
        )  # fmt: skip
    if limit is not None:
        axes.axvline(limit, color=LIMIT, linewidth=1.4, linestyle=(0, (6, 3)))
        top = axes.get_ylim()[1]
        axes.annotate(f"limit {limit:.3g} kg/ha", (limit, top), (4, -4), textcoords="offset points", va="top", color=LIMIT)
    if limit is not None and any(share[edges[:-1] >= limit - width / 2] > 0):
        axes.legend(
            handles=[
                Patch(facecolor="#7fa3c4", edgecolor=LINE, label="under the limit"),
                Patch(facecolor="#f3d9cd", edgecolor="#8a2f10", hatch="///", label="over the limit"),
            ],
            frameon=False, loc="upper left",
        )  # fmt: skip
    axes.set_xlim(0, edges[-1] + 0.25 * width)
    more = "; the last bar holds what is higher" if len(values) and float(values.max()) > edges[-1] else ""
    axes.set_xlabel(f"loss of half-minute pieces, {unit}{more}" if unit == "kg/ha" else unit)
    axes.set_ylabel("% of the area")
    return figure


def _nice(value: float) -> float:
    """The next 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(step * power for step in (1, 2, 5, 10) if step * power >= value * (1 - 1e-9)))

"""A pack's data -> what figures are made of: the kit's state at the end of the job, counts, and decoded records. Pure.

The records pass the same reckoner as at a kit's start (`restore`), so settings, crop, tray tests and factors are what the
kit held; the counts are worked out anew by `sums`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import inf
from typing import Any, NamedTuple

import msgspec
import numpy as np

from edge.contract import settings as settings_module
from edge.contract.entries import epoch_s
from edge.contract.errors import AnswerBad, TailgrainError
from edge.contract.settings import Settings
from edge.contract.struck import struck_out
from edge.evidence.pack.document import Document, Seconds, body_of, chained
from edge.evidence.recount import sums
from edge.evidence.recount.sums import Counted, Floats, Rows, Whole
from edge.keep.chain import Record
from edge.keep.dates import Dates
from edge.reckon.fit.factor import Factors, Fit
from edge.reckon.reckoner import Reckoner
from edge.reckon.sensors.workstate import STATES
from edge.reckon.totals import MeanLoss, Totals

OPENING = "job opening"
RESTORED = ("entry", "tray window", "calibration", "learned", OPENING)
FLOAT_COLUMNS = ("speed_kmh", "distance_m", "area_m2", "returns_pct", "limit_kg_ha", "lat", "lon")
MOST_INPUTS = 32


class ToldRecord(NamedTuple):
    """One record that is shown, decoded. `at_s`: its time in epoch s, corrected by the clock's known offsets."""

    seq: int
    run: int
    at_s: float
    kind: str
    body: dict[str, Any]

    @property
    def moment_s(self) -> float:
        """When what it tells happened: its own `at`, else when it came."""
        at = self.body.get("at")
        return self.at_s if at is None else epoch_s(at)


@dataclass(slots=True)
class Material:
    """Everything the figures of one machine's job follow from. `struck`: numbers of the records that were struck out, and why."""

    document: Document
    reckoner: Reckoner
    told: list[ToldRecord]
    counted: list[Counted]
    totals: Totals
    dispersion: list[float]
    factors: Mapping[int, Factors] = field(default_factory=dict)
    withheld: int = 0
    struck: Mapping[int, str] = field(default_factory=dict)

    @property
    def settings(self) -> Settings:
        """Settings of the job's last run."""
        return self.reckoner.settings

    @property
    def names(self) -> tuple[str, ...]:
        """Loss points in order."""
        return self.reckoner.names

    @property
    def vibration_hz(self) -> list[float]:
        """Background of each point in pulses/s."""
        return [point.vibration_hz for point in self.reckoner.points]

    def factors_of(self, crop: int) -> Factors:
        """The factors that hold for a crop."""
        return self.factors.get(crop, self.reckoner.calibration.factors)

    @property
    def extra_u(self) -> float:
        """Relative uncertainty common to all tray tests of the job's crops."""
        meant = [self.factors_of(crop) for crop in self.totals.crops]
        return self.reckoner.calibration.extra_u(self.reckoner.now.mill, meant)

    def mean_loss(self, totals: Totals, names: tuple[str, ...] | None = None) -> MeanLoss:
        """Mean machine loss of some sums, by the latest valid factors."""
        factors = {crop: self.factors_of(crop) for crop in totals.crops}
        u_hz = [point.vibration_u_hz for point in self.reckoner.points]
        yield_t_ha = self.reckoner.now.yield_t_ha
        return totals.mean_loss(factors, self.vibration_hz, u_hz, self.dispersion, self.extra_u, names, yield_t_ha)

    def entries(self, *kinds: str) -> Iterator[ToldRecord]:
        """Entries of these kinds that count, in order."""
        told = (one for one in self.told if one.kind == "entry" and one.body.get("entry") in kinds)
        return (one for one in told if one.seq not in self.struck)

    def of_kind(self, *kinds: str) -> Iterator[ToldRecord]:
        """Records of these kinds, in order."""
        return (one for one in self.told if one.kind in kinds)


def read(document: Document, with_struck: str = "") -> Material:
    """Work through a document. `with_struck`: a kind of entry that counts although it was struck out, to see what that did.
    Raises AnswerBad for data from which nothing can follow."""
    try:
        return _read(document, with_struck)
    except TailgrainError as fault:
        raise AnswerBad(f"the data of the pack: {fault}") from fault
    except (KeyError, TypeError, ValueError, IndexError, OverflowError, AttributeError, sqlite3.Error) as fault:
        raise AnswerBad(f"the data of the pack does not hang together ({type(fault).__name__}: {fault})") from fault


def _read(document: Document, with_struck: str) -> Material:
    settings = {run.run: settings_module.from_plain(run.settings) for run in document.runs}
    if not settings:
        raise AnswerBad("the pack names no run")
    records = [one for one in chained(document) if isinstance(one, Record)]
    told = _told(records)
    at_ms = {one.seq: one.at_ms for one in records}
    struck = struck_out(one.body for one in told if one.kind == "entry")
    spared = [one.seq for one in told if with_struck and one.seq in struck and one.body.get("entry") == with_struck]
    left_out = frozenset(struck) - frozenset(spared)
    if with_struck:  # what was in force at an opening after the first strike-out is without what was struck
        first = min((one.seq for one in told if one.kind == "entry" and struck_out([one.body])), default=0)
        told = [one for one in told if one.kind != OPENING or one.seq < first]
    reckoner: Reckoner | None = None
    done: list[ToldRecord] = []
    rows: list[tuple[Settings, Rows]] = []
    for number in sorted(settings):
        mine = [one for one in told if one.run == number]
        seconds = [one for one in document.seconds if one.run == number]
        follow = _Follow(reckoner, settings[number], done, left_out)
        made = _rows(follow, seconds[0] if seconds else None, mine, at_ms)
        reckoner = follow.reckoner
        if made is not None:
            rows.append((settings[number], made))
    assert reckoner is not None
    crop_of = np.vectorize(lambda crop: reckoner.now.crop_of.get(crop, crop), otypes=[np.int64])
    if reckoner.now.crop_of:  # the crop that was named then was struck out
        rows = [(of, replace(one, crop=crop_of(one.crop))) for of, one in rows]
    counted = [sums.count(of, reckoner.names, one) for of, one in rows]
    dispersion = _dispersion(told, reckoner.names) or sums.dispersion(counted, len(reckoner.names))
    totals = sums.totals(counted, reckoner.names)
    withheld = len(document.records) - len(records)
    material = Material(document, reckoner, told, counted, totals, dispersion, withheld=withheld, struck=struck)
    _fit(material)
    return material


class _Follow:
    """The kit's state while records pass. `done`: what has passed so far, for a run with other settings."""

    def __init__(
        self, reckoner: Reckoner | None, settings: Settings, done: list[ToldRecord], struck: frozenset[int]
    ) -> None:
        self._settings, self._done, self._struck = settings, done, struck
        if reckoner is None or reckoner.settings != settings:
            reckoner = Reckoner(settings, struck)
            self.reckoner = reckoner
            passed, done[:] = list(done), []
            for one in passed:
                self.take(one)
        else:
            self.reckoner = reckoner

    def take(self, one: ToldRecord) -> None:
        """Take up one record."""
        self._done.append(one)
        if one.kind == OPENING:
            self.reckoner = opened(self._settings, one, self._struck)
        else:
            self.reckoner.restore(one.kind, one.body, round(one.at_s * 1000), one.seq)


def opened(settings: Settings, one: ToldRecord, struck: frozenset[int] = frozenset()) -> Reckoner:
    """A kit in the state in which a job was opened, by the record of its opening. `struck`: entries after it that don't count."""
    reckoner, body = Reckoner(settings, struck), one.body
    now, crop, at_ms = reckoner.now, body["crop"], round(one.at_s * 1000)
    now.crop_number, now.crop = crop["number"], crop["name"]
    now.crop_count, now.named = crop.get("count", crop["number"]), crop.get("named", crop["name"])
    now.crop_of = {int(number): of for number, of in crop.get("of", {}).items()}
    for name in ("tgw_g", "yield_t_ha", "yield_is_typed", "moisture_pct", "price_per_t", "trash_discount", "cracked_discount"):
        setattr(now, name, crop[name])
    for name, value in {**body["limits"], **body["residue"]}.items():
        setattr(now, name, value)
    now.width_used, now.lag_s, now.pulses_per_m = body["width"]["width_used"], body["lag_s"], body["pulses_per_m"]
    now.machine_settings, now.setting_count = dict(body["settings"]), body["setting_changes"]
    now.jobs = now.job = body["job"]
    now.forget_times()
    reckoner.restore("learned", body["learned"], at_ms)
    for test in body["tests"]:
        reckoner.restore("calibration", test, at_ms)
    fits = {int(number): _factors(plain) for number, plain in body["calibration"]["fits"].items()}
    for number, found in fits.items():
        reckoner.tests.fits.setdefault(number, found)
    if not reckoner.calibration.factors.points and now.crop_number in fits:
        reckoner.calibration.factors = fits[now.crop_number]
    return reckoner


def _factors(plain: dict[str, Any]) -> Factors:
    fits = {name: {**fit, "dof": inf if fit["dof"] is None else fit["dof"]} for name, fit in plain["points"].items()}
    return Factors({name: msgspec.convert(fit, Fit) for name, fit in fits.items()}, bool(plain["common"]))


def _told(records: list[Record]) -> list[ToldRecord]:
    bodies = [(one, body_of(one)) for one in records]
    dates: dict[int, Dates] = {}
    for run in {one.run for one in records}:
        offsets = [(one.seq, body) for one, body in bodies if one.run == run and one.kind == "clock offset"]
        dates[run] = Dates(offsets)
    return [
        ToldRecord(one.seq, one.run, (one.at_ms + dates[one.run].of_record(one.seq)) / 1000, one.kind, body)
        for one, body in bodies
    ]


def _rows(follow: _Follow, seconds: Seconds | None, told: list[ToldRecord], at_ms: dict[int, int]) -> Rows | None:
    """The columns of a run's seconds; the kit takes up its records on the way, so that lag and crop of each are known."""
    columns = _columns(seconds) if seconds is not None and seconds.parts else None
    n = len(columns["t"]) if columns is not None else 0
    lag, crop = np.full(n, follow.reckoner.now.lag_s), np.full(n, follow.reckoner.now.crop_number)
    t = columns["t"] if columns is not None else np.zeros(0, np.int64)
    # Behind a clock that was set back times begin anew.
    segment = np.concatenate(([0], np.cumsum(np.diff(t) <= 0))) if n else np.zeros(0, np.int64)
    backs = 0
    for one in told:
        if one.kind == "clock step" and one.body["to_ms"] < one.body["from_ms"]:
            backs += 1
        if one.kind not in RESTORED:
            continue
        follow.take(one)
        if n:
            inside = np.flatnonzero(segment == min(backs, int(segment[-1])))
            at = int(inside[0] + np.searchsorted(t[inside] * 1000, at_ms[one.seq])) if len(inside) else n
            lag[at:], crop[at:] = follow.reckoner.now.lag_s, follow.reckoner.now.crop_number
    if columns is None or seconds is None:
        return None
    ms, threshing_ms, counts = _counts(follow.reckoner, seconds.parts)
    speed, metres, area, returns, limit, lat, lon = (columns[name] for name in FLOAT_COLUMNS)
    return Rows(
        seconds.run, columns["number"], t, columns["state"], speed, metres, area, returns, limit, lat, lon,
        ms, threshing_ms, counts, lag, crop,
    )  # fmt: skip


def _columns(seconds: Seconds) -> dict[str, Any]:
    n = len(seconds.parts)
    found: dict[str, Any] = {}
    for name in ("number", "t", "state", *FLOAT_COLUMNS):
        values = seconds.columns.get(name, [None] * n)
        if len(values) != n:
            raise AnswerBad(f"run {seconds.run}: {len(values)} values of {name} for {n} seconds")
        if name == "state":
            found[name] = np.array([STATES.index(one) for one in values], dtype=np.int64)
        elif name in FLOAT_COLUMNS:
            found[name] = np.array(values, dtype=np.float64)  # None becomes NaN
        else:
            found[name] = np.array(values, dtype=np.int64)
    return found


def _counts(reckoner: Reckoner, parts: list[str]) -> tuple[Whole, Whole, Whole]:
    """Exposure, exposure with the thresher on, and counts per input of each second."""
    decoded = msgspec.json.decode("[" + ",".join(parts) + "]", type=list[list[tuple[int, int, int, list[int]]]])
    n = len(decoded)
    width = max((len(part[3]) for second in decoded for part in second), default=0)
    if width > MOST_INPUTS:
        raise AnswerBad(f"a second holds {width} inputs; allowed: up to {MOST_INPUTS}")
    flat = [
        (row, part[0], part[2], *part[3], *([0] * (width - len(part[3]))))
        for row, second in enumerate(decoded)
        for part in second
    ]
    table = np.array(flat, dtype=np.int64).reshape(-1, 3 + width)
    levels = {int(one) for one in np.unique(table[:, 1])}
    on = {one for one in levels if reckoner.work.threshing is None or reckoner.work.threshing.true_in(one)}
    threshing = np.where(np.isin(table[:, 1], list(on)), table[:, 2], 0)
    ms = np.bincount(table[:, 0], table[:, 2], n).astype(np.int64)
    threshing_ms = np.bincount(table[:, 0], threshing, n).astype(np.int64)
    counts = np.zeros((n, width), np.int64)
    for at in range(width):
        counts[:, at] = np.bincount(table[:, 0], table[:, 3 + at], n)
    return ms, threshing_ms, counts


def _dispersion(told: list[ToldRecord], names: tuple[str, ...]) -> list[float]:
    """Dispersion of each point as the kit last estimated it; empty when no minute says."""
    said = [one.body["sums"]["dispersion"] for one in told if one.kind == "minute" and "sums" in one.body]
    if not said or any(name not in said[-1] for name in names):
        return []
    return [max(1.0, float(said[-1][name])) for name in names]


def _fit(material: Material) -> None:
    """Fit the factors of each crop anew to its tray tests."""
    material.reckoner.tests.refit(material.vibration_hz, material.dispersion)
    material.factors = material.reckoner.tests.fits


def per_second_loss(material: Material, part: Counted) -> tuple[Floats, Floats]:
    """Net grain pulses of each second per point (n, points), and their variance with the dispersion."""
    background = np.outer(part.rows.threshing_ms / 1000, material.vibration_hz)
    return part.pulses - background, part.variance * np.array(material.dispersion)

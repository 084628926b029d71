"""What a pack says, as plain figures: who, how much, how sure, spread, data quality. Pure; the page only puts it into words.

Both `report` and `verify` make these figures from the data inside the pack, so what is printed is what the data give.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from edge.contract import entries
from edge.contract.inputs import LossInput
from edge.evidence.pack.document import Document, coarse
from edge.evidence.pack.times import Zone
from edge.evidence.recount import series
from edge.evidence.recount.events import (
    Alert,
    GaugeLine,
    JudgedChange,
    StruckLine,
    TestLine,
    alerts,
    changes,
    gauges,
    struck,
    tests,
)
from edge.evidence.recount.material import OPENING, Material, ToldRecord, read
from edge.evidence.recount.series import Pieces, Steps
from edge.evidence.recount.sums import FILLING, TURNING, WORKING
from edge.reckon.loss import percent_of_grain, tighter_limit
from edge.reckon.tables.units import M2_PER_HA
from edge.reckon.totals import MeanLoss

FIGURES = "job figures"
"""The kit's own sums, kept when a job ends: by its finish, or by the start of another."""



@dataclass(slots=True)
class Amount:
    """A figure with its 90 % interval; None is unknown."""

    value: float | None = None
    low: float | None = None
    high: float | None = None

    def times(self, factor: float | None) -> Amount:
        """The same in another unit."""
        if factor is None:
            return Amount()
        return Amount(*(None if one is None else one * factor for one in (self.value, self.low, self.high)))


@dataclass(slots=True)
class Point:
    """One loss point over the job. `left_share` of its pulses; None when a side is missing."""

    name: str
    loss: Amount
    left_share: float | None
    half_blind_s: int


@dataclass(slots=True)
class JobFacts:
    """One machine's job. `with_struck`: machine loss as it would be with the tray tests that were struck out; None: none was."""

    document: Document
    job: dict[str, Any]
    machine: list[tuple[str, str]]
    crop: dict[str, Any]
    start_s: float | None
    end_s: float | None
    place: tuple[float, float] | None
    seconds: dict[str, int]
    distance_m: float
    cut_m: float
    area_ha: float
    stated_area_ha: float | None
    harvested_t: float | None
    harvest_basis: str
    kmh: float | None
    loss: Amount
    pct: Amount
    lost_t: Amount
    money: Amount
    discounts: float | None
    points: list[Point]
    limit_kg_ha: float | None
    returns_limit_pct: float | None
    over_share: float | None
    spread: tuple[float | None, float | None, float | None]
    calibration: tuple[str, str]
    untested: tuple[str, float] | None
    dispersion: list[float]
    factors: list[tuple[str, float, float, float]]
    budget: list[dict[str, Any]]
    returns_pct: float | None
    looks: list[ToldRecord]
    samples: list[ToldRecord]
    catches: list[ToldRecord]
    notes: list[ToldRecord]
    changes: list[JudgedChange]
    tests: list[TestLine]
    gauges: list[GaugeLine]
    alerts: list[Alert]
    struck: list[StruckLine]
    with_struck: Amount | None
    quality: dict[str, int]
    steps: Steps
    pieces: Pieces
    mean: MeanLoss = field(default_factory=MeanLoss)

    @property
    def zone(self) -> Zone:
        """The zone its times are printed in; the day of its start goes without saying."""
        return Zone(self.document.utc_offset_min, self.start_s)

    @property
    def area_used_ha(self) -> float:
        """The area that tonnes are worked out with: the one stated at the finish, else the one measured."""
        return self.area_ha if self.stated_area_ha is None else self.stated_area_ha


def facts(document: Document) -> JobFacts:
    """Everything a pack says of one machine's job. Raises AnswerBad for data from which nothing follows."""
    return of_material(read(document))


def of_material(material: Material) -> JobFacts:
    """The same from data already worked through."""
    now, totals = material.reckoner.now, material.totals
    mean = material.mean_loss(totals)
    job, finish = _job(material)
    area_ha = totals.area_m2 / M2_PER_HA
    stated = finish.get("area_ha")
    loss = Amount(mean.kg_ha, mean.low, mean.high)
    lost_t = loss.times((area_ha if stated is None else stated) / 1000)
    harvested, basis = _harvested(material, finish, area_ha if stated is None else stated)
    pieces = series.pieces(material)
    limit = tighter_limit(now.loss_kg_ha, now.loss_pct, now.yield_t_ha)
    start_s, end_s = _span(material)
    worth = material.reckoner.value_ha(totals, mean, now.samples.mean())
    found_changes, found_tests = changes(material), tests(material)
    state, why = _calibration(material, end_s or 0.0)
    return JobFacts(
        document=material.document,
        job=job,
        machine=_machine(material),
        crop={
            "name": _crops(material), "tgw_g": now.tgw_g, "yield_t_ha": now.yield_t_ha, "typed": now.yield_is_typed,
            "moisture_pct": now.moisture_pct, "price_per_t": now.price_per_t,
        },
        start_s=start_s,
        end_s=end_s,
        place=_place(material),
        seconds={str(state): count for state, count in totals.seconds.items()},
        distance_m=totals.distance_m,
        cut_m=sum(float(part.rows.metres[part.rows.area_m2 > 0].sum()) for part in material.counted),
        area_ha=area_ha,
        stated_area_ha=stated,
        harvested_t=harvested,
        harvest_basis=basis,
        kmh=_kmh(material),
        loss=loss,
        pct=_percent(loss, now.yield_t_ha),
        lost_t=lost_t,
        money=lost_t.times(now.price_per_t),
        discounts=None if worth.quality is None else worth.quality * (area_ha if stated is None else stated),
        points=_points(material),
        limit_kg_ha=limit,
        returns_limit_pct=now.returns_pct,
        over_share=_over(pieces, limit),
        spread=tuple(series.weighted_quantile(pieces.kg_ha, pieces.area_m2, share) for share in (0.1, 0.5, 0.9)),  # type: ignore[arg-type]
        calibration=(state, why),
        untested=_untested(found_changes, found_tests, material),
        dispersion=material.dispersion,
        factors=_factors(material),
        budget=[] if mean.budget is None else mean.budget.to_plain(),
        returns_pct=totals.returns_pct,
        looks=list(material.entries("returns_look")),
        samples=list(material.entries("sample")),
        catches=list(material.entries("returns_catch")),
        notes=list(material.entries("note")),
        changes=found_changes,
        tests=found_tests,
        gauges=gauges(material),
        alerts=alerts(material),
        struck=struck(material),
        with_struck=_with_struck(material),
        quality=_quality(material),
        steps=series.steps(material),
        pieces=pieces,
        mean=mean,
    )  # fmt: skip


def _with_struck(material: Material) -> Amount | None:
    """Nobody strikes out unseen what he dislikes: the figure stands beside the one that the struck tests would give."""
    if not any(one.body.get("entry") == "tray" for one in struck(material)):
        return None
    other = read(material.document, with_struck="tray")
    mean = other.mean_loss(other.totals)
    return Amount(mean.kg_ha, mean.low, mean.high)


def _untested(done: list[JudgedChange], laid: list[TestLine], material: Material) -> tuple[str, float] | None:
    """Which change that can alter the sensors' share of the loss came after the last used tray test, and the share of the
    area cut since; None: there was none."""
    used = [one.at_s for one in laid if one.used]
    since = next((one for one in done if one.alters and used and one.at_s > max(used)), None)
    total = sum(float(part.rows.area_m2.sum()) for part in material.counted)
    if since is None or total <= 0:
        return None
    after = sum(float(part.rows.area_m2[part.rows.t > since.at_s].sum()) for part in material.counted)
    return since.name, after / total


def _job(material: Material) -> tuple[dict[str, Any], dict[str, Any]]:
    """What was said of the job, later words over earlier ones, and its last finish."""
    said: dict[str, Any] = {}
    finish: dict[str, Any] = {}
    reopened = []
    for one in material.entries(*entries.OF_JOBS):
        if one.body["entry"] == "job_reopen":
            reopened.append((one.at_s, one.body.get("note", "")))
            continue
        said.update({key: one.body[key] for key in ("client", "paddock", "machine", "operator") if key in one.body})
        if one.body["entry"] == "job_finish":
            finish = one.body
    finished = [one.kind for one in material.of_kind(OPENING, FIGURES)][-1:] == [FIGURES] or (
        bool(finish) and not material.reckoner.now.job_open
    )
    return {**said, "number": material.document.job, "finished": finished, "reopened": reopened}, finish


def _crops(material: Material) -> str | None:
    """The crops that were cut in the job, in order; the one in force when none was."""
    now = material.reckoner.now
    names: dict[int, str] = {}
    number = now.crop_number
    count, named = number, now.crop
    for one in material.of_kind(OPENING, "entry"):
        if one.kind == OPENING:
            crop = one.body["crop"]
            number, count, named = crop["number"], crop.get("count", crop["number"]), crop.get("named", crop["name"])
            names[number] = str(crop["name"] or "")
        elif one.body.get("entry") == "crop" and "name" in one.body:
            name = str(one.body["name"])
            count, named = count + (name != named), name  # numbers count struck entries too
            if one.seq not in material.struck and name != names.get(number):
                number = count
                names[number] = name
    sums = material.totals.crops
    cut = [name for crop, name in names.items() if name and crop in sums and sums[crop].area_m2 > 0]
    return " and ".join(dict.fromkeys(cut)) or now.crop


def _calibration(material: Material, now_s: float) -> tuple[str, str]:
    """State of the calibration and why; of factors from before a change of crop, as the kit had it when the job began."""
    state, why = material.reckoner.calibration.state(now_s, material.reckoner.now)
    opening = next(material.of_kind(OPENING), None)
    if state == "none" and opening is not None and material.factors_of(material.reckoner.now.crop_number).points:
        said = opening.body["calibration"]
        return str(said["state"]), str(said.get("why") or why)
    return state, why


def _machine(material: Material) -> list[tuple[str, str]]:
    """What the machine has, never its make."""
    machine = material.settings.machine
    said = [("Cut width", f"{machine.cut_width_m:g} m")]
    if machine.separator:
        said.append(("Separator", {"rotor": "rotor", "walkers": "straw walkers"}[machine.separator]))
    if machine.pre_sieve:
        said.append(("Pre-sieve", {"none": "none", "fixed": "fixed", "adjustable": "adjustable"}[machine.pre_sieve]))
    if machine.fan:
        said.append(("Fan", {"cross-flow": "cross-flow", "other": "other than cross-flow"}[machine.fan]))
    if machine.returns_to:
        said.append(("Returns go to", f"the {machine.returns_to}"))
    sides = {name: [one.side for one in material.settings.inputs(LossInput) if one.point == name] for name in material.names}
    said.append(("Loss sensors", "; ".join(f"{name}: {' and '.join(found)}" for name, found in sides.items())))
    return said


def _span(material: Material) -> tuple[float | None, float | None]:
    """Epoch s of the job's first and last second, else of its first and last record."""
    if material.counted:
        return float(material.counted[0].rows.t[0]) - 1, float(material.counted[-1].rows.t[-1])
    if material.told:
        return material.told[0].at_s, material.told[-1].at_s
    return None, None


def _place(material: Material) -> tuple[float, float] | None:
    """Middle of the work, degrees; on the coarse grid when the pack is coarse."""
    if not material.counted:
        return None
    lat = np.concatenate([part.rows.lat for part in material.counted])
    lon = np.concatenate([part.rows.lon for part in material.counted])
    known = ~np.isnan(lat) & ~np.isnan(lon)
    if not known.any():
        return None
    middle = float(np.median(lat[known])), float(np.median(lon[known]))
    if material.document.position == "exact":
        return middle
    rough = coarse(*middle)
    return (rough[0], rough[1]) if rough[0] is not None and rough[1] is not None else None


def _kmh(material: Material) -> float | None:
    speeds = [part.rows.speed_kmh[(part.rows.state == WORKING)] for part in material.counted]
    known = np.concatenate(speeds) if speeds else np.zeros(0)
    known = known[~np.isnan(known)]
    return float(known.mean()) if len(known) else None


def _harvested(material: Material, finish: dict[str, Any], area_ha: float) -> tuple[float | None, str]:
    """Tonnes in the tank, and where they are from."""
    if finish.get("harvested_t") is not None:
        return float(finish["harvested_t"]), "weighed, entered at the finish"
    now = material.reckoner.now
    if now.yield_t_ha is None:
        return None, "no yield was entered and no load weighed"
    words = "typed yield times area" if now.yield_is_typed else "yield by the loads weighed, times area"
    return now.yield_t_ha * area_ha, words


def _percent(loss: Amount, yield_t_ha: float | None) -> Amount:
    if yield_t_ha is None:
        return Amount()
    return Amount(*(None if one is None else percent_of_grain(one, yield_t_ha) for one in (loss.value, loss.low, loss.high)))


def _points(material: Material) -> list[Point]:
    found = []
    for i, name in enumerate(material.names):
        mean = material.mean_loss(material.totals, (name,))
        left = sum(float(part.sides[part.rows.state == WORKING, 2 * i].sum()) for part in material.counted)
        right = sum(float(part.sides[part.rows.state == WORKING, 2 * i + 1].sum()) for part in material.counted)
        blind = sum(int(part.half_blind[:, i].sum()) for part in material.counted)
        share = left / (left + right) if left > 0 and right > 0 else None
        found.append(Point(name, Amount(mean.kg_ha, mean.low, mean.high), share, blind))
    return found


def _over(pieces: Pieces, limit: float | None) -> float | None:
    """Share of the area whose piece was over the limit in force then."""
    at_the_time = np.where(np.isnan(pieces.limit), np.nan if limit is None else limit, pieces.limit)
    known = ~np.isnan(pieces.kg_ha) & ~np.isnan(at_the_time)
    area = float(pieces.area_m2[known].sum())
    return float(pieces.area_m2[known & (pieces.kg_ha > at_the_time)].sum()) / area if area > 0 else None


def _factors(material: Material) -> list[tuple[str, float, float, float]]:
    """Of each point in the present crop: name, mg per pulse, relative u, straw clicks per m2."""
    found = material.factors_of(material.reckoner.now.crop_number).points
    return [(name, fit.k, fit.u, fit.clicks_m2) for name, fit in found.items()]


def _quality(material: Material) -> dict[str, int]:
    """What is missing or doubtful in the data, in counts and seconds."""
    lines = {"good": 0, "bad_crc": 0, "malformed": 0, "missing": 0}
    kept = bound = 0
    for one in material.of_kind("minute"):
        for name in lines:
            lines[name] += int(one.body.get("lines", {}).get(name, 0))
        if "seconds_to" in one.body:
            bound += one.body["seconds_to"] - one.body["seconds_from"] + 1
            kept += one.body.get("seconds_kept", 0)
    kinds = [one.kind for one in material.told]
    return {
        **lines,
        "restarts": kinds.count("restart"),
        "gaps": kinds.count("gap"),
        "clock_steps": kinds.count("clock step") + kinds.count("clock offset"),
        "kit_starts": max(kinds.count("run start"), len({run.run for run in material.document.runs}) - 1),
        "broken_off": kinds.count("run broken off"),
        "stores_moved": kinds.count("store moved"),
        "no_data_s": material.totals.seconds["no data"],
        "given_up_s": bound - kept,
        "saturated_s": material.totals.saturated_s,
        "half_blind_s": sum(int(part.half_blind.any(axis=1).sum()) for part in material.counted),
        "work_s": sum(int(np.isin(part.rows.state, (WORKING, FILLING, TURNING)).sum()) for part in material.counted),
        "withheld": material.withheld,
        "records": len(material.document.records),
    }

"""What the record says about jobs: what was in force when one was opened, what it came to, and the sums of each minute.

A pack of one job needs nothing before its opening: crop, limits, width, tray tests and the factors they gave, backgrounds,
settings known and the machine all stand there. Sums of minutes add up to the job, over stops and days.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import msgspec

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.contract.entries import given
from edge.engine import messages
from edge.reckon.entered.inforce import weighed_yield
from edge.reckon.fit.factor import Factors, Fit
from edge.reckon.fit.traytests import test_record
from edge.reckon.reckoner import Reckoner
from edge.reckon.tables.units import M2_PER_HA
from edge.reckon.totals import Totals

MACHINE_TABLES = ("machine", "input", "level", "crop_data")
"""Tables of the settings file that say how a machine measures; the others are the kit's own business."""

_NOT_FOR_OTHERS = ("by", "note")
_OF_OTHER_JOBS = ("loads",)
"""Nor do settings under names that somebody typed (`other: ...`) go into the next job's opening."""

AREA_OFF_PCT = 10.0
"""Measured area this far from the one given is worth a word: one of the two is wrong, or the width used was."""



def sums(totals: Totals, dispersion: dict[str, float]) -> dict[str, Any]:
    """A minute's sums as data: what mean loss is made of. Per point: pulses, their variance, threshing s, half-blind
    pulses, ground in m2 of which it saw nothing."""
    crops = {
        str(number): {
            "area_m2": crop.area_m2,
            "lagged_m2": crop.lagged_m2,
            "points": {
                name: [point.pulses, point.variance, point.threshing_s, point.half_blind_pulses, point.blind_m2]
                for name, point in zip(totals.names, crop.points, strict=True)
            },
        }
        for number, crop in totals.crops.items()
    }
    returns = [totals.returns_blocked, totals.returns_weight]
    return {"saturated_s": totals.saturated_s, "returns": returns, "dispersion": dispersion, "crops": crops}


def add_minute(into: Totals, minute: dict[str, Any]) -> None:
    """Add the body of a `minute` record to totals. Points that the totals don't name are left out."""
    one = Totals(into.names)
    for state, count in minute["seconds"].items():
        one.seconds[state] = count
    one.distance_m, one.area_m2 = minute["distance_m"], minute["area_ha"] * M2_PER_HA
    found = minute["sums"]
    one.saturated_s = found["saturated_s"]
    one.returns_blocked, one.returns_weight = found["returns"]
    for number, plain in found["crops"].items():
        crop = one.crop(int(number))
        crop.area_m2, crop.lagged_m2 = plain["area_m2"], plain["lagged_m2"]
        for name, point in zip(one.names, crop.points, strict=True):
            if name in plain["points"]:
                known = [*plain["points"][name], 0.0][:5]  # minutes of an earlier version don't say what was not seen
                point.pulses, point.variance, point.threshing_s, point.half_blind_pulses, point.blind_m2 = known
    into.add(one)


def total(names: tuple[str, ...], minutes: Iterable[dict[str, Any]]) -> Totals:
    """The sums of many minutes; minutes of a version that kept no sums are left out."""
    whole = Totals(names)
    for minute in minutes:
        if "sums" in minute:
            add_minute(whole, minute)
    return whole


def opening(reckoner: Reckoner, now_s: float) -> dict[str, Any]:
    """Everything in force when a job is opened, so that its records can be understood alone."""
    now, plain = reckoner.now, settings_module.to_plain(reckoner.settings)
    used = [test for test in reckoner.calibration.tests if test.used and test.crop == now.crop_number]
    return {
        "job": now.job,
        "crop": {
            "number": now.crop_number, "count": now.crop_count, "named": now.named,
            "of": {str(number): of for number, of in now.crop_of.items()},
            "name": now.crop, "tgw_g": now.tgw_g, "yield_t_ha": now.yield_t_ha,
            "yield_is_typed": now.yield_is_typed, "moisture_pct": now.moisture_pct, "price_per_t": now.price_per_t,
            "trash_discount": now.trash_discount, "cracked_discount": now.cracked_discount,
        },
        "limits": {"loss_kg_ha": now.loss_kg_ha, "loss_pct": now.loss_pct, "returns_pct": now.returns_pct},
        "width": {"cut_width_m": reckoner.settings.machine.cut_width_m, "width_used": now.width_used},
        "lag_s": now.lag_s,
        "pulses_per_m": now.pulses_per_m,
        "residue": {"residue_width_m": now.residue_width_m, "chopper": now.chopper, "spreader": now.spreader},
        "settings": {name: to for name, to in now.machine_settings.items() if not name.startswith("other")},
        "setting_changes": now.setting_count,
        "calibration": {**messages.calibration(reckoner, now_s), **_factors(reckoner)},
        "tests": [_without_names(test_record(test)) for test in used],
        "learned": {key: value for key, value in reckoner.learned().items() if key not in _OF_OTHER_JOBS},
        "machine": {table: plain[table] for table in MACHINE_TABLES if table in plain},
    }  # fmt: skip


def figures(reckoner: Reckoner, job: int, totals: Totals, now_s: float) -> dict[str, Any]:
    """What a job came to, and the factors behind it."""
    loss = reckoner.mean_loss(totals)
    budget = None if loss.budget is None else loss.budget.to_plain()
    factors = {**messages.calibration(reckoner, now_s), **_factors(reckoner)}
    money = messages.totals(reckoner, totals, reckoner.now.samples.mean(job))
    return {"job": job, **money, "budget": budget, "calibration": factors}


def correction(
    reckoner: Reckoner, entry: entries.JobFinishEntry, job: int, before: dict[str, Any], totals: Totals
) -> dict[str, Any] | None:
    """What weighed grain and measured area change; None without them. `before`: yield and percent as they were."""
    harvested_t, area_ha = given(entry.harvested_t), given(entry.area_ha)
    if not isinstance(weighed_yield(entry), float) or not area_ha:
        return None
    after = yield_and_percent(reckoner, totals)
    measured_ha = totals.area_m2 / M2_PER_HA
    off = None if measured_ha <= 0 else 100 * (measured_ha / area_ha - 1)
    return {
        "job": job,
        "harvested_t": harvested_t,
        "area_ha": area_ha,
        "measured_area_ha": measured_ha,
        "area_off_pct": off,
        "yield_t_ha": weighed_yield(entry),
        "before": before,
        "after": after,
    }


def area_note(found: dict[str, Any]) -> str:
    """What to look at when a correction's area is far from the measured one; empty when it is not."""
    off = found["area_off_pct"]
    if off is None or abs(off) < AREA_OFF_PCT:
        return ""
    less = "less" if off < 0 else "more"
    return f"the kit measured {found['measured_area_ha']:.2f} ha, {abs(off):.0f} % {less} than the area given: check both"


def mean_note(reckoner: Reckoner, totals: Totals, minutes: list[dict[str, Any]]) -> str:
    """Why the job's mean is not what the screen showed until now; empty where no mean is known or no test came in the job.

    `minutes`: bodies of the job's minutes, in order.
    """
    mean = reckoner.mean_loss(totals).kg_ha
    began_s = entries.epoch_s(minutes[0]["t"]) - sum(minutes[0]["seconds"].values()) if minutes else math.inf
    if mean is None or not any(test.used and test.at_s >= began_s for test in reckoner.calibration.tests):
        return ""
    return (
        f"the job's mean loss is {mean:.3g} kg/ha: all its tray tests count for the whole job, while the live figures of each "
        "moment knew only the tests before it, so their mean can read otherwise"
    )


def yield_and_percent(reckoner: Reckoner, totals: Totals) -> dict[str, Any]:
    """Yield in force and the percent loss that it gives."""
    now = reckoner.now
    pct = reckoner.mean_loss(totals).pct
    return {"yield_t_ha": now.yield_t_ha, "yield_is_typed": now.yield_is_typed, "loss_pct": pct}


def _factors(reckoner: Reckoner) -> dict[str, Any]:
    """The fits themselves, by crop number, and what else mean loss is reckoned with."""
    fits = {**reckoner.tests.fits}
    fits.setdefault(reckoner.now.crop_number, reckoner.calibration.factors)
    return {
        "fits": {str(number): _plain(found) for number, found in fits.items()},
        "dispersion": reckoner.dispersion,
        "background": {point.name: [point.vibration_hz, point.vibration_u_hz] for point in reckoner.points},
        "extra_u": reckoner.calibration.extra_u(reckoner.now.mill),
    }


def _plain(found: Factors) -> dict[str, Any]:
    points = {name: msgspec.to_builtins(fit) for name, fit in found.points.items()}
    return {"common": found.common, "counted": found.counted, "bypassed": found.bypassed, "points": points}


def factors(plain: dict[str, Any]) -> dict[int, Factors]:
    """The fits of a record's `calibration`, by crop number; unknown degrees of freedom are infinite ones."""
    return {
        int(number): Factors(
            {name: msgspec.convert({**fit, "dof": math.inf if fit["dof"] is None else fit["dof"]}, Fit)
             for name, fit in found["points"].items()},
            bool(found["common"]),
            counted=bool(found.get("counted")),
            bypassed=bool(found.get("bypassed")),
        )
        for number, found in plain["fits"].items()
    }  # fmt: skip


def _without_names(test: dict[str, Any]) -> dict[str, Any]:
    """A test that another client's job may show: what was measured, not who wrote what."""
    entry = {key: value for key, value in test["entry"].items() if key not in _NOT_FOR_OTHERS}
    return {**test, "entry": entry}

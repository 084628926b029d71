"""`calc tray`: a tray test by hand -> loss per area, percent, money and an honest interval."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from edge.commands.calc import keys
from edge.commands.calc.refusal import Customary, retold
from edge.commands.calc.us import to_si
from edge.contract import entries
from edge.contract.allowed import ChoiceRule, InWords
from edge.contract.refusal import MISSING, Refusal, value_found
from edge.contract.said import say
from edge.contract.settings import Settings
from edge.contract.typed import TypedFault, convert
from edge.reckon.fit import trays
from edge.reckon.fit.trays import COUNTED_MASS_U, TrayResult
from edge.reckon.statistics.quantiles import t_quantile
from edge.reckon.tables import units
from edge.reckon.tables.crops import CropRow

CAUTION = (
    "Before you lay a tray: two people in radio contact; chopper and spreader off and stopped. Place the tray before",
    "the machine arrives, or let it drop from the machine by remote. Stay to the side, never in front of a wheel or",
    "behind the discharge. Fetch it only after the machine has passed and the driver confirms. Never reach in while",
    "anything turns. Before you count on the ground: front and threshing stopped, back one machine length, engine off.",
    "The operator's manual of your machine goes before this.",
)
LEVEL = 0.9
ASSUMED_SPREAD = 0.2
"""Relative spread from tray to tray, taken where one or two trays cannot show it (from memory)."""

ASSUMED_DOF = 4.0
ENOUGH_DOF = 4.0
"""Degrees of freedom from which the trays' own scatter is believed when it is small."""

WIDTH_U = 0.02
"""Relative standard uncertainty of the cut width in use: overlap (measurement section 2)."""

TRAY_KEYS = tuple(field for field in entries.TrayEntry.__struct_fields__)
ONE_TRAY_KEYS = tuple(field for field in entries.OneTray.__struct_fields__)


class Beside(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """The keys beside those of the `tray` entry."""

    tgw_g: entries.TgwG | None = None
    cut_width_m: Annotated[float, Meta(gt=0, le=100)] | None = None
    yield_t_ha: Annotated[float, Meta(ge=0, le=40)] | None = None
    price_per_t: entries.NotNegative | None = None
    bushel_lb: Annotated[float, Meta(gt=0, le=200)] | None = None
    crop: str | None = None


KEYS = ("entry", *TRAY_KEYS, *Beside.__struct_fields__)


@dataclass(frozen=True)
class HandTest:
    """A checked tray test and what it is worked out with."""

    entry: entries.TrayEntry
    beside: Beside
    crop: CropRow | None
    tgw_g: float | None
    cut_width_m: float
    bushel_lb: float | None
    customary: Customary | None
    """The input in US customary keys, where refusals and answers are to be in them."""


def read(plain: Mapping[str, Any], us: bool, config: Settings | None) -> HandTest:
    """Plain keys (US customary ones too under `us`) -> a checked job. Raises TypedFault or EntryError."""
    keys.check_keys(plain, KEYS, us)
    if plain.get("entry", "tray") != "tray":
        found = value_found(plain["entry"], f"{plain['entry']!r:.60}")
        raise TypedFault(Refusal(("entry",), found, ChoiceRule(("tray",))))
    name = plain.get("crop", config.crop.name if config and config.crop else None)
    asked = "crop" in plain
    crop = keys.known_crop(name, config) if asked else keys.known_crop_or_none(name, config)
    bushel = plain.get("bushel_lb", crop.bushel_lb if crop else None)
    if bushel is not None:
        bushel = convert({"bushel_lb": bushel}, Beside).bushel_lb
    customary = Customary.of(plain, bushel) if us else None
    if us:
        if bushel is None:
            needed = say("needed for bushels; give {bushel_lb:bare} or a known {crop:bare}")
            raise TypedFault(Refusal(("bushel_lb",), needed))
        plain = to_si(plain, bushel)
    fields = set(Beside.__struct_fields__)
    with retold(customary):
        beside = convert({key: value for key, value in plain.items() if key in fields}, Beside)
        entry = entries.from_plain({"entry": "tray", **{key: plain[key] for key in plain if key not in fields}})
        assert isinstance(entry, entries.TrayEntry)
        if config is not None:
            beside = _filled(beside, config, crop_asked=asked)
        if beside.cut_width_m is None:
            raise _missing("cut_width_m", "the width of the cut that the residue came from")
    tgw = beside.tgw_g if beside.tgw_g is not None else (crop.tgw_g if crop else None)
    return HandTest(entry, beside, crop, tgw, beside.cut_width_m, bushel, customary)


def _missing(key: str, required: str) -> TypedFault:
    return TypedFault(Refusal((key,), MISSING, InWords((required,)), by="required"))


def _filled(beside: Beside, config: Settings, crop_asked: bool) -> Beside:
    """Gaps filled from the settings; another crop than theirs takes none of their crop's values."""
    values = {name: getattr(beside, name) for name in Beside.__struct_fields__}
    if values["cut_width_m"] is None:
        values["cut_width_m"] = config.machine.cut_width_m * (config.machine.width_used or 1.0)
    if config.crop is not None and (not crop_asked or beside.crop == config.crop.name):
        for key in ("tgw_g", "yield_t_ha", "price_per_t"):
            if values[key] is None:
                values[key] = getattr(config.crop, key)
    return Beside(**values)


def reckon(job: HandTest) -> tuple[dict[str, Any], list[str]]:
    """The figures of the contract and the words. Raises TypedFault or EntryError."""
    us = job.customary is not None
    with retold(job.customary):
        residue_width_m = _residue_width_m(job)
        result = trays.measure(job.entry, job.tgw_g, residue_width_m)
    si = _figures(job, result)
    return (_us(si, job.bushel_lb) if us else si), _words(job, result, si, residue_width_m, us)


def _residue_width_m(job: HandTest) -> float:
    if trays.known_residue_width(job.entry, None, job.cut_width_m) is None:
        laid = "the width over which the residue is laid (for a tray as wide as the discharge: its own width)"
        raise _missing("residue_width_m", laid)
    return trays.residue_width(job.entry, None, job.cut_width_m)


def _figures(job: HandTest, result: TrayResult) -> dict[str, Any]:
    per_ha = 10.0 / job.cut_width_m
    machine = (result.machine_g_m + result.threshing_g_m) * per_ha
    front = None if result.front_g_m2 is None else result.front_g_m2 * 10.0
    shed = None if result.before_harvest_g_m2 is None else result.before_harvest_g_m2 * 10.0
    total = None if front is None else front + machine
    tank = None if job.beside.yield_t_ha is None else job.beside.yield_t_ha * 1000.0
    bounded = machine if total is None else total
    low, high = interval(result, job.cut_width_m)
    price = job.beside.price_per_t
    return {
        "machine_kg_ha": machine,
        "front_kg_ha": front,
        "before_harvest_kg_ha": shed,
        "threshing_kg_ha": result.threshing_g_m * per_ha if result.heads_given else None,
        "total_kg_ha": total,
        "machine_pct": _percent(machine, tank, machine),
        "total_pct": None if total is None else _percent(total, tank, total),
        "grains_m2": result.grains_m2,
        "value_ha": None if price is None else price * bounded / 1000.0,
        "low_kg_ha": low,
        "high_kg_ha": high,
    }


def _percent(loss: float, tank: float | None, lost: float) -> float | None:
    """Of all grain: what the tank got and what was lost. Loss over the tank alone would be another number."""
    if tank is None or tank + lost <= 0:
        return None
    return 100.0 * loss / (tank + lost)


def interval(result: TrayResult, cut_width_m: float) -> tuple[float, float]:
    """Central 90 % interval (kg/ha) of the total, or of the machine loss where the total is unknown.

    Terms: kernels counted (Poisson), scatter between trays, weighing, ground counts with their shared parts, an assumed
    relative spread of 0.2 between trays (4 dof) pooled with what few trays show, 0.05 where a count became a mass, 0.02
    for the width. Student t on Welch-Satterthwaite degrees of freedom. In the logarithm where nothing was subtracted,
    plain where something was (the result may be negative then); no grain at all: 0 to the exact Poisson limit.
    """
    known = result.total_g_m(cut_width_m)
    machine = result.machine_g_m + result.threshing_g_m
    value, u = known if known is not None else (machine, math.hypot(result.u_machine_g_m, result.u_threshing_g_m))
    counted = machine if result.counted else 0.0
    if known is not None:
        counted = value if result.counted else value - machine
    fixed = (COUNTED_MASS_U * counted) ** 2 + (WIDTH_U * value) ** 2
    reach = _reach(result, max(0.0, u**2 - result.spread_g_m**2) + fixed)
    per_ha = 10.0 / cut_width_m
    subtracted = known is not None or result.laid != "released"
    if subtracted or value < 0:
        return (value - reach) * per_ha, (value + reach) * per_ha
    if value == 0:
        return 0.0, -math.log((1 - LEVEL) / 2) * u * per_ha
    factor = math.exp(min(reach / value, 700.0))
    return value / factor * per_ha, value * factor * per_ha


def _reach(result: TrayResult, other: float) -> float:
    """Half the interval (g/m): t times u, with the trays' spread as seen, or with the assumed one if that is wider.

    A few trays can agree by chance, so the assumed spread counts until there are five. `other` is the variance of the
    remaining terms.
    """
    seen, dof = result.spread_g_m**2, result.spread_dof
    assumed = (ASSUMED_SPREAD * result.tray_g_m) ** 2 / result.tray_count
    choices = [(seen, dof)] if dof >= 2 else []
    if dof < ENOUGH_DOF:
        choices.append(((ASSUMED_DOF * assumed + dof * seen) / (ASSUMED_DOF + dof), ASSUMED_DOF + dof))
    return max(_t(other + part, part, dof) * math.sqrt(other + part) for part, dof in choices)


def _t(variance: float, part: float, dof: float) -> float:
    """Student t by Welch-Satterthwaite, where `part` of the variance rests on `dof` degrees of freedom."""
    effective = variance**2 * dof / part**2 if part > 0 else math.inf
    return t_quantile(0.5 + LEVEL / 2, max(1.0, effective))


def _us(si: Mapping[str, Any], bushel_lb: float | None) -> dict[str, Any]:
    answer: dict[str, Any] = {}
    for key, value in si.items():
        if key.endswith("_kg_ha"):
            name = key.removesuffix("_kg_ha") + "_bu_ac"
            answer[name] = None if value is None or bushel_lb is None else units.bu_ac(value, bushel_lb)
        elif key == "grains_m2":
            answer["grains_ft2"] = None if value is None else value * units.FT2_M2
        elif key == "value_ha":
            answer["value_ac"] = None if value is None else value * units.ACRE_HA
        else:
            answer[key] = value
    return answer


_LAID: dict[Literal["released", "ahead", "ground"], str] = {
    "released": "released from the machine",
    "ahead": "laid ahead of the machine",
    "ground": "counted on the ground behind",
}


def _words(job: HandTest, result: TrayResult, si: Mapping[str, Any], residue_width_m: float, us: bool) -> list[str]:
    def loss(key: str) -> str:
        value = si[key]
        if value is None:
            return "unknown"
        shown, unit = units.us_shown(value, "kg/ha", job.bushel_lb) if us else (value, "kg/ha")
        return keys.show(shown, unit)

    def width(metres: float) -> str:
        return f"{metres / units.FT_M:.3g} ft" if us else f"{metres:.3g} m"

    count = "1 tray" if result.tray_count == 1 else f"{result.tray_count} trays"
    lines = [
        *CAUTION,
        "",
        f"{count}, {_LAID[job.entry.laid]}; residue {width(residue_width_m)}, cut {width(job.cut_width_m)}",
    ]
    between = f"(90 %: {loss('low_kg_ha')} to {loss('high_kg_ha')})"
    lines.append(f"machine loss  {loss('machine_kg_ha')}" + (f"  {between}" if si["total_kg_ha"] is None else ""))
    if si["threshing_kg_ha"] is not None:
        lines.append(f"  of it heads {loss('threshing_kg_ha')}")
    if si["front_kg_ha"] is None:
        lines.append("front loss    unknown (it takes counts on the ground: in the cut strip and in the standing crop)")
    else:
        lines += [f"front loss    {loss('front_kg_ha')}", f"total         {loss('total_kg_ha')}  {between}"]
    if si["before_harvest_kg_ha"] is not None:
        lines.append(f"shed before   {loss('before_harvest_kg_ha')} (not in the total)")
    if si["machine_pct"] is not None:
        whole = "" if si["total_pct"] is None else f", total {si['total_pct']:.2f} %"
        lines.append(f"of all grain  machine {si['machine_pct']:.2f} %{whole}")
    if result.grains_m2 is not None:
        shown, unit = units.us_shown(result.grains_m2, "grains/m2") if us else (result.grains_m2, "grains/m2")
        lines.append(f"on the trays  {keys.show(shown, unit)}")
    if si["value_ha"] is not None:
        shown, unit = units.us_shown(si["value_ha"], "value/ha") if us else (si["value_ha"], "value/ha")
        lines.append(f"worth         {keys.show(shown)} per {unit.removeprefix('value/')}")
    return lines + [f"Note: {word}" for word in _notes(job, result, residue_width_m, us)]


def _notes(job: HandTest, result: TrayResult, residue_width_m: float, us: bool) -> list[str]:
    words = []
    if residue_width_m > job.cut_width_m * (1 + 1e-9):
        words.append("the residue is laid wider than the cut; if no spreader throws that far, the two widths are swapped")
    if us and job.beside.bushel_lb is None and job.crop is not None:
        words.append(f"a bushel of {job.bushel_lb:g} lb, the table's for {job.crop.name}")
    if result.spread_dof < ENOUGH_DOF:
        number = "one tray can't" if result.tray_count == 1 else f"{result.tray_count} trays are too few to"
        told = "tell how much the loss differs from place to place"
        words.append(f"{number} {told}, so the interval takes at least 20 % for it; more trays make it surer")
    if result.counted:
        words.append("lost grain is lighter than tank grain, so a count overstates the mass; weigh the catch if you can")
    if job.beside.tgw_g is None and job.crop is not None and result.counted:
        words.append(f"TGW {job.tgw_g:g} g is the table's for {job.crop.name}; weigh a thousand grains of yours")
    if result.machine_g_m < 0:
        words.append("the ground held more than the trays: the machine loss comes out below zero; count larger areas")
    if job.entry.mill == "engaged":
        words.append("an engaged weed-seed mill destroys grain: this tray can't show what the machine lost")
    if job.entry.catches != "both":
        words.append(f"the trays caught the {job.entry.catches} stream alone; the other stream's loss is not in it")
    return words

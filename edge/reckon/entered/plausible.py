"""What an accepted entry should be looked at again for: it can be kept, and yet is hardly meant so. Nothing is refused here."""

from __future__ import annotations

from collections.abc import Mapping

from edge.contract import entries
from edge.contract.entries import given
from edge.contract.typed import did_you_mean
from edge.reckon.tables.crops import CropRow, find, names, plain_name

TGW_TIMES = 2.5
"""Varieties and years lie nearer to the table than this factor; a slipped digit lies further off (from memory)."""

TANK_PCT = 25.0
"""More of one kind than a tank sample of a machine at work holds (from memory)."""

RESIDUE_TIMES = 1.5
"""Choppers and spreaders lay the residue about as wide as the cut; half as much again is beyond them (from memory)."""


def doubt_of_crop(entry: entries.CropEntry, crop: str | None, rows: Mapping[str, CropRow]) -> str:
    """What to check in a crop entry, in words; empty when nothing strikes. `crop`: the one in force, after the entry its own."""
    return _check([_name(entry, rows), _tgw(entry, crop, rows)])


def doubt_of_sample(entry: entries.SampleEntry) -> str:
    """The same for a tank sample."""
    return _check([_sample(entry)])


def doubt_of_residue(width_m: float | None, cut_width_m: float) -> str:
    """The same for a residue width (m) beside the width of the cut."""
    return _check([_residue(width_m, cut_width_m)])


def _check(found: list[str]) -> str:
    said = "; ".join(words for words in found if words)
    return f"check this: {said}" if said else ""


def _name(entry: entries.CropEntry, rows: Mapping[str, CropRow]) -> str:
    name = given(entry.name)
    if name is None or find(name, rows) is not None:
        return ""
    near = did_you_mean(plain_name(name), names(rows)).replace("`", "")
    return f"the table of crops has no {name}{near}, so its kernels and its kind are not known"


def _tgw(entry: entries.CropEntry, crop: str | None, rows: Mapping[str, CropRow]) -> str:
    tgw = given(entry.tgw_g)
    if tgw is None and given(entry.grains) is not None:
        tgw = given(entry.mass_g) / given(entry.grains) * 1000
    row = find(crop, rows) if crop else None
    usual = row.tgw_g if row is not None else None
    if tgw is None or not usual or usual / TGW_TIMES <= tgw <= usual * TGW_TIMES:
        return ""
    return f"a thousand kernels of {crop} weigh about {usual:g} g, and {tgw:.4g} g was entered"


def _sample(entry: entries.SampleEntry) -> str:
    kinds = {"cracked": entry.cracked_pct, "trash": entry.trash_pct, "unthreshed": entry.unthreshed_pct}
    found = {name: pct for name, one in kinds.items() if (pct := given(one)) is not None}
    listed = ", ".join(f"{name} {pct:g} %" for name, pct in found.items())
    if sum(found.values()) > 100:
        return f"{listed} are {sum(found.values()):g} % of the sample together"
    if any(pct > TANK_PCT for pct in found.values()):
        return f"{listed} is far more than a tank usually holds"
    return ""


def _residue(width_m: float | None, cut_width_m: float) -> str:
    if width_m is None or width_m <= RESIDUE_TIMES * cut_width_m:
        return ""
    return f"a residue width of {width_m:g} m is {width_m / cut_width_m:.1f} times the cut width of {cut_width_m:g} m"

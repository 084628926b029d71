"""A replay's summary for a person, in metric or US customary units; the object itself is always SI."""

from __future__ import annotations

from typing import Any

from edge.reckon.tables import units


def in_words(summary: dict[str, Any], us: bool = False) -> list[str]:
    """Lines for reading. Grain is told in lb/ac under `us`: bushels would need to know that the crop was one throughout."""
    loss, calibration = summary["loss"], summary["calibration"]
    seconds = ", ".join(f"{name} {count} s" for name, count in summary["seconds"].items() if count)
    lines = [
        f"Time: {seconds}",
        f"Distance {_shown(summary['distance_m'], 'm', us, 1)}, area {_shown(summary['area_ha'], 'ha', us, 3)}",
    ]
    if loss["kg_ha"] is None:
        per_area = _unit("kg/ha", us)
        lines.append(f"Machine loss: unknown ({calibration['why']}); lay a tray test to get {per_area}")
    else:
        low = _number(loss["low"], "kg/ha", us, 1)
        high = "unknown" if loss["high"] is None else _number(loss["high"], "kg/ha", us, 1)
        percent = "" if loss["pct"] is None else f", {loss['pct']:.2f} % of the crop"
        lines.append(f"Machine loss {_shown(loss['kg_ha'], 'kg/ha', us, 1)} (90 % interval {low} to {high}){percent};")
        lines.append("  front and shed loss are not included.")
    lines += _money(summary["value"], us)
    lines.append(f"Calibration: {calibration['state']} ({calibration['why']})")
    for test in summary["tests"]:
        lines.append(f"Tray test {test['at']}: {'used' if test['used'] else 'not used, ' + str(test['why'])}")
    if summary["returns_pct"] is not None:
        lines.append(f"Returns {summary['returns_pct']:z.0f} % of full")
    counted = summary["lines"]
    lines.append(
        f"Lines: {counted['good']} good, {counted['bad_crc']} with a bad CRC, {counted['malformed']} malformed, "
        f"{counted['missing']} missing, {counted['restarts']} restarts, {counted['entries']} entries"
    )
    return lines


def _money(money: dict[str, Any], us: bool) -> list[str]:
    per = "an acre" if us else "a hectare"
    lines = []
    if money["loss_ha"] is not None:
        lines.append(f"Worth of the lost grain: {_number(money['loss_ha'], 'value/ha', us, 2)} {per}")
    if money["quality_ha"] is not None:
        off = _number(money["quality_ha"], "value/ha", us, 2)
        lines.append(f"Taken off for trash and cracked grain: {off} {per} (mean of the tank samples)")
    return lines


def _number(value: float, unit: str, us: bool, decimals: int) -> str:
    return f"{units.us_shown(value, unit)[0] if us else value:.{decimals}f}"


def _unit(unit: str, us: bool) -> str:
    return units.us_shown(1.0, unit)[1] if us else unit


def _shown(value: float, unit: str, us: bool, decimals: int) -> str:
    return f"{_number(value, unit, us, decimals)} {_unit(unit, us)}"

"""A new user at `tailgrain calc`: a run that must succeed, one that must be refused, and what each verb wants and answers."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from edge.commands.calc import verbs

Capture = pytest.CaptureFixture[str]

VERBS: dict[str, list[str]] = {
    "tray": ["--grains", "180", "--length-m", "0.5", "--width-m", "1.6", "--tgw-g", "38", "--residue-width-m", "1.6",
             "--cut-width-m", "9"],
    "kernels": ["--tgw-g", "31.7"],
    "area-rate": ["--kmh", "8", "--width-m", "12"],
    "moisture": ["--mass", "10000", "--from-pct", "20", "--to-pct", "15.5"],
    "ratio": ["--events", "60", "30", "--exposure", "51477.5", "54308.7"],
    "sieve": ["--sieve", "top", "--readout-mm", "12", "--measured-mm", "20.5", "--want-mm", "16"],
    "concentration": ["--cut", "30", "--discharge", "5"],
}  # fmt: skip
KEYS = {
    "tray": "machine_kg_ha front_kg_ha before_harvest_kg_ha threshing_kg_ha total_kg_ha machine_pct total_pct grains_m2 "
            "value_ha low_kg_ha high_kg_ha",
    "kernels": "per_m2_for_100_kg_ha per_ft2_for_1_bu_ac",
    "area-rate": "ha_h ac_h",
    "moisture": "mass shrink_pct",
    "ratio": "ratio low high",
    "sieve": "offset_mm gain dial dial_set spread_mm warnings",
    "concentration": "factor",
}  # fmt: skip
US_TRAY_KEYS = (
    "machine_bu_ac front_bu_ac before_harvest_bu_ac threshing_bu_ac total_bu_ac machine_pct total_pct grains_ft2 "
    "value_ac low_bu_ac high_bu_ac"
)
TRAY: dict[str, Any] = {
    "trays": [
        {"grains": 50, "heads_grains": 4, "length_m": 0.5, "width_m": 0.3, "x_m": -2},
        {"grains": 150, "heads_grains": 0, "length_m": 0.5, "width_m": 0.3, "x_m": 0},
        {"grains": 60, "heads_grains": 2, "length_m": 0.5, "width_m": 0.3, "x_m": 2},
    ],
    "residue_width_m": 6, "tgw_g": 35, "cut_width_m": 9, "yield_t_ha": 3, "price_per_t": 200,
    "before_harvest": {"grains": 10, "area_m2": 1}, "front": {"grains": 40, "area_m2": 1},
}  # fmt: skip


def told(capsys: Capture, *args: str) -> str:
    """Standard output of a run that must succeed, with nothing on standard error."""
    assert verbs.run(list(args)) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


def found(capsys: Capture, *args: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(told(capsys, *args, "--json"))
    return answer


def refused(capsys: Capture, *args: str) -> str:
    """The one line on standard error of a run that must exit 2 and print nothing else."""
    assert verbs.run(list(args)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.endswith("\n")
    assert err.count("\n") == 1
    return err.strip()


def written(folder: Path, plain: Any) -> str:
    file = folder / "keys.json"
    file.write_text(plain if isinstance(plain, str) else json.dumps(plain), "utf-8")
    return str(file)

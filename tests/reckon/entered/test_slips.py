"""Slips as a hurried user makes them, in each form: what is asked, what is refused at once, and what passes unasked and why.

The kit of `AskedKit` stands in the middle of a day: a cut and a residue of 9.1 m, wheat at 3.1 t/ha and 200 a tonne, tray tests
of 30 to 37 kg/ha, the fan at 860. All slips and true values are common practice or made up.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from edge.contract import entries, settings
from edge.contract.errors import AskAgain, EntryError
from edge.engine.engine import Engine, Nowhere
from edge.reckon.tables import crops
from tests.kits.engines import AskedKit
from tests.kits.settings import kit_toml, loss

SLIPS = [json.loads(line) for line in Path(__file__).with_name("slips.jsonl").read_text().splitlines()]
"""`slip` in words and the `entry` (its `at` counts from now, in s); then what it `asks` with what it suggests, or that it is
`refused`, or why it `passes`."""


@pytest.fixture(scope="module")
def kit() -> AskedKit:
    return AskedKit()


@pytest.mark.parametrize("row", SLIPS, ids=[f"{row['entry']['entry']}: {row['slip']}" for row in SLIPS])
def test_what_becomes_of_a_slip(kit: AskedKit, row: dict[str, Any]) -> None:
    plain = row["entry"]
    plain = {**plain, "at": plain["at"] + kit.at_s} if "at" in plain else plain
    if row.get("refused"):
        with pytest.raises(EntryError):
            kit.question(plain)
        return
    assert kit.question(plain) == ((row["asks"], row["suggest"]) if "asks" in row else None)
    assert kit.question({**plain, "sure": True}) is None, "nothing blocks what is meant"


def test_what_is_suggested_is_not_asked_about_again(kit: AskedKit) -> None:
    """One touch must be enough."""
    suggested = [row for row in SLIPS if row.get("suggest")]
    assert len(suggested) > 50
    for row in suggested:
        assert kit.question({**row["entry"], **row["suggest"]}) is None, row["slip"]


def test_every_form_is_tried_with_ten_slips() -> None:
    tried = Counter(row["entry"]["entry"] for row in SLIPS)
    typed = {"tray", "crop", "limit", "gauge", "setting", "width_used", "residue", "load", "sample"}
    typed |= {"returns_catch", "ground_run", "idle_run", "job_finish"}
    assert {kind for kind in typed if tried[kind] >= 10} == typed


TRUE: list[dict[str, Any]] = [
    {"entry": "tray", "trays": [{"mass_g": 5, "length_m": 1.0, "width_m": 1.5, "x_m": x} for x in (-3.0, 0.0, 3.0)]},
    {"entry": "tray", "trays": [{"mass_g": 30, "length_m": 1.0, "width_m": 9.1}], "residue_width_m": 9.1},
    {"entry": "tray", "trays": [{"grains": 300, "length_m": 0.5, "width_m": 6.0}]},
    {"entry": "tray", "trays": [{"mass_g": 2, "heads_mass_g": 1, "length_m": 1.0, "width_m": 1.0}], "catches": "separator"},
    {"entry": "tray", "trays": [{"mass_g": 40, "length_m": 1.0, "width_m": 3.0}]},
    {"entry": "crop", "name": "barley", "tgw_g": 44, "yield_t_ha": 3, "moisture_pct": 12, "price_per_t": 250},
    {"entry": "crop", "grains": 1000, "mass_g": 52},
    {"entry": "limit", "loss_kg_ha": 40, "loss_pct": None},
    {"entry": "limit", "returns_pct": 70},
    {"entry": "gauge", "sieve": "top", "readout_mm": 16, "measured_mm": [17.0, 17.4, 16.8], "opened_to_mm": 22},
    {"entry": "gauge", "sieve": "bottom", "readout_mm": 8, "measured_mm": 17.5},
    {"entry": "gauge", "sieve": "bottom", "readout": 30, "unit": "percent", "measured_mm": 6},
    {"entry": "setting", "what": "fan_rpm", "to": 780},
    {"entry": "setting", "what": "rotor_rpm", "from": 800, "to": 450},
    {"entry": "setting", "what": "top_sieve_mm", "to": 12},
    {"entry": "setting", "what": "concave_mm", "to": 8},
    {"entry": "setting", "what": "mill", "to": "engaged"},
    {"entry": "setting", "what": "lag_s", "to": 14},
    {"entry": "setting", "what": "other", "name": "fingers", "to": "narrow"},
    {"entry": "width_used", "part": 0.75},
    {"entry": "residue", "residue_width_m": 7.5, "chopper": True},
    {"entry": "load", "t": 1.1},
    {"entry": "load", "volume_m3": 1.5, "bulk_kg_m3": 790},
    {"entry": "sample", "cracked_pct": 2, "trash_pct": 1.5, "unthreshed_pct": 0.4},
    {"entry": "returns_catch", "mass_kg": 12, "seconds": 10},
    {"entry": "returns_look", "clean_grain": "much"},
    {"entry": "ground_run", "metres": 100, "pulses": 1040},
    {"entry": "idle_run", "seconds": 30},
    {"entry": "job_start", "client": "Müller & Söhne", "paddock": "7"},
    {"entry": "job_finish", "harvested_t": 152.4, "area_ha": 48.7},
    {"entry": "job_finish"},
    {"entry": "tray_mark"},
    {"entry": "note", "note": "stones"},
]  # fmt: skip


@pytest.mark.parametrize("plain", TRUE, ids=[f"{plain['entry']} {number}" for number, plain in enumerate(TRUE)])
def test_a_common_true_value_is_not_asked_about(kit: AskedKit, plain: dict[str, Any]) -> None:
    assert kit.question(plain) is None


def test_every_crop_of_the_table_passes_with_its_own_weight(kit: AskedKit) -> None:
    for row in crops.table().values():
        plain = {"entry": "crop", "name": row.name} | ({"tgw_g": row.tgw_g} if row.tgw_g else {})
        assert kit.question(plain) is None


def test_a_kit_that_knows_nothing_yet_asks_little() -> None:
    new = AskedKit(told=(), catches=())
    assert (
        new.question({"entry": "tray", "trays": [{"mass_g": 90, "length_m": 1.0, "width_m": 3.0}], "residue_width_m": 9}) is None
    )
    assert new.question({"entry": "load", "t": 30}) is not None, "60 s of work don't fill a lorry"
    assert new.question({"entry": "setting", "what": "fan_rpm", "to": 1100}) is None
    words = new.question({"entry": "tray", "trays": [{"mass_g": 3, "length_m": 1.0, "width_m": 50}]})
    assert words is not None and words.words == "50 m wide? The discharge is 9.1 m. Did you mean 0.50 m?"


def test_where_the_page_shows_feet_inches_are_guessed() -> None:
    us = AskedKit(us=True)
    found = us.question({"entry": "tray", "trays": [{"mass_g": 5, "length_m": 1.0, "width_m": 50}]})
    assert found is not None and found.suggest == {"trays": [{"mass_g": 5.0, "length_m": 1.0, "width_m": 1.27}]}


def test_the_engine_asks_only_where_it_is_told_to_and_keeps_nothing_then() -> None:
    kit = AskedKit()
    slip = {"entry": "crop", "yield_t_ha": 30}
    before = kit.engine.reckoner.now.yield_t_ha, kit.engine.assembler.lines.entries
    with pytest.raises(AskAgain, match="Did you mean 3 t/ha") as asked:
        kit.enter(asks=True, **slip)
    assert asked.value.suggest == {"yield_t_ha": 3.0}
    assert (kit.engine.reckoner.now.yield_t_ha, kit.engine.assembler.lines.entries) == before
    assert kit.enter(asks=True, sure=True, **slip)["seq"] > 0
    assert kit.engine.reckoner.now.yield_t_ha == 30
    assert kit.enter(**{**slip, "yield_t_ha": 0.3})["seq"] > 0, "a recording was meant"


@pytest.mark.parametrize(
    ("plain", "words"),
    [
        ({"entry": "ground_run", "metres": 100, "pulses": 500}, "ground_run: entry: no wheel sensor for ground speed is wired"),
        ({"entry": "returns_catch", "mass_kg": 2, "seconds": 10}, "returns_catch: entry: no light beam in the returns is wired"),
    ],
)
def test_what_the_machine_has_no_sensor_for_is_refused_in_an_operators_words(plain: dict[str, Any], words: str) -> None:
    engine = Engine(settings.parse(kit_toml([loss("separator", "left")], levels=())), Nowhere(), Nowhere())
    with pytest.raises(EntryError) as refused:
        engine.take_entry(1_790_000_000_000, entries.from_plain(plain), asks=True)
    assert str(refused.value).startswith(words) and "[[" not in str(refused.value)

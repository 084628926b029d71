"""What is kept and yet hardly meant so is named in the answer; what is usual is not."""

from __future__ import annotations

import pytest

from edge.contract import entries, settings
from edge.contract.errors import EntryError
from edge.engine.engine import Engine, Nowhere
from edge.reckon.tables import crops
from tests.kits.settings import kit_toml, loss

SETTINGS = kit_toml(
    [loss("separator", "left")], levels=(), name="m", cut_width_m=9.1,
    crop={"name": "barley", "yield_t_ha": 3.0}, crop_data=[{"name": "spelt in husk", "tgw_g": 40}],
)  # fmt: skip
T0_MS = 1_790_000_000_000


def note(**plain: object) -> str | None:
    engine = Engine(settings.parse(SETTINGS), Nowhere(), Nowhere())
    return engine.take_entry(T0_MS, entries.from_plain(plain)).get("note")


@pytest.mark.parametrize(
    ("plain", "words"),
    [
        (
            {"entry": "sample", "cracked_pct": 50, "trash_pct": 60, "unthreshed_pct": 10},
            "check this: cracked 50 %, trash 60 %, unthreshed 10 % are 120 % of the sample together",
        ),
        ({"entry": "sample", "trash_pct": 40}, "check this: trash 40 % is far more than a tank usually holds"),
        ({"entry": "crop", "tgw_g": 500}, "check this: a thousand kernels of barley weigh about 33.6 g, and 500 g was entered"),
        ({"entry": "crop", "tgw_g": 4.5}, "check this: a thousand kernels of barley weigh about 33.6 g, and 4.5 g was entered"),
        ({"entry": "crop", "grains": 100, "mass_g": 45}, "450 g was entered"),
        ({"entry": "crop", "name": "Wheat", "tgw_g": 450}, "a thousand kernels of Wheat weigh about"),
        (
            {"entry": "crop", "name": "barley1x"},
            "check this: the table of crops has no barley1x (did you mean barley?), so its kernels and its kind are not known",
        ),
        ({"entry": "crop", "name": "spelt in husk", "tgw_g": 400}, "about 40 g"),
        (
            {"entry": "residue", "residue_width_m": 30},
            "check this: a residue width of 30 m is 3.3 times the cut width of 9.1 m",
        ),
    ],
)  # fmt: skip
def test_what_is_hardly_meant_so_is_kept_with_a_word_to_check_it(plain, words):
    assert words in (note(**plain) or "")


@pytest.mark.parametrize(
    "plain",
    [
        {"entry": "sample", "cracked_pct": 2, "trash_pct": 1.5},
        {"entry": "crop", "tgw_g": 38},
        {"entry": "crop", "grains": 1000, "mass_g": 52},
        {"entry": "crop", "name": "Spelt-in-husk", "tgw_g": 45},
        {"entry": "crop", "price_per_t": 200},
        {"entry": "residue", "residue_width_m": 9},
        {"entry": "residue", "chopper": True},
        {"entry": "note", "note": "x"},
    ],
)
def test_what_is_usual_is_kept_without_a_word(plain):
    assert note(**plain) is None


def test_a_tray_tests_own_residue_width_is_looked_at_too_and_other_notes_stay():
    engine = Engine(settings.parse(SETTINGS), Nowhere(), Nowhere())
    tray = {"entry": "tray", "trays": [{"mass_g": 3, "length_m": 1, "width_m": 0.3}], "residue_width_m": 30}
    assert "3.3 times the cut width" in engine.take_entry(T0_MS, entries.from_plain(tray))["note"]


def test_every_crop_of_the_table_passes_with_its_own_weight():
    for row in crops.table().values():
        plain = {"entry": "crop", "name": row.name} | ({"tgw_g": row.tgw_g} if row.tgw_g else {})
        assert note(**plain) is None


@pytest.mark.parametrize(
    ("plain", "words"),
    [
        ({"entry": "ground_run", "metres": 100, "pulses": 500}, "ground_run: entry: no wheel sensor for ground speed is wired"),
        ({"entry": "returns_catch", "mass_kg": 2, "seconds": 10}, "returns_catch: entry: no light beam in the returns is wired"),
    ],
)
def test_what_the_machine_has_no_sensor_for_is_refused_in_an_operators_words(plain, words):
    with pytest.raises(EntryError) as refused:
        note(**plain)
    assert str(refused.value).startswith(words) and "[[" not in str(refused.value)

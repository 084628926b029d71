"""The table of crops: every value sourced, editable by settings."""

import re

import pytest

from edge.contract import settings
from edge.reckon.tables import crops, units


def test_every_value_has_a_source_and_a_sane_size() -> None:
    rows = crops.table()
    assert len(rows) >= 30
    for row in rows.values():
        assert row.kind
        for key in crops.VALUES:
            value = getattr(row, key)
            assert value is not None, (row.name, key)
            assert (row.sources or {})[key].strip(), (row.name, key)
            settings.parse(f'machine = {{ name = "h", cut_width_m = 9 }}\n[[crop_data]]\nname = "{row.name}"\n{key} = {value}\n')
        assert row.tgw_g is not None
        assert row.bushel_lb is not None
        assert row.kernel_width_mm is not None
        # A kernel's mass over a rough density of 1.25 g/cm3 and its width: no crop is off by powers of ten.
        ball_mm = (row.tgw_g / 1000 / 1.25e-3 * 6 / 3.1416) ** (1 / 3)
        assert 0.4 < row.kernel_width_mm / ball_mm < 1.4, row.name


LABEL = re.compile(r"\d{4}|from memory|common practice|USDA|HQPM-5|Simonyan|Singh|MU |in 35\.239 L|worksheet")


def test_a_value_without_a_published_source_says_so() -> None:
    """A source has a year or a name of its own; what has neither is called common practice or from memory."""
    for row in crops.table().values():
        for key, source in (row.sources or {}).items():
            assert LABEL.search(source), (row.name, key, source)


def test_names_and_other_names_are_unique() -> None:
    rows = crops.table()
    names = crops.names(rows)
    assert len(names) == len(set(names))


@pytest.mark.parametrize("name", ["Canola", "oilseed rape", " OILSEED_RAPE ", "rapeseed"])
def test_a_crop_is_found_by_any_of_its_names(name: str) -> None:
    row = crops.find(name, crops.table())
    assert row is not None
    assert row.name == "canola"


def test_an_unknown_crop_is_none() -> None:
    assert crops.find("stones", crops.table()) is None


def test_settings_replace_a_value_and_add_a_crop() -> None:
    text = """
    machine = { name = "h", cut_width_m = 9 }
    [[crop_data]]
    name = "Oat"
    bushel_lb = 34
    [[crop_data]]
    name = "Quinoa"
    tgw_g = 2.8
    """
    rows = crops.table(settings.parse(text).crop_data)
    assert rows["oats"].bushel_lb == 34
    assert rows["oats"].tgw_g == 29.26
    assert rows["oats"].bulk_kg_m3 == pytest.approx(units.bulk_kg_m3(34))
    assert (rows["oats"].sources or {})["bushel_lb"] == "settings"
    assert rows["quinoa"].tgw_g == 2.8
    assert rows["quinoa"].bushel_lb is None
    assert crops.table()["oats"].bushel_lb == 32  # the built-in table is untouched


def test_a_measured_bulk_density_stays_when_the_bushel_is_changed() -> None:
    rows = crops.table([settings.CropData(name="corn", bushel_lb=55)])
    assert rows["corn"].bulk_kg_m3 == 728


@pytest.mark.parametrize("name", ["oats", "canola", "wheat", "sorghum", "oil sunflower"])
def test_a_note_says_where_markets_differ(name: str) -> None:
    assert any("differs by market" in note for note in crops.table()[name].notes)


# 35.239 L Winchester bushel: kg/m3 = 12.8719 x lb/bu, so 60 lb -> 772, 48 -> 618, 32 -> 412 (exact arithmetic).
@pytest.mark.parametrize(("name", "bulk"), [("wheat", 772), ("barley", 618), ("oats", 412), ("rye", 721)])
def test_bulk_density_from_the_bushel(name: str, bulk: float) -> None:
    assert crops.table()[name].bulk_kg_m3 == pytest.approx(bulk, abs=0.5)

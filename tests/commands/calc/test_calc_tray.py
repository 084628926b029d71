"""`tailgrain calc tray` as a new user meets it: figures by hand, metric and US, what is unknown, and its interval."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from edge.commands.calc import tray
from edge.reckon.fit import trays
from tests.commands.calc.calcuser import TRAY, US_TRAY_KEYS, VERBS, Capture, found, refused, told, written


def test_tray_shows_the_caution_before_the_figures(capsys: Capture) -> None:
    words = told(capsys, "tray", *VERBS["tray"])
    assert words.index("two people") < words.index("machine loss")
    assert "two people" in told(capsys, "tray", "--help")


def test_tray_by_hand(capsys: Capture, tmp_path: Path) -> None:
    figures = found(capsys, "tray", "--from", written(tmp_path, TRAY))
    # Weights 2, 2, 2 m over 6 m; 35 mg a kernel, 0.15 m2 a tray.
    machine = (2 * 50 + 2 * 150 + 2 * 60) * 0.035 / 0.15 / 9 * 10
    heads = (2 * 4 + 2 * 0 + 2 * 2) * 0.035 / 0.15 / 9 * 10
    assert figures["threshing_kg_ha"] == pytest.approx(heads)
    assert figures["machine_kg_ha"] == pytest.approx(machine + heads)
    assert figures["before_harvest_kg_ha"] == pytest.approx(3.5)
    assert figures["front_kg_ha"] == pytest.approx(10.5)
    assert figures["total_kg_ha"] == pytest.approx(machine + heads + 10.5)
    assert figures["machine_pct"] == pytest.approx(100 * (machine + heads) / (3000 + machine + heads))
    assert figures["total_pct"] == pytest.approx(100 * figures["total_kg_ha"] / (3000 + figures["total_kg_ha"]))
    assert figures["grains_m2"] == pytest.approx((50 + 150 + 60) / 3 / 0.15)
    assert figures["value_ha"] == pytest.approx(0.2 * figures["total_kg_ha"])
    assert figures["low_kg_ha"] < figures["total_kg_ha"] < figures["high_kg_ha"]


def test_loss_over_the_tank_is_another_number(capsys: Capture) -> None:
    # 3.09 % of the tank is 3.00 % of all grain.
    figures = found(capsys, "tray", "--mass-g", "309", "--length-m", "1", "--width-m", "1", "--residue-width-m", "1",
                    "--cut-width-m", "10", "--yield-t-ha", "10")  # fmt: skip
    assert figures["machine_kg_ha"] == pytest.approx(309)
    assert figures["machine_pct"] == pytest.approx(3.00, abs=0.005)


def test_what_is_unknown_is_null(capsys: Capture) -> None:
    figures = found(capsys, "tray", *VERBS["tray"])
    for key in ("front_kg_ha", "before_harvest_kg_ha", "threshing_kg_ha", "total_kg_ha", "total_pct", "machine_pct", "value_ha"):
        assert figures[key] is None
    assert figures["low_kg_ha"] < figures["machine_kg_ha"] < figures["high_kg_ha"]


def test_front_without_before_harvest_is_null(capsys: Capture) -> None:
    figures = found(capsys, "tray", *VERBS["tray"], "--front-grains", "30", "--front-area-m2", "1", "--price-per-t", "100")
    assert figures["front_kg_ha"] is None
    assert figures["total_kg_ha"] is None
    assert figures["value_ha"] == pytest.approx(figures["machine_kg_ha"] / 10)


def test_us_and_metric_are_the_same_test(capsys: Capture, tmp_path: Path) -> None:
    metric = found(capsys, "tray", "--from", written(tmp_path, TRAY))
    bushel = 60 * 0.45359237
    to_us = {
        "trays": [
            {"grains": one["grains"], "heads_grains": one["heads_grains"], "length_ft": one["length_m"] / 0.3048,
             "width_ft": one["width_m"] / 0.3048, "x_ft": one["x_m"] / 0.3048}
            for one in TRAY["trays"]
        ],
        "residue_width_ft": 6 / 0.3048, "cut_width_ft": 9 / 0.3048, "tgw_g": 35, "bushel_lb": 60,
        "yield_bu_ac": 3000 / bushel * 0.40468564224, "price_per_bu": 0.2 * bushel,
        "before_harvest": {"grains": 10, "area_ft2": 1 / 0.09290304}, "front": {"grains": 40, "area_ft2": 1 / 0.09290304},
    }  # fmt: skip
    us = found(capsys, "tray", "--units", "us", "--from", written(tmp_path, to_us))
    assert list(us) == US_TRAY_KEYS.split()
    for key in ("machine", "front", "before_harvest", "threshing", "total", "low", "high"):
        assert us[f"{key}_bu_ac"] == pytest.approx(metric[f"{key}_kg_ha"] / bushel * 0.40468564224, rel=1e-9)
    assert us["total_pct"] == pytest.approx(metric["total_pct"])
    assert us["grains_ft2"] == pytest.approx(metric["grains_m2"] * 0.09290304)
    assert us["value_ac"] == pytest.approx(metric["value_ha"] * 0.40468564224)
    words = told(capsys, "tray", "--units", "us", "--from", written(tmp_path, to_us))
    assert "bu/ac" in words
    assert "kg/ha" not in words


def test_us_needs_the_mass_of_a_bushel(capsys: Capture) -> None:
    args = ["tray", "--units", "us", "--mass-g", "3", "--length-ft", "1", "--width-ft", "1", "--cut-width-ft", "1",
            "--residue-width-ft", "1"]  # fmt: skip
    assert "--bushel-lb" in refused(capsys, *args)
    assert found(capsys, *args, "--crop", "oats")["machine_bu_ac"] > 0
    assert "did you mean `oats`?" in refused(capsys, *args, "--crop", "oatts")
    assert "--length-ft" in refused(capsys, *args[:5], "--length-ft", "2000", *args[7:], "--crop", "oats")


def test_settings_fill_what_is_not_given(capsys: Capture, tmp_path: Path) -> None:
    config = tmp_path / "kit.toml"
    config.write_text(
        '[machine]\nname="h"\ncut_width_m=9\n[crop]\nname="wheat"\ntgw_g=40\nyield_t_ha=4\nprice_per_t=250\n[units]\nshow="us"\n'
    )
    args = ["--grains", "100", "--length-m", "1", "--width-m", "1", "--residue-width-m", "1", "--config", str(config)]
    us = found(capsys, "tray", *args)
    metric = found(capsys, "tray", *args, "--units", "metric")
    assert metric["machine_kg_ha"] == pytest.approx(40 / 9)
    assert metric["value_ha"] == pytest.approx(40 / 9 * 0.25)
    assert metric["machine_pct"] is not None
    assert us["machine_bu_ac"] == pytest.approx(40 / 9 / 67.251, rel=1e-5)
    other = found(capsys, "tray", *args, "--units", "metric", "--crop", "canola")
    assert other["machine_pct"] is None  # another crop takes none of this one's values
    assert other["machine_kg_ha"] == pytest.approx(3.02 * 0.1 / 9 * 10)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"tgw_g": None}, "grains: needs a TGW"),
        ({"cut_width_m": None}, "cut_width_m: missing"),
        ({"residue_width_m": None}, "residue_width_m: missing"),
        ({"residue_width_m": 3}, "trays[0].x_m: found -2"),
        ({"laid": "ahead", "front": None}, "front: missing"),
        ({"laid": "thrown"}, "laid: found 'thrown'"),
        ({"trays": []}, "trays: found []"),
        ({"yield_t_ha": 400}, "yield_t_ha: found 400"),
        ({"price_per_t": -1}, "price_per_t: found -1"),
        ({"tgw_g": "heavy"}, "tgw_g: found 'heavy'"),
        ({"cut_widht_m": 9}, "did you mean `cut_width_m`?"),
        ({"cut_width_ft": 30}, "--units us"),
        ({"crop": 7}, "crop: found 7"),
        ({"entry": "load"}, "entry: found 'load'; allowed: tray"),
        ({"trays": [{"grains": 5, "mass_g": 3, "length_m": 1, "width_m": 1}]}, "one of the two"),
        ({"trays": [{"grains": 5, "length_m": 1e-320, "width_m": 1}]}, "so extreme"),
        ({"front": {"grains": 5, "area_m2": 1e-320}}, "area_m2: found"),
        ({"cut_width_m": 1e-320}, "so extreme"),
    ],
)
def test_wrong_keys_say_which_and_why(change: dict[str, Any], says: str, capsys: Capture, tmp_path: Path) -> None:
    plain = {key: value for key, value in {**TRAY, **change}.items() if value is not None}
    assert says in refused(capsys, "tray", "--from", written(tmp_path, plain))


def test_options_lie_over_the_file(capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = written(tmp_path, TRAY)
    assert found(capsys, "tray", "--from", file, "--price-per-t", "400")["value_ha"] == pytest.approx(
        2 * found(capsys, "tray", "--from", file)["value_ha"]
    )
    assert "in its `trays`" in refused(capsys, "tray", "--from", file, "--length-m", "3")
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(json.dumps(TRAY).encode())))
    assert found(capsys, "tray", "--from", "-")["front_kg_ha"] == pytest.approx(10.5)


def test_equal_trays_by_options(capsys: Capture) -> None:
    several = found(capsys, "tray", "--grains", "100", "--grains", "200", *VERBS["tray"][2:])
    assert several["grains_m2"] == pytest.approx(150 / 0.8)
    assert "one tray only" in refused(capsys, "tray", "--grains", "1", "--grains", "2", "--heads-grains", "1", *VERBS["tray"][2:])


def test_no_grain_has_an_upper_end(capsys: Capture) -> None:
    figures = found(capsys, "tray", "--grains", "0", *VERBS["tray"][2:])
    assert (figures["machine_kg_ha"], figures["low_kg_ha"]) == (0, 0)
    one_kernel = 0.038 / 0.5 / 9 * 10
    assert figures["high_kg_ha"] == pytest.approx(one_kernel * -math.log(0.05))  # exact Poisson limit of no count


def test_a_negative_result_is_reported_with_its_interval(capsys: Capture, tmp_path: Path) -> None:
    plain = {**TRAY, "laid": "ground", "front": {"grains": 1000, "area_m2": 0.4}}
    figures = found(capsys, "tray", "--from", written(tmp_path, plain))
    assert figures["machine_kg_ha"] < 0
    assert figures["low_kg_ha"] < figures["total_kg_ha"] < figures["high_kg_ha"]
    assert "below zero" in told(capsys, "tray", "--from", written(tmp_path, plain))


def test_a_tray_that_proves_little_says_so(capsys: Capture) -> None:
    words = told(capsys, "tray", *VERBS["tray"], "--mill", "engaged", "--catches", "cleaning")
    assert "mill destroys grain" in words
    assert "cleaning stream alone" in words
    assert "more trays make it surer" in words


@pytest.mark.parametrize(("count", "spread"), [(1, 0.2), (3, 0.05), (3, 0.4), (6, 0.3)])
def test_nine_intervals_in_ten_hold_the_truth(count: int, spread: float) -> None:
    """Poisson counts on trays whose density scatters log-normally about the truth, and a TGW 5 % off either way."""
    random = np.random.default_rng(11)
    held, runs, mean_grains = 0, 400, 40.0
    for _ in range(runs):
        densities = mean_grains * np.exp(spread * random.standard_normal(count) - spread**2 / 2)
        plain = [{"grains": float(random.poisson(mean)), "length_m": 0.5, "width_m": 0.2} for mean in densities]
        keys = {"trays": plain, "residue_width_m": 3.0, "cut_width_m": 9.0}
        job = tray.read({**keys, "tgw_g": 35.0 * math.exp(0.05 * random.standard_normal())}, False, None)
        low, high = tray.interval(trays.measure(job.entry, job.tgw_g, 3.0), 9.0)
        held += low <= mean_grains * 0.035 / 0.1 * 3.0 / 9.0 * 10 <= high
    assert 0.85 <= held / runs <= 0.99

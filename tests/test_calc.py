"""`tailgrain calc` as a new user meets it: right and wrong input, words and JSON, metric and US."""

import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from edge import calc, calc_tray
from edge.reckon import trays

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
    "sieve": "offset_mm gain dial spread_mm warnings",
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
    assert calc.run(list(args)) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


def found(capsys: Capture, *args: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(told(capsys, *args, "--json"))
    return answer


def refused(capsys: Capture, *args: str) -> str:
    """The one line on standard error of a run that must exit 2 and print nothing else."""
    assert calc.run(list(args)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.endswith("\n")
    assert err.count("\n") == 1
    return err.strip()


def written(folder: Path, plain: Any) -> str:
    file = folder / "keys.json"
    file.write_text(plain if isinstance(plain, str) else json.dumps(plain), "utf-8")
    return str(file)


# --- every verb


@pytest.mark.parametrize("verb", VERBS)
def test_json_is_one_object_with_the_keys_of_the_contract(verb: str, capsys: Capture) -> None:
    assert list(found(capsys, verb, *VERBS[verb])) == KEYS[verb].split()


@pytest.mark.parametrize("verb", VERBS)
def test_words_are_for_reading(verb: str, capsys: Capture) -> None:
    words = told(capsys, verb, *VERBS[verb])
    assert len(words) > 10
    assert "{" not in words
    assert "None" not in words


@pytest.mark.parametrize("verb", VERBS)
def test_help_has_an_example_that_runs(verb: str, capsys: Capture) -> None:
    text = told(capsys, verb, "--help")
    assert "Example" in text
    command = text[text.index("tailgrain calc", text.index("Example")) :].replace("\\\n", " ").split("\n")[0].split()
    assert command[:3] == ["tailgrain", "calc", verb]
    told(capsys, *command[2:])


def test_help_of_the_group_names_every_verb(capsys: Capture) -> None:
    text = told(capsys, "--help")
    assert "Example" in text
    assert all(verb in text for verb in VERBS)


@pytest.mark.parametrize("verb", [verb for verb in VERBS if verb not in ("tray", "sieve")])
def test_the_same_keys_from_a_file(verb: str, capsys: Capture, tmp_path: Path) -> None:
    by_options = found(capsys, verb, *VERBS[verb])
    words, plain = list(VERBS[verb]), {}
    while words:
        key, values = words.pop(0), []
        while words and not words[0].startswith("--"):
            values.append(float(words.pop(0)))
        plain[key.removeprefix("--").replace("-", "_")] = values if len(values) > 1 else values[0]
    assert found(capsys, verb, "--from", written(tmp_path, plain)) == by_options


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize(
    "text", ["", "{", "nonsense", "3", '"text"', '{"nonsense_key": 1}', "[" * 5000, '{"mass": 1e999}', "\x00", '{"a":NaN}']
)
def test_a_bad_file_is_one_line(verb: str, text: str, capsys: Capture, tmp_path: Path) -> None:
    line = refused(capsys, verb, "--from", written(tmp_path, text))
    assert line.startswith(f"tailgrain calc {verb}: ")


@pytest.mark.parametrize("verb", VERBS)
def test_wrong_use_is_one_line_that_says_what(verb: str, capsys: Capture) -> None:
    assert verb in refused(capsys, verb)
    assert "--nonsense" in refused(capsys, verb, "--nonsense")
    assert "can't be read" in refused(capsys, verb, "--from", "/nowhere/at/all.json")
    first = VERBS[verb][0]
    assert first in refused(capsys, verb, first)
    for bad in ("abc", "nan", "inf", "1e400", "-5"):
        refused(capsys, verb, *[bad if _number(word) else word for word in VERBS[verb]])


def _number(word: str) -> bool:
    return word.replace(".", "").isdigit()


def test_no_verb_or_an_unknown_one(capsys: Capture) -> None:
    refused(capsys)
    assert "nonsense" in refused(capsys, "nonsense")


def test_the_group_is_a_plain_click_group() -> None:
    result = CliRunner().invoke(calc.calc, ["concentration", "--cut", "30", "--discharge", "5", "--json"])
    assert json.loads(result.stdout) == {"factor": 6.0}


# --- kernels


def test_kernels_of_a_known_crop_name_their_source(capsys: Capture) -> None:
    words = told(capsys, "kernels", "--crop", "Canola")
    assert "NDSU 2002" in words
    assert "differs by market" in words
    assert found(capsys, "kernels", "--crop", "canola", "--tgw-g", "5")["per_ft2_for_1_bu_ac"] == pytest.approx(104, abs=0.5)


def test_kernels_without_a_bushel_are_unknown_not_nought(capsys: Capture) -> None:
    assert found(capsys, "kernels", "--tgw-g", "31.7")["per_ft2_for_1_bu_ac"] is None
    assert "unknown" in told(capsys, "kernels", "--tgw-g", "31.7")


def test_an_unknown_crop_gets_the_nearest(capsys: Capture) -> None:
    assert "did you mean `wheat`?" in refused(capsys, "kernels", "--crop", "wheet")


def test_a_crop_of_the_settings(capsys: Capture, tmp_path: Path) -> None:
    config = tmp_path / "kit.toml"
    config.write_text('[machine]\nname="h"\ncut_width_m=9\n[[crop_data]]\nname="quinoa"\ntgw_g=2.8\nbushel_lb=40\n')
    figures = found(capsys, "kernels", "--crop", "quinoa", "--config", str(config))
    assert figures["per_m2_for_100_kg_ha"] == pytest.approx(10_000 / 2.8)
    assert figures["per_ft2_for_1_bu_ac"] == pytest.approx(10.41305 * 40 / 2.8, rel=1e-5)
    assert "quinoa" in refused(capsys, "kernels", "--crop", "quinoa")
    config.write_text("[machine]\n")
    assert "machine" in refused(capsys, "kernels", "--crop", "quinoa", "--config", str(config))


# --- area rate, moisture, ratio


def test_area_rate_in_us_units(capsys: Capture) -> None:
    us = found(capsys, "area-rate", "--units", "us", "--mph", "5", "--width-ft", "30", "--efficiency", "0.7")
    assert us["ac_h"] == pytest.approx(5 * 30 * 0.7 / 8.25)
    assert "--units us" in refused(capsys, "area-rate", "--mph", "5", "--width-ft", "30")
    assert "one of the two" in refused(capsys, "area-rate", "--units", "us", "--mph", "5", "--kmh", "5", "--width-m", "3")


def test_moisture_wetter_is_more(capsys: Capture) -> None:
    assert found(capsys, "moisture", "--mass", "100", "--from-pct", "10", "--to-pct", "20")["mass"] == pytest.approx(112.5)
    assert "more" in told(capsys, "moisture", "--mass", "100", "--from-pct", "10", "--to-pct", "20")


def test_a_ratio_without_bounds_is_null(capsys: Capture) -> None:
    assert found(capsys, "ratio", "--events", "0", "0", "--exposure", "1", "1") == {"ratio": None, "low": 0.0, "high": None}
    assert "no upper limit" in told(capsys, "ratio", "--events", "3", "0", "--exposure", "1", "1")
    assert "whole numbers" in refused(capsys, "ratio", "--events", "1.5", "1", "--exposure", "1", "1")


# --- sieve


def test_sieve_shows_the_caution_before_the_figures(capsys: Capture) -> None:
    words = told(capsys, "sieve", *VERBS["sieve"])
    assert words.index("engine off") < words.index("top sieve")
    assert "engine off" in told(capsys, "sieve", "--help")
    assert "manual" in words


@pytest.mark.parametrize("shape", ["one", "list", "gauge", "entries", "options"])
def test_gauge_entries_in_any_form(shape: str, capsys: Capture, tmp_path: Path) -> None:
    several = [
        {"entry": "gauge", "sieve": "top", "readout": 40, "unit": "percent", "measured_mm": [8, 9]},
        {"entry": "gauge", "sieve": "top", "readout": 80, "unit": "percent", "measured_mm": 18.5},
    ]
    if shape == "options":
        args = [word for one in several for word in ("--gauge", json.dumps(one))] + ["--want-mm", "13.5"]
    else:
        plain: Any = {
            "one": {**several[0], "want_mm": 13.5},
            "list": several,
            "gauge": {"gauge": several, "want_mm": 13.5},
            "entries": {"entries": several, "want_mm": 13.5},
        }[shape]
        args = ["--from", written(tmp_path, plain)]
    figures = found(capsys, "sieve", *args)
    if shape == "one":
        assert (figures["offset_mm"], figures["gain"], figures["dial"], figures["spread_mm"]) == (None, None, None, 1.0)
        return
    assert figures["gain"] == pytest.approx(0.25)
    assert figures["offset_mm"] == pytest.approx(-1.5)
    assert figures["dial"] == (None if shape == "list" else pytest.approx(60.0))


def test_sieve_refuses_other_entries_and_stray_keys(capsys: Capture, tmp_path: Path) -> None:
    assert "allowed: gauge" in refused(capsys, "sieve", "--from", written(tmp_path, {"entry": "note", "note": "x"}))
    plain = {"gauge": [{"sieve": "top", "readout_mm": 1, "measured_mm": 2}], "wnat_mm": 4}
    assert "wnat_mm" in refused(capsys, "sieve", "--from", written(tmp_path, plain))
    assert "want_mm" in refused(capsys, "sieve", *VERBS["sieve"][:-1], "-3")
    assert "each a JSON object" in refused(capsys, "sieve", "--from", written(tmp_path, [3]))
    assert "no valid JSON" in refused(capsys, "sieve", "--gauge", "{")


def test_guard_rails_are_off_unless_the_settings_name_them(capsys: Capture, tmp_path: Path) -> None:
    config = tmp_path / "kit.toml"
    machine = '[machine]\nname="h"\ncut_width_m=9\nfan="cross-flow"\n'
    args = ["sieve", "--sieve", "bottom", "--readout-mm", "4", "--measured-mm", "4", "--opened-to-mm", "9", "--want-mm",
            "5", "--config", str(config)]  # fmt: skip
    config.write_text(machine)
    assert found(capsys, *args)["warnings"] == []
    config.write_text(machine + 'sieve_guards=["bottom-6-cross-flow", "open-past-14"]\n')
    warnings = found(capsys, *args)["warnings"]
    assert ["cross-flow" in warnings[0], "open past 14" in warnings[1], len(warnings)] == [True, True, 2]
    config.write_text(machine + 'sieve_guards=["bottom-7"]\n')
    assert "sieve_guards" in refused(capsys, *args)


# --- tray


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
    assert "bushel_lb" in refused(capsys, *args)
    assert found(capsys, *args, "--crop", "oats")["machine_bu_ac"] > 0
    assert "did you mean `oats`?" in refused(capsys, *args, "--crop", "oatts")
    assert "length_ft" in refused(capsys, *args[:5], "--length-ft", "2000", *args[7:], "--crop", "oats")


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
    assert "lay more" in words


@pytest.mark.parametrize(("count", "spread"), [(1, 0.2), (3, 0.05), (3, 0.4), (6, 0.3)])
def test_nine_intervals_in_ten_hold_the_truth(count: int, spread: float) -> None:
    """Poisson counts on trays whose density scatters log-normally about the truth, and a TGW 5 % off either way."""
    random = np.random.default_rng(11)
    held, runs, mean_grains = 0, 400, 40.0
    for _ in range(runs):
        densities = mean_grains * np.exp(spread * random.standard_normal(count) - spread**2 / 2)
        plain = [{"grains": float(random.poisson(mean)), "length_m": 0.5, "width_m": 0.2} for mean in densities]
        keys = {"trays": plain, "residue_width_m": 3.0, "cut_width_m": 9.0}
        job = calc_tray.read({**keys, "tgw_g": 35.0 * math.exp(0.05 * random.standard_normal())}, False, None)
        low, high = calc_tray.interval(trays.measure(job.entry, job.tgw_g, 3.0), 9.0)
        held += low <= mean_grains * 0.035 / 0.1 * 3.0 / 9.0 * 10 <= high
    assert 0.85 <= held / runs <= 0.99

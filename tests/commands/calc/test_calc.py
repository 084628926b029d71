"""`tailgrain calc` as a new user meets it: right and wrong input, words and JSON, metric and US."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from edge.commands.calc import verbs
from tests.commands.calc.calcuser import KEYS, VERBS, Capture, found, refused, told, written

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
    result = CliRunner().invoke(verbs.calc, ["concentration", "--cut", "30", "--discharge", "5", "--json"])
    assert json.loads(result.stdout) == {"factor": 6.0}


# --- kernels


def test_kernels_of_a_known_crop_name_their_source(capsys: Capture) -> None:
    words = told(capsys, "kernels", "--crop", "Oats")
    assert "TGW of oats after NDSU 2002: 15,500 per lb" in words
    assert "bushel differs by market" in words
    assert "moisture" not in words
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


def test_sieve_tells_the_exact_readout_and_the_one_that_can_be_set(capsys: Capture) -> None:
    checked = ["--sieve", "top", "--readout-mm", "12", "--measured-mm", "14.3", "--opened-to-mm", "30"]
    figures = found(capsys, "sieve", *checked, "--want-mm", "16")
    assert (figures["dial"], figures["dial_set"]) == (pytest.approx(13.7), 13.5)
    assert "for a gap of 16 mm: dial 13.5 mm" in told(capsys, "sieve", *checked, "--want-mm", "16")


def test_sieve_tells_no_readout_by_checks_that_can_not_be_so(capsys: Capture) -> None:
    pairs = ((8, 16), (14, 10))
    checks = [f'{{"sieve":"top","readout_mm":{readout},"measured_mm":{gap},"opened_to_mm":30}}' for readout, gap in pairs]
    args = [word for one in checks for word in ("--gauge", one)]
    figures = found(capsys, "sieve", *args, "--want-mm", "16")
    assert (figures["gain"], figures["dial"], figures["dial_set"]) == (-1.0, None, None)
    said = told(capsys, "sieve", *args, "--want-mm", "16")
    assert "there is no readout to dial" in said and "readout 8 mm (measured 16 mm)" in said and "gap = " not in said


def test_sieve_refuses_other_entries_and_stray_keys(capsys: Capture, tmp_path: Path) -> None:
    assert "allowed: gauge" in refused(capsys, "sieve", "--from", written(tmp_path, {"entry": "note", "note": "x"}))
    plain = {"gauge": [{"sieve": "top", "readout_mm": 1, "measured_mm": 2}], "wnat_mm": 4}
    assert "wnat_mm" in refused(capsys, "sieve", "--from", written(tmp_path, plain))
    assert "--want-mm" in refused(capsys, "sieve", *VERBS["sieve"][:-1], "-3")
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

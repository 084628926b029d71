"""Refusals of `tailgrain calc` name what the user typed: options on the command line, keys in a file, US figures under US."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from edge.commands.calc.refusal import US_KEYS
from tests.commands.calc.calcuser import TRAY, VERBS, Capture, refused, told, written

ONE = ["--grains", "5", "--length-m", "1", "--width-m", "1", "--cut-width-m", "9", "--tgw-g", "38"]
US_ONE = ["--units", "us", "--crop", "wheat", "--grains", "5", "--length-ft", "1", "--width-ft", "1", "--cut-width-ft", "30"]
GAUGE = ["--sieve", "top", "--readout-mm", "12", "--measured-mm", "20"]


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("area-rate", "calc area-rate: --kmh: missing; required: a number from 0 up to 100"),
        ("area-rate --units us", "--mph: missing; required: a number from 0 up to 62.14"),
        ("area-rate --kmh 8 --mph 5 --width-m 12", "--mph: given beside --kmh; allowed: one of the two (--mph with --units us)"),
        ("area-rate --units us --kmh 8 --mph 5 --width-m 3", "--mph: given beside --kmh; allowed: one of the two"),
        ("area-rate --mph 5 --width-ft 30", "--mph: a US customary unit; allowed: with --units us, or give --kmh instead"),
        ("area-rate --units us --mph 500 --width-ft 30", "--mph: found 500; allowed: a number from 0 up to 62.14"),
        ("area-rate --kmh 8 --width-m 12 --efficiency 70", "--efficiency: found 70.0; allowed: a number over 0 up to 1"),
        ("area-rate --kmh fast --width-m 12", "--kmh: found 'fast'; allowed: a number"),
        ("area-rate --kmh 1e400 --width-m 12", "--kmh: found '1e400'; allowed: a number"),
        ("area-rate 8 12", "found '8' that belongs to no option; allowed: every value follows its option"),
        ("kernels", "--tgw-g: missing; required: a number from 0.5 up to 2000, or a known --crop"),
        ("kernels --tgw-g 0", "--tgw-g: found 0.0; allowed: a number from 0.5 up to 2000"),
        ("kernels --tgw-g", "--tgw-g: too little after it; allowed: a value"),
        ("kernels --tgw-g 30 --json=yes", "--json: found a value; allowed: none"),
        ("moisture --mass 10000 --from-pct 20", "--to-pct: missing; required: a number from 0 up to 99"),
        ("ratio", "--events: missing; required: two numbers, one after the other"),
        ("ratio --events 60 --exposure 1 1", "--events: found '--exposure'; allowed: 2 numbers, one after the other"),
        ("ratio --events 6 3 4 --exposure 1 1", "found '4' that belongs to no option; allowed: --events and --exposure take two"),
        ("ratio --events 6 3 --exposure 1", "--exposure: too little after it; allowed: 2 numbers, one after the other"),
        ("ratio --events 6 -3 --exposure 1 1", "--events: found -3; allowed: whole numbers from 0 to 1e9"),
        ("ratio --events 6 3 --exposure 1 1 --level 95", "--level: found 95.0; allowed: a number over 0 and under 1"),
        ("concentration --cut 30", "--discharge: missing; required: a number over 0 up to 1e+12"),
        ("foo", "calc: no such verb: 'foo'; allowed: area-rate, concentration, kernels, moisture, ratio, sieve, tray"),
        ("trays --json", "no such verb: 'trays' (did you mean `tray`?)"),
    ],
)
def test_the_option_that_is_wrong_is_named(typed: str, says: str, capsys: Capture) -> None:
    assert says in refused(capsys, *typed.split())


def test_without_a_verb_all_are_named(capsys: Capture) -> None:
    line = refused(capsys)
    assert "no verb given" in line
    assert all(verb in line for verb in VERBS)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ([], "nothing given; allowed: --grains, --length-m"),
        (["--length-m", "1"], "--grains or --mass-g: missing; required: what lay on the tray"),
        (["--grains", "5"], "--length-m: missing; required: a number over 0 up to 100"),
        (["--grains", "-5", *ONE[2:]], "--grains: found -5.0; allowed: a number from 0 up to 1e+09"),
        ([*ONE[:-2], "--residue-width-m", "9"], "--grains: needs a TGW (--tgw-g of the crop, or a known --crop)"),
        (ONE, "--residue-width-m: missing; required: the width over which the residue is laid"),
        ([*ONE[:6], "--residue-width-m", "9"], "--cut-width-m: missing; required: the width of the cut"),
        ([*ONE, "--mass-g", "3"], "--mass-g: given beside --grains; allowed: one of the two"),
        ([*ONE, "--residue-width-m", "9", "--front-grains", "4"], "--front-area-m2: missing; required: a number over 0"),
        ([*ONE, "--residue-width-m", "9", "--laid", "ahead"], "--front-grains and --front-area-m2: missing; laid \"ahead\""),
        (["--grains", "5", "--length-ft", "1"], "--length-ft: a US customary unit; allowed: with --units us, or give --length-m"),
        ([*ONE[:3], "1e-9", *ONE[4:], "--residue-width-m", "9"], "--length-m by --width-m: so extreme a size"),
        ([*US_ONE[:2], *US_ONE[4:]], "--bushel-lb: needed for bushels; give --bushel-lb or a known --crop"),
        (US_ONE, "--residue-width-ft: missing; required: the width"),
        ([*US_ONE, "--residue-width-ft", "2000"], "--residue-width-ft: found 2000; allowed: a number over 0 up to 328.1"),
        ([*US_ONE, "--yield-bu-ac", "-1"], "--yield-bu-ac: found -1; allowed: a number from 0 up to 594.8"),
        ([*US_ONE, "--residue-width-ft", "9", "--laid", "ground"], "--front-grains and --front-area-ft2: missing"),
    ],
)
def test_tray_names_the_option(typed: list[str], says: str, capsys: Capture) -> None:
    line = refused(capsys, "tray", *typed)
    assert says in line
    assert "or null" not in line
    assert "_" not in line


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"residue_width_m": None}, "calc tray: residue_width_m: missing"),
        ({"trays": [{"grains": 5, "length_m": 1}]}, "calc tray: trays[0].width_m: missing"),
        ({"before_harvest": {"grains": 10}}, "calc tray: before_harvest.area_m2: missing"),
        ({"trays": [{"grains": 5, "length_ft": 1, "width_m": 1}]}, "length_ft: a US customary unit; allowed: with --units us"),
        ({"cut_width_ft": 30}, "cut_width_ft: given beside cut_width_m; allowed: one of the two (cut_width_ft with --units us)"),
    ],
)
def test_in_a_file_the_key_is_named(change: dict[str, Any], says: str, capsys: Capture, tmp_path: Path) -> None:
    plain = {key: value for key, value in {**TRAY, **change}.items() if value is not None}
    assert says in refused(capsys, "tray", "--from", written(tmp_path, plain))


def test_an_option_over_a_file_is_named_as_one(capsys: Capture, tmp_path: Path) -> None:
    file = written(tmp_path, {"kmh": 8, "width_m": "wide"})
    assert "calc area-rate: width_m: found 'wide'" in refused(capsys, "area-rate", "--from", file)
    assert "calc area-rate: --width-m: found -3.0" in refused(capsys, "area-rate", "--from", file, "--width-m", "-3")


def test_a_us_file_is_told_in_its_own_keys_and_figures(capsys: Capture, tmp_path: Path) -> None:
    tray = {"grains": 5, "length_ft": 1, "width_ft": 1, "x_ft": 40}
    keys = {"trays": [tray], "residue_width_ft": 30, "cut_width_ft": 30, "crop": "wheat"}
    line = refused(capsys, "tray", "--units", "us", "--from", written(tmp_path, keys))
    assert "trays[0].x_ft: found 40; allowed: -15 to 15 (half the residue width of 30 ft)" in line
    assert not any(si in line for si in US_KEYS.values())


@pytest.mark.parametrize("text", ["{}", "[]", "null", '{"want_mm": 5}', '[{"sieve": "top"}]', '{"gauge": {}}'])
def test_an_empty_file_says_what_is_missing(text: str, capsys: Capture, tmp_path: Path) -> None:
    for verb in VERBS:
        line = refused(capsys, verb, "--from", written(tmp_path, text))
        assert line.startswith(f"tailgrain calc {verb}: ")


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ([], "nothing measured; allowed: --sieve, --readout-mm and --measured-mm, --gauge, or --from"),
        (GAUGE[2:], "calc sieve: --sieve: missing; required: pre, top or bottom"),
        (GAUGE[:4], "calc sieve: --measured-mm: missing; required: the gap at the sieve in mm"),
        ([*GAUGE[:2], *GAUGE[4:]], "calc sieve: --readout-mm: missing; required: what the cab shows in mm, or --readout"),
        ([*GAUGE, "--readout", "3"], "calc sieve: --readout: given beside --readout-mm; allowed: one of the two"),
        ([*GAUGE[:4], "--measured-mm", "300"], "calc sieve: --measured-mm: found 300.0; allowed: a number from 0 up to 200"),
        ([*GAUGE, "--unit", "notch"], "calc sieve: --unit: found 'notch' beside --readout-mm; allowed: mm"),
        (["--gauge", '{"sieve": "top", "readout_mm": 3}'], "calc sieve: --gauge: measured_mm: missing"),
        (["--gauge", "{", "--gauge", "{}"], "calc sieve: --gauge (number 1): no valid JSON"),
        (["--gauge", '{"sieve":"top","measured_mm":3}'], "calc sieve: --gauge: give either `readout` (with `unit`) or"),
    ],
)
def test_sieve_names_option_or_entry(typed: list[str], says: str, capsys: Capture) -> None:
    assert says in refused(capsys, "sieve", *typed)


def test_sieve_names_the_place_in_a_list(capsys: Capture, tmp_path: Path) -> None:
    good = {"sieve": "top", "readout_mm": 3, "measured_mm": 3}
    for plain in ([good, {"sieve": "top"}], {"gauge": [good, {"sieve": "top"}]}):
        assert "[1]: measured_mm: missing" in refused(capsys, "sieve", "--from", written(tmp_path, plain))


def test_widths_that_look_swapped_get_a_hint_and_no_refusal(capsys: Capture) -> None:
    assert "are the two swapped?" in told(capsys, "concentration", "--cut", "5", "--discharge", "30")
    assert "swapped" not in told(capsys, "concentration", "--cut", "30", "--discharge", "5")
    assert "two widths are swapped" in told(capsys, "tray", *ONE, "--residue-width-m", "20")
    assert "swapped" not in told(capsys, "tray", *ONE, "--residue-width-m", "9")


def test_settings_that_are_wrong_speak_for_themselves(capsys: Capture, tmp_path: Path) -> None:
    config = tmp_path / "kit.toml"
    config.write_text("[machine]\nname = 'h'\ncut_width_m = -1\n")
    line = refused(capsys, "tray", *ONE, "--config", str(config))
    assert f"{config}: machine.cut_width_m: found -1" in line


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_takes_units_us(verb: str, capsys: Capture) -> None:
    bushel = ["--bushel-lb", "60"] if verb == "tray" else []
    for system in ("us", "metric"):
        answer = json.loads(told(capsys, verb, *VERBS[verb], *bushel, "--units", system, "--json"))
        assert answer

"""Settings and entries against sections 3 and 4 of the contract: what is taken, and one clear line for each fault."""

from __future__ import annotations

import json
import sys

import pytest

from edge.contract import entries, settings
from edge.contract.errors import EntryError, SettingsError
from tests.contract.examples import GOOD, TRAY, WHOLE

LEAST = '[machine]\nname = "Older machine"\ncut_width_m = 9\n'


def test_every_table_and_key_of_the_contract_is_taken():
    loaded = settings.parse(WHOLE)
    assert loaded.machine.lag_s == 12 and loaded.input[3].at == 31 and loaded.level[0].inverted
    assert settings.from_plain(settings.to_plain(loaded)) == loaded


def test_the_defaults_are_the_contract_s():
    loaded = settings.parse(LEAST + '[[input]]\nat = 0\nreads = "loss"\npoint = "cleaning"\nside = "centre"\n')
    assert (loaded.machine.kit, loaded.machine.width_used, loaded.machine.lag_s) == ("kit1", 1, 10)
    assert (loaded.input[0].dead_time_us, loaded.input[0].vibration_hz) == (1000, 0)
    assert (loaded.serial.baud, loaded.serial.nmea_baud) == (115_200, 9600)
    assert (loaded.mqtt.host, loaded.mqtt.port) == ("127.0.0.1", 1883)
    assert (loaded.store.keep_days, loaded.store.disk_floor_mb) == (400, 500)
    assert (loaded.dashboard.host, loaded.dashboard.port, loaded.dashboard.passenger_enters) == ("127.0.0.1", 8099, False)
    alerts = loaded.alerts
    assert (alerts.raise_p, alerts.raise_s, alerts.clear_p, alerts.clear_s) == (0.9, 3, 0.1, 60)
    assert (alerts.tray_overdue_h, alerts.gauge_overdue_h, alerts.shaft_low_pct) == (4, 50, 8)
    assert loaded.units.show == "metric"


FAULTS = {
    "a missing required key": ("cut_width_m = 9.1", "", ["machine.cut_width_m", "missing"]),
    "a misspelled key": ("cut_width_m = 9.1", "cut_width = 9.1", ["machine.cut_width", "did you mean `cut_width_m`?"]),
    "a misspelled table": ("[limits]", "[limit]", ["limit", "did you mean `limits`?"]),
    "a wrong type": ("cut_width_m = 9.1", 'cut_width_m = "9.1"', ["machine.cut_width_m", "'9.1'", "a number"]),
    "a truth value for a number": ("lag_s = 12", "lag_s = true", ["machine.lag_s", "true", "a number"]),
    "out of range": ("cut_width_m = 9.1", "cut_width_m = 31", ["machine.cut_width_m", "31", "up to 30"]),
    "at its open end": ("cut_width_m = 9.1", "cut_width_m = 0", ["machine.cut_width_m", "0", "over 0"]),
    "not a number": ("lag_s = 12", "lag_s = nan", ["machine.lag_s", "nan", "finite"]),
    "infinite": ("lag_s = 12", "lag_s = inf", ["machine.lag_s", "inf", "finite"]),
    "a wrong word": ('separator = "rotor"', 'separator = "drum"', ["machine.separator", "'drum'", "rotor", "walkers"]),
    "a misspelled word": ('separator = "rotor"', 'separator = "walker"', ["did you mean `walkers`?"]),
    "a kit name with capitals": ('kit = "kit-2"', 'kit = "Kit"', ["machine.kit", "'Kit'"]),
    "an input kind nobody knows": ('reads = "beam"', 'reads = "bean"', ["input[1].reads", "did you mean `beam`?"]),
    "a key of another kind": ("empty_pct = 22", "pulses_per_m = 22", ["input[1].pulses_per_m", "unknown"]),
    "a place twice": ("at = 4", "at = 0", ["input.at", "stands twice"]),
    "a place beyond the board": ("at = 31", "at = 32", ["input[3].at", "32", "31"]),
    "a bit twice": ("bit = 31", "bit = 0", ["level.bit", "stands twice"]),
    "a meaning twice": ('means = "threshing on"', 'means = "front down"', ["level.means", "stands twice"]),
    "a beam with full below empty": ("full_pct = 85", "full_pct = 20", ["full_pct 20", "empty_pct 22"]),
    "a password file without a user": ('username = "kit"', "", ["mqtt.password_file"]),
    "a fraction of a bit": ("bit = 31", "bit = 30.5", ["level[1].bit", "30.5", "whole number"]),
    "a table where text belongs": ('name = "wheat"', "name = {}", ["crop.name", "{}"]),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_one_line_with_file_key_found_and_allowed(name):
    was, becomes, said = FAULTS[name]
    assert was in WHOLE
    with pytest.raises(SettingsError) as caught:
        settings.parse(WHOLE.replace(was, becomes, 1), "kit.toml")
    text = str(caught.value)
    assert text.startswith("kit.toml: ") and "\n" not in text
    for part in said:
        assert part in text


def test_a_broken_file_is_one_line(tmp_path):
    for raw, said in ((b"[machine\n", "no valid TOML"), (b"\xff\xfe", "UTF-8"), (b"#" * 300_000, "bytes")):
        path = tmp_path / "kit.toml"
        path.write_bytes(raw)
        with pytest.raises(SettingsError, match=said) as caught:
            settings.load(path)
        assert "\n" not in str(caught.value)
    with pytest.raises(SettingsError, match="can't be read"):
        settings.load(tmp_path / "nowhere.toml")




@pytest.mark.parametrize("plain", GOOD, ids=lambda plain: plain["entry"])
def test_every_kind_and_key_is_taken_and_given_back_as_it_was(plain):
    entry = entries.decode(json.dumps(plain))
    back = entries.to_plain(entry)
    for key, value in plain.items():
        assert json.loads(json.dumps(back.get(key))) == value or value in ("released", "both", "none")


# From Python 3.12 on the JSON reader goes as deep as the text; the entry's own limit refuses it then.
TOO_DEEP = "no valid JSON" if sys.version_info < (3, 12) else "nested deeper than 12 levels"
BAD = {
    "no JSON": ("{", "no valid JSON"),
    "no object": ("[1]", "one JSON object"),
    "no name": ("{}", "`entry` is missing"),
    "a name nobody knows": ({"entry": "tary"}, "did you mean `tray`?"),
    "an unknown key": ({"entry": "width_used", "part": 1, "prat": 2}, "did you mean `part`?"),
    "a missing key": ({"entry": "width_used"}, "part: missing"),
    "out of range": ({"entry": "width_used", "part": 1.2}, "found 1.2; allowed: a number from 0 up to 1"),
    "not finite": ('{"entry": "note", "note": "x", "at": 1e999}', "no valid JSON"),
    "count and mass": ({"entry": "tray", "trays": [{**TRAY, "mass_g": 2}]}, "trays[0]: give `grains` or `mass_g`"),
    "neither count nor mass": ({"entry": "tray", "trays": [{"length_m": 1, "width_m": 1}]}, "trays[0]"),
    "no trays": ({"entry": "tray", "trays": []}, "a list of 1 to 64"),
    "places for some": ({"entry": "tray", "trays": [{**TRAY, "x_m": 0}, TRAY]}, "x_m"),
    "one place twice": ({"entry": "tray", "trays": [{**TRAY, "x_m": 0}, {**TRAY, "x_m": 0}]}, "x_m"),
    "a tray of no size": ({"entry": "tray", "trays": [{**TRAY, "length_m": 0}]}, "length_m: found 0"),
    "grains without a mass": ({"entry": "crop", "grains": 100}, "go together"),
    "a load of nothing": ({"entry": "load"}, "`t`, or `volume_m3` and `bulk_kg_m3`"),
    "a setting in words": ({"entry": "setting", "what": "fan_rpm", "to": "fast"}, "a number"),
    "a mill of its own": ({"entry": "setting", "what": "mill", "to": "half"}, "none, bypassed, engaged"),
    "other without a name": ({"entry": "setting", "what": "other", "to": 1}, "`name`"),
    "two readouts": ({"entry": "gauge", "sieve": "top", "readout": 1, "readout_mm": 2, "measured_mm": 3}, "readout"),
    "reopened without a reason": ({"entry": "job_reopen", "job": 1}, "the reason"),
    "a time without an offset": ({"entry": "tray_mark", "at": "2026-11-25T10:00:00"}, "offset"),
    "a time that is none": ({"entry": "tray_mark", "at": "yesterday"}, "RFC 3339"),
    "too long": ('{"entry": "note", "note": "' + "x" * 20_000 + '"}', "bytes"),
    "too deep": ('{"entry": "note", "note": ' + "[" * 5000 + "]" * 5000 + "}", TOO_DEEP),
}


@pytest.mark.parametrize("name", BAD)
def test_a_refused_entry_says_which_key_and_why_in_one_line(name):
    plain, said = BAD[name]
    with pytest.raises(EntryError) as caught:
        entries.decode(plain if isinstance(plain, str) else json.dumps(plain))
    assert said in str(caught.value) and "\n" not in str(caught.value)

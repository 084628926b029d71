"""The settings file against section 3 of the contract, line by line: keys, ranges, defaults, and one clear line a fault."""

from __future__ import annotations

import contextlib

import hypothesis.strategies as st
import pytest
from hypothesis import given
from hypothesis import settings as profile

from edge.contract import settings
from edge.contract.errors import SettingsError

MACHINE = '[machine]\nname = "m"\ncut_width_m = 9.1\n'
LOSS = '[[input]]\nat = 0\nreads = "loss"\npoint = "separator"\nside = "left"\n'
WHOLE = """
[machine]
name = "Alte Maschine, größer"
cut_width_m = 9.1
kit = "kit-7"
width_used = 0.5
lag_s = 12
separator = "walkers"
pre_sieve = "adjustable"
fan = "cross-flow"
returns_to = "sieves"
sieve_guards = []
[crop]
name = "Weizen 冬小麦"
tgw_g = 0.5
yield_t_ha = 40
moisture_pct = 60
price_per_t = 0
trash_discount = 1.5
cracked_discount = 2
[limits]
loss_kg_ha = 60.0
loss_pct = 1.5
returns_pct = 70
[[input]]
at = 31
reads = "loss"
point = "cleaning"
side = "centre"
dead_time_us = 20000
vibration_hz = 2.5
[[input]]
at = 4
reads = "beam"
empty_pct = 22
full_pct = 85
full_t_h = 12
[[input]]
at = 5
reads = "ground"
pulses_per_m = 9.87
[[input]]
at = 6
reads = "shaft"
shaft = "fan"
pulses_per_rev = 2
[[level]]
bit = 31
means = "front down"
inverted = true
[[level]]
bit = 0
means = "threshing on"
[serial]
port = "socket://127.0.0.1:7000"
baud = 57600
nmea_port = "/dev/ttyUSB1"
nmea_baud = 4800
[mqtt]
host = "broker.example"
port = 8883
username = "kit"
password_file = "/etc/secret"
tls_ca_file = "/etc/ca.pem"
[store]
path = "/tmp/x"
keep_days = 30
disk_floor_mb = 100
[dashboard]
host = "0.0.0.0"
port = 80
pin_file = "/etc/pin"
allowed_hosts = ["kit.local"]
passenger_enters = true
[alerts]
raise_p = 0.95
raise_s = 5
clear_p = 0.05
clear_s = 30
tray_overdue_h = 2
gauge_overdue_h = 20
shaft_low_pct = 10
[costs]
hourly = 300
weather_hourly = 40
[[crop_data]]
name = "lupin"
tgw_g = 140
bushel_lb = 60
bulk_kg_m3 = 770
kernel_width_mm = 6
moisture_pct = 12
[units]
show = "us"
"""


def test_every_table_with_every_key_is_taken_and_nothing_is_changed():
    found = settings.parse(WHOLE)
    assert found.machine.name == "Alte Maschine, größer" and found.crop.name == "Weizen 冬小麦"
    assert found.machine.lag_s == 12.0 and found.alerts.shaft_low_pct == 10.0
    assert [one.at for one in found.input] == [31, 4, 5, 6]
    assert found.level[0].inverted and not found.level[1].inverted
    assert settings.from_plain(settings.to_plain(found)) == found


def test_the_smallest_file_has_the_defaults_of_the_contract():
    found = settings.parse(MACHINE)
    machine = found.machine
    assert (machine.kit, machine.width_used, machine.lag_s) == ("kit1", 1.0, 10.0)
    assert (machine.separator, machine.pre_sieve, machine.fan, machine.returns_to) == (None,) * 4
    assert found.crop is None and found.input == () and found.level == ()
    assert (found.limits.loss_kg_ha, found.limits.loss_pct, found.limits.returns_pct) == (None,) * 3
    assert (found.serial.port, found.serial.baud, found.serial.nmea_baud) == (None, 115_200, 9600)
    assert (found.mqtt.host, found.mqtt.port, found.mqtt.username) == ("127.0.0.1", 1883, None)
    assert (found.store.path, found.store.keep_days, found.store.disk_floor_mb) == (None, 400, 500)
    board = found.dashboard
    assert (board.host, board.port, board.pin_file, board.passenger_enters) == ("127.0.0.1", 8099, None, False)
    alerts = found.alerts
    assert (alerts.raise_p, alerts.raise_s, alerts.clear_p, alerts.clear_s) == (0.9, 3, 0.1, 60)
    assert (alerts.tray_overdue_h, alerts.gauge_overdue_h, alerts.shaft_low_pct) == (4, 50, 8)
    assert (found.costs.hourly, found.costs.weather_hourly, found.units.show) == (None, None, "metric")


def test_inputs_with_only_the_required_keys_have_the_defaults_of_the_contract():
    found = settings.parse(
        MACHINE + LOSS + '[[input]]\nat = 1\nreads = "beam"\n[[input]]\nat = 2\nreads = "ground"\npulses_per_m = 1\n'
        '[[input]]\nat = 3\nreads = "shaft"\nshaft = "fan"\n[[level]]\nbit = 0\nmeans = "front down"\n'
        '[crop]\nname = "x"\n[[crop_data]]\nname = "y"\n'
    )
    loss, beam, _, shaft = found.input
    assert (loss.dead_time_us, loss.vibration_hz) == (1000, 0)
    assert (beam.empty_pct, beam.full_pct, beam.full_t_h) == (0, 100, None)
    assert shaft.pulses_per_rev == 1 and not found.level[0].inverted


REQUIRED = {
    "machine.name": "[machine]\ncut_width_m = 9\n",
    "machine.cut_width_m": '[machine]\nname = "m"\n',
    "crop.name": MACHINE + "[crop]\ntgw_g = 38\n",
    "input[0].at": MACHINE + '[[input]]\nreads = "beam"\n',
    "input[0].reads": MACHINE + "[[input]]\nat = 0\n",
    "input[0].point": MACHINE + '[[input]]\nat = 0\nreads = "loss"\nside = "left"\n',
    "input[0].side": MACHINE + '[[input]]\nat = 0\nreads = "loss"\npoint = "cleaning"\n',
    "input[0].pulses_per_m": MACHINE + '[[input]]\nat = 0\nreads = "ground"\n',
    "input[0].shaft": MACHINE + '[[input]]\nat = 0\nreads = "shaft"\n',
    "level[0].bit": MACHINE + '[[level]]\nmeans = "front down"\n',
    "level[0].means": MACHINE + "[[level]]\nbit = 0\n",
    "crop_data[0].name": MACHINE + "[[crop_data]]\ntgw_g = 38\n",
    "machine": '[crop]\nname = "x"\n',
}


def refused(text: str) -> str:
    """The one line that refuses a settings file called `kit.toml`."""
    with pytest.raises(SettingsError) as fault:
        settings.parse(text, "kit.toml")
    said = str(fault.value)
    assert said.startswith("kit.toml: ") and "\n" not in said and len(said) < 600
    return said


@pytest.mark.parametrize("key", REQUIRED)
def test_a_missing_required_key_is_named(key):
    said = refused(REQUIRED[key])
    assert f"{key}: missing; required: " in said


UNKNOWN = [
    ("[machin]\n", "machin", "machine"),
    (MACHINE + "cut_witdh_m = 3\n", "machine.cut_witdh_m", "cut_width_m"),
    (MACHINE + "[crop]\nname = 'x'\nTGW_g = 3\n", "crop.TGW_g", "tgw_g"),
    (MACHINE + LOSS + "dead_time_ms = 1\n", "input[0].dead_time_ms", "dead_time_us"),
    (MACHINE + "[[level]]\nbit = 0\nmeaning = 'front down'\n", "level[0].meaning", "means"),
    (MACHINE + "[limits]\nloss_kg_h = 1\n", "limits.loss_kg_h", "loss_kg_ha"),
    (MACHINE + "[serial]\nbauds = 9600\n", "serial.bauds", "baud"),
    (MACHINE + "[mqtt]\npassword = 'x'\n", "mqtt.password", "password_file"),
    (MACHINE + "[store]\nkeep_day = 3\n", "store.keep_day", "keep_days"),
    (MACHINE + "[dashboard]\npin_fil = 'x'\n", "dashboard.pin_fil", "pin_file"),
    (MACHINE + "[alerts]\nraise_P = 0.5\n", "alerts.raise_P", "raise_p"),
    (MACHINE + "[costs]\nhourly_cost = 3\n", "costs.hourly_cost", "hourly"),
    (MACHINE + "[[crop_data]]\nname = 'x'\nbushel = 3\n", "crop_data[0].bushel", "bushel_lb"),
    (MACHINE + "[units]\nshown = 'us'\n", "units.shown", "show"),
    (MACHINE + "[inputs]\nat = 1\n", "inputs", "input"),
]


@pytest.mark.parametrize(("text", "key", "meant"), UNKNOWN, ids=[key for _, key, _ in UNKNOWN])
def test_an_unknown_key_is_named_with_the_one_that_was_meant(text, key, meant):
    said = refused(text)
    assert f"{key}: unknown key (did you mean `{meant}`?); allowed: " in said


def test_a_key_like_no_other_gets_no_guess():
    assert "did you mean" not in refused(MACHINE + "zzzzqqq = 1\n")


def in_table(table: str, key: str, value: str) -> str:
    head = {
        "machine": '[machine]\nname = "m"\n' if key == "cut_width_m" else MACHINE,
        "crop": MACHINE + '[crop]\nname = "x"\n', "loss": MACHINE + LOSS, "beam": MACHINE + '[[input]]\nat = 1\nreads = "beam"\n',
        "ground": MACHINE + '[[input]]\nat = 1\nreads = "ground"\n', "crop_data": MACHINE + '[[crop_data]]\nname = "x"\n',
        "shaft": MACHINE + '[[input]]\nat = 1\nreads = "shaft"\nshaft = "fan"\n',
        "level": MACHINE + '[[level]]\nmeans = "front down"\n',
    }  # fmt: skip
    return head.get(table, f"{MACHINE}[{table}]\n") + f"{key} = {value}\n"


# (table, key, lowest allowed, just below, highest allowed, just above); None: the contract names no bound.
RANGES = [
    ("machine", "cut_width_m", "0.001", "0", "30", "30.01"),
    ("machine", "width_used", "0", "-0.01", "1", "1.01"),
    ("machine", "lag_s", "0", "-0.1", "60", "60.1"),
    ("crop", "tgw_g", "0.5", "0.49", "2000", "2000.1"),
    ("crop", "yield_t_ha", "0", "-0.1", "40", "40.1"),
    ("crop", "moisture_pct", "0", "-1", "60", "60.1"),
    ("crop", "price_per_t", "0", "-1", None, None),
    ("loss", "dead_time_us", "0", "-1", "20000", "20001"),
    ("loss", "vibration_hz", "0", "-1", None, None),
    ("level", "bit", "0", "-1", "31", "32"),
    ("ground", "pulses_per_m", None, "0", None, None),
    ("shaft", "pulses_per_rev", None, "0", None, None),
    ("limits", "loss_pct", "0", "-1", "100", "100.1"),
    ("limits", "loss_kg_ha", "0", "-1", None, None),
    ("mqtt", "port", "1", "0", "65535", "65536"),
    ("dashboard", "port", "1", "0", "65535", "65536"),
    ("store", "keep_days", None, "0", None, None),
    ("alerts", "raise_p", None, "0", None, "1"),
    ("costs", "hourly", "0", "-1", None, None),
]


@pytest.mark.parametrize(("table", "key", "low", "below", "high", "above"), RANGES, ids=[f"{row[0]}.{row[1]}" for row in RANGES])
def test_ranges_of_the_contract_hold_to_their_ends(table, key, low, below, high, above):
    for value in (low, high):
        if value is not None:
            settings.parse(in_table(table, key, value))
    for value in (below, above, "nan", "inf", "-inf", "true", '"text"', "[1]", "2024-01-01"):
        if value is not None:
            said = refused(in_table(table, key, value))
            assert f".{key}: found " in said and "; allowed: a " in said


CHOICES = {
    "separator": ["rotor", "walkers"],
    "pre_sieve": ["none", "fixed", "adjustable"],
    "fan": ["cross-flow", "other"],
    "returns_to": ["thresher", "sieves"],
}


@pytest.mark.parametrize("key", CHOICES)
def test_choices_are_the_contract_s(key):
    for choice in CHOICES[key]:
        settings.parse(in_table("machine", key, f'"{choice}"'))
    said = refused(in_table("machine", key, '"Rotor"'))
    assert f"machine.{key}: found 'Rotor'" in said and "; allowed: " in said
    for choice in CHOICES[key]:
        assert choice in said


@pytest.mark.parametrize("kit", ["A", "a b", "ä", "", "a" * 33, "a/b", "+", "#"])
def test_a_kit_s_name_fits_into_a_topic(kit):
    assert "machine.kit: found " in refused(in_table("machine", "kit", f'"{kit}"'))


def test_a_kit_s_name_ends_without_a_line_break():
    refused(in_table("machine", "kit", '"kit1\\n"'))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (MACHINE + LOSS + LOSS, "input.at: 0 stands twice"),
        (MACHINE + 2 * '[[level]]\nbit = 3\nmeans = "front down"\n', "level.bit: 3 stands twice"),
        (
            MACHINE + '[[level]]\nbit = 3\nmeans = "front down"\n[[level]]\nbit = 4\nmeans = "front down"\n',
            "level.means: 'front down' stands twice",
        ),
        (MACHINE + '[[input]]\nat = 1\nreads = "beam"\nempty_pct = 50\nfull_pct = 50\n', "full_pct"),
        (MACHINE + '[mqtt]\npassword_file = "x"\n', "mqtt.password_file"),
        (MACHINE + '[[input]]\nat = 1\nreads = "los"\n', "input[0].reads: found 'los' (did you mean `loss`?)"),
    ],
)
def test_clashes_are_one_clear_line(text, said):
    assert said in refused(text)


def test_a_guard_rail_of_an_unknown_name_is_refused():
    said = refused(MACHINE + 'sieve_guards = ["no-such-guard"]\n')
    assert "sieve_guards" in said and "no-such-guard" in said


def test_a_shaft_may_have_any_name():
    """Contract: `shaft` R text. Topics carry it, so signs of MQTT are no names."""
    text = MACHINE + '[[input]]\nat = 1\nreads = "shaft"\nshaft = "Gebläse"\n'
    assert settings.parse(text).input[0].shaft == "Gebläse"


def test_clearing_above_raising_is_a_clash():
    assert "clear_p" in refused(MACHINE + "[alerts]\nraise_p = 0.2\nclear_p = 0.8\n")


@pytest.mark.parametrize("number", ["9" * 5000, "-" + "9" * 5000, "0x" + "F" * 5000], ids=["decimal", "negative", "hex"])
def test_a_number_too_long_to_read_is_one_clear_line(number):
    refused(MACHINE + f"[limits]\nloss_kg_ha = {number}\n")


@pytest.mark.parametrize("number", ["9" * 400, "1e400", "-1e400", "0b" + "1" * 80])
def test_a_huge_number_is_out_of_range(number):
    assert "found " in refused(MACHINE + f"[mqtt]\nport = {number}\n")


@pytest.mark.parametrize("depth", [13, 100, 50_000])
def test_deep_nesting_is_one_clear_line(depth):
    refused(MACHINE + "x = " + "[" * depth + "]" * depth + "\n")


def test_a_key_with_a_line_break_is_still_one_line():
    refused(MACHINE + '"a\\nb" = 1\n')


def test_no_file_no_utf8_and_too_large_are_one_clear_line_each(tmp_path):
    path = tmp_path / "kit.toml"
    for content, said in ((b"\xff\xfe", "UTF-8"), (b"#" * 300_000, "300000 bytes"), (b"[machine", "no valid TOML")):
        path.write_bytes(content)
        with pytest.raises(SettingsError, match=said) as fault:
            settings.load(path)
        assert str(path) in str(fault.value) and "\n" not in str(fault.value)
    for missing in (tmp_path / "nowhere.toml", tmp_path):
        with pytest.raises(SettingsError, match="can't be read"):
            settings.load(missing)


def test_the_store_s_folder_follows_the_contract_s_order(monkeypatch, tmp_path):
    found = settings.parse(MACHINE)
    monkeypatch.setenv("HOME", str(tmp_path))
    for name in ("STATE_DIRECTORY", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    assert settings.state_directory(found) == tmp_path / ".local/state/tailgrain"
    monkeypatch.setenv("XDG_STATE_HOME", "/xdg")
    assert str(settings.state_directory(found)) == "/xdg/tailgrain"
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/tailgrain")
    assert str(settings.state_directory(found)) == "/var/lib/tailgrain"
    assert str(settings.state_directory(settings.parse(MACHINE + '[store]\npath = "/data"\n'))) == "/data"


VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=10), st.sampled_from(["loss", "beam"])),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["machine", "crop", "limits", "input", "level", "serial", "mqtt", "store", "dashboard", "alerts", "crop_data", "units", "x"]
)


def toml(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case None:
            return '""'
        case float():
            return "nan" if value != value else f"{value!r}"
        case int():
            return str(value)
        case list():
            return "[" + ", ".join(map(toml, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{toml(str(key))} = {toml(one)}" for key, one in value.items()) + "}"
    return '"' + "".join(f"\\U{ord(sign):08X}" for sign in str(value) if not 0xD800 <= ord(sign) < 0xE000) + '"'


@given(st.dictionaries(KEYS, VALUES, max_size=4))
@profile(max_examples=150)
def test_any_toml_is_settings_or_one_settings_error(tables):
    text = "\n".join(f"{key} = {toml(value)}" for key, value in tables.items())
    with contextlib.suppress(SettingsError):
        settings.parse(text)

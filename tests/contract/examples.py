"""Every table and key of the settings, and good entries of every kind, as the contract names them."""

from __future__ import annotations

from edge.contract import entries

WHOLE = """
[machine]
name = "Older rotor machine"
cut_width_m = 9.1
kit = "kit-2"
width_used = 0.9
lag_s = 12
separator = "rotor"
pre_sieve = "adjustable"
fan = "cross-flow"
returns_to = "thresher"
sieve_guards = []
[crop]
name = "wheat"
tgw_g = 38
yield_t_ha = 2.6
moisture_pct = 11
price_per_t = 300
trash_discount = 1.5
cracked_discount = 0.5
[limits]
loss_kg_ha = 60
loss_pct = 2.0
returns_pct = 70
[[input]]
at = 0
reads = "loss"
point = "separator"
side = "left"
dead_time_us = 400
vibration_hz = 0.2
[[input]]
at = 4
reads = "beam"
empty_pct = 22
full_pct = 85
full_t_h = 4.5
[[input]]
at = 5
reads = "ground"
pulses_per_m = 9.87
[[input]]
at = 31
reads = "shaft"
shaft = "fan"
pulses_per_rev = 2
[[level]]
bit = 0
means = "front down"
inverted = true
[[level]]
bit = 31
means = "threshing on"
[serial]
port = "/dev/ttyUSB0"
baud = 57600
nmea_port = "socket://127.0.0.1:2000"
nmea_baud = 4800
[mqtt]
host = "127.0.0.1"
port = 1884
username = "kit"
password_file = "/x"
tls_ca_file = "/y"
[store]
path = "/z"
keep_days = 30
disk_floor_mb = 100
[dashboard]
host = "0.0.0.0"
port = 8100
pin_file = "/p"
allowed_hosts = ["kit.local"]
passenger_enters = true
[alerts]
raise_p = 0.8
raise_s = 4
clear_p = 0.2
clear_s = 50
tray_overdue_h = 3
gauge_overdue_h = 40
shaft_low_pct = 9
[costs]
hourly = 300
weather_hourly = 20
[[crop_data]]
name = "emmer"
tgw_g = 40
bushel_lb = 60
bulk_kg_m3 = 700
kernel_width_mm = 3.1
moisture_pct = 13
[units]
show = "us"
"""

TRAY = {"length_m": 1.0, "width_m": 0.5, "grains": 100}
GOOD = [
    {"entry": "crop", "name": "barley", "tgw_g": 44, "yield_t_ha": 3, "moisture_pct": 12, "price_per_t": 250},
    {"entry": "crop", "grains": 200, "mass_g": 7.6, "trash_discount": 1, "cracked_discount": 0.5},
    {"entry": "limit", "loss_kg_ha": 50, "loss_pct": None, "returns_pct": 70},
    {"entry": "tray_mark", "by": "Driver"},
    {"entry": "tray", "trays": [TRAY], "residue_width_m": 9},
    {
        "entry": "tray",
        "trays": [
            {**TRAY, "x_m": -2, "heads_grains": 3},
            {"length_m": 1, "width_m": 0.5, "mass_g": 3, "heads_mass_g": 0, "x_m": 2},
        ],
        "residue_width_m": 9, "laid": "ground", "catches": "separator", "mill": "bypassed", "mark": 1,
        "before_harvest": {"grains": 3, "area_m2": 1}, "front": {"grains": 9, "area_m2": 1}, "at": 1790000000.5,
    },
    {"entry": "gauge", "sieve": "top", "readout": 12, "unit": "notch", "measured_mm": [9, 9.5], "opened_to_mm": 15},
    {"entry": "gauge", "sieve": "pre", "readout_mm": 12, "measured_mm": 9},
    *({"entry": "setting", "what": what, "to": 5.0} for what in entries.SETTING_UNITS if what not in ("mill", "other")),
    {"entry": "setting", "what": "mill", "to": "engaged", "from": "none"},
    {"entry": "setting", "what": "other", "name": "deflector", "to": "up", "from": "down"},
    {"entry": "width_used", "part": 0.5},
    {"entry": "residue", "chopper": True, "spreader": False, "residue_width_m": 8},
    {"entry": "load", "t": 7.5},
    {"entry": "load", "volume_m3": 9, "bulk_kg_m3": 780},
    {"entry": "sample", "cracked_pct": 1, "trash_pct": 0.5, "unthreshed_pct": 0},
    {"entry": "returns_look", "clean_grain": "some", "unthreshed_heads": "none", "chaff": "much"},
    {"entry": "returns_catch", "mass_kg": 2, "seconds": 10},
    {"entry": "ground_run", "metres": 100, "pulses": 987},
    {"entry": "idle_run", "seconds": 30},
    {"entry": "job_start", "client": "Client", "paddock": "North", "machine": "Older machine", "operator": "D"},
    {"entry": "job_finish", "harvested_t": 100, "area_ha": 40},
    {"entry": "job_reopen", "job": 1, "note": "rain stopped us"},
    {"entry": "ack", "alert": "side-imbalance/cleaning"},
    {"entry": "shelve", "alert": "loss-over-limit", "minutes": 30},
    {"entry": "note", "note": "héllo 🌾 \u0001", "at": "2026-11-25T10:00:00+01:00"},
]  # fmt: skip

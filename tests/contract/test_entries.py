"""Operator entries against section 4 of the contract: every kind, what is refused, and the one line that says why."""

from __future__ import annotations

import contextlib
import json
import math

import hypothesis.strategies as st
import pytest
from hypothesis import given
from hypothesis import settings as profile

from edge.contract import entries, settings
from edge.contract.errors import EntryError
from edge.reckon.reckoner import Reckoner
from tests.kits.settings import kit_toml, loss

TRAY = {"length_m": 0.5, "width_m": 0.6, "grains": 40}
COMMON = {"at": 1_790_000_000.5, "by": "Jörg 收割", "note": "trocken €"}

# Each kind with all its keys, as section 4 names them.
WHOLE = {
    "crop": {
        "name": "wheat", "tgw_g": 38, "yield_t_ha": 2.6, "moisture_pct": 11, "price_per_t": 300, "trash_discount": 1,
        "cracked_discount": 2,
    },
    "limit": {"loss_kg_ha": 60, "loss_pct": 1.5, "returns_pct": 70},
    "tray_mark": {},
    "tray": {
        "trays": [
            {"grains": 40, "heads_grains": 3, "length_m": 0.5, "width_m": 0.6, "x_m": -1.5},
            {"mass_g": 1.4, "heads_mass_g": 0.2, "length_m": 0.5, "width_m": 0.6, "x_m": 0},
        ],
        "residue_width_m": 9, "laid": "ahead", "catches": "separator", "mill": "bypassed", "mark": 3,
        "before_harvest": {"grains": 4, "area_m2": 1}, "front": {"grains": 9, "area_m2": 1},
    },
    "gauge": {"sieve": "pre", "readout": 12, "unit": "notch", "measured_mm": [11.5, 12.1], "opened_to_mm": 18},
    "setting": {"what": "other", "name": "tailboard", "to": 3, "from": 2},
    "width_used": {"part": 0.5},
    "residue": {"chopper": True, "spreader": False, "residue_width_m": 9},
    "load": {"volume_m3": 8, "bulk_kg_m3": 770},
    "sample": {"cracked_pct": 1, "trash_pct": 0.5, "unthreshed_pct": 0},
    "returns_look": {"clean_grain": "none", "unthreshed_heads": "some", "chaff": "much"},
    "returns_catch": {"mass_kg": 12, "seconds": 10},
    "ground_run": {"metres": 100, "pulses": 987},
    "idle_run": {"seconds": 30},
    "job_start": {"client": "c", "paddock": "p", "machine": "m", "operator": "o"},
    "job_finish": {"client": "c", "paddock": "p", "machine": "m", "operator": "o", "harvested_t": 12, "area_ha": 4},
    "job_reopen": {"job": 1},
    "ack": {"alert": "input-silent/3"},
    "shelve": {"alert": "loss-over-limit", "minutes": 10},
    "note": {},
    "strike_out": {"seq": 12, "why": "typed in centimetres"},
}  # fmt: skip

# Each kind with the least it can carry.
LEAST = {
    "crop": {"name": "wheat"}, "limit": {"loss_pct": 1}, "tray_mark": {}, "tray": {"trays": [TRAY]},
    "gauge": {"sieve": "top", "readout_mm": 12, "measured_mm": 11}, "setting": {"what": "fan_rpm", "to": 820},
    "width_used": {"part": 0}, "residue": {"chopper": False}, "load": {"t": 6}, "sample": {"trash_pct": 1},
    "returns_look": {"chaff": "some"}, "returns_catch": {"mass_kg": 12, "seconds": 10},
    "ground_run": {"metres": 100, "pulses": 987}, "idle_run": {"seconds": 30}, "job_start": {}, "job_finish": {},
    "job_reopen": {"job": 1, "note": "weighed again"}, "ack": {"alert": "no-data"},
    "shelve": {"alert": "no-data", "minutes": 5}, "note": {"note": "x"},
    "strike_out": {"n": 2, "why": "x"},
}  # fmt: skip

MISSING = [
    ("tray", "trays"), ("gauge", "sieve"), ("gauge", "measured_mm"), ("setting", "what"), ("setting", "to"),
    ("width_used", "part"), ("returns_catch", "mass_kg"), ("returns_catch", "seconds"), ("ground_run", "metres"),
    ("ground_run", "pulses"),
    ("idle_run", "seconds"), ("job_reopen", "job"), ("ack", "alert"), ("shelve", "alert"), ("shelve", "minutes"),
    ("note", "note"),
]  # fmt: skip


def refused(entry: object) -> str:
    """The one line that refuses an entry."""
    with pytest.raises(EntryError) as fault:
        entries.from_plain(entry)
    said = str(fault.value)
    assert "\n" not in said and 10 < len(said) < 600
    return said


@pytest.mark.parametrize("kind", WHOLE)
def test_every_kind_is_taken_with_all_its_keys_and_nothing_is_changed(kind):
    plain = {"entry": kind, **COMMON, **WHOLE[kind]}
    entry = entries.decode(json.dumps(plain))
    assert entries.kind_of(entry) == kind
    kept = entries.to_plain(entry)
    assert json.loads(json.dumps(kept)) == plain
    assert entries.from_plain(kept) == entry


@pytest.mark.parametrize("kind", LEAST)
def test_every_kind_is_taken_with_its_least(kind):
    assert entries.kind_of(entries.from_plain({"entry": kind, **LEAST[kind]})) == kind


def test_the_kinds_are_the_contract_s():
    said = refused({"entry": "nothing"})
    assert said.split("allowed: ")[1].split(", ") == list(WHOLE)


@pytest.mark.parametrize("kind", WHOLE)
def test_unknown_keys_are_refused_by_name(kind):
    said = refused({"entry": kind, **LEAST[kind], "notes": "x"})
    assert said.startswith(f"{kind}: notes: unknown key (did you mean `note`?); allowed: ")


@pytest.mark.parametrize(("kind", "key"), MISSING)
def test_a_missing_key_is_named(kind, key):
    said = refused({"entry": kind, **{name: value for name, value in LEAST[kind].items() if name != key}})
    assert said.startswith(f"{kind}: {key}: missing; required: ")


# (kind, key, values allowed, values refused)
RANGES = [
    ("crop", "tgw_g", (0.5, 2000), (0.4, 2001)),
    ("crop", "yield_t_ha", (0, 40), (-1, 40.1)),
    ("crop", "moisture_pct", (0, 60), (-1, 61)),
    ("crop", "price_per_t", (0,), (-1,)),
    ("limit", "loss_pct", (0, 100), (-1, 101)),
    ("width_used", "part", (0, 1), (-0.01, 1.01)),
    ("sample", "trash_pct", (0, 100), (-1, 101)),
    ("returns_catch", "seconds", (1,), (0, -1)),
    ("ground_run", "metres", (1,), (0, -1)),
    ("ground_run", "pulses", (1,), (0, -1)),
    ("load", "t", (0.1,), (-1,)),
    ("shelve", "minutes", (1,), (0, -1)),
    ("job_reopen", "job", (1,), (0, -1, 1.5)),
    ("idle_run", "seconds", (1, 10, 3600), (0, -1, 3601)),
]


@pytest.mark.parametrize(("kind", "key", "good", "bad"), RANGES, ids=[f"{row[0]}.{row[1]}" for row in RANGES])
def test_ranges_hold_to_their_ends(kind, key, good, bad):
    for value in good:
        entries.from_plain({"entry": kind, **LEAST[kind], key: value})
    for value in (*bad, math.nan, math.inf, True, "text", [1], {"a": 1}):
        said = refused({"entry": kind, **LEAST[kind], key: value})
        assert said.startswith(f"{kind}: {key}: found ") and "; allowed: " in said


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"entry": "crop"}, "crop: nothing given"),
        ({"entry": "crop", "grains": 200}, "`grains` and `mass_g` go together"),
        ({"entry": "crop", "tgw_g": 38, "grains": 200, "mass_g": 7}, "not both"),
        ({"entry": "crop", "grains": 200, "mass_g": 700}, "TGW of 3500"),
        ({"entry": "limit"}, "limit: nothing given"),
        ({"entry": "sample"}, "sample: nothing given"),
        ({"entry": "returns_look"}, "returns_look: nothing given"),
        ({"entry": "residue"}, "residue: nothing given"),
        ({"entry": "load"}, "give `t`, or `volume_m3` and `bulk_kg_m3`"),
        ({"entry": "load", "t": 1, "volume_m3": 2, "bulk_kg_m3": 700}, "give `t`"),
        ({"entry": "load", "volume_m3": 2}, "give `t`"),
        ({"entry": "gauge", "sieve": "top", "measured_mm": 3}, "readout"),
        ({"entry": "gauge", "sieve": "top", "measured_mm": 3, "readout": 3, "readout_mm": 3}, "readout"),
        ({"entry": "gauge", "sieve": "top", "measured_mm": [], "readout": 3}, "measured_mm: found []"),
        ({"entry": "gauge", "sieve": "side", "measured_mm": 3, "readout": 3}, "sieve: found 'side'"),
        ({"entry": "setting", "what": "fan", "to": 3}, "setting: what: found 'fan'"),
        ({"entry": "setting", "what": "fan_rpm", "to": "fast"}, "setting: to: found 'fast'"),
        ({"entry": "setting", "what": "fan_rpm", "to": 1, "from": "slow"}, "setting: from: found 'slow'"),
        ({"entry": "setting", "what": "lag_s", "to": 61}, "0 to 60"),
        ({"entry": "setting", "what": "mill", "to": "on"}, "none, bypassed, engaged"),
        ({"entry": "setting", "what": "other", "to": 1}, "`name`"),
        ({"entry": "setting", "what": "fan_rpm", "to": 1, "name": "x"}, "`name`"),
        ({"entry": "job_reopen", "job": 1}, "the reason"),
        ({"entry": "job_reopen", "job": 1, "note": "  "}, "the reason"),
        ({"entry": "note", "note": ""}, "note: note: found ''"),
        ({"entry": "ack", "alert": "Loss Over"}, "alert: found 'Loss Over'"),
        ({"entry": "tray", "trays": []}, "tray: trays: found []"),
        (
            {"entry": "gauge", "sieve": "top", "readout_mm": 3, "measured_mm": 400},
            "found 400; allowed: a number from 0 up to 200; one, or up to 64 of them",
        ),
        ({"entry": "tray", "trays": [{**TRAY, "mass_g": 1}]}, "trays[0]: give `grains` or `mass_g`"),
        ({"entry": "tray", "trays": [{"length_m": 1, "width_m": 1}]}, "trays[0]: give `grains` or `mass_g`"),
        ({"entry": "tray", "trays": [{**TRAY, "heads_grains": 1, "heads_mass_g": 1}]}, "trays[0]: give `heads_grains`"),
        ({"entry": "tray", "trays": [TRAY, {**TRAY, "x_m": 1}]}, "for all or for none"),
        ({"entry": "tray", "trays": [{**TRAY, "x_m": 1}, {**TRAY, "x_m": 1}]}, "same place"),
        ({"entry": "tray", "trays": [{**TRAY, "length_m": 0}]}, "trays[0].length_m: found 0"),
        ({"entry": "tray", "trays": [{**TRAY, "grains": -1}]}, "trays[0].grains: found -1"),
        ({"entry": "tray", "trays": [TRAY], "laid": "thrown"}, "laid: found 'thrown'"),
        ({"entry": "tray", "trays": [TRAY], "front": {"grains": 1}}, "front.area_m2: missing"),
        ({"entry": "tray", "trays": [TRAY], "mark": 0}, "mark: found 0"),
        ([], "found list"), ("note", "found str"), (None, "found NoneType"), ({}, "`entry` is missing"),
        ({"entry": 5}, "found 5"), ({"entry": None}, "missing"), ({"entry": ["note"]}, "found ['note']"),
        ({"entry": "Note", "note": "x"}, "(did you mean `note`?)"),
    ],
)  # fmt: skip
def test_what_is_refused_says_which_key_and_why(entry, said):
    assert said in refused(entry)


def test_an_entry_that_is_no_json_is_one_clear_line():
    for raw in ("", "{", "{}{}", "nul", '{"entry": NaN}', b"\xff", '{"entry":"note","note":"\\ud800"}', "[" * 5000, "1" * 5000):
        with pytest.raises(EntryError) as fault:
            entries.decode(raw)
        assert "\n" not in str(fault.value)
    with pytest.raises(EntryError, match="bytes; allowed: up to"):
        entries.decode('{"entry": "note", "note": "' + "x" * 20_000 + '"}')


def test_a_key_with_a_line_break_is_still_one_line():
    refused({"entry": "note", "note": "x", "a\nb": 1})


@pytest.mark.parametrize(
    ("at", "epoch"),
    [
        (0, 0), (1_790_000_000.25, 1_790_000_000.25), ("2026-09-21T14:13:20Z", 1_790_000_000),
        ("2026-09-21T14:13:20.250Z", 1_790_000_000.25), ("2026-09-21T16:13:20+02:00", 1_790_000_000),
        ("2026-09-21T04:43:20-09:30", 1_790_000_000),
    ],
)  # fmt: skip
def test_a_moment_is_epoch_seconds_or_rfc_3339(at, epoch):
    assert entries.epoch_s(entries.from_plain({"entry": "tray_mark", "at": at}).at) == epoch


@pytest.mark.parametrize(
    "at", ["", "now", "2026-09-21", "14:13:20Z", "2026-09-21T14:13:20", "2026-13-21T14:13:20Z", -1, 1e300, 4e10, True, None, [1]]
)
def test_any_other_moment_is_refused(at):
    assert "at: found " in refused({"entry": "tray_mark", "at": at})


def test_rfc_3339_allows_a_small_z_and_a_small_t():
    """RFC 3339, 5.6: T and Z may alternatively be lower case."""
    assert entries.epoch_s("2026-09-21t14:13:20z") == 1_790_000_000


KIT = kit_toml([loss("separator", "left")], levels=(), name="m")
STAMP_MS = 1_790_000_000_000


def kit(more: str = "", *earlier: dict) -> Reckoner:
    reckoner = Reckoner(settings.parse(KIT + more))
    for entry in earlier:
        made = reckoner.admit(entries.from_plain(entry), STAMP_MS)
        reckoner.learn(made, STAMP_MS)
    return reckoner


def admit(reckoner: Reckoner, entry: dict) -> entries.Entry:
    return reckoner.admit(entries.from_plain({"entry": "tray", **entry}), STAMP_MS)


WHEAT = '[crop]\nname = "wheat"\ntgw_g = 38\n'


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"trays": [TRAY], "residue_width_m": 6}, "TGW"),
        ({"trays": [{**TRAY, "grains": None}]}, "grains"),
        ({"trays": [{"length_m": 1, "width_m": 1, "mass_g": 2, "heads_grains": 4}], "residue_width_m": 6}, "TGW"),
    ],
)
def test_grains_without_a_tgw_are_refused(entry, said):
    with pytest.raises(EntryError, match=said):
        admit(kit(), entry)


def test_a_weighed_tray_needs_no_tgw():
    admit(kit(), {"trays": [{"length_m": 1, "width_m": 1, "mass_g": 2}], "residue_width_m": 6})


def test_x_past_half_the_residue_width_is_refused():
    reckoner = kit(WHEAT)
    admit(reckoner, {"trays": [{**TRAY, "x_m": 3}], "residue_width_m": 6})
    with pytest.raises(EntryError, match=r"trays\[0\].x_m: found 3.01"):
        admit(reckoner, {"trays": [{**TRAY, "x_m": 3.01}], "residue_width_m": 6})


def test_a_residue_width_must_come_from_somewhere():
    with pytest.raises(EntryError, match="residue_width_m: missing"):
        admit(kit(WHEAT), {"trays": [TRAY]})
    admit(kit(WHEAT, {"entry": "residue", "residue_width_m": 6}), {"trays": [TRAY]})
    admit(kit(WHEAT), {"trays": [TRAY], "laid": "ground", "front": {"grains": 3, "area_m2": 1}})
    admit(kit(WHEAT), {"trays": [{**TRAY, "width_m": 9}]})  # as wide as the cut: wider than any discharge


def test_a_tray_carries_its_mark_s_time_and_an_unknown_mark_is_refused():
    reckoner = kit(WHEAT, {"entry": "tray_mark", "at": 1_790_000_123.5})
    assert admit(reckoner, {"trays": [TRAY], "residue_width_m": 6, "mark": 1}).at == 1_790_000_123.5
    with pytest.raises(EntryError, match="mark: found 2; allowed: 1 to 1"):
        admit(reckoner, {"trays": [TRAY], "residue_width_m": 6, "mark": 2})
    with pytest.raises(EntryError, match="no mark was set yet"):
        admit(kit(WHEAT), {"trays": [TRAY], "residue_width_m": 6, "mark": 1})


def test_marks_are_numbered_from_1():
    reckoner = kit()
    for number in (1, 2, 3):
        entry = entries.from_plain({"entry": "tray_mark"})
        assert reckoner.learn(reckoner.admit(entry, STAMP_MS), STAMP_MS) == {"mark": number}


def test_a_new_crop_name_clears_the_rest_and_the_same_name_keeps_it():
    reckoner = kit('[crop]\nname = "wheat"\ntgw_g = 38\nyield_t_ha = 3\nprice_per_t = 300\n')
    reckoner.learn(entries.from_plain({"entry": "crop", "name": "wheat", "moisture_pct": 12}), STAMP_MS)
    now = reckoner.now
    assert (now.tgw_g, now.yield_t_ha, now.price_per_t, now.moisture_pct) == (38, 3, 300, 12)
    reckoner.learn(entries.from_plain({"entry": "crop", "price_per_t": 310}), STAMP_MS)
    assert (now.tgw_g, now.price_per_t) == (38, 310)
    reckoner.learn(entries.from_plain({"entry": "crop", "name": "no such crop"}), STAMP_MS)
    assert (now.crop, now.tgw_g, now.yield_t_ha, now.price_per_t, now.moisture_pct) == ("no such crop", None, None, None, None)


def test_a_crop_s_tgw_may_be_counted_and_weighed():
    reckoner = kit()
    reckoner.learn(entries.from_plain({"entry": "crop", "name": "x", "grains": 200, "mass_g": 7.6}), STAMP_MS)
    assert reckoner.now.tgw_g == pytest.approx(38)


def test_entries_override_settings_from_their_time_on():
    reckoner = kit('[limits]\nloss_kg_ha = 60\nreturns_pct = 70\n[[input]]\nat = 5\nreads = "ground"\npulses_per_m = 10\n')
    now = reckoner.now
    for entry in (
        {"entry": "limit", "loss_kg_ha": 40},
        {"entry": "width_used", "part": 0.5},
        {"entry": "setting", "what": "lag_s", "to": 14},
        {"entry": "ground_run", "metres": 100, "pulses": 1100},
    ):
        reckoner.learn(entries.from_plain(entry), STAMP_MS)
    assert (now.loss_kg_ha, now.returns_pct, now.width_used, now.lag_s, now.pulses_per_m) == (40, 70, 0.5, 14, 11)


def test_setting_changes_are_numbered_with_lag_and_know_where_they_came_from():
    reckoner = kit()
    for entry in (
        {"what": "fan_rpm", "to": 820, "from": 860}, {"what": "lag_s", "to": 12}, {"what": "fan_rpm", "to": 840},
        {"what": "other", "name": "vane", "to": "high"},
    ):  # fmt: skip
        reckoner.learn(entries.from_plain({"entry": "setting", **entry}), STAMP_MS)
    assert [(one.n, one.what, one.was, one.to) for one in reckoner.now.changes] == [
        (1, "fan_rpm", 860, 820), (2, "lag_s", 10, 12), (3, "fan_rpm", 820, 840), (4, "other", None, "high"),
    ]  # fmt: skip


VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.sampled_from(["top", "both"])),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)),
    max_leaves=5,
)


@given(st.sampled_from(sorted(WHOLE)), st.data())
@profile(max_examples=200)
def test_any_object_is_an_entry_or_one_entry_error(kind, data):
    keys = ["at", "by", "note", *WHOLE[kind], *LEAST[kind]]
    drawn = data.draw(st.dictionaries(st.sampled_from(keys), VALUES, max_size=3))
    with contextlib.suppress(EntryError):
        entries.from_plain({"entry": kind, **LEAST[kind], **drawn})

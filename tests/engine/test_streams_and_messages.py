"""One table of streams: what is measured is kept in a column and published in `live`, and the two never differ."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from edge.contract import entries, settings
from edge.contract.flags import Flag
from edge.engine import messages
from edge.engine.engine import Engine, Nowhere
from edge.engine.streams import STREAMS
from edge.keep.store import Store
from edge.reckon.figures import Figures
from tests.kits.settings import FRONT, FULL, THRESHING
from tests.kits.wire import START_MS, count_line, nmea_line

# The `live` object as the contract prints it (section 6): what stands here may be added to, never taken away.
LIVE: dict[str, Any] = {
    "t": str, "state": str, "speed_kmh": float, "area_rate_ha_h": float,
    "loss": {"kg_ha": float, "low": float, "high": float, "pct": float, "t_h": float, "value_h": float, "over_limit_p": float},
    "points": {
        "separator": {"kg_ha": float, "low": float, "high": float, "left_share": float},
        "cleaning": {"kg_ha": float, "low": float, "high": float, "left_share": float},
    },
    "pulses_per_s": {"separator": float, "cleaning": float},
    "returns": {"pct": float, "t_h": float},
    "shafts": {"fan": float, "rotor": float},
    "calibration": {
        "state": str, "factor_mg_per_pulse": {"separator": float, "cleaning": float}, "tests": int, "age_s": float,
    },
    "position": {"lat": float, "lon": float},
    "flags": list,
}  # fmt: skip
STATES = {"working", "turning", "filling", "idle", "no data"}


class Drive:
    """An engine over a store, a sentence a second; every second's figures and its `live` object as decoded JSON."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "kit.db"
        self.store = Store(self.path)
        self.store.begin_run(START_MS, {}, "test", "0")
        self.engine = Engine(settings.parse(FULL), self.store, Nowhere())
        self.figures: list[Figures] = []
        self.live: list[dict[str, Any]] = []
        self.engine.on_figures.append(self._hear)
        self.second = 0
        self.counts = [0] * 7

    def _hear(self, figures: Figures) -> None:
        self.figures.append(figures)
        self.live.append(json.loads(messages.encode(messages.live(figures)), parse_constant=pytest.fail))

    @property
    def stamp_ms(self) -> int:
        return START_MS + self.second * 1000

    def run(self, seconds: int, levels: int = FRONT | THRESHING, metres: float = 2.0) -> Drive:
        for _ in range(seconds):
            self.second += 1
            steps = (16, 14, 20, round(metres * 10), 400, 14, 12)
            self.counts = [count + step for count, step in zip(self.counts, steps, strict=True)]
            line = count_line(self.second, self.second * 1000, *self.counts, levels=levels)
            self.engine.take_line(self.stamp_ms, line)
        self.engine.close_silent(self.stamp_ms + 250)
        return self

    def silence(self, seconds: int) -> Drive:
        self.second += seconds
        self.engine.close_silent(self.stamp_ms + 250)
        return self

    def enter(self, **entry: Any) -> None:
        self.engine.take_entry(self.stamp_ms, entries.from_plain(entry))

    def tray(self) -> Drive:
        trays = [{"mass_g": 8.0, "length_m": 1.0, "width_m": 3.0}]
        self.enter(entry="tray", residue_width_m=9.0, trays=trays, at=self.stamp_ms / 1000 - 6)
        return self

    def rows(self) -> list[dict[str, Any]]:
        """What was kept, once the store is closed."""
        self.store.close()
        connection = sqlite3.connect(self.path)
        connection.row_factory = sqlite3.Row
        try:
            return [dict(row) for row in connection.execute("SELECT * FROM second ORDER BY number")]
        finally:
            connection.close()


def a_day(folder: Path) -> Drive:
    """Every state, without a calibration and with one."""
    drive = Drive(folder).run(5, THRESHING).run(60).tray().run(10)
    drive.enter(entry="returns_catch", mass_kg=12, seconds=30)
    drive.engine.take_line(drive.stamp_ms, nmea_line("GPRMC,101500.00,A,4807.038,N,01131.000,E,003.9,084.4,210926,,,A"))
    drive.run(10).run(20, THRESHING).run(30).run(5, 0, 0.0).silence(6).run(3)
    assert {one.state for one in drive.figures} == STATES
    return drive


def at_path(live: Any, path: str) -> Any:
    for key in path.split("."):
        if live is None:
            return None
        live = live[key]
    return live


def leaves(live: dict[str, Any], below: str = "") -> set[str]:
    found: set[str] = set()
    for key, value in live.items():
        path = f"{below}{key}"
        found |= leaves(value, path + ".") if isinstance(value, dict) and value else {path}
    return found


# ---------------------------------------------------------------- streams


def test_every_stream_has_its_column_and_no_column_is_without_a_stream(tmp_path):
    """In any order: what was added later stands behind the others in the database, wherever it stands in the table."""
    Store(tmp_path / "kit.db").close()
    connection = sqlite3.connect(tmp_path / "kit.db")
    columns = [(row[1], row[2]) for row in connection.execute("PRAGMA table_info(second)")]
    connection.close()
    assert columns[:3] == [("run", "INTEGER"), ("number", "INTEGER"), ("t", "INTEGER")]
    assert sorted(columns[3:]) == sorted((stream.name, stream.sql) for stream in STREAMS)


def test_streams_are_named_once_and_say_their_unit():
    assert len({stream.name for stream in STREAMS}) == len(STREAMS)
    assert all(re.fullmatch("[a-z][a-z0-9_]*", stream.name) for stream in STREAMS)
    assert not {stream.name for stream in STREAMS} & {"run", "number", "t", "time", "job"}
    published = [stream.published for stream in STREAMS if stream.published]
    assert len(set(published)) == len(published)
    for stream in STREAMS:
        assert stream.unit or stream.sql == "TEXT", stream.name
        for ending, unit in {"_kg_ha": "kg/ha", "_kmh": "km/h", "_pct": "%", "_t_h": "t/h", "_m": "m", "_m2": "m2"}.items():
            if stream.name.endswith(ending):
                assert stream.unit == unit, stream.name


def test_what_is_kept_is_what_was_published_in_every_state(tmp_path):
    drive = a_day(tmp_path)
    rows = drive.rows()
    assert len(rows) == len(drive.live) and [row["number"] for row in rows] == [one.number for one in drive.figures]
    for row, live in zip(rows, drive.live, strict=True):
        for stream in STREAMS:
            if stream.published and stream.sql == "REAL":
                assert row[stream.name] == at_path(live, stream.published), stream.name
        assert row["state"] == live["state"] and row["calibration_state"] == live["calibration"]["state"]
        assert row["flags"] == "; ".join(live["flags"])
        shafts = dict(one.split("=") for one in row["shafts"].split(";"))
        assert {name: None if text == "None" else float(text) for name, text in shafts.items()} == live["shafts"]


def test_every_figure_of_live_is_kept(tmp_path):
    """Only what follows from the record itself (time, the factor, its tests and age) has no column of its own."""
    live = a_day(tmp_path).live[60]
    kept = {stream.published for stream in STREAMS}
    contract = leaves({key: live[key] for key in LIVE})
    missing = {path for path in contract if path not in kept and not any(path.startswith(one + ".") for one in kept if one)}
    assert {path for path in missing if not path.startswith("calibration.")} == {"t"}


# ---------------------------------------------------------------- live


def check_shape(found: dict[str, Any], wanted: dict[str, Any], where: str = "live") -> None:
    assert set(wanted) <= set(found), where
    for key, kind in wanted.items():
        value = found[key]
        if isinstance(kind, dict):
            if value is None:
                assert key == "loss", f"{where}.{key}"
            elif key != "factor_mg_per_pulse" or value:
                check_shape(value, kind, f"{where}.{key}")
        elif kind is float:
            assert value is None or (isinstance(value, (int, float)) and not isinstance(value, bool)), f"{where}.{key}"
        else:
            assert isinstance(value, kind), f"{where}.{key}"


def test_live_has_the_keys_of_the_contract_in_every_state(tmp_path):
    for live in a_day(tmp_path).live:
        check_shape(live, LIVE)
        assert live["state"] in STATES and live["calibration"]["state"] in {"none", "rough", "good", "stale"}
        assert set(live["points"]) == set(live["pulses_per_s"]) == {"separator", "cleaning"}
        assert live["t"].endswith(".000Z") and len(live["t"]) == len("2026-09-21T14:13:20.000Z")
        assert all(any(flag == word or flag.startswith(word + " ") for word in Flag) for flag in live["flags"]), live["flags"]


def test_loss_is_given_while_working_and_filling_and_null_otherwise(tmp_path):
    for live in a_day(tmp_path).live:
        assert (live["loss"] is not None) is (live["state"] in ("working", "filling")), live["t"]


def test_without_a_calibration_every_loss_figure_is_null_and_the_pulse_rates_are_there(tmp_path):
    live = Drive(tmp_path).run(40).live[-1]
    calibration = live["calibration"]
    assert live["state"] == "working"
    assert (calibration["state"], calibration["tests"], calibration["age_s"]) == ("none", 0, None)
    assert calibration["factor_mg_per_pulse"] == {}
    assert set(live["loss"].values()) == {None}
    for point in live["points"].values():
        assert (point["kg_ha"], point["low"], point["high"]) == (None, None, None)
    # Dead-time corrected by hand, 1 ms: 16 / (1 - 0.016) + 14 / (1 - 0.014), 20 / (1 - 0.020).
    assert live["pulses_per_s"] == {"separator": pytest.approx(30.4590, abs=1e-4), "cleaning": pytest.approx(20.4082, abs=1e-4)}


def test_with_a_calibration_the_figures_hang_together(tmp_path):
    live = Drive(tmp_path).run(60).tray().run(30).live[-1]
    loss, points = live["loss"], live["points"]
    assert loss["low"] < loss["kg_ha"] < loss["high"] and 0 <= loss["over_limit_p"] <= 1
    assert loss["kg_ha"] == pytest.approx(points["separator"]["kg_ha"] + points["cleaning"]["kg_ha"])
    assert live["area_rate_ha_h"] == pytest.approx(live["speed_kmh"] * 9 / 10)
    assert loss["t_h"] == pytest.approx(loss["kg_ha"] * live["area_rate_ha_h"] / 1000)
    assert loss["value_h"] == pytest.approx(200 * loss["t_h"])
    assert loss["pct"] == pytest.approx(100 * loss["kg_ha"] / (5000 + loss["kg_ha"]))
    assert points["separator"]["left_share"] == pytest.approx(16 / 30, abs=0.002)
    assert live["shafts"] == {"fan": pytest.approx(840), "rotor": pytest.approx(720)}
    assert live["returns"] == {"pct": pytest.approx(40), "t_h": None}


def test_what_nobody_knows_is_null_and_never_0(tmp_path):
    drive = Drive(tmp_path).run(60).tray().run(10)
    live = drive.live[-1]
    assert live["position"] == {"lat": None, "lon": None}  # no receiver
    assert live["returns"]["t_h"] is None  # no catch
    assert live["points"]["cleaning"]["left_share"] is None  # one sensor in the middle
    silent = drive.silence(6).live[-1]
    assert silent["state"] == "no data"
    assert silent["speed_kmh"] is silent["area_rate_ha_h"] is silent["loss"] is silent["returns"]["pct"] is None
    assert set(silent["shafts"].values()) == set(silent["pulses_per_s"].values()) == {None}
    for point in silent["points"].values():
        assert point["kg_ha"] is None
    assert drive.rows()[-1]["speed_kmh"] is None


def test_without_limit_price_and_yield_what_needs_them_is_null(tmp_path):
    drive = Drive(tmp_path).run(60).tray().run(10)
    drive.enter(entry="crop", name="barley", tgw_g=45)
    drive.enter(entry="limit", loss_kg_ha=None)
    live = drive.run(5).live[-1]
    assert live["calibration"]["state"] == "stale"
    assert live["loss"]["kg_ha"] > 0 and live["loss"]["t_h"] > 0
    assert live["loss"]["pct"] is live["loss"]["value_h"] is live["loss"]["over_limit_p"] is None


def test_of_two_limits_the_tighter_is_compared_with(tmp_path):
    drive = Drive(tmp_path).run(60).tray().run(10)
    drive.enter(entry="limit", loss_kg_ha=60, loss_pct=1.0)  # 1 % of 5 t/ha in the tank: 50.5 kg/ha
    assert drive.run(1).figures[-1].limit_kg_ha == pytest.approx(5000 / 99)
    assert (drive.live[-1]["limit_basis"], drive.live[-1]["limit_pct"]) == ("pct", 1.0)
    loose = drive.live[-1]["loss"]["over_limit_p"]
    drive.enter(entry="limit", loss_kg_ha=20)
    assert drive.run(1).figures[-1].limit_kg_ha == 20
    assert (drive.live[-1]["limit_basis"], drive.live[-1]["limit_pct"]) == ("kg_ha", pytest.approx(100 * 20 / 5020))
    assert drive.live[-1]["loss"]["over_limit_p"] > loose


@pytest.mark.parametrize(
    ("epoch_ms", "text"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (951_782_400_001, "2000-02-29T00:00:00.001Z"),
        (START_MS + 999, "2026-09-21T14:13:20.999Z"),
    ],
)
def test_times_are_rfc_3339_with_milliseconds(epoch_ms, text):
    assert messages.rfc3339_ms(epoch_ms) == text


def test_a_number_that_is_none_does_not_reach_the_wire_as_a_word():
    assert json.loads(messages.encode({"v": float("nan")}), parse_constant=pytest.fail) == {"v": None}

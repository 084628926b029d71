"""Exports read by others: pandas for csv and parquet, RFC 7946 for the track, RFC 8428 for senml; and files that stay whole."""

from __future__ import annotations

import csv
import json
import math
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pandas as pd
import pyarrow.parquet as pq
import pytest

from edge.commands import cli
from edge.contract import settings
from edge.contract.errors import StoreError, WrongInput
from edge.engine.streams import STREAMS
from edge.export import columns, csvpart, write
from edge.export.columns import SENML
from edge.keep import jobs, places, readonly
from edge.playback.replay import replay
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import write_capture

EPOCH = 1_790_000_000
WHOLE = {"run", "number", "t", "job"}

# RFC 7946: GeoJSON objects as sections 3 to 3.3 define them, as far as a track uses them.
POSITION = {
    "type": "array",
    "prefixItems": [{"type": "number", "minimum": -180, "maximum": 180}, {"type": "number", "minimum": -90, "maximum": 90}],
    "items": False,
    "minItems": 2,
}
GEOJSON: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "required": ["type", "features"],
    "properties": {
        "type": {"const": "FeatureCollection"},
        "coordinates": False, "geometries": False, "geometry": False, "properties": False, "crs": False,
        "features": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["type", "geometry", "properties"],
                "properties": {
                    "type": {"const": "Feature"},
                    "coordinates": False, "geometries": False, "features": False,
                    "properties": {"type": ["object", "null"]},
                    "geometry": {
                        "oneOf": [
                            {"type": "null"},
                            {
                                "type": "object", "required": ["type", "coordinates"],
                                "properties": {"type": {"const": "Point"}, "coordinates": POSITION},
                            },
                            {
                                "type": "object", "required": ["type", "coordinates"],
                                "properties": {
                                    "type": {"const": "LineString"},
                                    "coordinates": {"type": "array", "minItems": 2, "items": POSITION},
                                },
                            },
                        ]
                    },
                },
            },
        },
    },
}  # fmt: skip

# Units that RFC 8428 registers (section 12.1), without those marked as not recommended.
REGISTERED = (
    "m kg s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 m/s m/s2 m3/s W/m2 cd/m2 bit bit/s "
    "lat lon pH dB dBW count / %RH %EL EL 1/s S/m B VA VAs var vars J/m"
)
SENML_UNITS = set(REGISTERED.split())


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Twenty minutes with a position receiver, as a capture and as the database of its replay."""
    folder = tmp_path_factory.mktemp("export")
    scenario = load("walkers").with_(seed=7, minutes=20)
    capture, config, database = folder / "day.tgcap.gz", folder / "kit.toml", folder / "day.db"
    write_capture(Simulation(scenario), capture, EPOCH)
    config.write_text(scenario.settings_toml())
    replay(capture, settings.load(config), store=database)
    return {"capture": capture, "config": config, "database": database}


@pytest.fixture(scope="module")
def kept(source) -> list[dict[str, Any]]:
    connection = sqlite3.connect(source["database"])
    connection.row_factory = sqlite3.Row
    try:
        return [dict(row) for row in connection.execute("SELECT * FROM second ORDER BY run, number")]
    finally:
        connection.close()


def same(value: Any, was: Any) -> bool:
    """Whether a reader's value is the kept one; NaN and None are unknown."""
    if was is None:
        return value is None or (isinstance(value, float) and math.isnan(value)) or value is pd.NaT
    return value == was


# ---------------------------------------------------------------- csv


def test_csv_gives_back_every_digit_to_pandas(source, kept, tmp_path):
    out = tmp_path / "seconds.csv"
    assert write.export(source["database"], "csv", out) == len(kept) > 1000
    frame = pd.read_csv(out, keep_default_na=False, na_values=[""])
    assert list(frame.columns) == [one.name for one in columns.columns()]
    for name in frame.columns:
        if name not in ("time", "job"):
            told = frame[name].astype(object).where(frame[name].notna(), None)
            wanted = [None if row[name] == "" else row[name] for row in kept]
            assert all(same(value, was) for value, was in zip(told, wanted, strict=True)), name
    times = pd.to_datetime(frame["time"], utc=True)
    assert [moment.timestamp() for moment in times] == [row["t"] for row in kept]
    assert frame["lat"].notna().mean() > 0.9


def test_the_job_of_each_row_is_the_one_that_was_open(source, tmp_path):
    out = tmp_path / "seconds.csv"
    write.export(source["database"], "csv", out)
    frame = pd.read_csv(out)
    with readonly.opened(source["database"]) as db:
        [job] = jobs.jobs(db)
    inside = frame[frame["job"] == 1]["number"]
    assert (inside.min(), inside.max()) == (job.stretches[0].first, job.stretches[-1].last)
    assert len(inside) == sum(one.last - one.first + 1 for one in job.stretches)
    assert write.export(source["database"], "csv", out, job=1) == len(inside)
    with pytest.raises(WrongInput, match="job: found 2; allowed: 1 to 1"):
        write.export(source["database"], "csv", out, job=2)


@pytest.mark.parametrize("name", ['fan "big"', "fan, left", "nullfan", "a,null,b", "lüfter\n2", "\\fan", "],[", "]\n["])
def test_texts_that_csv_must_quote_come_back_as_they_were(source, tmp_path, name):
    database = tmp_path / "odd.db"
    database.write_bytes(source["database"].read_bytes())
    connection = sqlite3.connect(database, isolation_level=None)
    connection.execute("UPDATE second SET shafts = ? WHERE number % 100 = 7", (f"{name}=870.5",))
    connection.close()
    out = tmp_path / "odd.csv"
    write.export(database, "csv", out)
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert all(row["shafts"] == f"{name}=870.5" for row in rows if int(row["number"]) % 100 == 7)
    assert all(row["loss_kg_ha"] != "null" for row in rows) and {len(row) for row in rows} == {len(columns.columns())}


# ---------------------------------------------------------------- parquet


def test_parquet_gives_back_every_digit_to_pandas_and_names_its_units(source, kept, tmp_path):
    out = tmp_path / "seconds.parquet"
    assert write.export(source["database"], "parquet", out) == len(kept)
    frame = pd.read_parquet(out)
    assert str(frame["time"].dtype).startswith("datetime64") and str(frame["time"].dt.tz) == "UTC"
    for stream in STREAMS:
        assert all(same(value, row[stream.name]) for value, row in zip(frame[stream.name], kept, strict=True)), stream.name
    schema = pq.read_schema(out)
    for one in columns.columns():
        told = schema.field(one.name).metadata
        assert (told[b"unit"].decode(), told[b"about"].decode()) == (one.unit, one.about)


def test_without_pyarrow_it_is_one_clear_line_and_no_file(source, tmp_path, monkeypatch):
    import builtins

    real = builtins.__import__

    def missing(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("pyarrow"):
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(WrongInput, match=r"pyarrow is missing.*tailgrain\[parquet\]"):
        write.export(source["database"], "parquet", tmp_path / "x.parquet")
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- geojson


def track(source: dict[str, Path], out: Path, position: places.Position) -> list[dict[str, Any]]:
    count = write.export(source["database"], "geojson", out, position)
    found = json.loads(out.read_text())
    jsonschema.validate(found, GEOJSON, cls=jsonschema.Draft202012Validator)
    assert len(found["features"]) == count > 100
    features: list[dict[str, Any]] = found["features"]
    return features


def test_the_track_is_geojson_and_goes_where_the_machine_went(source, kept, tmp_path):
    features = track(source, tmp_path / "track.geojson", "exact")
    lines = [one for one in features if one["geometry"] and one["geometry"]["type"] == "LineString"]
    assert len(lines) > 100
    where = {(round(row["lon"], 7), round(row["lat"], 7)) for row in kept if row["lat"] is not None}
    assert all(tuple(place) in where for one in lines for place in one["geometry"]["coordinates"])
    spans = [(one["properties"]["from_number"], one["properties"]["to_number"]) for one in features]
    assert spans[0][0] == 1 and spans[-1][1] == len(kept)
    assert all(before[1] + 1 == after[0] for before, after in zip(spans, spans[1:], strict=False))  # each second once
    area = sum(one["properties"]["area_ha"] for one in features)
    assert area == pytest.approx(sum(row["area_m2"] for row in kept) / 10_000)


def test_the_loss_on_the_track_is_that_seen_a_lag_later(source, kept, tmp_path):
    by_number = {row["number"]: row for row in kept}
    features = track(source, tmp_path / "track.geojson", "exact")
    told = [one["properties"] for one in features if one["properties"]["loss_kg_ha"] is not None]
    assert len(told) > 50
    for one in told:
        lag = round(one["lag_s"])
        numbers = range(one["from_number"], one["to_number"] + 1)
        pairs = [(by_number[n]["area_m2"], by_number.get(n + lag, {}).get("loss_kg_ha")) for n in numbers]
        known = [(area, loss) for area, loss in pairs if loss is not None and area > 0]
        assert one["loss_kg_ha"] == pytest.approx(sum(a * b for a, b in known) / sum(a for a, _ in known))


def test_coarse_positions_lie_on_a_grid_and_none_are_none(source, kept, tmp_path):
    coarse = track(source, tmp_path / "coarse.geojson", "coarse")
    spots = {tuple(one["geometry"]["coordinates"]) for one in coarse if one["geometry"]}
    assert {one["geometry"]["type"] for one in coarse if one["geometry"]} == {"Point"} and 1 <= len(spots) <= 4
    lat, lon = next((row["lat"], row["lon"]) for row in kept if row["lat"] is not None)
    assert all(abs(spot[1] - lat) <= 0.011 and abs(spot[0] - lon) <= 0.02 for spot in spots)
    assert all(round(value, 2) == value for spot in spots for value in spot)
    assert all(one["geometry"] is None for one in track(source, tmp_path / "none.geojson", "none"))


@pytest.mark.parametrize("kind", write.KINDS)
@pytest.mark.parametrize("position", ["coarse", "none"])
def test_an_exact_position_is_in_no_export_that_should_not_hold_it(source, kept, tmp_path, kind, position):
    out = tmp_path / f"x.{kind}"
    write.export(source["database"], kind, out, position)
    if kind == "parquet":
        frame = pd.read_parquet(out)
        assert ("lat" in frame.columns) == (position == "coarse")
        text = frame.to_csv()
    else:
        text = out.read_text()
    for row in kept[:: len(kept) // 50]:
        if row["lat"] is not None:
            assert f"{row['lat']:.5f}"[:-1] not in text and f"{row['lon']:.5f}"[:-1] not in text


# ---------------------------------------------------------------- senml


def resolved(records: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """RFC 8428, section 4.6: base values put into each record."""
    base: dict[str, Any] = {}
    out = []
    for record in records:
        base |= {key: value for key, value in record.items() if key in ("bn", "bt", "bu")}
        time = base.get("bt", 0) + record.get("t", 0)
        told = {key: record[key] for key in ("u", "v", "vs") if key in record}
        out.append({"n": base.get("bn", "") + record.get("n", ""), "t": time, **told})
    return out


def test_senml_keeps_the_rules_of_rfc_8428(source, tmp_path):
    out = tmp_path / "x.senml"
    count = write.export(source["database"], "senml", out)
    records = json.loads(out.read_text())
    assert len(records) == count
    allowed = {"bn", "bt", "n", "u", "v", "vs", "t"}
    for record in records:
        assert set(record) <= allowed
        assert ("v" in record) != ("vs" in record)  # one value each (section 4.2)
        assert "u" not in record or record["u"] in SENML_UNITS
        assert not isinstance(record.get("v", 0.0), bool) and math.isfinite(record.get("v", 0.0))
        assert abs(record["t"]) < 2**28  # relative to the base time (section 4.5.3)
    full = resolved(records)
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", one["n"]) for one in full)  # section 4.5.1
    assert all(one["t"] >= 2**28 for one in full)  # absolute once resolved
    times = [one["t"] for one in full]
    assert times == sorted(times)  # chronological (section 4.6)


def test_senml_resolves_to_the_kept_values(source, kept, tmp_path):
    out = tmp_path / "x.senml"
    write.export(source["database"], "senml", out)
    by_name: dict[str, dict[float, Any]] = {}
    for one in resolved(json.loads(out.read_text())):
        by_name.setdefault(one["n"].split("/", 1)[1], {})[one["t"]] = one.get("v", one.get("vs"))
    for name, told in SENML.items():
        wanted = {row["t"]: row[name] for row in kept if row[name] is not None}
        if isinstance(next(iter(wanted.values()), None), str):
            state = None
            for t, value in wanted.items():  # texts are told when they change
                state = by_name[told.name].get(t, state)
                assert state == value
        else:
            assert by_name.get(told.name, {}) == {t: value * told.factor for t, value in wanted.items()}, name
    assert max(by_name["speed"].values()) < 4  # m/s, not km/h
    assert 0 < max(by_name["loss_of_crop"].values()) < 0.3  # a share, not percent


# ---------------------------------------------------------------- files


def test_the_source_and_what_is_no_export_are_never_written_over(source, tmp_path):
    for path in (source["database"], source["capture"], source["config"]):
        before = path.read_bytes()
        with pytest.raises(WrongInput, match="-o: .*; allowed: another file"):
            write.export(source["database"], "csv", path)
        assert path.read_bytes() == before
    link = tmp_path / "link.csv"
    link.symlink_to(source["database"])
    with pytest.raises(WrongInput, match="is the source"):
        write.export(source["database"], "csv", link)
    with pytest.raises(WrongInput, match="is a folder"):
        write.export(source["database"], "csv", tmp_path)


def test_an_earlier_export_is_replaced_whole_or_not_at_all(source, tmp_path):
    out = tmp_path / "x.csv"
    out.write_text("earlier")
    calls = []

    def stop(done: int, whole: int) -> None:
        calls.append((done, whole))
        if done > 600:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write.export(source["database"], "csv", out, on_progress=stop)
    assert out.read_text() == "earlier" and [one.name for one in tmp_path.iterdir()] == ["x.csv"]
    assert calls[-1][0] > 600 and calls[-1][1] > 1000
    write.export(source["database"], "csv", out)
    assert out.read_text().startswith("time,run")


@pytest.mark.parametrize("content", [b"", b"no database at all" * 100])
def test_a_source_that_is_no_database_is_one_line(tmp_path, content):
    bad = tmp_path / "bad.db"
    bad.write_bytes(content)
    with pytest.raises((StoreError, WrongInput), match=r"bad\.db"):
        write.export(bad, "csv", tmp_path / "x.csv")
    assert not (tmp_path / "x.csv").exists()


def test_a_folder_that_takes_no_file_is_one_line(source, tmp_path):
    with pytest.raises(StoreError, match="can't be written"):
        write.export(source["database"], "csv", tmp_path / "none" / "x.csv")


# ---------------------------------------------------------------- the command


@pytest.fixture
def tailgrain(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def run(*arguments: object) -> tuple[int, str, str]:
        status = cli.run([str(one) for one in arguments])
        told = capsys.readouterr()
        return status, told.out, told.err

    return run


def test_the_command_writes_each_kind_of_a_database(tailgrain, source, tmp_path):
    for kind in write.KINDS:
        status, out, err = tailgrain("export", source["database"], kind, "-o", tmp_path / f"x.{kind}")
        assert (status, err) == (0, "") and f"x.{kind}: " in out


def test_a_capture_gives_the_same_file_as_the_database_of_its_replay(tailgrain, source, tmp_path):
    status, _, err = tailgrain("export", source["capture"], "csv", "-o", tmp_path / "a.csv", "--config", source["config"])
    assert status == 0, err
    tailgrain("export", source["database"], "csv", "-o", tmp_path / "b.csv")
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["xml"], "export: found 'xml'; allowed: csv, geojson, parquet, senml"),
        (["csv", "--position", "near"], "--position: found 'near'; allowed: exact, coarse, none"),
        (["csv", "--config", "kit.toml"], "--config: given with a database"),
        (["csv", "--job", "9"], "job: found 9; allowed: 1 to 1"),
    ],
)
def test_wrong_use_is_one_line_and_status_2(tailgrain, source, tmp_path, more, says):
    status, out, err = tailgrain("export", source["database"], *more, "-o", tmp_path / "x")
    assert status == 2 and says in err and err.count("\n") == 1 and not out
    assert not (tmp_path / "x").exists()


def test_a_capture_without_settings_is_refused(tailgrain, source, tmp_path):
    status, _, err = tailgrain("export", source["capture"], "csv", "-o", tmp_path / "x")
    assert status == 2 and "--config: missing" in err


# ---------------------------------------------------------------- documented columns


def test_the_page_of_columns_is_current_and_names_every_one(tailgrain):
    page = Path(columns.__file__).with_name(columns.PAGE).read_text()
    assert page == columns.page(), "write it anew: python -m edge.export.columns > edge/export/columns.md"
    for one in columns.columns():
        assert f"| `{one.name}` | {one.unit} |" in page and one.about
    status, out, _ = tailgrain("export", "--columns")
    assert status == 0 and out == page


def test_units_of_columns_are_those_of_the_streams():
    by_name = {one.name: one for one in columns.columns()}
    assert {stream.name: stream.unit for stream in STREAMS} == {stream.name: by_name[stream.name].unit for stream in STREAMS}
    assert set(SENML) <= {stream.name for stream in STREAMS}
    assert {one.unit for one in SENML.values() if one.unit} <= SENML_UNITS


def test_many_rows_are_written_by_helpers_and_give_the_same_file(source, tmp_path, monkeypatch):
    write.export(source["database"], "csv", tmp_path / "alone.csv")
    monkeypatch.setattr(csvpart, "HELPED_FROM", 1)
    monkeypatch.setattr(csvpart.os, "cpu_count", lambda: 3)
    heard = []
    for position in places.POSITIONS:
        out = tmp_path / "helped.csv"
        count = write.export(source["database"], "csv", out, position, on_progress=lambda *told: heard.append(told))
        assert count > 1000 and heard[-1][0] == count
    write.export(source["database"], "csv", tmp_path / "helped.csv")
    assert (tmp_path / "helped.csv").read_bytes() == (tmp_path / "alone.csv").read_bytes()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["alone.csv", "helped.csv"]


def test_a_helper_that_fails_leaves_no_file_and_no_process(source, tmp_path, monkeypatch, capfd):
    monkeypatch.setattr(csvpart, "HELPED_FROM", 1)
    monkeypatch.setattr(csvpart.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(csvpart, "_path", lambda db: str(tmp_path / "gone.db"))
    with pytest.raises(StoreError, match="helper"):
        write.export(source["database"], "csv", tmp_path / "x.csv")
    assert list(tmp_path.iterdir()) == []


def test_shares_cover_every_row_once():
    queries = [csvpart.Query("a", [1, 1, 10], 10), csvpart.Query("b", [2, 5, 5], 1), csvpart.Query("c", [3, 1, 90], 90)]
    for helpers in (1, 2, 3, 4, 7):
        shares = csvpart._shared(queries, helpers, 101)
        covered = [(one.values[0], n) for share in shares for one in share for n in range(one.values[1], one.values[2] + 1)]
        assert covered == [(q.values[0], n) for q in queries for n in range(q.values[1], q.values[2] + 1)]
        assert len(shares) <= helpers

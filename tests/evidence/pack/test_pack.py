"""What a pack holds and what it says: figures that the kit gave, one client's data alone, positions as asked for."""

from __future__ import annotations

import base64
import gzip
import json
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pypdf
import pytest
from freezegun import freeze_time

from edge.commands.cli import run
from edge.contract.errors import WrongInput
from edge.evidence import packs
from edge.evidence.pack import packfile
from edge.evidence.recount import facts
from edge.evidence.verify import check
from edge.keep import signing
from tests.kits.packs import (
    EPOCH,
    FIRST,
    NOTE,
    SECOND,
    SPOT,
    Kept,
    Reader,
    data_of,
    everything,
    figures_of,
    make,
    number,
    resigned,
)

HEADS = (
    "How much was lost?", "How sure is that?", "What was changed?", "Did it help?", "The work", "Loss", "Loss over time",
    "Loss over the ground", "How loss is spread", "Setting changes and verdicts", "Tray tests and factors", "Sieve gauge checks",
    "Returns and tank samples", "Alerts and what was done", "Notes", "How sure the figures are", "Data quality",
    "How it is measured", "Cautions", "Proof",
)  # fmt: skip


def record(kept: Kept, kind: str) -> list[dict[str, Any]]:
    connection = sqlite3.connect(f"file:{kept.database}?mode=ro", uri=True)
    try:
        rows = connection.execute("SELECT body FROM record WHERE kind = ? ORDER BY seq", (kind,))
        return [json.loads(body) for (body,) in rows]
    finally:
        connection.close()


def test_everything_a_client_asks_for_has_its_place(pack: bytes) -> None:
    page = Reader(pack)
    assert [head for head in HEADS if head not in page.heads] == []
    for words in (
        FIRST, "North block", "Ann", "wheat", "Older rotor machine", "cross-flow", "not a legal-for-trade measurement", NOTE,
        "front loss and shed grain are not included", "980 rpm → 860 rpm", "tailgrain verify",
    ):  # fmt: skip
        assert words in page.words, words
    assert re.search(r"Fingerprint of the signing key([0-9a-f]{4} ?){6}", page.words)


def test_figures_are_those_the_kit_put_on_record_at_the_finish(kept: Kept, pack: bytes) -> None:
    kit = record(kept, "job figures")[0]
    found = facts.facts(data_of(pack))
    assert found.area_ha == pytest.approx(kit["area_ha"], rel=1e-9)
    assert found.distance_m == pytest.approx(kit["distance_m"], rel=1e-9)
    assert {name: count for name, count in found.seconds.items() if count} == {k: v for k, v in kit["seconds"].items() if v}
    # The lag at the edges of a job moves a little ground in or out of the mean; nothing else may differ.
    assert found.loss.value == pytest.approx(kit["loss"]["kg_ha"], rel=5e-3)
    assert found.loss.low == pytest.approx(kit["loss"]["low"], rel=5e-3)
    assert found.loss.high == pytest.approx(kit["loss"]["high"], rel=5e-3)
    assert found.pct.value == pytest.approx(kit["loss"]["pct"], rel=5e-3)
    for point in found.points:
        assert point.loss.value == pytest.approx(kit["points"][point.name]["kg_ha"], rel=5e-3)
    assert found.returns_pct == pytest.approx(kit["returns_pct"], rel=0.02)
    assert {name: k for name, k, _, _ in found.factors} == pytest.approx(kit["calibration"]["factor_mg_per_pulse"], rel=1e-3)
    printed = figures_of(pack)
    assert number(printed["m1.loss.kg_ha"]) == pytest.approx(kit["loss"]["kg_ha"], rel=0.02)
    price = data_of(pack).runs[0].settings["crop"]["price_per_t"]
    lost_t = found.loss.value * (found.stated_area_ha or found.area_ha) / 1000 if found.loss.value else 0.0
    assert number(printed["m1.loss.money"]) == pytest.approx(lost_t * price, rel=0.01)


def test_what_was_done_stands_there(pack: bytes) -> None:
    found = facts.facts(data_of(pack))
    assert [(one.name, one.was, one.to) for one in found.changes] == [("Fan", "980 rpm", "860 rpm")]
    assert found.changes[0].verdict is not None and found.changes[0].verdict["words"]
    assert [one.used for one in found.tests] == [True, True, True] and not any(one.before_job for one in found.tests)
    assert [one.sieve for one in found.gauges] == ["top sieve"] and found.gauges[0].offset_mm == pytest.approx(1.2)
    assert found.quality["restarts"] == 1 and found.quality["no_data_s"] > 0 and found.quality["missing"] > 0
    assert {one.name for one in found.alerts} >= {"board-restarted", "no-data"}
    assert [one.body["entry"] for one in (*found.samples, *found.looks)] == ["sample", "returns_look"]


def test_the_second_job_stands_on_tests_of_the_first_without_its_names(kept: Kept, tmp_path: Path) -> None:
    raw = kept.pack(tmp_path / "south.html", job=2)
    found = facts.facts(data_of(raw))
    assert check.check(raw).fault is None
    assert found.job["client"] == SECOND and len(found.tests) == 4 and sum(one.before_job for one in found.tests) == 3
    assert [one.n for one in found.changes] == [2]
    kit = record(kept, "job figures")[1]
    assert found.loss.value == pytest.approx(kit["loss"]["kg_ha"], rel=0.01)


@pytest.mark.parametrize(("job", "others"), [(1, (SECOND, "South block", "Ben")), (2, (FIRST, "North block", "Ann", NOTE, SPOT))])
def test_a_pack_holds_nothing_of_another_client(kept: Kept, tmp_path: Path, job: int, others: tuple[str, ...]) -> None:
    whole = everything(kept.pack(tmp_path / "pack.html", job=job))
    assert [word for word in others if re.search(rf"\b{re.escape(word)}\b", whole)] == []
    mine = (FIRST, SECOND)[job - 1]
    assert mine in whole  # the search does find what is there


@pytest.mark.parametrize("secret", ["127.0.0.1", "mqtt", "password", "dashboard", "tailgrain.db"])
def test_a_pack_tells_nothing_of_the_kits_network(pack: bytes, secret: str) -> None:
    data = everything(pack).partition('id="tailgrain-data">')[2]
    assert secret not in data


def test_what_rests_on_another_job_is_not_in_a_pack(kept: Kept, tmp_path: Path) -> None:
    """The fan was changed in the first job; its verdicts went on in the second, and so would advice and good sets."""
    shown = {
        job: [(row[3], json.loads(row[4])) for row in data_of(raw).records if len(row) > 3]
        for job, raw in ((job, kept.pack(tmp_path / f"{job}.html", job=job)) for job in (1, 2))
    }
    assert [body["setting"] for kind, body in shown[1] if kind == "verdict"]
    assert [body for kind, body in shown[2] if kind == "verdict"] == []
    assert {kind for job in (1, 2) for kind, _ in shown[job]} & {"advice", "good set"} == set()


def test_a_job_whose_seconds_were_given_up_gets_no_pack_that_would_not_verify(kept: Kept, tmp_path: Path) -> None:
    (tmp_path / "state").mkdir()
    database = tmp_path / "state" / kept.database.name
    shutil.copy(kept.database, database)
    shutil.copy(signing.path_beside(kept.database), signing.path_beside(database))
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("DELETE FROM second WHERE number <= 130")
        connection.commit()
    with pytest.raises(WrongInput, match=r"seconds of job 1 are no longer kept"):
        packs.write_pack(database, 1, tmp_path / "pack.html", "exact")
    assert not (tmp_path / "pack.html").exists()


def test_positions_are_exact_coarse_or_left_out_everywhere(kept: Kept, tmp_path: Path) -> None:
    files = {position: kept.pack(tmp_path / f"{position}.html", position=position) for position in ("exact", "coarse", "none")}
    documents = {name: data_of(raw) for name, raw in files.items()}
    exact = documents["exact"].seconds[0].columns
    coarse = documents["coarse"].seconds[0].columns
    assert len(set(exact["lat"])) > 100 and SPOT in everything(files["exact"])
    assert {round(one, 2) for one in coarse["lat"] if one is not None} == {one for one in coarse["lat"] if one is not None}
    assert all(abs(a - b) <= 0.011 for a, b in zip(exact["lat"], coarse["lat"], strict=True) if a is not None)
    assert "lat" not in documents["none"].seconds[0].columns
    for position in ("coarse", "none"):
        whole = everything(files[position])
        assert SPOT not in whole and "-30.00123" not in whole
        assert re.findall(r"-(?:29\.99|30\.00|19\.99|20\.00)\d{2,}\b", whole) == []
        assert re.findall(r"-(?:29\.99|30\.00)\d{2,}\b", everything(files["exact"]))  # the search does find them
        assert check.check(files[position]).fault is None
        withheld = [facts.facts(documents[name]).quality["withheld"] for name in ("exact", position)]
        tracks = sum(len(row) == 7 and row[3] == "track" for row in documents["exact"].records)
        assert tracks > 5 and withheld[1] == withheld[0] + 1 + tracks  # the note of a spot, and the digests of positions
    assert "north up" in files["exact"].decode() and "plan by time" in files["none"].decode()
    same = [figures_of(raw)["m1.loss.kg_ha"] for raw in files.values()]
    assert len(set(same)) == 1  # positions have no part in the loss


def test_the_date_is_the_day_it_was_made(kept: Kept, tmp_path: Path) -> None:
    with freeze_time("2027-03-04 05:06:07"):
        packs.write_pack(kept.database, 1, tmp_path / "dated.html", "exact")
    page = Reader((tmp_path / "dated.html").read_bytes())
    assert "4 Mar 2027 05:06 UTC" in page.words and "Made 4 Mar 2027" in page.words


def test_the_same_data_give_the_same_file(kept: Kept, tmp_path: Path) -> None:
    assert kept.pack(tmp_path / "one.html") == kept.pack(tmp_path / "two.html")


def test_a_capture_gives_the_figures_of_its_database(
    kept: Kept, pack: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "capture.html"
    assert run(["report", str(kept.capture), "--config", str(kept.config), "--job", "1", "-o", str(out)]) == 0
    mine, theirs = figures_of(out.read_bytes()), figures_of(pack)
    proofs = {key for key in mine if ".proof." in key}
    assert {key: mine[key] for key in mine if key not in proofs} == {key: theirs[key] for key in theirs if key not in proofs}
    assert run(["verify", str(out), "--fingerprint", kept.key.fingerprint]) == 0  # signed with the kit's own key
    capsys.readouterr()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["{db}", "-o", "{tmp}/a.html"], "--job: missing"),
        (["{db}", "--job", "9", "-o", "{tmp}/a.html"], "found 9; allowed: 1 to 2"),
        (["{db}", "--job", "1", "-o", "{tmp}/a.txt"], ".html or .pdf"),
        (["{db}", "--job", "1", "-o", "{tmp}/no/a.html"], "no such folder"),
        (["{db}", "--job", "1", "-o", "{tmp}/a.html", "--position", "rough"], "exact, coarse, none"),
        (["{db}", "--job", "1", "-o", "{tmp}/a.html", "--config", "{config}"], "with a capture"),
        (["{capture}", "--job", "1", "-o", "{tmp}/a.html"], "--config: missing"),
        (["{db}", "{capture}", "--job", "1", "-o", "{tmp}/a.html"], "several"),
        (["{config}", "--job", "1", "-o", "{tmp}/a.html", "--config", "{config}"], "no capture"),
        (["{tmp}/none.db", "--job", "1", "-o", "{tmp}/a.html"], "none.db"),
    ],
)
def test_wrong_use_is_one_line_and_leaves_nothing(
    kept: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    places = {"db": kept.database, "config": kept.config, "capture": kept.capture, "tmp": tmp_path}
    status = run(["report", *(one.format(**places) for one in arguments)])
    err = capsys.readouterr().err
    assert status == 2 and said.format(**places) in err and err.count("\n") == 1, err
    assert list(tmp_path.iterdir()) == []


def test_a_job_without_tray_tests_says_so(tmp_path: Path) -> None:
    from sim_feed.parameters.structs import Planned

    plan = (
        Planned(2, entry={"entry": "job_start", "client": FIRST, "paddock": "North block"}),
        Planned(200, entry={"entry": "job_finish"}),
    )
    bare = make(tmp_path, seed=9, operator=plan)
    raw = bare.pack(tmp_path / "bare.html")
    assert check.check(raw).fault is None
    page = Reader(raw)
    assert "kg/ha unknown" in page.words and "No tray test was made" in page.words
    assert "No change of a machine setting was entered" in page.words


# ---------------------------------------------------------------- several machines, paper


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Packs of two kits: both of the first client, and one of the second."""
    folder = tmp_path_factory.mktemp("two")
    packs = []
    for seed, job in ((5, 1), (6, 1), (6, 2)):
        place = folder / f"kit{seed}"
        if not place.exists():
            place.mkdir()
            made = make(place, seed)
        packs.append(folder / f"pack{seed}-{job}.html")
        made.pack(packs[-1], job=job)
    return packs[0], packs[1], packs[2]


def merged(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, *sources: Path) -> tuple[int, Path]:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "office"))
    out = tmp_path / "merged.html"
    return run(["report", *map(str, sources), "-o", str(out)]), out


def test_packs_of_two_machines_make_one_report(
    two: tuple[Path, Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out = merged(monkeypatch, tmp_path, two[0], two[1])
    assert status == 0, capsys.readouterr().err
    raw = out.read_bytes()
    found = check.check(raw)
    assert found.fault is None and len(found.notes) == 2
    each = [facts.facts(data_of(path.read_bytes())) for path in two[:2]]
    printed = figures_of(raw)
    lost = sum(one.lost_t.value or 0.0 for one in each)
    area = sum(one.area_used_ha for one in each)
    assert printed["all.t"].endswith("kg") and number(printed["all.t"]) == pytest.approx(1000 * lost, rel=0.01)
    assert number(printed["all.kg_ha"]) == pytest.approx(1000 * lost / area, rel=0.01)
    low, high = (number(one) for one in printed["all.kg_ha.interval"].split(" to "))
    # Two kits' errors are independent: together they are known better than the worse of the two.
    assert low < 1000 * lost / area < high
    widths = [(one.loss.high or 0) / (one.loss.low or 1) for one in each]
    assert high / low < max(widths)
    page = Reader(raw)
    assert page.words.count("Fingerprint of its key") == 2 and "Machine 2: Older rotor machine" in page.heads


def test_packs_of_two_clients_and_broken_or_doubled_packs_are_not_merged(
    two: tuple[Path, Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out = merged(monkeypatch, tmp_path, two[0], two[2])
    assert status == 2 and SECOND in capsys.readouterr().err and not out.exists()
    status, out = merged(monkeypatch, tmp_path, two[0], two[0])
    assert status == 2 and "each job once" in capsys.readouterr().err
    broken = tmp_path / "broken.html"
    broken.write_bytes(two[1].read_bytes().replace(b"<h1>", b"<h1>X", 1))
    status, out = merged(monkeypatch, tmp_path, two[0], broken)
    assert status == 1 and "broken.html" in capsys.readouterr().err and not out.exists()


def test_a_pack_changed_inside_a_merged_report_is_found(
    two: tuple[Path, Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out = merged(monkeypatch, tmp_path, two[0], two[1])
    capsys.readouterr()

    key = signing.read(tmp_path / "office" / signing.FILE_NAME)
    text = out.read_text()
    begin = text.index(packfile.DATA_BEGINS.decode()) + len(packfile.DATA_BEGINS)
    end = text.index(packfile.DATA_ENDS.decode(), begin)
    data = json.loads(gzip.decompress(base64.b64decode(text[begin:end])))
    inner = base64.b64decode(data["packs"][1]["page"])
    data["packs"][1]["page"] = base64.b64encode(inner.replace(b"<h1>North", b"<h1>South", 1)).decode()
    packed = base64.b64encode(gzip.compress(json.dumps(data).encode())).decode()
    fault = check.check(resigned((text[:begin] + packed + text[end:]).encode(), key)).fault
    assert fault is not None and "inside" in fault


def test_the_printed_copy_says_the_same(kept: Kept, pack: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "north.pdf"
    kept_pack = packs.pack_of(kept.database, 1, "exact", kept.key, EPOCH * 1000)
    packs.put(out, kept_pack)
    pages = pypdf.PdfReader(out).pages
    text = " ".join(page.extract_text() for page in pages).replace("\u00a0", " ")
    assert 4 <= len(pages) <= 14
    for key in ("m1.loss.kg_ha", "m1.loss.interval", "m1.loss.t", "m1.area"):
        assert figures_of(pack)[key].replace("\u00a0", " ") in text, key
    assert "not a legal-for-trade measurement" in " ".join(text.split())
    assert run(["verify", str(out)]) == 2
    assert "printed copy" in capsys.readouterr().err


def test_without_weasyprint_a_pdf_is_refused_in_one_line(
    kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "weasyprint", None)
    status = run(["report", str(kept.database), "--job", "1", "-o", str(tmp_path / "a.pdf")])
    err = capsys.readouterr().err
    assert status == 2 and "tailgrain[pdf]" in err and err.count("\n") == 1 and list(tmp_path.iterdir()) == []


def test_a_pack_of_no_job_is_wrong_input(kept: Kept, tmp_path: Path) -> None:
    with pytest.raises(WrongInput, match="position"):
        packs.write_pack(kept.database, 1, tmp_path / "a.html", "somewhere")

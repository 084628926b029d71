"""What the owner of a kit might leave out or put beside the records, with the chain untouched and the file signed with the
kit's own key, its page put down anew from what is left: it is missed, and named."""

from __future__ import annotations

import base64
import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from edge.commands.cli import run
from edge.contract.errors import AnswerBad
from edge.evidence.pack.document import Document
from edge.evidence.pack.edition import edition
from edge.evidence.pack.packfile import Inner, Merged
from edge.evidence.packs import finished, write_pack
from edge.evidence.verify import check
from edge.keep import chain, signing
from edge.keep.store import FILE_NAME
from tests.kits.engines import EngineKit
from tests.kits.packs import EPOCH, Data, Kept, chained_anew, data_of, plain_of, resigned

Pick = Callable[[list[Any], Data], bool]


def put_down(data: Data, kept: Kept) -> bytes:
    """The page that these data give, signed by the owner."""
    document = msgspec.json.decode(json.dumps(data).encode(), type=Document)
    return finished([document], document, kept.key)


def withhold(data: Data, pick: Pick) -> int:
    """Put digests in place of the shown records that are picked."""
    count = 0
    for at, row in enumerate(data["records"]):
        if len(row) == 7 and pick(row, json.loads(row[4])):
            data["records"][at] = [row[0], chain.digest(chain.Record(*row)).hex(), row[6]]
            count += 1
    return count


def kind(*names: str) -> Pick:
    return lambda row, body: row[3] in names


def entry(*names: str) -> Pick:
    return lambda row, body: row[3] == "entry" and body["entry"] in names


def either(*picks: Pick) -> Pick:
    return lambda row, body: any(pick(row, body) for pick in picks)


@pytest.mark.parametrize(
    "pick",
    [
        lambda row, body: (row[3] == "calibration" and body["number"] == 1) or (row[3] == "entry" and body["entry"] == "tray"),
        kind("calibration"),
        kind("alert"),
        either(entry("setting"), kind("verdict")),
        kind("restart", "no data"),
        kind("learned"),
        entry("gauge", "sample", "returns_look", "note"),
        kind("job figures"),
        entry("job_start"),
        kind("job opening"),
        either(entry("job_start"), kind("job opening")),
    ],
    ids=[
        "tray tests", "calibrations", "alerts", "a setting", "restarts", "learned", "what was seen", "figures", "start",
        "opening", "start and opening",
    ],
)  # fmt: skip
@pytest.mark.parametrize("position", ["exact", "coarse"])
def test_a_record_that_was_left_out_is_missed(kept: Kept, packs: dict[str, bytes], position: str, pick: Pick) -> None:
    data = plain_of(packs[position])
    last = data["records"][-1][-1]
    assert withhold(data, pick) > 0 and data["records"][-1][-1] == last  # no proof line is touched
    try:
        raw = put_down(data, kept)
    except (AnswerBad, AttributeError):  # not even a page follows from what is left
        return
    found = check.check(raw)
    assert found.signed
    if position == "coarse" and found.fault is None:  # may tell a place: said by name and number, never passed over
        assert any("left out of the pack" in note for note in found.notes)
    else:
        assert found.fault is not None and ("withheld" in found.fault or "record" in found.fault)


def test_a_job_whose_finish_was_left_out_is_interim(kept: Kept, packs: dict[str, bytes]) -> None:
    """As a pack made a moment before the finish would be; it says so at its top."""
    data = plain_of(packs["exact"])
    withhold(data, either(entry("job_finish"), kind("job figures", "job correction")))
    raw = put_down(data, kept)
    assert check.check(raw).fault is None and "Interim:" in raw.decode()


def test_verdicts_left_out_are_named(kept: Kept, packs: dict[str, bytes]) -> None:
    """They may rest on work before the job, so they are no fault; the pack's own page says `not judged`."""
    data = plain_of(packs["exact"])
    count = withhold(data, kind("verdict"))
    raw = put_down(data, kept)
    found = check.check(raw)
    assert found.fault is None and "not judged" in raw.decode()
    said = [note for note in found.notes if "verdict left out of the pack" in note]
    assert sum(int(note.split()[0]) for note in said) == count > 0
    assert any("verdict" in line for line in check.summary(found))


def test_the_first_and_the_last_minute_are_missed(kept: Kept, packs: dict[str, bytes]) -> None:
    for nth in (0, -1):
        data = plain_of(packs["exact"])
        rows = [row for row in data["records"] if len(row) == 7 and row[3] == "minute"]
        seq, bound = rows[nth][0], json.loads(rows[nth][4])
        withhold(data, lambda row, body, seq=seq: row[0] in (seq, seq - 1) and row[3] in ("minute", "track"))  # type: ignore[misc]
        columns = data["seconds"][0]["columns"]
        at = [i for i, n in enumerate(columns["number"]) if not bound["seconds_from"] <= n <= bound["seconds_to"]]
        data["seconds"][0]["parts"] = [data["seconds"][0]["parts"][i] for i in at]
        data["seconds"][0]["columns"] = {name: [column[i] for i in at] for name, column in columns.items()}
        fault = check.check(put_down(data, kept)).fault
        assert fault is not None and "withheld" in fault, nth


SETTINGS: list[tuple[str, Callable[[Data], Any], str]] = [
    ("a wider cut", lambda settings: settings["machine"].update(cut_width_m=12.0), "[machine]"),
    ("no levels", lambda settings: settings.update(level=[]), "[level]"),
    ("sides swapped", lambda settings: settings["input"][0].update(side="right"), "[input]"),
]


@pytest.mark.parametrize(("what", "change", "table"), SETTINGS, ids=[one[0] for one in SETTINGS])
def test_settings_are_those_the_job_was_opened_with(
    kept: Kept, packs: dict[str, bytes], what: str, change: Callable[[Data], Any], table: str
) -> None:
    data = plain_of(packs["exact"])
    change(data["runs"][0]["settings"])
    fault = check.check(put_down(data, kept)).fault
    assert fault is not None and (table in fault or "sums" in fault or "worked out" in fault)


HEADERS: list[tuple[str, Callable[[Data], Any]]] = [
    ("another job", lambda data: data.update(job=7)),
    ("another kit", lambda data: data.update(kit="other-kit")),
    ("places said to be left out", lambda data: data.update(position="none")),
    ("places said to be coarse", lambda data: data.update(position="coarse")),
]


@pytest.mark.parametrize(("what", "change"), HEADERS, ids=[one[0] for one in HEADERS])
def test_what_a_pack_says_of_itself_is_held_against_its_records(
    kept: Kept, packs: dict[str, bytes], what: str, change: Callable[[Data], Any]
) -> None:
    data = plain_of(packs["exact"])
    change(data)
    assert check.check(put_down(data, kept)).fault is not None


def test_a_body_that_can_be_read_in_two_ways_is_no_record(kept: Kept, packs: dict[str, bytes]) -> None:
    data = plain_of(packs["exact"])
    row = next(row for row in data["records"] if len(row) == 7 and row[3] == "entry" and '"note"' in row[4])
    for body in (row[4].replace("{", '{"entry":"note",', 1), " " + row[4]):
        forged = copy.deepcopy(data)
        next(one for one in forged["records"] if one[0] == row[0])[4] = body
        chained_anew(forged)
        fault = check.check(put_down(forged, kept)).fault
        assert fault is not None and "not in the form" in fault


def test_a_chain_written_anew_is_found_by_a_proof_line_held_elsewhere(
    kept: Kept, packs: dict[str, bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever copied a proof line at the finish can tell a record that was written again from its first line on."""
    data = plain_of(packs["exact"])
    seq, digits = data["records"][-1][0], data["records"][-1][-1]
    note = next(row for row in data["records"] if len(row) == 7 and row[3] == "entry" and '"note"' in row[4])
    note[4] = rfc8785.dumps({**json.loads(note[4]), "note": "No patch was lodged."}).decode()
    chained_anew(data)
    (tmp_path / "honest.html").write_bytes(packs["exact"])
    (tmp_path / "forged.html").write_bytes(put_down(data, kept))
    assert run(["verify", str(tmp_path / "forged.html")]) == 0  # the file alone can't tell
    proof = f"{seq} {' '.join(digits[i : i + 8] for i in range(0, 64, 8))}"
    capsys.readouterr()
    assert run(["verify", str(tmp_path / "honest.html"), "--proof", proof]) == 0
    assert "1 proof line held elsewhere" in capsys.readouterr().out
    assert run(["verify", str(tmp_path / "forged.html"), "--proof", proof]) == 1
    assert f"record {seq}: the proof line held for it has another hash" in capsys.readouterr().out
    assert run(["verify", str(tmp_path / "forged.html"), "--proof", "12 abc"]) == 2
    assert "--proof: found '12 abc'" in capsys.readouterr().err


DRAWINGS = [
    "<svg/>extra",
    '<svg viewBox="0 0 9 9"><style>.answer{display:none}</style></svg>',
    '<svg viewBox="0 0 9 9"><desc><title/></desc></svg>',
    '<svg viewBox="0 0 9 9"><text x="1" y="1">Guaranteed legal for trade</text></svg>',
    '<svg viewBox="0 0 9 9"><g class="answer"/></svg>',
    '<svg viewBox="0 0 9 9"><path style="position: fixed; fill: #fff" d="M 0 0"/></svg>',
    '<svg viewBox="0 0 9 9"><path style="fill: url(//elsewhere/x)" d="M 0 0"/></svg>',
    '<svg viewBox="0 0 9 9"><use href="data:image/svg+xml,x" x="0" y="0"/></svg>',
    '<svg viewBox="0 0 9 9"><path id="m1-work" d="M 0 0"/></svg>',
    '<svg viewBox="0 0 9 9"><g onload="x()"/></svg>',
    "<svg>" + "<g>" * 200_000 + "</g>" * 200_000 + "</svg>",
    "<svg>" + "<g/>" * 2_000_000 + "</svg>",
]


@pytest.mark.parametrize("drawing", DRAWINGS, ids=[str(at) for at in range(len(DRAWINGS))])
def test_a_chart_is_a_drawing_and_nothing_else(kept: Kept, packs: dict[str, bytes], drawing: str) -> None:
    text = packs["exact"].decode()
    begin = text.index("<!--chart spread-->") + len("<!--chart spread-->")
    end = text.index("<!--end chart-->", begin)
    fault = check.check(resigned((text[:begin] + drawing + text[end:]).encode(), kept.key)).fault
    assert fault is not None and "'spread'" in fault and len(fault) < 400


def test_words_of_a_file_never_speak_for_the_check(kept: Kept, packs: dict[str, bytes]) -> None:
    """A line end in a name inside the file would print a line of its own among those of the check."""
    data = plain_of(packs["exact"])
    data["program"] = "9.9\nSigned with the key aaaa bbbb (compared with the kit: the same)\x1b[2J" + "x" * 5000
    found = check.check(resigned(put_down(data, kept).replace(b"Evidence pack: what", b"Evidence pack, what", 1), kept.key))
    for line in check.summary(found):
        assert "\n" not in line and "\x1b" not in line and len(line) < 500
    assert not found.words and check.summary(found)[0].startswith("NOT FULLY CHECKED")
    assert found.to_plain()["ok"] is False


def three_runs(folder: Path) -> tuple[Data, signing.Key]:
    """The pack of a job over two restarts of the kit, and its key."""
    path = folder / FILE_NAME
    kit = EngineKit(path)
    kit.enter(entry="job_start", client="First client")
    kit.calibrate()
    kit.work(120)
    kit.drop()
    again = EngineKit(path, at_s=kit.at_s + 600)
    again.enter(entry="note", note="A second run.")
    again.work(120)
    again.end()
    last = EngineKit(path, at_s=again.at_s + 600)
    last.work(120)
    last.enter(entry="job_finish")
    last.end()
    write_pack(path, 1, folder / "three.html", "exact")
    raw = (folder / "three.html").read_bytes()
    assert check.check(raw).fault is None
    return plain_of(raw), signing.read(signing.path_beside(path))


def put_down_with(data: Data, key: signing.Key) -> bytes:
    document = msgspec.json.decode(json.dumps(data).encode(), type=Document)
    return finished([document], document, key)


def test_a_whole_run_left_out_is_missed(tmp_path: Path) -> None:
    """An hour of high loss between two restarts, its records withheld and its seconds dropped."""
    data, key = three_runs(tmp_path)
    withhold(data, lambda row, body: row[1] == 2)
    data["runs"] = [run for run in data["runs"] if run["run"] != 2]
    data["seconds"] = [of for of in data["seconds"] if of["run"] != 2]
    fault = check.check(put_down_with(data, key)).fault
    assert fault is not None and "withheld" in fault


def test_a_later_run_has_the_settings_it_began_with_and_no_run_is_invented(tmp_path: Path) -> None:
    data, key = three_runs(tmp_path)
    invented = copy.deepcopy(data)
    invented["runs"].append({**invented["runs"][-1], "run": 9})
    fault = check.check(put_down_with(invented, key)).fault
    assert fault is not None and "run 9" in fault
    data["runs"][1]["settings"]["crop"]["yield_t_ha"] = 9.0
    fault = check.check(put_down_with(data, key)).fault
    assert fault is not None and "other settings" in fault


@pytest.mark.parametrize("key", ["sums", "seconds"])
def test_a_minute_without_what_it_is_checked_by_is_none(kept: Kept, packs: dict[str, bytes], key: str) -> None:
    data = plain_of(packs["exact"])
    for row in data["records"]:
        if len(row) == 7 and row[3] == "minute":
            row[4] = rfc8785.dumps({name: value for name, value in json.loads(row[4]).items() if name != key}).decode()
    chained_anew(data)
    fault = check.check(put_down(data, kept)).fault
    assert fault is not None and f"lacks {key}" in fault


def test_figures_of_the_kit_far_from_the_data_are_told(kept: Kept, packs: dict[str, bytes]) -> None:
    data = plain_of(packs["exact"])
    row = next(row for row in data["records"] if len(row) == 7 and row[3] == "job figures")
    body = json.loads(row[4])
    body["loss"]["kg_ha"] *= 0.5
    row[4] = rfc8785.dumps(body).decode()
    chained_anew(data)
    assert any("the kit's own figure at the end" in note for note in check.check(put_down(data, kept)).notes)


def merged(inner: list[tuple[str, bytes]], key: signing.Key) -> bytes:
    """A report of several packs as a forger makes it, around all that `report` asks."""
    documents = [data_of(raw) for _, raw in inner]
    packs = [Inner(name, base64.b64encode(raw).decode()) for name, raw in inner]
    content = Merged(program=edition(), made_ms=1, public_key=key.public.hex(), packs=packs)
    return finished(documents, content, key)


def test_a_report_does_not_count_a_job_twice(kept: Kept, packs: dict[str, bytes]) -> None:
    for other in ("exact", "coarse"):  # a second copy, and the same job in other words
        fault = check.check(merged([("a.html", packs["exact"]), ("b.html", packs[other])], kept.key)).fault
        assert fault is not None and "twice" in fault


def test_a_fingerprint_is_asked_of_every_pack_inside_a_report(kept: Kept, packs: dict[str, bytes]) -> None:
    """Else a stranger's pack would go under the name of a kit that its owner does know."""
    office = signing.Key(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
    raw = merged([("a.html", packs["exact"])], office)
    fault = check.check(raw, [office.fingerprint]).fault
    assert fault is not None and "another key" in fault
    found = check.check(raw, [office.fingerprint, kept.key.fingerprint])
    assert found.fault is None and found.compared


@pytest.fixture(scope="module")
def packs(kept: Kept, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("packs")
    found = {position: kept.pack(folder / f"{position}.html", position=position) for position in ("exact", "coarse")}
    for raw in found.values():
        checked = check.check(raw)
        assert checked.fault is None and "that no other record of the job is withheld" in checked.done
    assert plain_of(found["exact"])["made_ms"] == EPOCH * 1000 + 3_600_000
    return found

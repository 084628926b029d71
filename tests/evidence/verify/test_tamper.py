"""What was changed in a pack is found and named, however it was changed; hostile files do no harm."""

from __future__ import annotations

import base64
import gzip
import json
import random
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from edge.commands.cli import run
from edge.evidence.pack import edition, packfile
from edge.evidence.verify import check
from edge.keep import chain, signing
from tests.kits.packs import Kept, resigned

Rework = Callable[..., bytes]
Data = dict[str, Any]


def row_of(data: Data, kind: str, nth: int = 0) -> int:
    """Index of the n-th shown record of a kind."""
    return [at for at, row in enumerate(data["records"]) if len(row) == 7 and row[3] == kind][nth]


def test_the_pack_as_it_was_made_is_good(pack: bytes, kept: Kept) -> None:
    found = check.check(pack)
    assert found.fault is None and found.signed and not found.compared
    assert found.fingerprint == kept.key.fingerprint
    assert found.records > 30 and found.seconds > 600 and found.figures > 80
    compared = check.check(pack, [kept.key.fingerprint])
    assert compared.fault is None and compared.compared


def test_a_hundred_random_single_bytes_changed_are_all_found(pack: bytes) -> None:
    draw = random.Random(20)
    for _ in range(100):
        at, new = draw.randrange(len(pack)), draw.randrange(256)
        if pack[at] == new:
            continue
        changed = pack[:at] + bytes([new]) + pack[at + 1 :]
        assert check.check(changed).fault is not None, (at, pack[at], new)


NAMES = (b'tailgrain-signature" content="', b'tailgrain-key" content="', b'id="tailgrain-data">')
PLACES = (*NAMES, b"<style>", b"<h1>", b"</html>")


@pytest.mark.parametrize("place", PLACES)
def test_a_byte_changed_in_each_part_of_the_file_is_found(pack: bytes, place: bytes) -> None:
    at = pack.index(place) + len(place) + (3 if place != b"</html>" else -2)
    other = b"a" if pack[at : at + 1] != b"a" else b"b"
    assert check.check(pack[:at] + other + pack[at + 1 :]).fault is not None


def test_an_upper_case_signature_is_another_file(pack: bytes) -> None:
    at = pack.index(b'tailgrain-signature" content="') + 30
    slot = pack[at : at + 128]
    assert check.check(pack.replace(slot, slot.upper(), 1)).fault is not None


def changed_note(data: Data) -> int:
    at = next(i for i, row in enumerate(data["records"]) if len(row) == 7 and "Lodged patch" in row[4])
    data["records"][at][4] = data["records"][at][4].replace("Lodged patch", "Fine stand ")
    return int(data["records"][at][0])


def dropped(data: Data) -> int:
    return int(data["records"].pop(row_of(data, "alert"))[0])


def inserted(data: Data) -> int:
    at = row_of(data, "minute", 3)
    data["records"].insert(at, list(data["records"][at]))
    return int(data["records"][at][0])


def swapped(data: Data) -> int:
    at = row_of(data, "minute", 2)
    rows = data["records"]
    rows[at], rows[at + 1] = rows[at + 1], rows[at]
    return int(min(rows[at][0], rows[at + 1][0]))


def other_time(data: Data) -> int:
    at = row_of(data, "entry", 2)
    data["records"][at][2] += 1000
    return int(data["records"][at][0])


@pytest.mark.parametrize("change", [changed_note, dropped, inserted, swapped, other_time])
def test_the_first_bad_record_is_named_even_when_the_kit_signs_it_again(
    pack: bytes, reworked: Rework, change: Callable[[Data], int]
) -> None:
    said: list[int] = []
    found = check.check(reworked(pack, lambda data: said.append(change(data))))
    assert found.signed and found.fault is not None
    # A dropped or doubled record is met at its own number or at the one behind it.
    assert found.record is not None and said[0] <= found.record <= said[0] + 1, found.fault


def test_records_cut_off_at_the_end_leave_seconds_that_nothing_binds(pack: bytes, reworked: Rework) -> None:
    def cut(data: Data) -> None:
        del data["records"][row_of(data, "minute", 6) :]

    fault = check.check(reworked(pack, cut)).fault
    assert fault is not None and "no record binds" in fault


@pytest.mark.parametrize("column", ["area_m2", "state", "speed_kmh", "t", "parts"])
def test_a_changed_second_is_named_by_the_minute_that_binds_it(pack: bytes, reworked: Rework, column: str) -> None:
    def change(data: Data) -> None:
        seconds = data["seconds"][0]
        if column == "parts":
            seconds["parts"][300] = seconds["parts"][300].replace("1000,[", "1000,[1", 1)
        else:
            old = seconds["columns"][column][300]
            seconds["columns"][column][300] = "idle" if column == "state" else (old or 0) + 1

    found = check.check(reworked(pack, change))
    assert found.fault is not None and found.record is not None
    assert ("pulse counts" if column == "parts" else "seconds") in found.fault


def test_seconds_dropped_or_swapped_are_found(pack: bytes, reworked: Rework) -> None:
    def drop(data: Data) -> None:
        seconds = data["seconds"][0]
        for column in [*seconds["columns"].values(), seconds["parts"]]:
            del column[100]

    def swap(data: Data) -> None:
        parts = data["seconds"][0]["parts"]
        at = next(i for i in range(100, len(parts)) if parts[i] != parts[i + 1])
        parts[at], parts[at + 1] = parts[at + 1], parts[at]

    for change in (drop, swap):
        found = check.check(reworked(pack, change))
        assert found.fault is not None and found.record is not None


def test_a_printed_figure_that_the_data_do_not_give_is_named(pack: bytes, kept: Kept) -> None:
    text = pack.decode()
    begin = text.index('<span data-f="m1.loss.kg_ha">') + len('<span data-f="m1.loss.kg_ha">')
    end = text.index("<", begin)
    forged = resigned((text[:begin] + "9.9\u00a0kg/ha" + text[end:]).encode(), kept.key)
    found = check.check(forged)
    assert found.signed and found.fault is not None
    assert "m1.loss.kg_ha" in found.fault and "9.9" in found.fault and text[begin:end].split("\u00a0")[0] in found.fault


def test_a_pack_of_another_version_is_checked_by_its_figures_and_told_so(
    pack: bytes, kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(check, "edition", lambda: "9.9+0")
    assert check.check(pack).fault is None
    other_words = resigned(pack.replace(b"Evidence pack: what", b"Evidence pack, what", 1), kept.key)
    found = check.check(other_words)
    assert found.fault is None and any("made by version" in note for note in found.notes)
    text = pack.decode()
    at = text.index(">", text.index('data-f="m1.loss.kg_ha"')) + 1
    fault = check.check(resigned((text[:at] + "9" + text[at:]).encode(), kept.key)).fault
    assert fault is not None and "m1.loss.kg_ha" in fault and "made it: ask that one" in fault


def test_a_position_moved_or_taken_out_and_signed_again_is_found(pack: bytes, reworked: Rework) -> None:
    """A map of another paddock over the same work: the digests of positions are in the chain."""

    def spot(data: Data) -> int:
        return next(at for at, lat in enumerate(data["seconds"][0]["columns"]["lat"]) if lat is not None)

    def moved(data: Data) -> None:
        columns = data["seconds"][0]["columns"]
        columns["lat"] = [None if lat is None else lat + 0.01 for lat in columns["lat"]]

    def by_a_metre(data: Data) -> None:
        data["seconds"][0]["columns"]["lon"][spot(data)] += 0.00001

    def out(data: Data) -> None:
        at = spot(data)
        for name in ("lat", "lon"):
            data["seconds"][0]["columns"][name][at] = None

    def all_out(data: Data) -> None:
        for name in ("lat", "lon"):
            del data["seconds"][0]["columns"][name]

    for change in (moved, by_a_metre, out, all_out):
        fault = check.check(reworked(pack, change)).fault
        assert fault is not None and "position" in fault, change
    assert "positions against the digests in the records" in check.check(pack).done


def test_a_change_of_any_source_is_another_edition(tmp_path: Path) -> None:
    """So that an honest pack whose words this program would put otherwise is never called broken."""
    source = Path(edition.__file__).parents[2]
    copy = tmp_path / "edge"
    shutil.copytree(source, copy, ignore=shutil.ignore_patterns("__pycache__"))
    same = edition.digest(copy)
    assert same == edition.digest(source) and edition.edition().endswith(f"+{same[:8]}")
    words = copy / "judge" / "verdict" / "words.py"
    words.write_text(words.read_text().replace("Better:", "Improved:"))
    assert edition.digest(copy) != same


@pytest.mark.parametrize(
    ("said", "instead"),
    [("not a legal-for-trade", "a legal-for-trade"), ("Machine loss only", "All loss"), ("<main>", "<main><p>Better</p>")],
)
def test_words_around_the_figures_are_compared_too(pack: bytes, kept: Kept, said: str, instead: str) -> None:
    text = pack.decode()
    assert said in text
    found = check.check(resigned(text.replace(said, instead, 1).encode(), kept.key))
    assert found.signed and found.fault is not None and "page" in found.fault


MORE = (
    "<script>alert(1)</script>", '<image href="http://a.example/x.png"/>', '<g onload="x()"></g>', "<svg/onload=x()>",
    "<style>a{b:url(http://x)}</style>", "<style>@import 'x';</style>", "<img src=//a.example/x>", "<form></form>",
    '<meta http-equiv="refresh" content="0">', "<h1>Loss: 1 kg/ha</h1>", '<text style="position:fixed">1</text>',
    '<use href="other.svg"/>',
)  # fmt: skip


@pytest.mark.parametrize("put", MORE)
@pytest.mark.parametrize("where", ["</svg>", "<!--end chart-->"])
def test_a_drawing_that_is_more_than_a_drawing_is_refused(pack: bytes, kept: Kept, put: str, where: str) -> None:
    before, begins, after = pack.decode().partition("<!--chart ")
    forged = resigned((before + begins + after.replace(where, put + where, 1)).encode(), kept.key)
    fault = check.check(forged).fault
    assert fault is not None and "no drawing" in fault


def test_minutes_of_the_job_that_are_withheld_are_found_though_the_chain_holds(pack: bytes, kept: Kept, reworked: Rework) -> None:
    def withhold(data: Data) -> None:
        at = row_of(data, "minute", 3)
        row = data["records"][at]
        body = json.loads(row[4])
        data["records"][at] = [row[0], chain.digest(chain.Record(*row)).hex(), row[6]]
        seconds = next(one for one in data["seconds"] if one["run"] == row[1])
        numbers = seconds["columns"]["number"]
        rest = [i for i, number in enumerate(numbers) if not body["seconds_from"] <= number <= body["seconds_to"]]
        assert len(rest) < len(numbers)
        seconds["columns"] = {name: [column[i] for i in rest] for name, column in seconds["columns"].items()}
        seconds["parts"] = [seconds["parts"][i] for i in rest]

    fault = check.check(reworked(pack, withhold)).fault
    assert fault is not None and "are withheld" in fault


def test_another_version_can_not_say_whether_the_words_are_as_made(
    pack: bytes, reworked: Rework, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Else a forger would only have to name another version to write what he likes around the figures."""

    def older(data: Data) -> None:
        data["program"] = "0.0.9"

    path = tmp_path / "older.html"
    path.write_bytes(reworked(pack, older))
    assert run(["verify", str(path)]) == 1
    said = capsys.readouterr().out
    assert said.startswith("NOT FULLY CHECKED") and "made by version 0.0.9" in said


def test_a_chart_that_was_redrawn_is_found_when_charts_are_drawn_anew(pack: bytes, kept: Kept) -> None:
    assert check.check(pack, redraw=True).fault is None
    text = pack.decode()
    at = text.index("<path d=", text.index("<!--chart trend-->"))
    forged = resigned((text[:at] + text[text.index("/>", at) + 2 :]).encode(), kept.key)
    assert check.check(forged).fault is None  # what the check of a moment can't see
    fault = check.check(forged, redraw=True).fault
    assert fault is not None and "trend" in fault


def test_another_key_is_found_with_the_fingerprint_and_advised_about_without(pack: bytes, kept: Kept) -> None:
    other = signing.Key(Ed25519PrivateKey.generate())
    plain = resigned(pack, other)
    assert check.check(plain).fault is not None  # the key named in the page is the kit's

    def taken_over(raw: bytes) -> bytes:
        """Everything changed to the other key, as a forger would."""
        text = raw.decode().replace(kept.key.public.hex(), other.public.hex()).replace(kept.key.fingerprint, other.fingerprint)
        begin = text.index(packfile.DATA_BEGINS.decode()) + len(packfile.DATA_BEGINS)
        end = text.index(packfile.DATA_ENDS.decode(), begin)
        data = json.loads(gzip.decompress(base64.b64decode(text[begin:end])))
        data["public_key"] = other.public.hex()
        packed = base64.b64encode(gzip.compress(json.dumps(data).encode())).decode()
        return resigned((text[:begin] + packed + text[end:]).encode(), other)

    forged = taken_over(pack)
    alone = check.check(forged)
    assert alone.fault is None and alone.fingerprint == other.fingerprint
    assert any("Compare this fingerprint" in line for line in check.summary(alone))
    named = check.check(forged, [kept.key.fingerprint])
    assert named.fault is not None and other.fingerprint in named.fault


# ---------------------------------------------------------------- as a command, and with hostile files


def rechained(data: Data) -> None:
    """What a forger with a key of his own would do: give changed records a chain that holds."""
    previous = bytes.fromhex(data["previous"])
    for row in data["records"]:
        of_record = chain.digest(chain.Record(*row)) if len(row) == 7 else bytes.fromhex(row[1])
        previous = chain.link(previous, of_record)
        row[-1] = previous.hex()


JUNK = (None, True, -1, 0, 1e300, 10**15, "", "x", "\u0000<script>", [], [[]], {}, {"a": 1}, -1e-300)


def spoilt(plain: Any, draw: random.Random) -> Any:
    """One value somewhere inside replaced by junk, or a key dropped."""
    if isinstance(plain, dict) and plain and draw.random() < 0.9:
        key = draw.choice(sorted(plain))
        if draw.random() < 0.15:
            return {name: value for name, value in plain.items() if name != key}
        return {**plain, key: spoilt(plain[key], draw)}
    if isinstance(plain, list) and plain and draw.random() < 0.8:
        at = draw.randrange(len(plain))
        return [*plain[:at], spoilt(plain[at], draw), *plain[at + 1 :]]
    return draw.choice(JUNK)


@pytest.mark.parametrize("seed", range(30))
def test_records_spoilt_by_a_forger_with_a_chain_that_holds_never_crash_the_check(
    pack: bytes, reworked: Rework, seed: int
) -> None:
    draw = random.Random(seed)

    def change(data: Data) -> None:
        rows = [row for row in data["records"] if len(row) == 7]
        kinds = sorted({row[3] for row in rows})
        for _ in range(3):
            row = draw.choice([one for one in rows if one[3] == draw.choice(kinds)] or rows)
            found = spoilt(json.loads(row[4]), draw)
            row[4] = chain.canonical(found) if isinstance(found, dict) else "7"
        rechained(data)

    found = check.check(reworked(pack, change))
    assert found.signed and found.fault is not None
    assert len(found.fault) < 400


@pytest.mark.parametrize("column", ["t", "area_m2", "number", "ms", "lat"])
def test_numbers_beyond_all_bounds_never_crash_the_check(pack: bytes, reworked: Rework, column: str) -> None:
    def change(data: Data) -> None:
        values = data["seconds"][0]["columns"][column]
        values[-1] = 10**18 if column in ("t", "number", "ms") else 1e300
        at = row_of(data, "minute", -1)
        body = json.loads(data["records"][at][4])
        data["records"][at][4] = chain.canonical({**body, "work_sha256": "0" * 64})
        rechained(data)

    assert check.check(reworked(pack, change)).fault is not None


def test_a_page_full_of_chart_marks_is_read_in_one_pass(pack: bytes) -> None:
    began = time.process_time()
    assert check.check(pack.replace(b"</main>", b"<!--chart a-->" * 200_000 + b"</main>", 1)).fault is not None
    assert time.process_time() - began < 5.0


def ask(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = run(["verify", *arguments])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_the_command_answers_with_its_status(pack: bytes, kept: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad = tmp_path / "good.html", tmp_path / "bad.html"
    good.write_bytes(pack)
    bad.write_bytes(pack.replace(b"<h1>", b"<h1>A", 1))
    status, out, _ = ask(capsys, str(good))
    assert status == 0 and "GOOD" in out and kept.key.fingerprint in out and "Compare this fingerprint" in out
    status, out, _ = ask(capsys, str(good), "--fingerprint", kept.key.fingerprint.upper().replace(" ", ":"))
    assert status == 0 and "Compare" not in out
    status, out, _ = ask(capsys, str(bad))
    assert status == 1 and "BROKEN" in out
    status, out, _ = ask(capsys, str(bad), "--json")
    answer = json.loads(out)
    assert status == 1 and answer["ok"] is False and answer["signature"] is False and answer["fault"]["what"]
    status, _, err = ask(capsys, str(good), "--fingerprint", "12 zz")
    assert status == 2 and "16 hex digits" in err


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no evidence pack"),
        (b"<!doctype html><html><body>A page</body></html>", "no evidence pack"),
        (b"%PDF-1.7 tailgrain-signature", "PDF"),
        (bytes(range(256)) * 100, "no evidence pack"),
    ],
)
def test_what_is_no_pack_is_wrong_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, said: str
) -> None:
    path = tmp_path / "file.html"
    path.write_bytes(content)
    status, _, err = ask(capsys, str(path))
    assert status == 2 and said in err and err.count("\n") == 1
    assert ask(capsys, str(tmp_path / "none.html"))[0] == 2
    assert ask(capsys, str(tmp_path))[0] == 2


def replaced_data(raw: bytes, packed: bytes) -> bytes:
    begin = raw.index(packfile.DATA_BEGINS) + len(packfile.DATA_BEGINS)
    return raw[:begin] + base64.b64encode(packed) + raw[raw.index(packfile.DATA_ENDS, begin) :]


def test_a_bomb_of_zeros_is_not_unpacked(pack: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packfile, "LARGEST_DATA", 1 << 20)
    fault = check.check(replaced_data(pack, gzip.compress(bytes(40 << 20)))).fault
    assert fault is not None and "unpacks to more than 1 MB" in fault


@pytest.mark.parametrize(
    "plain",
    [
        b"[" * 100_000, b'{"format":"tailgrain evidence pack 1"}', b"null", b'{"format":7}', b"\xff\xfe",
        b'{"format":"tailgrain merged report 1","program":"x","made_ms":0,"public_key":"","packs":[]}',
        b'{"format":"of somebody else"}',
    ],
)  # fmt: skip
def test_data_of_another_shape_are_an_answer_and_no_crash(pack: bytes, plain: bytes) -> None:
    assert check.check(replaced_data(pack, gzip.compress(plain))).fault is not None


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data.update(runs=[]),
        lambda data: data.update(seconds=[]),
        lambda data: data.update(records=[]),
        lambda data: data.update(previous="zz"),
        lambda data: data["records"].__setitem__(2, [1, 2]),
        lambda data: data["records"].__setitem__(2, ["a"] * 7),
        lambda data: data["runs"][0].update(settings={}),
        lambda data: data["runs"][0]["settings"]["machine"].update(cut_width_m="wide"),
        lambda data: data["seconds"][0]["columns"].pop("area_m2"),
        lambda data: data["seconds"][0]["columns"].update(loss_kg_ha=[]),
        lambda data: data["seconds"][0]["parts"].__setitem__(5, "[[1e999]]"),
        lambda data: data["seconds"][0]["columns"]["number"].__setitem__(5, 10**30),
        lambda data: data["seconds"].append(data["seconds"][0]),
    ],
)
def test_data_that_do_not_hang_together_are_an_answer_and_no_crash(
    pack: bytes, reworked: Rework, change: Callable[[Data], Any]
) -> None:
    found = check.check(reworked(pack, lambda data: (change(data), None)[1]))
    assert found.signed and found.fault is not None

"""A refusal as data: its line, other names for its keys, another unit for its figures, and the errors that carry it."""

from __future__ import annotations

import json
import math
import pickle

import hypothesis.strategies as st
import pytest
from hypothesis import given

from edge.contract import entries, settings
from edge.contract.allowed import (
    NULL,
    AnyRule,
    BetweenRule,
    ChoiceRule,
    InWords,
    KeyRule,
    ListRule,
    NumberRule,
    SeveralRule,
    TextRule,
)
from edge.contract.errors import EntryError, SettingsError, TailgrainError, WrongInput
from edge.contract.refusal import MISSING, Refusal, dotted, value_found
from edge.contract.said import Figure, NamedKey, Retelling, say, written
from edge.contract.typed import TypedFault
from edge.reckon.fit import trays
from tests.contract.examples import GOOD, WHOLE

FEET = Retelling(lambda name: {"x_m": "x_ft", "width_m": "width_ft"}.get(name, name), 0.3048, {"m": "ft"})


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (NumberRule(), "a number"),
        (NumberRule(ge=0, le=100), "a number from 0 up to 100"),
        (NumberRule(gt=0, lt=1), "a number over 0 and under 1"),
        (NumberRule(lt=1), "a number under 1"),
        (NumberRule(ge=300, le=4_000_000, whole=True), "a whole number from 300 up to 4e+06"),
        (BetweenRule(-2, 2.5), "-2 to 2.5"),
        (ChoiceRule(("rotor", "walkers")), "rotor, walkers"),
        (ChoiceRule(("t", "note"), lead="one or more of "), "one or more of t, note"),
        (TextRule(), "text"),
        (TextRule(most=20), "text of 0 to 20 characters"),
        (TextRule("^a$", 1), "text of the form ^a$ of 1 to any number of characters"),
        (ListRule(NumberRule(), 2, 2), "a list of 2, each a number"),
        (ListRule(TextRule()), "a list of 0 to any number of: text"),
        (SeveralRule(NumberRule(ge=0), 64), "a number from 0; one, or up to 64 of them"),
        (AnyRule((NumberRule(gt=1), NULL)), "a number over 1 or null"),
        (InWords(say("`Z`, {by} or {at:bare}")), "`Z`, `by` or at"),
    ],
)
def test_a_rule_in_words(rule: KeyRule, words: str) -> None:
    assert written(rule.said()) == words


@pytest.mark.parametrize(
    ("refusal", "line"),
    [
        (Refusal(("serial", "baud"), value_found(50), NumberRule(ge=300)), "serial.baud: found 50; allowed: a number from 300"),
        (Refusal(("trays", 0, "x_m"), MISSING, NumberRule(), by="required"), "trays[0].x_m: missing; required: a number"),
        (Refusal((), say("give {t} or {note}")), "give `t` or `note`"),
        (Refusal(("to",), value_found("x"), NumberRule(), by="allowed for lag_s"), "to: found 'x'; allowed for lag_s: a number"),
        (Refusal(("a",), value_found("b", near=" (did you mean `c`?)")), "a: found 'b' (did you mean `c`?)"),
        (
            Refusal(("tgw_g",), MISSING, NumberRule(), note=say(", or a known {crop:bare}")),
            "tgw_g: missing; allowed: a number, or a known crop",
        ),
        (Refusal(("a\nb",), say("found {it}", it="{kmh}\u202e")), "a\\nb: found {kmh}\\u202e"),
    ],
)  # fmt: skip
def test_a_refusal_is_one_line(refusal: Refusal, line: str) -> None:
    assert refusal.line() == line
    assert str(TypedFault(refusal)) == line


def test_who_shows_it_names_the_keys() -> None:
    refusal = Refusal(("width_m",), say("given beside {width_ft:bare}"), InWords(say("{width_m} or {width_ft}")))
    assert refusal.line() == "width_m: given beside width_ft; allowed: `width_m` or `width_ft`"
    told = refusal.line("--width-m", lambda key: "--" + key.name.replace("_", "-"))
    assert told == "--width-m: given beside --width-ft; allowed: --width-m or --width-ft"


def test_a_figure_and_its_range_are_told_in_another_unit() -> None:
    half = say(" (half of {width})", width=Figure(4, "4", "m"))
    refusal = Refusal(("trays", 1, "x_m"), value_found(2.1), AnyRule((BetweenRule(-2, 2), NULL)), note=half)
    assert refusal.line() == "trays[1].x_m: found 2.1; allowed: -2 to 2 or null (half of 4 m)"
    told = refusal.changed(FEET)
    assert told.line() == "trays[1].x_ft: found 6.89; allowed: -6.562 to 6.562 or null (half of 13.12 ft)"
    assert told.path == ("trays", 1, "x_ft") and told.number == 6.89
    numbers = Refusal(("width_m",), value_found("wide"), SeveralRule(ListRule(NumberRule(gt=0, le=100))))
    assert "up to 328.1;" in numbers.changed(FEET).line() and "'wide'" in numbers.changed(FEET).line()


def test_without_another_unit_only_keys_change() -> None:
    refusal = Refusal(("x_m",), say("found {n} beside {width_m}", n=Figure(1 / 3, "0.333")), NumberRule(le=123456.789))
    told = refusal.changed(Retelling(FEET.name)).line()
    assert told == "x_ft: found 0.333 beside `width_ft`; allowed: a number up to 123457"


@pytest.mark.parametrize(
    ("value", "number"), [(50, 50), (-0.5, -0.5), (True, None), ("50", None), (math.inf, None), (10**400, None), (None, None)]
)
def test_the_number_that_was_found(value: object, number: float | None) -> None:
    assert Refusal(("key",), value_found(value)).number == number


def test_what_a_user_wrote_is_no_key() -> None:
    assert say("found {it} beside {mm}", it="{kmh}") == ("found ", "{kmh}", " beside ", NamedKey("mm"))


def test_an_error_carries_refusal_and_kind() -> None:
    with pytest.raises(EntryError) as caught:
        entries.from_plain({"entry": "gauge", "sieve": "top", "readout_mm": 3, "measured_mm": 300})
    fault = caught.value
    assert fault.kind == "gauge" and fault.refusal is not None
    assert fault.refusal.path == ("measured_mm",) and fault.refusal.number == 300
    assert fault.refusal.allowed == SeveralRule(NumberRule(ge=0, le=200), 64)
    again = pickle.loads(pickle.dumps(fault))
    assert (str(again), again.kind, again.refusal) == (str(fault), fault.kind, fault.refusal)


def test_an_error_of_something_else_is_plain_text() -> None:
    for fault in (WrongInput("kit.db: can't be read"), EntryError("entry: 9 bytes"), SettingsError("x: no valid TOML")):
        assert fault.refusal is None and fault.who == ""


def test_a_tray_outside_the_residue_is_told_with_both_widths() -> None:
    entry = entries.from_plain({"entry": "tray", "trays": [{"grains": 5, "length_m": 1, "width_m": 1, "x_m": 2.1}]})
    assert isinstance(entry, entries.TrayEntry)
    with pytest.raises(EntryError) as caught:
        trays.residue_width(entry, 4.0, None)
    refusal = caught.value.refusal
    assert refusal is not None and refusal.allowed == BetweenRule(-2, 2) and dotted(refusal.path) == "trays[0].x_m"
    assert refusal.changed(FEET).line().endswith("(half the residue width of 13.12 ft)")


# Anything a hostile or hasty hand may put in the place of a value; DEL is the one sign that JSON takes and TOML does not.
PLAIN = st.recursive(
    st.booleans() | st.integers(-(10**30), 10**30) | st.floats() | st.text(st.characters(exclude_characters="\x7f"), max_size=70)
    | st.sampled_from(["walker", "notch", "mm", "engaged", "fan", "loss", "{t}", "a - at `$.b`"]),
    lambda deeper: st.lists(deeper, max_size=3) | st.dictionaries(st.sampled_from(["grains", "at", "x_m", "{}"]), deeper),
    max_leaves=5,
)  # fmt: skip


def carried(fault: WrongInput, who: str) -> None:
    """The error has its refusal as data, and its text is that in words."""
    assert fault.refusal is not None
    line = fault.refusal.line()
    assert fault.who in (who, "")
    assert str(fault) == str(TailgrainError(f"{fault.who}: {line}" if fault.who else line))


@given(st.data())
def test_every_refused_entry_carries_what_its_text_says(data: st.DataObject) -> None:
    plain = dict(data.draw(st.sampled_from(GOOD)))
    kind = plain["entry"]
    key = data.draw(st.sampled_from([*entries.KINDS[kind].__struct_fields__, "entry", "", "notee", "trays"]))
    plain[key] = data.draw(PLAIN | st.none())
    for gone in data.draw(st.sets(st.sampled_from(sorted(plain)), max_size=1)):
        del plain[gone]
    try:
        entry = entries.from_plain(plain)
        if isinstance(entry, entries.TrayEntry):
            trays.measure(entry, None, trays.residue_width(entry, None, None))
    except EntryError as fault:
        carried(fault, kind)


def toml(value: object) -> str:
    """A plain value as TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return repr(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False)


LINES = WHOLE.strip().splitlines()


@given(st.sampled_from([n for n, line in enumerate(LINES) if "=" in line]), st.sampled_from(["", "q"]), PLAIN | st.none())
def test_every_refused_settings_file_carries_what_its_text_says(number: int, end: str, value: object) -> None:
    key = LINES[number].split(" = ")[0] + end
    changed = [] if value is None else [f"{key} = {toml(value)}"]
    try:
        settings.parse("\n".join([*LINES[:number], *changed, *LINES[number + 1 :]]), "kit.toml")
    except SettingsError as fault:
        carried(fault, "kit.toml")

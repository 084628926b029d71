"""The page's words: each is used, and none of its units stands elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from dashboard.enter.entering import READY_REASONS
from dashboard.serve.assets import Assets
from dashboard.serve.screens import WEB

SOURCES = [path for path in WEB.rglob("*") if path.suffix in (".js", ".html") and "vendor" not in path.parts]
FILLED = re.compile(r"\$\{(?:[^{}]|\{[^{}]*\})*\}")


def names(words: dict[str, Any], before: str = "") -> Iterator[str]:
    for key, value in words.items():
        if isinstance(value, dict):
            yield from names(value, f"{before}{key}.")
        else:
            yield f"{before}{key}"


def texts(words: dict[str, Any], before: str = "") -> Iterator[tuple[str, str]]:
    for key, value in words.items():
        if isinstance(value, dict):
            yield from texts(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", value


def asked_for() -> list[re.Pattern[str]]:
    """What the sources ask for; a place filled in while running stands for anything within one part of a name."""
    found: list[str] = []
    for path in SOURCES:
        text = path.read_text(encoding="utf-8")
        found += re.findall(r"\{\{([a-z0-9_.]+)\}\}", text)
        found += re.findall(r"['`]([a-z_]+\.[^'`\n]+)['`]", FILLED.sub("\0", text))
        found += re.findall(r"'([a-z_]+\.[^'`\n]+)'", text)
        inside = re.findall(r"`([a-z_]+\.(?:[^`$\n]|\$\{[^`{}]*\})+)`", text)  # one text within another
        found += [FILLED.sub("\0", one) for one in inside]
    return [re.compile("[^.]+".join(re.escape(part) for part in one.split("\0"))) for one in found]


def test_each_word_is_used() -> None:
    asked = asked_for()
    assert [name for name in names(Assets().words) if not any(one.fullmatch(name) for one in asked)] == []


def test_no_unit_of_the_other_system_stands_in_a_module() -> None:
    units = re.compile(r"""['"`](mph|ac|ac/h|lb|lb/ac|lb/bu|lb/h|bu|bu/ac|bu/h|per (?:lb|bu|ac)|ft²?|m[²³])['"`]""")
    assert [(path.name, found[0]) for path in SOURCES for found in units.finditer(path.read_text(encoding="utf-8"))] == []


def test_no_screen_speaks_of_addresses_commands_or_the_kits_name_in_messages() -> None:
    """An operator can do nothing with them in a cab: words say what to do instead."""
    names = r"\b(?:kit1|broker|mqtt|log|baud|passenger_enters)\b"
    unwanted = re.compile(rf"{names}|tailgrain |--[a-z]|https?:|\.toml|\d\.\d+\.\d", re.IGNORECASE)
    assert [name for name, text in texts(Assets().words) if unwanted.search(text)] == []


def test_ready_reasons_are_the_ones_that_the_server_takes_for_taps() -> None:
    assert set(Assets().words["back"]["reasons"].values()) == READY_REASONS

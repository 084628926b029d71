"""RESULTS.md: one section for each bench, replaced when that bench runs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

PATH = Path(__file__).with_name("RESULTS.md")
HEAD = "# Measured figures\n\nWritten by `make bench`; a section is replaced when its bench runs.\n"


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)


def write(title: str, command: str, parts: Sequence[str]) -> None:
    """Put a section in place of the one with this title, or at the end."""
    text = PATH.read_text(encoding="utf-8") if PATH.exists() else HEAD
    section = f"## {title}\n\n`{command}`\n\n" + "\n\n".join(parts) + "\n"
    found = re.search(rf"^## {re.escape(title)}\n.*?(?=^## |\Z)", text, flags=re.S | re.M)
    if found:
        before, after = text[: found.start()], text[found.end() :]
        text = before + section + ("\n" + after if after else "")
    else:
        text = text.rstrip("\n") + "\n\n" + section
    PATH.write_text(text, encoding="utf-8")

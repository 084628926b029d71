"""How figures are written in a pack: digits, units, times, signs. Pure. Unknown is said in words, never as 0."""

from __future__ import annotations

from html import escape
from math import floor, log10

from edge.evidence.pack.times import UNKNOWN as UNKNOWN
from edge.evidence.recount.facts import Amount

LONG = 14
"""A table of up to so many rows is not broken between two printed pages."""

STACKED = 3
"""Tables of more columns than this are stacked on a narrow screen."""


class Pen:
    """Writes figures that `verify` finds again: each stands in an element with its name, which is `prefix` and a key."""

    def __init__(self, prefix: str) -> None:
        self.prefix = prefix

    def figure(self, key: str, text: str) -> str:
        """One printed figure."""
        return f'<span data-f="{self.prefix}.{key}">{escape(text)}</span>'

    def number(self, key: str, value: float | None, unit: str = "", digits: int | None = None) -> str:
        """A number with its unit."""
        return self.figure(key, shown(value, unit, digits))

    def range(self, key: str, amount: Amount, unit: str = "") -> str:
        """An interval."""
        return self.figure(f"{key}.interval", spanned(amount, unit))


def rounded(value: float, digits: int | None = None) -> str:
    """Three significant digits (or fixed decimals), thousands apart by a thin space; a real minus sign."""
    if digits is None:
        size = abs(value)
        digits = 0 if size >= 100 else 2 if size == 0 else max(0, min(6, 2 - floor(log10(size))))
    text = f"{value:z,.{digits}f}".replace(",", "\u202f")
    return text.replace("-", "\u2212")


def shown(value: float | None, unit: str = "", digits: int | None = None) -> str:
    """A number with its unit, or `unknown`."""
    if value is None or value != value:
        return UNKNOWN
    return f"{rounded(value, digits)}{joined(unit)}"


def joined(unit: str) -> str:
    """A unit behind its number, kept on one line with it."""
    return f"\u00a0{unit}" if unit else ""


def spanned(amount: Amount, unit: str = "") -> str:
    """An interval in words."""
    if amount.low is None and amount.high is None:
        return UNKNOWN
    if amount.high is None:
        return f"{shown(amount.low)} or more{joined(unit)}: the upper end is unknown"
    return f"{shown(amount.low)} to {shown(amount.high)}{joined(unit)}"


def weight(tonnes: Amount) -> tuple[Amount, str]:
    """Tonnes, or kilograms under one tonne."""
    small = tonnes.value is not None and tonnes.value < 1
    return (tonnes.times(1000), "kg") if small else (tonnes, "t")


def percent(share: float | None, digits: int = 0) -> str:
    """A share as percent."""
    return UNKNOWN if share is None else f"{rounded(100 * share, digits)}\u00a0%"


def lasting(seconds: float) -> str:
    """`11 h 52 min`, `3 min`, `8 s`."""
    if seconds < 60:
        return f"{seconds:.0f}\u00a0s"
    minutes = round(seconds / 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}\u00a0h {minutes}\u00a0min" if hours else f"{minutes}\u00a0min"


def place(spot: tuple[float, float], digits: int) -> str:
    """`30.000° S, 20.000° W`."""
    lat, lon = spot
    return f"{abs(lat):.{digits}f}° {'S' if lat < 0 else 'N'}, {abs(lon):.{digits}f}° {'W' if lon < 0 else 'E'}"


def table(caption: str, head: list[str], rows: list[list[str]], numeric: tuple[int, ...] = ()) -> str:
    """A table; cells are markup already. `numeric`: columns set to the right. On a narrow screen the rows of a broad table
    become blocks, each cell named by its column."""
    broad = len(head) > STACKED

    def cell(at: int, text: str, tag: str = "td") -> str:
        kind = ' class="n"' if at in numeric else ""
        more = ' scope="col"' if tag == "th" else f' data-l="{escape(head[at])}"' if broad else ""
        inside = f"<div>{text}</div>" if broad and tag == "td" else text
        return f"<{tag}{more}{kind}>{inside}</{tag}>"

    top = "".join(cell(at, escape(text), "th") for at, text in enumerate(head))
    body = "".join(f"<tr>{''.join(cell(at, text) for at, text in enumerate(row))}</tr>\n" for row in rows)
    kind = ("wide broad" if broad else "wide") + (" long" if len(rows) > LONG else "")
    return (
        f'<div class="{kind}" role="region" tabindex="0" aria-label="{escape(caption)}"><table><caption>{escape(caption)}'
        f"</caption><thead><tr>{top}</tr></thead>\n<tbody>\n{body}</tbody></table></div>\n"
    )


def pairs(rows: list[tuple[str, str]]) -> str:
    """Names and values; values are markup already."""
    return "<dl>\n" + "".join(f"<div><dt>{escape(name)}</dt><dd>{value}</dd></div>\n" for name, value in rows) + "</dl>\n"

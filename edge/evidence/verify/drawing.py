"""Whether a chart of a pack is one of our drawings and nothing else: no code, no way out of the page, no words of its own. Pure.

A drawing stands in the page as it is, so whatever it held would be read or run as part of it. It may hold the marks that
matplotlib makes for our charts, with numbers, our own labels, and styles of its own lines. Whether it shows what the data give
is another question, answered by drawing it anew.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

from edge.evidence.pack.times import MONTHS

LARGEST = 2_000_000
DEEPEST = 24
ATTRIBUTES = {
    "svg": ("viewBox", "aria-hidden", "focusable", "stroke-linejoin", "stroke-linecap"),
    "g": ("id", "clip-path"),
    "defs": (),
    "path": ("id", "d", "style", "clip-path", "transform"),
    "use": ("href", "x", "y", "style"),
    "text": ("style", "transform", "x", "y"),
    "rect": ("x", "y", "width", "height", "fill"),
    "clipPath": ("id",),
    "pattern": ("id", "patternUnits", "x", "y", "width", "height"),
}
STYLES = (
    "fill", "stroke", "stroke-width", "stroke-linejoin", "stroke-linecap", "stroke-dasharray", "stroke-dashoffset", "opacity",
    "fill-opacity", "stroke-opacity", "stroke-miterlimit", "font", "font-size", "font-family", "font-weight", "text-anchor",
)  # fmt: skip
VALUE = re.compile(r"[\w\s.,:#%()'\"+/-]*")
REFERENCE = re.compile(r"url\(#[\w-]+\)|(?<!\w)#[0-9a-fA-F]{3,8}\b")
IDENTITY = re.compile(r"m\d{1,3}-(?:trend|track|spread)-[\w.-]{1,80}")
NUMBER = r"[\d\u2212-][\d.,:\s\u202f]*"
ZONE = r"UTC(?:[+-]\d\d:\d\d)?"
LABELS = re.compile(
    rf"|{NUMBER}|{NUMBER} m|N|\d{{1,2}} (?:{'|'.join(MONTHS)})(?: \d\d:\d\d)?|machine loss, kg/ha|loss pulses per m²"
    rf"|pulses per m²|speed, km/h|returns,|% of full|time, {ZONE}|row begins at|limit {NUMBER}\s?kg/ha"
    rf"|minutes after the time at the left \({ZONE}\)"
    r"|loss of half-minute pieces, kg/ha(?:; the last bar holds what is higher)?|% of the area|under the limit|over the limit"
)
"""Every word that our charts put down."""


def is_drawing(text: str) -> bool:
    """Whether a text is one drawing of ours."""
    if len(text) > LARGEST or "<!" in text or "<?" in text or "&" in text or _depth(text) > DEEPEST:
        return False
    try:
        root = ElementTree.fromstring(text.strip())
    except ElementTree.ParseError:
        return False
    return root.tag == "svg" and all(_is_ours(mark) for mark in root.iter())


def _depth(text: str) -> int:
    """How deep marks stand in each other, looked at before anything is built from them."""
    deepest = depth = 0
    for closing, alone in re.findall(r"<(/?)[^<>]*?(/?)>", text):
        depth += -1 if closing else 0 if alone else 1
        deepest = max(deepest, depth)
    return deepest


def _is_ours(mark: ElementTree.Element) -> bool:
    allowed = ATTRIBUTES.get(mark.tag)
    if allowed is None or (mark.tail or "").strip():
        return False
    words = (mark.text or "").strip()
    if words and (mark.tag != "text" or LABELS.fullmatch(words) is None):
        return False
    return all(name in allowed and _is_plain(name, value) for name, value in mark.items())


def _is_plain(name: str, value: str) -> bool:
    if name == "id":
        return IDENTITY.fullmatch(value) is not None
    if name == "href":
        return value.startswith("#") and IDENTITY.fullmatch(value[1:]) is not None
    if name == "style":
        return all(_is_style(one) for one in value.split(";") if one.strip())
    return _points_inside(value)


def _is_style(text: str) -> bool:
    name, _, value = text.partition(":")
    return name.strip() in STYLES and _points_inside(value)


def _points_inside(value: str) -> bool:
    """Numbers, words and colours; a reference only to a mark of the drawings."""
    return VALUE.fullmatch(value) is not None and "(#" not in REFERENCE.sub("", value) and "url" not in REFERENCE.sub("", value)

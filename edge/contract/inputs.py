"""What a kit's inputs can be, as `[[input]]` of the settings file names them. What each does says `reckon/sensors/inputs.py`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from edge.contract.allowed import InWords
from edge.contract.refusal import KeyPath, Refusal
from edge.contract.said import Figure, say
from edge.contract.typed import TypedFault

Percent = Annotated[float, Meta(ge=0, le=100)]
Place = Annotated[int, Meta(ge=0, le=31)]


class WiredInput(Struct, forbid_unknown_fields=True, frozen=True, kw_only=True, tag_field="reads"):
    """One wired input of the counter; `at`: its place among the counts of a sentence."""

    at: Place

    @property
    def reads(self) -> str:
        """What it reads, as the settings name it."""
        return str(self.__struct_config__.tag)

    @classmethod
    def check(cls, wired: Sequence[Any]) -> None:
        """What goes together among the inputs of this kind. Raises TypedFault."""


class LossInput(WiredInput, frozen=True, tag="loss"):
    """An impact sensor."""

    point: Literal["separator", "cleaning"]
    side: Literal["left", "centre", "right"]
    dead_time_us: Annotated[float, Meta(ge=0, le=20_000)] = 1000.0
    vibration_hz: Annotated[float, Meta(ge=0, le=10_000)] = 0.0


class BeamInput(WiredInput, frozen=True, tag="beam"):
    """A light beam across the returns; its count is the milliseconds it was blocked."""

    empty_pct: Percent = 0.0
    full_pct: Percent = 100.0
    full_t_h: Annotated[float, Meta(gt=0, le=1000)] | None = None

    @classmethod
    def check(cls, wired: Sequence[BeamInput]) -> None:
        each_once(("input", "reads"), ["beam" for _ in wired], "one beam input")
        for beam in wired:
            if beam.full_pct <= beam.empty_pct:
                full, empty = (Figure(pct, f"{pct:g}") for pct in (beam.full_pct, beam.empty_pct))
                found = say("found {full_pct:bare} {full} with {empty_pct:bare} {empty}", full=full, empty=empty)
                over = InWords(say("{full_pct:bare} over {empty_pct:bare}"))
                raise TypedFault(Refusal((f"input at {beam.at}",), found, over))


class GroundInput(WiredInput, frozen=True, tag="ground"):
    """Pulses per metre travelled."""

    pulses_per_m: Annotated[float, Meta(gt=0, le=10_000)]

    @classmethod
    def check(cls, wired: Sequence[GroundInput]) -> None:
        each_once(("input", "reads"), ["ground" for _ in wired], "one ground input")


class ShaftInput(WiredInput, frozen=True, tag="shaft"):
    """Pulses per turn of a named shaft."""

    shaft: Annotated[str, Meta(pattern=r"^[^/+#\x00-\x1f]+\Z", max_length=64)]
    pulses_per_rev: Annotated[float, Meta(gt=0, le=10_000)] = 1.0

    @classmethod
    def check(cls, wired: Sequence[ShaftInput]) -> None:
        each_once(("input", "shaft"), [shaft.shaft for shaft in wired], "each shaft once")


INPUT_STRUCTS: dict[str, type[WiredInput]] = {
    "loss": LossInput, "beam": BeamInput, "ground": GroundInput, "shaft": ShaftInput,
}  # fmt: skip
"""What `reads` may say, and the keys that go with it."""


def each_once(path: KeyPath, values: Iterable[Any], allowed: str) -> None:
    """Raises TypedFault for a value that stands twice."""
    seen: list[Any] = []
    for value in values:
        if value in seen:
            raise TypedFault(Refusal(path, (f"{value!r} stands twice",), InWords((allowed,))))
        seen.append(value)

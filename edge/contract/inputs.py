"""What a kit's inputs can be, as `[[input]]` of the settings file names them. What each does says `reckon/sensors/inputs.py`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from edge.contract.errors import SettingsError

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
        """What goes together among the inputs of this kind. Raises SettingsError."""


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
        each_once("input.reads", ["beam" for _ in wired], "one beam input")
        for beam in wired:
            if beam.full_pct <= beam.empty_pct:
                found = f"full_pct {beam.full_pct:g} with empty_pct {beam.empty_pct:g}"
                raise SettingsError(f"input at {beam.at}: found {found}; allowed: full_pct over empty_pct")


class GroundInput(WiredInput, frozen=True, tag="ground"):
    """Pulses per metre travelled."""

    pulses_per_m: Annotated[float, Meta(gt=0, le=10_000)]

    @classmethod
    def check(cls, wired: Sequence[GroundInput]) -> None:
        each_once("input.reads", ["ground" for _ in wired], "one ground input")


class ShaftInput(WiredInput, frozen=True, tag="shaft"):
    """Pulses per turn of a named shaft."""

    shaft: Annotated[str, Meta(pattern=r"^[^/+#\x00-\x1f]+\Z", max_length=64)]
    pulses_per_rev: Annotated[float, Meta(gt=0, le=10_000)] = 1.0

    @classmethod
    def check(cls, wired: Sequence[ShaftInput]) -> None:
        each_once("input.shaft", [shaft.shaft for shaft in wired], "each shaft once")


INPUT_STRUCTS: dict[str, type[WiredInput]] = {
    "loss": LossInput, "beam": BeamInput, "ground": GroundInput, "shaft": ShaftInput,
}  # fmt: skip
"""What `reads` may say, and the keys that go with it."""


def each_once(key: str, values: Iterable[Any], allowed: str) -> None:
    """Raises SettingsError for a value that stands twice."""
    seen: list[Any] = []
    for value in values:
        if value in seen:
            raise SettingsError(f"{key}: {value!r} stands twice; allowed: {allowed}")
        seen.append(value)

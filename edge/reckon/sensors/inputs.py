"""The one table of the kinds of inputs: what each is called, what takes its counts, and where its value goes.

A further kind has its settings as a struct in `contract/inputs.py`, a class that takes a second's counts in a module here,
and a row in `INPUTS`. That it is read from the settings, published in `live`, kept in the database, exported, shown by `check`
and on the page Kit follows from the row. Alerts, verdicts and packs look at single kinds and don't know of a new one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Literal, NamedTuple

from edge.contract.inputs import INPUT_STRUCTS, BeamInput, GroundInput, LossInput, ShaftInput, WiredInput
from edge.contract.settings import Settings
from edge.reckon.sensors.losspoint import LossSensors
from edge.reckon.sensors.motion import GroundSensors, ShaftSensors
from edge.reckon.sensors.returns import BeamSensors
from edge.reckon.sensors.seen import InputSensors

KMH_PER_M_S = 3.6
TURNED_BY_HAND_RPM = 120.0
"""A shaft that is turned by hand is slower."""


class InputColumn(NamedTuple):
    """A value that is kept each second: the column's name, unit, SQL type and meaning; `published`: its path in `live`.

    `written`: how a value that SQL has no type for is put in text.
    """

    name: str
    unit: str
    sql: Literal["REAL", "INTEGER", "TEXT"]
    published: str
    about: str
    written: Callable[[Any], str] | None = None

    def read(self, live: dict[str, Any]) -> Any:
        """The value out of what the kinds of inputs tell live; None where none is wired."""
        value: Any = live
        for key in self.published.split("."):
            value = value.get(key) if isinstance(value, dict) else None
        return value if value is None or self.written is None else self.written(value)


class InputKind(NamedTuple):
    """One kind of input.

    `sensors`: what takes a second's counts, made of all wired inputs of the kind. `name`: an input in words. `value`: a count
    over some seconds in the input's own terms, in `unit`; `says`: that value in words, with so many `digits`. `counts`: what
    the counter counts; milliseconds are those of darkness. `rests_up_to`: a higher value says that the machine runs or drives,
    and nobody is sent to a sensor then (None: it says nothing of that). `quiet`: words for no count at all.
    """

    sensors: Callable[[Sequence[Any]], InputSensors]
    name: Callable[[Any], str]
    value: Callable[[Any, int, float], float]
    unit: str
    says: str = "{value} {unit}"
    digits: int = 0
    counts: Literal["pulses", "milliseconds"] = "pulses"
    rests_up_to: float | None = None
    quiet: str = ""
    columns: tuple[InputColumn, ...] = ()


def _loss_name(sensor: LossInput) -> str:
    return f"{sensor.point}, {sensor.side}"


def _per_second(sensor: WiredInput, count: int, seconds: float) -> float:
    return count / seconds


def _blocked_pct(beam: BeamInput, count: int, seconds: float) -> float:
    return 100 * count / (1000 * seconds)


def _kmh(ground: GroundInput, count: int, seconds: float) -> float:
    return count / seconds / ground.pulses_per_m * KMH_PER_M_S


def _rpm(shaft: ShaftInput, count: int, seconds: float) -> float:
    return count / seconds * 60 / shaft.pulses_per_rev


INPUTS: dict[str, InputKind] = {
    "loss": InputKind(LossSensors, _loss_name, _per_second, "pulses/s", digits=1, quiet="quiet"),
    "beam": InputKind(
        BeamSensors, lambda beam: "returns beam", _blocked_pct, "%", "blocked {value} % of the time", counts="milliseconds",
        columns=(
            InputColumn("returns_pct", "%", "REAL", "returns.pct", "returns beam, share of full"),
            InputColumn("returns_t_h", "t/h", "REAL", "returns.t_h", "returns in time, where a catch was entered"),
        ),
    ),
    "ground": InputKind(GroundSensors, lambda ground: "ground", _kmh, "km/h", digits=1, rests_up_to=1.0),
    "shaft": InputKind(
        ShaftSensors, lambda shaft: f"shaft, {shaft.shaft}", _rpm, "1/min", rests_up_to=TURNED_BY_HAND_RPM,
        columns=(
            InputColumn(
                "shafts", "1/min", "TEXT", "shafts", "speeds as `name=1/min`, separated by `;`",
                lambda shafts: ";".join(f"{name}={rpm!r}" for name, rpm in shafts.items()),
            ),
        ),
    ),
}  # fmt: skip
"""Kind by what `reads` says in the settings."""


_closed: list[bool] = []


def close() -> None:
    """What is kept each second has been made out of the table: a further kind would have no column."""
    _closed.append(True)


def register(struct: type[WiredInput], kind: InputKind) -> None:
    """Add a kind of input to the two tables, before `edge.engine.streams` is imported.

    Raises ValueError for a name that is taken, and when it is too late.
    """
    reads = str(struct.__struct_config__.tag)
    if _closed:
        raise ValueError(f"inputs: {reads!r}: too late; allowed: before the table of streams was made out of the inputs")
    if reads in INPUTS:
        raise ValueError(f"inputs: {reads!r} is a kind of input already")
    INPUT_STRUCTS[reads], INPUTS[reads] = struct, kind


def sensors_of(settings: Settings) -> dict[str, InputSensors]:
    """The sensors of each kind, none wired included, for one kit."""
    return {reads: kind.sensors(settings.inputs(INPUT_STRUCTS[reads])) for reads, kind in INPUTS.items()}


def dark_places(settings: Settings) -> frozenset[int]:
    """Places whose counts are milliseconds of darkness: they can't grow faster than time."""
    return frozenset(wired.at for wired in settings.input if INPUTS[wired.reads].counts == "milliseconds")

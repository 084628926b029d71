"""One of each thing that can be added, added from outside: an input, an entry, an alert, a screen with what it reads.

    python -m tests.kits.toys VERB ...     the command `tailgrain` with the toys in it

Nothing of the project is touched: each toy is put into the one table of its kind before the command starts.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta

from dashboard.serve.screens import SCREENS
from edge.contract.entries import Entry
from edge.contract.inputs import WiredInput
from edge.judge.alerts.condition import Condition
from edge.judge.alerts.rules import RULES, AlertRule
from edge.reckon import entries
from edge.reckon.entries import EntryKind, Moment
from edge.reckon.figures import Figures
from edge.reckon.kitstate import KitState
from edge.reckon.sensors import inputs
from edge.reckon.sensors.inputs import InputColumn, InputKind
from edge.reckon.sensors.seen import SecondSeen

LIMIT_HZ = 25.0


class ProbeInput(WiredInput, frozen=True, tag="probe"):
    """A probe whose pulses follow the straw's dampness."""

    pulses_per_pct: Annotated[float, Meta(gt=0)] = 2.0


class ProbeSensors:
    """The last second's rate of the probe, and the rain that was entered."""

    def __init__(self, wired: Sequence[ProbeInput]) -> None:
        self._wired, self.hz, self.rain_mm = wired, None, 0.0

    def step(self, seen: SecondSeen) -> None:
        if self._wired and seen.ms:
            self.hz = seen.count(self._wired[0].at) * 1000 / seen.ms

    def live(self, silent: bool) -> dict[str, Any]:
        return {"probe": {"hz": None if silent else self.hz, "rain_mm": self.rain_mm}} if self._wired else {}


class RainEntry(Entry, frozen=True, tag="rain"):
    """Rain since the last entry."""

    mm: Annotated[float, Meta(ge=0, le=500)]


def _learn_rain(kit: KitState, entry: RainEntry, when: Moment) -> dict[str, Any]:
    probe = kit.sensors["probe"]
    assert isinstance(probe, ProbeSensors)
    probe.rain_mm += entry.mm
    return {"note": f"{probe.rain_mm:g} mm in all"}


def _damp(figures: Figures) -> dict[str, Condition]:
    hz = figures.inputs.get("probe", {}).get("hz")
    return {"": Condition(True, hz, LIMIT_HZ)} if hz is not None and hz > LIMIT_HZ else {}


def add() -> None:
    """Put each toy into the table of its kind. The input comes first: what is kept each second follows from that table."""
    column = InputColumn("probe_hz", "1/s", "REAL", "probe.hz", "pulses of the probe")
    kind = InputKind(
        ProbeSensors, lambda wired: "straw probe", lambda wired, count, seconds: count / seconds / wired.pulses_per_pct, "%",
        digits=1, columns=(column,),
    )  # fmt: skip
    inputs.register(ProbeInput, kind)
    entries.register(RainEntry, EntryKind(learn=_learn_rain))
    rule = AlertRule("straw-damp", "notice", "The straw is damp.", "Loss rises.", "Rain.", "Wait.", False, 2.0, sees=_damp)
    RULES[rule.name] = rule
    SCREENS["toy"] = Path(__file__).parent / "toyscreen"
    _add_reading()


def _add_reading() -> None:
    from dashboard import server
    from dashboard.read.asked import Question
    from dashboard.read.history import opened

    def kept(question: Question) -> dict[str, Any]:
        with opened(question.store) as connection:
            return {"seconds": connection.execute("SELECT count(*) FROM second").fetchone()[0]}

    server.READINGS["/toy"] = kept


if __name__ == "__main__":
    add()
    from edge.commands.cli import main

    main()

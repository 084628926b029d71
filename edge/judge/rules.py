"""The alert rules as data: severity, holds, and the words an operator reads (cause, consequence in `text`, action)."""

from __future__ import annotations

from typing import Literal, NamedTuple

Severity = Literal["danger", "caution", "notice"]


class Rule(NamedTuple):
    """One rule. `raise_s`, `clear_s`: hold times in s, None: as the settings say. `in_work`: judged at work only."""

    name: str
    severity: Severity
    text: str
    cause: str
    action: str
    in_work: bool = True
    raise_s: float | None = None
    clear_s: float | None = None


RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule(
            "loss-over-limit",
            "danger",
            "Machine loss is over its limit: grain is left on the ground with every metre.",
            "too much feed for the setting, or a setting that changed",
            "Ease off a little; then change one setting and watch the verdict.",
        ),
        Rule(
            "returns-over-limit",
            "caution",
            "Returns are over their limit: grain goes round and cracks, and the thresher loses room.",
            "sieves too tight, too much air or too little, or hard threshing",
            "Look at what the returns hold (only at the place the manual gives), then change one setting.",
        ),
        Rule(
            "input-silent",
            "caution",
            "An input gives no pulses while it should.",
            "a broken cable, a covered plate or a failed sensor",
            "Stop safely, engine off and key out, then tap the sensor and look at its cable.",
            raise_s=0.0,
            clear_s=10.0,
        ),
        Rule(
            "half-blind",
            "notice",
            "One side of a loss point is silent: its twin stands in for it and the figure is less certain.",
            "a silent sensor",
            "Mend the silent side at the next stop; figures stay usable until then.",
            raise_s=0.0,
            clear_s=10.0,
        ),
        Rule(
            "no-data",
            "danger",
            "No counts arrive from the kit's counter: nothing is measured.",
            "the serial line is unplugged, or the counter has no power",
            "Look at the plug and the counter's lamp; recording goes on by itself when counts return.",
            in_work=False,
            clear_s=5.0,
        ),
        Rule(
            "input-saturated",
            "caution",
            "A loss sensor is saturated: the true loss may be higher than shown.",
            "more impacts than the sensor can tell apart",
            "Trust the figure as a lower bound; ease off, or fit a smaller plate.",
        ),
        Rule(
            "no-ground-speed",
            "caution",
            "The thresher runs in crop but no ground speed arrives: loss per hectare can't be worked out.",
            "the wheel sensor or the position receiver is silent",
            "Look at the wheel sensor's gap and cable at the next stop.",
            in_work=False,
            raise_s=10.0,
            clear_s=5.0,
        ),
        Rule(
            "board-restarted",
            "caution",
            "The counter board restarted: what fell into the restart is lost, nothing is invented.",
            "its supply dropped out",
            "Look at the counter's supply and plugs when it happens again.",
            in_work=False,
            raise_s=0.0,
            clear_s=60.0,
        ),
        Rule(
            "clock-stepped",
            "caution",
            "The clock stepped: times before and after don't follow each other; durations are right.",
            "the board had no right time at start, or somebody set it",
            "Nothing to do; the step is in the record.",
            in_work=False,
            raise_s=0.0,
            clear_s=60.0,
        ),
    )
}

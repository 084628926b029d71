"""The alert rules as data: severity, holds, and what an operator reads: what is, its consequence, its cause, what to do.

Severities, objects and names are the contract's. Each rule asks for a response in time, as ISA-18.2 / IEC 62682 want it;
what asks for none stands in the record only. `None` as a hold: as `[alerts]` in the settings says.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NamedTuple

from edge.judge.alerts.condition import ON, Condition
from edge.reckon.figures import Figures

Severity = Literal["danger", "caution", "notice"]
RANK: dict[str, int] = {"danger": 0, "caution": 1, "notice": 2}

SAFE_STOP = "Stop on level ground, engine off, key out, everything at rest"


LEAVE_SETTINGS = "Ease off a little now. Leave the settings until the newest change has its verdict."
"""What to do about `loss-over-limit` while a change waits for its verdict: another change would spoil both."""


class AlertRule(NamedTuple):
    """One rule. `raise_s`, `clear_s`: hold times in s. `in_work`: neither raised nor counted while turning or filling.

    `sees`: what a second's figures alone say, by object (empty: none); None: `conditions.py` remembers more than one second.
    """

    name: str
    severity: Severity
    what: str
    consequence: str
    cause: str
    action: str
    in_work: bool = True
    raise_s: float | None = None
    clear_s: float | None = None
    sees: Callable[[Figures], dict[str, Condition]] | None = None

    @property
    def text(self) -> str:
        """What is, and what follows from it."""
        return f"{self.what} {self.consequence}"

    def told(self, condition: Condition) -> str:
        """The same of one subject, with what the condition adds."""
        return f"{_of(condition.subject, self.text)} {condition.detail}".strip()

    def ended(self, told: str) -> str:
        """What was, for an alert that was told so: no consequence any more, the subject and what was added stay."""
        head, found, rest = told.partition(self.what[1:])  # behind a subject the first letter is small
        subject = head[:-1].removesuffix(": ") if found else ""
        was = WAS.get(self.name, f"This has ended: {self.what[:1].lower()}{self.what[1:]}")
        return f"{_of(subject, was)} {rest.removeprefix(f' {self.consequence}').strip()}".strip()


def _of(subject: str, sentence: str) -> str:
    return f"{subject[:1].upper()}{subject[1:]}: {sentence[:1].lower()}{sentence[1:]}" if subject else sentence


def _no_data(figures: Figures) -> dict[str, Condition]:
    return {"": ON} if figures.state == "no data" else {}


_ALL = (
    AlertRule(
        "loss-over-limit", "danger",
        "Machine loss is over its limit.",
        "Grain is left on the ground with every metre.",
        "More feed than the settings can separate, or a setting that moved.",
        "Ease off a little now. Then change one setting and wait for its verdict.",
    ),
    AlertRule(
        "no-data", "danger",
        "No counts arrive from the kit's counter.",
        "Nothing is measured, and loss could rise unseen.",
        "The serial line is unplugged, or the counter has no power.",
        f"{SAFE_STOP}: look at the plug and the counter's lamp. Recording goes on by itself.",
        in_work=False, clear_s=5.0, sees=_no_data,
    ),
    AlertRule(
        "returns-over-limit", "caution",
        "Returns are over their limit.",
        "Grain goes round, cracks, and takes room from the crop.",
        "Bottom sieve too tight, air that doesn't suit the load, or hard threshing that breaks the straw.",
        "See what the returns hold, at the place the manual gives and as it says, enter it as a look, and change one setting.",
    ),
    AlertRule(
        "side-imbalance", "caution",
        "One side of a loss point counts more than twice what its share would be.",
        "That side is overloaded and sets the loss of the whole machine.",
        "Uneven feeding, a side slope, a blocked or worn part on one side, or one sensor that hears worse.",
        f"See whether it follows the slope or the row. If not: {SAFE_STOP}, then compare both sides and tap both sensors.",
        raise_s=60.0,
    ),
    AlertRule(
        "input-silent", "caution",
        "A sensor gives no pulses while it should.",
        "Its loss is missing from the figure, or stood in for by its twin.",
        "A broken cable, a covered plate or a failed sensor.",
        f"{SAFE_STOP}: look at the cable, clean the plate, tap it and see whether it counts.",
        raise_s=0.0, clear_s=10.0,
    ),
    AlertRule(
        "input-stuck", "caution",
        "An input does not follow the machine.",
        "The figure that rests on it is wrong.",
        "Dirt or a shifted bracket at a light beam, a chafed cable, or a sensor that trembles by itself.",
        f"{SAFE_STOP}: clean the beam's lenses, look at bracket and cable, then run the wiring check.",
        raise_s=30.0, clear_s=10.0,
    ),
    AlertRule(
        "input-saturated", "caution",
        "A loss sensor is saturated.",
        "The true loss may be higher than shown.",
        "More impacts than the sensor can tell apart.",
        "Take the figure as a lower bound and ease off. If it stays in ordinary crop, move the sensor or fit a smaller plate.",
    ),
    AlertRule(
        "shaft-low", "caution",
        "A shaft runs below its own working speed.",
        "Threshing and cleaning fall off with it, and loss rises.",
        "Engine pulled down by the load, a slipping belt, or a speed that was changed and not entered.",
        "Ease off first. If it stays low in light crop: stop, engine off, key out, and look at belt and tensioner. "
        "If you changed it, enter the setting: the new speed then counts as its own.",
    ),
    AlertRule(
        "no-ground-speed", "caution",
        "The thresher runs in crop but no ground speed arrives.",
        "Loss per hectare can't be worked out.",
        "The wheel sensor or the position receiver is silent.",
        f"{SAFE_STOP}: look at the wheel sensor's gap and cable, or at the receiver.",
        in_work=False, raise_s=10.0, clear_s=5.0,
    ),
    AlertRule(
        "board-restarted", "caution",
        "The counter board restarted.",
        "What fell into the restart is lost; nothing is invented for it.",
        "Its supply dropped out.",
        "Nothing now. If it happens again, have its supply and plugs looked at with the engine off.",
        in_work=False, raise_s=0.0, clear_s=60.0,
    ),
    AlertRule(
        "clock-stepped", "caution",
        "The clock stepped.",
        "Times before and after don't follow each other; durations and areas are right.",
        "The board had no right time at start, or somebody set it.",
        "See that the time shown is right now. The step is in the record.",
        in_work=False, raise_s=0.0, clear_s=60.0,
    ),
    AlertRule(
        "mill-bypassed", "caution",
        "The weed-seed mill is bypassed.",
        "Weed seeds go back to the ground alive, and the air through the cleaning differs.",
        "It was bypassed for a tray test or a blockage.",
        "When the tray tests are done, engage it as its manual says, machine stopped, and enter the setting `mill`.",
    ),
    AlertRule(
        "disk-low", "caution",
        "The disk is nearly full.",
        "Older seconds are given up first; when nothing is left, recording ends.",
        "Many days kept, or something else that fills the disk.",
        "Take a copy of the record, then free space or lower keep_days.",
        in_work=False, raise_s=0.0, clear_s=0.0,
    ),
    AlertRule(
        "store-moved", "caution",
        "The record is kept in another place than the settings say.",
        "It is safe for now, but earlier jobs are not beside it.",
        "The usual place was damaged, full or could not be written.",
        "Have the disk looked at before the next day; the record names both places.",
        in_work=False, raise_s=0.0, clear_s=0.0,
    ),
    AlertRule(
        "tray-overdue", "notice",
        "No tray test for some hours of work.",
        "Pulses may have drifted away from kilograms unseen.",
        "Crop, moisture and settings change over a day.",
        "Lay a tray test at the next good moment: two people in radio contact, chopper and spreader off and stopped, nobody in "
        "front of a wheel or behind the discharge, trays fetched with the machine stopped; the operator's manual goes first.",
        raise_s=0.0, clear_s=0.0,
    ),
    AlertRule(
        "gauge-overdue", "notice",
        "No gauge check of the sieves for many hours of work.",
        "The readout may be 8 to 10 mm away from the gap (common practice).",
        "Linkages wear and slacken.",
        f"{SAFE_STOP}: gauge the sieve gaps and enter them.",
        raise_s=0.0, clear_s=0.0,
    ),
    AlertRule(
        "broker-away", "notice",
        "The broker can't be reached.",
        "Nobody outside hears the kit; minutes and entries wait on disk and are sent later.",
        "The network or the broker is down.",
        "Nothing is lost: look at the network when there is time.",
        in_work=False, raise_s=30.0, clear_s=5.0,
    ),
    AlertRule(
        "half-blind", "notice",
        "One side of a loss point is silent.",
        "Its twin stands in for it and the figure is less certain.",
        "A silent sensor.",
        "The figures stay usable. At the next stop, engine off, mend the silent side.",
        raise_s=0.0, clear_s=10.0,
    ),
    AlertRule(
        "flood", "notice",
        "Many alerts at once: the worst three are shown as new, the others wait in the list.",
        "Read one by one they would hide the one that matters.",
        "Often one cause behind all: a plug, the counter's supply, or a blockage.",
        "Deal with the worst first. If several sensors went together, look for what they share.",
        in_work=False, raise_s=0.0, clear_s=0.0,
    ),
)  # fmt: skip

RULES: dict[str, AlertRule] = {rule.name: rule for rule in _ALL}

WAS: dict[str, str] = {
    "loss-over-limit": "Machine loss was over its limit.",
    "no-data": "No counts arrived from the kit's counter.",
    "returns-over-limit": "Returns were over their limit.",
    "side-imbalance": "One side of a loss point counted more than twice what its share would be.",
    "input-silent": "A sensor gave no pulses while it should have.",
    "input-stuck": "An input did not follow the machine.",
    "input-saturated": "A loss sensor was saturated.",
    "shaft-low": "A shaft ran below its own working speed.",
    "no-ground-speed": "The thresher ran in crop but no ground speed arrived.",
    "board-restarted": "The counter board restarted.",
    "clock-stepped": "The clock stepped.",
    "mill-bypassed": "The weed-seed mill was bypassed.",
    "disk-low": "The disk was nearly full.",
    "store-moved": "The record was kept in another place than the settings say.",
    "tray-overdue": "There had been no tray test for some hours of work.",
    "gauge-overdue": "There had been no gauge check of the sieves for many hours of work.",
    "broker-away": "The broker couldn't be reached.",
    "half-blind": "One side of a loss point was silent.",
    "flood": "Many alerts came at once.",
}
"""What an alert says once its condition has ended: what was, without a consequence and without anything to do."""

LOOKS: dict[str, tuple[str, str]] = {
    "clean_grain": (
        "The returns hold clean grain: the bottom sieve is too tight for this load, or the top sieve's rear too open.",
        "Open the bottom sieve one step and watch the tank sample.",
    ),
    "unthreshed_heads": (
        "The returns hold unthreshed heads: threshing is too gentle for this crop.",
        "Tighten the concave one small step and watch the tank for cracked grain.",
    ),
    "chaff": (
        "The returns hold chaff: broken straw from hard threshing, too little air, or a top sieve too open.",
        "Add air one step, or ease the threshing if the straw comes out short.",
    ),
}
"""What a look at the returns makes of `returns-over-limit`: cause and action, by what was seen much of."""

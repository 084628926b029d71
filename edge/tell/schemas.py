"""JSON Schemas of the messages: `live` from the table of streams, entries and advice from their types, the rest spelled out.

Kept to what JSON Schema draft 7 and 2020-12 share. Objects are left open: a consumer ignores keys it doesn't know, because
messages grow by adding. The tests close them, so that no key goes out undescribed.
"""

from __future__ import annotations

from typing import Any, get_args

import msgspec

from edge.contract import entries
from edge.contract.flags import Flag
from edge.engine.streams import STREAMS
from edge.judge.advice.advise import Advice
from edge.judge.alerts.rules import RULES
from edge.reckon.fit.calibration import CalibrationState
from edge.reckon.lag.learner import LearnedLag
from edge.reckon.sensors.workstate import STATES

Schema = dict[str, Any]
REF = "#/components/schemas/{name}"
POINTS = ("separator", "cleaning")
ALERT_STATES = ("raised", "acknowledged", "returned", "shelved", "cleared")
VERDICTS = ("better", "worse", "mixed", "no detectable change", "not enough data")

TIME: Schema = {"type": "string", "format": "date-time", "description": "RFC 3339 UTC with milliseconds"}
TEXT: Schema = {"type": "string"}
TEXT_OR_NULL: Schema = {"type": ["string", "null"]}
COUNT: Schema = {"type": "integer", "minimum": 0}
YES_NO: Schema = {"type": "boolean"}
ASK_ID: Schema = {"type": "string", "pattern": "^[A-Za-z0-9_-]{1,64}$"}
SHA256: Schema = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
SUGGEST: Schema = {
    "type": ["object", "null"], "description": "whole keys of the entry as they were perhaps meant; null: nothing can be guessed",
}  # fmt: skip
SEQ: Schema = {"type": "integer", "minimum": 1, "description": "the record's number"}

REFUSED: dict[str, Schema] = {"id": ASK_ID, "ok": {"const": False}, "why": TEXT}


def number(unit: str = "", nullable: bool = True) -> Schema:
    """A number with its unit; null is unknown."""
    described = {"description": f"unit: {unit}"} if unit else {}
    return {"type": ["number", "null"] if nullable else "number", **described}


def enum(*words: str) -> Schema:
    """One of some words."""
    return {"type": "string", "enum": list(words)}


def ref(name: str) -> Schema:
    """A schema by its name."""
    return {"$ref": REF.format(name=name)}


def thing(properties: dict[str, Schema], optional: tuple[str, ...] = (), nullable: bool = False, about: str = "") -> Schema:
    """An object; all properties are required but those named."""
    schema: Schema = {"type": ["object", "null"] if nullable else "object", "properties": properties}
    schema["required"] = [name for name in properties if name not in optional]
    return {"description": about, **schema} if about else schema


def all_schemas() -> dict[str, Schema]:
    """Every schema by name, as the document's components."""
    return {
        "Presence": _presence(),
        "Live": _live(),
        "Minute": _minute(),
        "Alert": _alert(),
        **_entries(),
        "Verdict": _verdict(),
        **_advice(),
        "Guidance": thing(
            {"kmh": number("km/h"), "words": TEXT}, about="The speed that holds the limit now; null when nothing is to go by."
        ),
        "Question": thing({"id": ASK_ID, "entry": ref("Entry")}, about="An entry to keep; its unknown keys are refused."),
        "Answer": _answer(),
        "Preview": _preview(),
    }


def _presence() -> Schema:
    online = thing({"online": {"const": True}, "since": TIME, "version": TEXT})
    away = thing({"online": {"const": False}})
    return {"description": "Whether the kit is there; the will says that it is not.", "oneOf": [online, away]}


ALWAYS_LIVE = (
    "t", "state", "speed_kmh", "area_rate_ha_h", "loss", "points", "pulses_per_s", "returns", "calibration", "position", "flags",
    "shafts", "limit_kg_ha", "width_used", "lag",
)  # fmt: skip
"""What each `live` object had from the first; whatever was added since may be missing."""


def _live() -> Schema:
    """The object of one second, by the table of streams."""
    words = [flag.value for flag in Flag]
    special: dict[str, Schema] = {
        "state": enum(*STATES),
        "calibration.state": enum(*get_args(CalibrationState)),
        "flags": {
            "type": "array",
            "items": {"type": "string", "pattern": f"^({'|'.join(words)})( (separator|cleaning))?$"},
            "description": "what to keep in mind about the figures",
        },
        "shafts": {"type": "object", "additionalProperties": number("1/min"), "description": "by the shaft's name"},
    }
    tree = _Tree({"t": TIME})
    for stream in STREAMS:
        if stream.published:
            *path, last = stream.published.split(".")
            into = tree
            for step in path:
                into = into.setdefault(step, _Tree())
            into[last] = special.get(stream.published, number(stream.unit) if stream.sql != "TEXT" else TEXT_OR_NULL)
    tree["calibration"] |= {
        "factor_mg_per_pulse": {"type": "object", "additionalProperties": number("mg", nullable=False)},
        "tests": COUNT,
        "age_s": number("s"),
        "why": {**TEXT, "description": "why the state is what it is"},
    }
    tree["limit_kg_ha"] = number("kg/ha")
    tree["limit_basis"] = {
        "type": ["string", "null"], "enum": ["kg_ha", "pct", None],
        "description": "which of two limits is the tighter and counts, by the unit it was set in; null without a limit",
    }  # fmt: skip
    tree["limit_pct"] = number("%, of the grain: the limit that counts; null without a yield")
    tree["value"] = _value("h", sample_age_s=number("s"))
    tree["width_used"] = {"type": "number", "minimum": 0, "maximum": 1, "description": "part of the cut width in crop"}
    counted = dict.fromkeys(("passes", "steps"), COUNT)
    fields = {name: counted.get(name, number("s", nullable=name != "set_s")) for name in LearnedLag._fields}
    tree["lag"] = thing(fields, nullable=True, about="lag in force beside the learned one")
    schema = tree.schema()
    schema["properties"]["loss"]["type"] = ["object", "null"]
    schema["properties"]["loss"]["required"].remove("over_twice_limit_p")  # kits of before don't send it
    schema["required"] = [name for name in schema["required"] if name in ALWAYS_LIVE]
    for name in ("points", "pulses_per_s"):  # a point without sensors isn't there
        schema["properties"][name]["required"] = []
    return {"description": "Figures of one second. Machine loss only; null is unknown; loss is null outside the crop.", **schema}


class _Tree(dict[str, Any]):
    """Properties of an object, by name; a value is a schema or a further tree."""

    def schema(self) -> Schema:
        """The schema of this object."""
        return thing({name: value.schema() if isinstance(value, _Tree) else value for name, value in self.items()})


def _mean(pct: bool = False) -> Schema:
    keys = {"kg_ha": number("kg/ha"), "low": number("kg/ha"), "high": number("kg/ha")}
    return thing({**keys, "pct": number("%")} if pct else keys)


def _value(per: str, **more: Schema) -> Schema:
    """Money by the hour or hectare: loss at its price, discounts of the grain in the tank, and both."""
    fields = {f"{part}_{per}": number(f"money/{per}") for part in ("loss", "quality", "total")}
    about = "Value lost: machine loss at its price; discounts for trash and cracked grain by the tank samples; both."
    return thing({**fields, **more}, about=about)


def _proof(of: str) -> Schema:
    return thing({"seq": SEQ, "hash": SHA256}, about=f"Proof line: covers {of} and every record before it; keep a copy.")


def _minute() -> Schema:
    kinds = ("good", "bad_crc", "malformed", "missing", "restarts", "entries")
    fields = {
        "t": TIME,
        "seq": SEQ,
        "seconds": thing({state: COUNT for state in STATES}),
        "distance_m": number("m", nullable=False),
        "area_ha": number("ha", nullable=False),
        "loss": _mean(pct=True),
        "points": thing({name: _mean() for name in POINTS}, POINTS),
        "returns_pct": number("%"),
        "value": _value("ha"),
        "lines": thing({kind: COUNT for kind in kinds}),
        "seconds_from": {**COUNT, "description": "number in the run of the first second that this minute binds"},
        "seconds_to": {**COUNT, "description": "number of the last one"},
        "seconds_kept": {**COUNT, "description": "how many of them are in the database"},
        "seconds_fixed": {**COUNT, "description": "how many of those had a position"},
        "seconds_sha256": {**SHA256, "description": "over their figures, without positions"},
        "work_sha256": {**SHA256, "description": "over their columns that sums follow from"},
        "counts_sha256": {**SHA256, "description": "over their pulse counts"},
        "records_since": {**COUNT, "description": "number of the last record before that told this"},
        "records": {
            "type": "object", "additionalProperties": COUNT,
            "description": "how many records of each kind came since; entries by what they tell",
        },
        "proof": _proof("this minute's record"),
    }
    bound = tuple(name for name in fields if name.startswith(("seconds_", "work_", "counts_", "records")))
    about = (
        "One minute's sums; queued on disk while the broker is away, sent in order later. A minute ends early where a job "
        "begins or ends and where the kit is stopped, so that sums of minutes are those of jobs."
    )
    return thing(fields, ("proof", "value", *bound), about=about)


def _alert() -> Schema:
    fields = {
        "rule": enum(*RULES),
        "object": {"type": ["string", "null"]},
        "state": enum(*ALERT_STATES),
        "severity": enum("danger", "caution", "notice"),
        "since": TIME,
        "text": {**TEXT, "description": "what is, and its consequence; what was, once it has ended"},
        "cause": TEXT,
        "action": {**TEXT, "description": "what to do; empty once it has ended"},
        "value": number(),
        "limit": number(),
        "suppressed": {**YES_NO, "description": "raised in a flood and not among the worst three"},
        "until": {"type": ["string", "null"], "format": "date-time", "description": "about when a shelf ends"},
        "ended": {"type": ["string", "null"], "format": "date-time", "description": "when it ended; null while it holds"},
    }
    return thing(fields, ("suppressed", "until", "ended"), about="An alert's newest state.")


def _entries() -> dict[str, Schema]:
    """All kinds of entry out of their types. `seq` is the kit's, in a kept entry."""
    _, found = msgspec.json.schema_components(entries.KINDS.values(), ref_template=REF)
    kinds = {kind.__name__: f"Entry{kind.__name__.removesuffix('Entry')}" for kind in entries.KINDS.values()}
    proved = [entries.KINDS[name].__name__ for name in entries.OF_JOBS]
    schemas: dict[str, Schema] = {}
    for name, schema in found.items():
        schema.pop("additionalProperties", None)
        if name in kinds:
            schema["properties"]["seq"] = SEQ
            schema["title"] = kinds[name].removeprefix("Entry")
        if name in proved:
            schema["properties"]["proof"] = _proof("this entry's record")
        schemas[kinds.get(name, name)] = schema
    entry = {"description": "One operator entry.", "oneOf": [ref(name) for name in kinds.values()]}
    kept = {"description": "An entry that is kept, with its number.", "allOf": [ref("Entry"), {"required": ["seq"]}]}
    return {"Entry": entry, "KeptEntry": kept, **schemas}


def _verdict() -> Schema:
    ratio = {"ratio": number("1"), "low": number("1"), "high": number("1")}
    one = {**ratio, "before_kg_ha": number("kg/ha"), "after_kg_ha": number("kg/ha")}
    samples = {f"{name}_pct": number("%") for name in ("trash", "cracked", "unthreshed")}
    means = {"minutes": number("min", nullable=False), "kg_ha": number("kg/ha"), "returns_pct": number("%")}
    side = thing({**means, "kmh": number("km/h"), **samples}, ("kmh", *samples))
    fields = {
        "setting": {"type": "integer", "minimum": 1, "description": "number of the change"},
        "verdict": enum(*VERDICTS),
        "basis": enum("pulses", "grain"),
        **ratio,
        "level": number("1", nullable=False),
        "smallest_detectable_pct": number("%"),
        "minutes_more": number("min"),
        "before": side,
        "after": side,
        "points": thing({name: thing(one) for name in POINTS}, POINTS),
        "pulses": thing(ratio),
        "spans": thing({"before": COUNT, "after": COUNT}),
        "grade": _grade(),
        "next": _next_step(),
        "words": TEXT,
    }
    added = ("pulses", "spans", "grade", "next")
    return thing(fields, added, about="What a setting change did; once a minute while the change is open.")


def _grade() -> Schema:
    about = "one side after the other; to and fro; pairs drawn by chance; null with not enough data"
    return {"enum": ["so far", "likely", "confirmed", None], "description": about}


def _next_step() -> Schema:
    """Null where the change is over."""
    about = (
        "what to do now: keep `to`, go back to it, weigh what it cost and go half way back to it, change nothing until `minutes` "
        "of steady work are done, lay a tray, or nothing in particular"
    )
    step = enum("keep", "back", "weigh", "wait", "tray", "free")
    fields = {"step": step, "to": {"type": ["number", "string", "null"]}, "minutes": {"type": ["integer", "null"]}}
    return thing(fields, nullable=True, about=about)


def _advice() -> dict[str, Schema]:
    """Out of its types; `was` is called `from` outside, and no settings are null."""
    _, found = msgspec.json.schema_components([Advice], ref_template=REF)
    advice, step = found["Advice"], found["AdvisedStep"]
    step["properties"] = {"from" if name == "was" else name: one for name, one in step["properties"].items()}
    step["required"] = list(step["properties"])
    settings = advice["properties"]["settings"]
    settings |= {"type": ["object", "null"], "description": "a whole set, from the settings book"}
    advice["required"] = list(advice["properties"])
    advice["properties"]["t"] = TIME
    for one in advice["properties"].values():
        one.pop("default", None)
    return {"Advice": advice, "AdvisedStep": step}


def _answer() -> Schema:
    warnings: Schema = {"type": "array", "items": TEXT}
    believed = {"type": "boolean", "description": "whether the checks give a model that can be so; else no readout is told by it"}
    gauge = {
        "offset_mm": number("mm"), "gain": number("1"), "believed": believed, "spread_mm": number("mm"), "warnings": warnings,
    }  # fmt: skip
    kept = {
        "id": ASK_ID,
        "ok": {"const": True},
        "seq": SEQ,
        "mark": {**COUNT, "description": "number of a tray mark"},
        "note": {**TEXT, "description": "what was kept and not used, and why; what else came of it; what to check"},
        "job": {"type": "integer", "minimum": 1, "description": "number of the job that was started, finished or reopened"},
        "gauge": thing(gauge),
        "gap_mm": number("mm"),
        "notices": {"type": "array", "items": TEXT, "description": "guard rails"},
        "proof": _proof("this entry's record (of a job's start, finish or reopening)"),
    }
    optional = ("mark", "note", "gauge", "gap_mm", "notices", "proof", "job")
    asked = {"id": ASK_ID, "ok": {"const": False}, "ask_again": {"const": True}, "why": TEXT, "suggest": SUGGEST}
    kinds = [thing(kept, optional), thing(asked), {**thing(REFUSED), "not": {"required": ["ask_again"]}}]
    about = (
        "The answer to a question; the same id again gets the same, save after `ask_again`: nothing was kept then, and the same "
        "entry with `sure`, or with the keys of `suggest`, is asked anew."
    )
    return {"description": about, "oneOf": kinds}


def _preview() -> Schema:
    def two(of: Schema) -> Schema:
        return {"type": "array", "items": of, "minItems": 2, "maxItems": 2, "description": "before, after"}

    def known(of: Schema) -> Schema:
        return {**two(of), "type": ["array", "null"]}

    figure = number()
    would = {
        "loss_kg_ha": known(number("kg/ha")),
        "loss_pct": known(number("% of the grain")),
        "mean_kg_ha": known(number("kg/ha")),
        "factor_mg_per_pulse": {"type": "object", "additionalProperties": two(number("mg a pulse"))},
        "calibration": known(enum(*get_args(CalibrationState))),
        "gauge": thing({"offset_mm": two(number("mm")), "gain": two(figure), "dial": two(figure)}, nullable=True),
        "in_force": {"type": "object", "additionalProperties": two({})},
        "note": TEXT_OR_NULL,
        "words": {"type": "array", "items": TEXT},
    }
    asked = {"ask_again": YES_NO, "why": TEXT_OR_NULL, "suggest": SUGGEST}
    told = thing({"id": ASK_ID, "ok": {"const": True}, "would": thing(would), **asked})
    about = "What an entry would do, as the kit stands now; nothing is kept. `ask_again`: whether it would be asked about first."
    return {"description": about, "oneOf": [told, thing(REFUSED)]}

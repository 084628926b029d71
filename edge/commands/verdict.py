"""`tailgrain compare` and `tailgrain speed`: the questions a setting change and a throttle raise, asked of a recording."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import msgspec

from edge.commands.calc.keys import show
from edge.contract.errors import WrongInput

if TYPE_CHECKING:  # the engine is loaded by the two verbs only: it would cost every other one a third of a second
    from edge.judge.watch import Watch

SOURCE = click.argument("source", type=click.Path(path_type=Path))
CONFIG = click.option(
    "--config", "config", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit's settings file."
)
POINTS_ARE = {
    "driven": "What was driven and lost there, not advice: crop and ground differed as well as speed.",
    "steps": "What the steps say of each speed:",
}
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Answer as JSON.")


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@SOURCE
@CONFIG
@click.option("--setting", "number", type=int, metavar="N", help="Which change, from 1. Without it a line names them all.")
@AS_JSON
def compare(source: Path, config: Path, number: int | None, as_json: bool) -> None:
    """Did a setting change help? SOURCE is a capture or a database.

    \b
    Example: tailgrain compare day.tgcap.gz --config kit.toml --setting 1
    """
    from edge.contract import settings
    from edge.playback import blocks

    loaded = settings.load(config)
    watch = blocks.read(source, loaded, number, _refused)
    if number is None:
        raise WrongInput(f"compare: --setting: missing; allowed: {_list(watch)}")
    try:
        answer = watch.compare(number)
    except ValueError as fault:
        raise WrongInput(f"compare: --setting: found {number}; allowed: {_list(watch)}") from fault
    if as_json:
        _print(answer)
        return
    click.echo(answer["words"])
    for line in _table(answer):
        click.echo(line)


def _list(watch: Watch) -> str:
    from edge.engine.messages import rfc3339
    from edge.judge.verdict.changes import numbered
    from edge.judge.verdict.words import name_of, shown

    changes = numbered(watch.course)
    if not changes:
        return "none; no setting change is in this source"
    shortened = changes[-20:]
    each = [
        f"{mark.n} = {name_of(mark.key, mark.label)} to {shown(mark.to, mark.key)} at {rfc3339(mark.at_s)}" for mark in shortened
    ]
    return f"1 to {len(changes)} ({'; '.join(each)})"


def _table(answer: dict[str, Any]) -> list[str]:
    """Both sides beside each other."""
    rows = [("", "before", "after")]
    names = {
        "minutes": ("steady work", "min"), "kg_ha": ("machine loss", "kg/ha"), "returns_pct": ("returns", "%"),
        "trash_pct": ("trash in the tank", "%"), "cracked_pct": ("cracked in the tank", "%"),
        "unthreshed_pct": ("unthreshed in the tank", "%"), "kmh": ("speed", "km/h"),
    }  # fmt: skip
    for key, (name, unit) in names.items():
        before, after = answer["before"].get(key), answer["after"].get(key)
        if before is not None or after is not None:
            rows.append((name, show(before, unit), show(after, unit)))
    width = max(len(row[0]) for row in rows)
    lines = [f"  {name:<{width}}  {before:>14}  {after:>14}" for name, before, after in rows]
    for name, point in answer["points"].items():
        if point["ratio"] is not None:
            low, high = show(point["low"]), "unknown" if point["high"] is None else show(point["high"])
            lines.append(f"  {name}: after / before {show(point['ratio'])} ({low} to {high})")
    if answer["ratio"] is not None:
        low, high = show(answer["low"]), "unknown" if answer["high"] is None else show(answer["high"])
        lines.append(f"  all: after / before {show(answer['ratio'])} ({low} to {high}), counted in {answer['basis']}")
    return lines


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@SOURCE
@CONFIG
@click.option("--hourly-cost", type=click.FloatRange(0, 1e9), metavar="X", help="What an hour of work costs.")
@click.option("--weather-cost", type=click.FloatRange(0, 1e9), metavar="Y", help="What an hour of delay risks.")
@AS_JSON
def speed(source: Path, config: Path, hourly_cost: float | None, weather_cost: float | None, as_json: bool) -> None:
    """How fast to drive? SOURCE is a capture or a database.

    Only deliberate speed steps count: 0.8 km/h or more, held for a minute on each side. Change speed only where ground
    and the operator's manual allow it.

    \b
    Example: tailgrain speed day.tgcap.gz --config kit.toml --hourly-cost 280
    """
    from edge.contract import settings
    from edge.judge.speed.cost import DrivingCosts
    from edge.playback import blocks

    loaded = settings.load(config)
    watch = blocks.read(source, loaded, None, _refused)
    hourly = loaded.costs.hourly if hourly_cost is None else hourly_cost
    weather = loaded.costs.weather_hourly if weather_cost is None else weather_cost
    answer = watch.speed(DrivingCosts(hourly, weather))
    if as_json:
        _print(answer)
        return
    click.echo(answer["why"])
    if answer["points"]:
        click.echo(POINTS_ARE[answer["points_are"]])
    for point, cost in zip(answer["points"], answer["cost_per_ha"], strict=True):
        loss = "loss unknown" if point["kg_ha"] is None else (
            f"{show(point['kg_ha'], 'kg/ha')} ({show(point['low'])} to {show(point['high'])})"
        )  # fmt: skip
        money = "" if cost is None else f", {cost:.2f} per ha"
        click.echo(f"  {point['kmh']:.1f} km/h: {loss}{money}")


def _refused(text: str) -> None:
    print(f"refused: {text}", file=sys.stderr)


def _print(answer: dict[str, Any]) -> None:
    sys.stdout.write(msgspec.json.encode(answer).decode() + "\n")

"""`python -m sim_feed SCENARIO --to ...`: send a simulated run to a capture, a pty or a TCP client."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import click

from sim_feed.field.script import Entry
from sim_feed.parameters.errors import FeedError, ScenarioError
from sim_feed.run.scenario import Scenario, Simulation, load
from sim_feed.run.simulation import DEFAULT_EPOCH
from sim_feed.sending.emit import Feed, Pace, PtyFeed, TcpFeed, write_capture

EPILOG = "Example: python -m sim_feed paddock --to capture:run.tgcap.gz --minutes 30 --seed 7 --truth truth.json"


def read_pace(_context: click.Context, _parameter: click.Parameter, value: str) -> Pace:
    """`max` or a number over 0."""
    if value == "max":
        return "max"
    try:
        pace = float(value)
    except ValueError:
        pace = 0.0
    if not 0 < pace < float("inf"):
        raise click.BadParameter(f"found {value!r}; a number over 0, or max")
    return pace


def tell(entry: Entry, ms: int) -> None:
    """Print what the operator tells; nobody else hears it on a bare line."""
    click.echo(json.dumps({"ms": ms, "entry": entry}))


def make_feed(target: str, simulation: Simulation, pace: Pace) -> Feed:
    """The feed for `pty` or `tcp:HOST:PORT`."""
    if target == "pty":
        return PtyFeed(simulation, pace, tell)
    kind, _, address = target.partition(":")
    host, _, number = address.rpartition(":")
    if kind != "tcp" or not host or not number.isdigit() or int(number) > 65535:
        raise click.UsageError(f"--to: found {target!r}; capture:FILE, pty or tcp:HOST:PORT")
    return TcpFeed(simulation, pace, tell, host=host, tcp_port=int(number))


def run_feed(feed: Feed, scenario: Scenario, settings: Path | None, start_after: float) -> None:
    """Show the port, give the reader time to open it, and send."""
    if settings is not None:
        settings.write_text(scenario.settings_toml(port=feed.port), encoding="utf-8")
    click.echo(json.dumps({"port": feed.port}))
    sys.stdout.flush()
    if isinstance(feed, PtyFeed):
        time.sleep(start_after)
    with feed:
        feed.run()


@click.command(epilog=EPILOG)
@click.argument("scenario")
@click.option("--to", "target", required=True, help="capture:FILE (.tgcap or .tgcap.gz), pty, or tcp:HOST:PORT.")
@click.option("--seed", type=int, help="Another seed than the scenario's.")
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True), help="Simulated minutes.")
@click.option("--pace", default="1", callback=read_pace, help="Multiple of real time, or max. Not for a capture.")
@click.option("--epoch", type=float, default=DEFAULT_EPOCH, help="Time of the run's start, seconds since 1970.")
@click.option("--truth", type=click.Path(path_type=Path), help="Write the truth of the run as JSON.")
@click.option("--settings", type=click.Path(path_type=Path), help="Write the owner's settings file for this kit.")
@click.option("--start-after", type=click.FloatRange(min=0), default=2.0, help="Seconds before a pty begins to speak.")
def main(
    scenario: str,
    target: str,
    seed: int | None,
    minutes: float | None,
    pace: Pace,
    epoch: float,
    truth: Path | None,
    settings: Path | None,
    start_after: float,
) -> None:
    """Simulate an older harvester with a loss kit. SCENARIO is a delivered name (paddock, walkers, bad_line) or a file.

    Entries of the simulated operator go into a capture; on a pty or TCP line they are printed, one JSON object a line.
    """
    try:
        chosen = load(scenario)
        chosen = chosen.with_(seed=seed) if minutes is None else chosen.with_(seed=seed, minutes=minutes)
        simulation = Simulation(chosen)
        simulation.epoch = epoch
        if target.startswith("capture:"):
            path = Path(target.removeprefix("capture:"))
            if not path.name.endswith((".tgcap", ".tgcap.gz")):
                raise click.UsageError(f"--to: found {path.name!r}; a capture ends in .tgcap or .tgcap.gz")
            write_capture(simulation, path, epoch)
            if settings is not None:
                settings.write_text(chosen.settings_toml(), encoding="utf-8")
        else:
            run_feed(make_feed(target, simulation, pace), chosen, settings, start_after)
        if truth is not None:
            truth.write_text(json.dumps(simulation.truth_summary(), indent=1) + "\n", encoding="utf-8")
    except (ScenarioError, FeedError, OSError) as error:
        click.echo(f"sim_feed: {error}", err=True)
        raise SystemExit(2) from error
    except KeyboardInterrupt:
        raise SystemExit(130) from None


if __name__ == "__main__":
    main(prog_name="python -m sim_feed")

"""The command `tailgrain`: verbs only. Each hands over to one function elsewhere; faults become one line and a status."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import click
import msgspec
from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from edge.commands.calc.verbs import calc
from edge.commands.evidence import report, verify
from edge.commands.export import export
from edge.commands.verdict import compare, speed
from edge.contract.errors import TailgrainError, WrongInput

CONFIG = click.option(
    "--config", "config", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit's settings file."
)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Answer as JSON.")


def main(arguments: list[str] | None = None) -> None:
    """Run the command and end with its status: 0 done, 1 the answer is bad, 2 wrong use or input."""
    sys.exit(run(sys.argv[1:] if arguments is None else arguments))


def run(arguments: list[str]) -> int:
    """Run the command with these arguments; returns its exit status. One line on standard error says what is wrong."""
    try:
        result = tailgrain.main(args=arguments, prog_name="tailgrain", standalone_mode=False)
    except click.exceptions.Exit as end:
        return end.exit_code
    except click.Abort:
        return _fail("stopped by the keyboard", 130)
    except click.NoSuchOption as fault:
        near = f" (did you mean {fault.possibilities[0]}?)" if fault.possibilities else ""
        return _fail(f"{_verb(fault)}no such option: {fault.option_name}{near}", 2)
    except click.ClickException as fault:
        return _fail(f"{_verb(fault)}{fault.format_message()}", 2)
    except TailgrainError as fault:
        return _fail(str(fault), fault.exit_status)
    except KeyboardInterrupt:
        return _fail("stopped by the keyboard", 130)
    return result if isinstance(result, int) else 0


def _verb(fault: click.ClickException) -> str:
    context = getattr(fault, "ctx", None)
    if context is None:
        return ""
    return f"{context.command_path.removeprefix('tailgrain').strip()}: ".removeprefix(": ")


def _fail(text: str, status: int) -> int:
    print("tailgrain: " + " ".join(text.removeprefix("tailgrain: ").split()), file=sys.stderr)
    return status


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="tailgrain")
def tailgrain() -> None:
    """Grain loss and returns of an older harvester: measured, priced, proved.

    Example: tailgrain replay day.tgcap --config kit.toml --summary
    """


tailgrain.add_command(calc)
tailgrain.add_command(compare)
tailgrain.add_command(speed)
tailgrain.add_command(report)
tailgrain.add_command(verify)
tailgrain.add_command(export)


@tailgrain.command("run")
@CONFIG
@click.option("--record", type=click.Path(path_type=Path), metavar="CAPTURE", help="Also write what arrives (.tgcap, .tgcap.gz).")
@click.option("--stamps", metavar="board=EPOCH", help="Stamp lines by the board's own time from EPOCH seconds on.")
def run_command(config: Path, record: Path | None, stamps: str | None) -> None:
    """Measure: read the counter, keep and publish figures until stopped.

    Example: tailgrain run --config kit.toml --record today.tgcap.gz
    """
    from edge.live import daemon

    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")
    daemon.run(config, record, _epoch_ms(stamps))


def _epoch_ms(stamps: str | None) -> int | None:
    if stamps is None:
        return None
    kind, _, epoch = stamps.partition("=")
    try:
        seconds = float(epoch)
    except ValueError:
        seconds = -1.0
    if kind != "board" or not 0 <= seconds < 32_503_680_000:
        raise WrongInput(f"run: --stamps: found {stamps!r}; allowed: board=EPOCH with epoch seconds")
    return round(seconds * 1000)


@tailgrain.command()
@click.argument("entry_json", metavar="JSON")
@click.option("--config", type=click.Path(path_type=Path), metavar="FILE", help="Settings file: which broker, which kit.")
@click.option("--id", "ask_id", metavar="ID", help="Id of the question; the same id is kept once.")
@click.option("--sure", is_flag=True, help="Meant as it stands: keep it without asking, however strange it looks.")
@AS_JSON
def entry(entry_json: str, config: Path | None, ask_id: str | None, sure: bool, as_json: bool) -> int:
    """Tell the running kit something: a tray test, a setting change, a load.

    Example: tailgrain entry '{"entry": "setting", "what": "fan_rpm", "from": 860, "to": 820}'
    """
    from edge.contract import entries, settings
    from edge.tell.ask import ask
    from edge.tell.topics import ASK_ID

    checked = entries.decode(entry_json)
    if ask_id is not None and not ASK_ID.fullmatch(ask_id):
        raise WrongInput(f"entry: --id: found {ask_id!r}; allowed: 1 to 64 of A-Z a-z 0-9 _ -")
    mqtt, kit = settings.MqttSettings(), "kit1"
    if config is not None:
        loaded = settings.load(config)
        mqtt, kit = loaded.mqtt, loaded.machine.kit
    answer = ask(mqtt, kit, {**entries.to_plain(checked), **({"sure": True} if sure else {})}, ask_id)
    if as_json:
        print_json(answer)
    elif answer.get("ok"):
        mark = f", mark {answer['mark']}" if "mark" in answer else ""
        note = f" ({answer['note']})" if "note" in answer else ""
        job = f", job {answer['job']}" if "job" in answer else ""
        click.echo(f"kept as number {answer.get('seq')}{mark}{job}{note}")
        if "proof" in answer:
            click.echo(f"  proof line {answer['proof']['seq']}:{answer['proof']['hash']} (keep a copy outside the kit)")
        for line in kept_words(answer):
            click.echo(f"  {line}")
    if not answer.get("ok"):
        raise WrongInput(f"not kept: {answer.get('why')}{asked_again(answer)}")
    return 0


def asked_again(answer: dict[str, Any]) -> str:
    """What to do about an entry that is hardly meant so: the keys as they were perhaps meant, or `--sure`."""
    if not answer.get("ask_again"):
        return ""
    suggest = answer.get("suggest")
    return f" (perhaps {msgspec.json.encode(suggest).decode()}; as it stands: --sure)" if suggest else " (as it stands: --sure)"


def kept_words(answer: dict[str, Any]) -> list[str]:
    """What the kit made of a kept entry: the readout's model, the gap expected, warnings, notices of guard rails."""
    gauge = answer.get("gauge", {})
    lines = []
    if gauge.get("gain") is not None and gauge.get("believed", True):
        gain = "readout" if gauge["gain"] == 1 else f"{gauge['gain']:.3g} mm x readout"
        lines.append(f"gap = {gain} {'-' if gauge['offset_mm'] < 0 else '+'} {abs(gauge['offset_mm']):.3g} mm")
    if "gap_mm" in answer:
        lines.append(f"gap expected by the gauge checks: {answer['gap_mm']:.3g} mm")
    return [*lines, *gauge.get("warnings", []), *answer.get("notices", [])]


@tailgrain.command()
@click.argument("capture", type=click.Path(path_type=Path))
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="One JSON line a second.")
@click.option("--summary", is_flag=True, help="One JSON object for the whole capture, and nothing else.")
@click.option("--store", type=click.Path(path_type=Path), metavar="DB", help="Keep everything in a new database.")
def replay(capture: Path, config: Path, as_json: bool, summary: bool, store: Path | None) -> None:
    """Run a recording through the same loop as the live kit.

    Example: tailgrain replay day.tgcap.gz --config kit.toml --summary
    """
    from edge.commands.summary_words import in_words
    from edge.contract import settings
    from edge.playback.replay import replay as run_replay

    loaded = settings.load(config)
    errors = Console(stderr=True)

    def refused(text: str) -> None:
        errors.print(f"refused: {text}", markup=False, highlight=False, soft_wrap=True)

    def second(live: dict[str, Any]) -> None:
        sys.stdout.write(msgspec.json.encode(live).decode() + "\n")

    each = second if as_json and not summary else None
    with reader_may_leave(), Progress(
        SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn(), console=errors, transient=True,
        disable=not errors.is_terminal,
    ) as progress:
        task = progress.add_task(f"replaying {capture.name}")
        found = run_replay(
            capture, loaded, store, each, refused,
            lambda lines: progress.update(task, description=f"replaying {capture.name}: {lines:,} lines"),
        )  # fmt: skip
    if summary:
        print_json(found)
    elif not as_json:
        for line in in_words(found, loaded.units.show == "us"):
            click.echo(line)


@tailgrain.command()
@CONFIG
@AS_JSON
def check(config: Path, as_json: bool) -> int:
    """Look at wiring and health, input by input.

    Example: tailgrain check --config kit.toml
    """
    from edge.commands.check import check as run_check

    return run_check(config, as_json)


@tailgrain.command()
@click.option("--pace", metavar="1|N|max", help="Times real time, or max. Default: half an hour at full speed, then 1.")
@click.option("--minutes", type=click.FloatRange(0.5, 100_000), help="Simulated minutes; then end with a summary.")
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the simulation.")
@click.option(
    "--dir", "folder", type=click.Path(path_type=Path), default=Path(".demo"), show_default=True, help="Emptied at start."
)
@click.option("--no-dashboard", is_flag=True, help="Without the page.")
@AS_JSON
def demo(pace: str | None, minutes: float | None, seed: int, folder: Path, no_dashboard: bool, as_json: bool) -> int:
    """The whole chain on a simulated harvester, with the page.

    Example: tailgrain demo --pace max --minutes 30 --no-dashboard
    """
    from edge.demo import chain as demo_module

    return demo_module.run(demo_module.Options(_pace(pace), minutes, seed, folder, not no_dashboard, as_json))


def _pace(pace: str | None) -> float | Literal["max"] | None:
    if pace is None or pace == "max":
        return pace  # type: ignore[return-value]
    try:
        number = float(pace)
    except ValueError:
        number = 0.0
    if not 0 < number <= 1000:
        raise WrongInput(f"demo: --pace: found {pace!r}; allowed: max, or a number over 0 up to 1000")
    return number


@tailgrain.command()
@CONFIG
@click.option("--set-pin", is_flag=True, help="Ask for the PIN that entering needs, then end.")
def dashboard(config: Path, set_pin: bool) -> int:
    """Serve the page of this kit.

    Example: tailgrain dashboard --config kit.toml
    """
    from dashboard.server import serve

    return serve(config, set_pin)


@tailgrain.command()
@CONFIG
@click.option("--user", help="System user of both services. Default: you.")
@click.option(
    "--dir", "folder", type=click.Path(path_type=Path), default=Path("/etc/systemd/system"), show_default=True,
    help="Where the units go.",
)  # fmt: skip
@click.option("--show", is_flag=True, help="Print the units, write nothing.")
def install(config: Path, user: str | None, folder: Path, show: bool) -> None:
    """Write the two systemd services of a kit.

    Example: tailgrain install --config kit.toml --user tailgrain --show
    """
    from edge.commands.install import install as write_units

    for line in write_units(config, user, folder, show):
        click.echo(line)


@contextmanager
def reader_may_leave() -> Iterator[None]:
    """A reader of our output that goes away (`| head -1`) ends the command; nothing is wrong with us."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        raise click.exceptions.Exit(0) from None


def print_json(answer: Any) -> None:
    """One JSON object on standard output."""
    sys.stdout.write(msgspec.json.encode(answer).decode() + "\n")


if __name__ == "__main__":
    main()

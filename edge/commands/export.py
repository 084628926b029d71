"""`tailgrain export`: the kept seconds for other programs."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from edge.contract.errors import WrongInput

KINDS = ("csv", "geojson", "parquet", "senml")


def _show_columns(context: click.Context, parameter: click.Parameter, wanted: bool) -> None:
    if wanted and not context.resilient_parsing:
        from edge.export.columns import page

        click.echo(page(), nl=False)
        context.exit()


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("source", type=click.Path(path_type=Path))
@click.argument("kind", metavar="csv|geojson|parquet|senml")
@click.option("-o", "--output", "out", type=click.Path(path_type=Path), required=True, metavar="PATH", help="The file to write.")
@click.option("--config", type=click.Path(path_type=Path), metavar="FILE", help="The kit's settings file; for a capture only.")
@click.option("--job", type=int, metavar="N", help="Only the seconds of this job, counted by `job_start` entries from 1.")
@click.option("--position", default="exact", show_default=True, metavar="exact|coarse|none", help="Latitude and longitude.")
@click.option("--columns", is_flag=True, is_eager=True, expose_value=False, callback=_show_columns, help="What each column is.")
def export(source: Path, kind: str, out: Path, config: Path | None, job: int | None, position: str) -> None:
    """The kept seconds for other programs.

    SOURCE is a database or a capture. csv and parquet: a row a second; geojson: the track with its loss; senml: measurements
    (RFC 8428).

    \b
    Example: tailgrain export tailgrain.db csv -o seconds.csv
    """
    from edge.export import write as exporting
    from edge.keep.places import POSITIONS
    from edge.playback.blocks import is_database

    if kind not in KINDS:
        raise WrongInput(f"export: found {kind!r}; allowed: {', '.join(KINDS)}")
    if position not in POSITIONS:
        raise WrongInput(f"export: --position: found {position!r}; allowed: {', '.join(POSITIONS)}")
    exporting.check_out(out, source)
    is_kept = is_database(source)
    if is_kept and config is not None:
        raise WrongInput("export: --config: given with a database, which holds each run's settings; allowed: with a capture")
    if not is_kept and config is None:
        raise WrongInput("export: --config: missing; a capture needs the kit's settings file")
    errors = Console(stderr=True)
    with tempfile.TemporaryDirectory(prefix="tailgrain-") as folder:
        database = source if config is None else _replayed(source, config, Path(folder), errors)
        parts = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*parts, console=errors, transient=True, disable=not errors.is_terminal) as progress:
            task = progress.add_task(f"writing {out.name}", total=None)
            count = exporting.export(
                database, kind, out, position, job,
                lambda done, whole: progress.update(task, completed=done, total=whole),
            )  # fmt: skip
    what = {"geojson": "features", "senml": "records"}.get(kind, "rows")
    click.echo(f"{out}: {count:,} {what}, {out.stat().st_size / 1e6:.1f} MB")


def _replayed(source: Path, config: Path, folder: Path, errors: Console) -> Path:
    """A database of the capture, for the moment."""
    from edge.contract import settings
    from edge.playback.replay import replay

    database = folder / "capture.db"
    with errors.status(f"replaying {source.name}") if errors.is_terminal else _Silent():
        replay(source, settings.load(config), store=database, on_refused=lambda text: print(f"refused: {text}", file=sys.stderr))
    return database


class _Silent:
    def __enter__(self) -> None:
        """Nothing is shown."""

    def __exit__(self, *fault: object) -> None:
        """Nothing is shown."""

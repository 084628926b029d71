"""How `calc` reads the command line: numbers, verbs and their shared options, with refusals in the house's words."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any, TypeVar, cast

import click

from edge.commands.calc import refusal
from edge.contract.typed import did_you_mean

F = TypeVar("F", bound=Callable[..., Any])


class Number(click.ParamType[float]):
    """A finite number."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; a usage error names the option and what was found instead."""
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if math.isfinite(number):
            return number
        option = param.opts[0] if param is not None else "number"
        count = param.nargs if param is not None else 1
        allowed = "a number" if count == 1 else f"{count} numbers, one after the other"
        raise click.UsageError(f"{option}: found {str(value)!r:.60}; allowed: {allowed}", ctx)


class Verb(click.Command):
    """A verb that says where a stray word came from."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Values belong to options; what is left over is told beside what the options take."""
        ctx.allow_extra_args = True
        try:
            super().parse_args(ctx, args)
        except click.BadOptionUsage as fault:
            option = next(one for one in self.params if fault.option_name in one.opts)
            allowed = "a value" if option.nargs == 1 else f"{option.nargs} numbers, one after the other"
            if isinstance(option, click.Option) and option.is_flag:
                raise click.UsageError(f"{fault.option_name}: found a value; allowed: none", ctx) from fault
            raise click.UsageError(f"{fault.option_name}: too little after it; allowed: {allowed}", ctx) from fault
        if ctx.args:
            pairs = [one.opts[0] for one in self.params if one.nargs == 2]
            takes = f"{' and '.join(pairs)} take two numbers each" if pairs else "every value follows its option"
            raise click.UsageError(f"found {ctx.args[0]!r:.60} that belongs to no option; allowed: {takes}", ctx)
        return ctx.args


class Verbs(click.Group):
    """The group of verbs, which it names when none or an unknown one was typed."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Refuses an empty line with the verbs there are."""
        if not args and not ctx.resilient_parsing:
            raise click.UsageError(f"no verb given; allowed: {self._names(ctx)}", ctx)
        return super().parse_args(ctx, args)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Refuses an unknown verb with the nearest one and all there are."""
        name = str(args[0])
        if self.get_command(ctx, name) is None and not name.startswith("-") and not ctx.resilient_parsing:
            near = did_you_mean(name, self.list_commands(ctx))
            raise click.UsageError(f"no such verb: {name!r:.60}{near}; allowed: {self._names(ctx)}", ctx)
        return super().resolve_command(ctx, args)

    def _names(self, ctx: click.Context) -> str:
        return ", ".join(self.list_commands(ctx))


_OTHER = {**dict.fromkeys(("ft", "ft2", "ac", "bu", "mph"), "The same with --units us."),
          "g": "The same by weight, g.", "m2": "The area that was counted over, m2.",
          "readout": "What the cab shows in percent or notches, with --unit."}  # fmt: skip
"""Words for further options of `numbers`, by the end of their name."""


def numbers(*names: str, help: str) -> Callable[[F], F]:
    """Options that each take one number; `help` goes with the first."""

    def add(function: F) -> F:
        for name in reversed(names):
            words = help if name == names[0] else _OTHER.get(name.rsplit("-", 1)[-1])
            function = click.option(f"--{name}", type=Number(), default=None, help=words)(function)
        return function

    return add


def shared_options(function: F) -> F:
    """`--from`, `--json` and `--units` of every verb; its refusals name what was typed."""

    @functools.wraps(function)
    def verb(as_json: bool, unit_system: str | None, source: str | None, **options: Any) -> Any:
        with refusal.spoken(str(click.get_current_context().info_name), options, source, unit_system == "us"):
            return function(as_json=as_json, unit_system=unit_system, source=source, **options)

    units = "Read and answer in these (us: ft, lb, bu, ac, mph; sieve gaps stay mm, masses g)."
    for option in (
        click.option("--units", "unit_system", type=click.Choice(["metric", "us"]), default=None, help=units),
        click.option("--json", "as_json", is_flag=True, help="Answer as one JSON object."),
        click.option("--from", "source", metavar="FILE|-", help="Read the keys from a JSON object (- is standard input)."),
    ):
        verb = option(verb)
    return cast(F, verb)


def config_option(function: F) -> F:
    """`--config` of the verbs that can take crops, widths or guard rails from a settings file."""
    words = "Settings file: its crops, units and machine fill what is not given here."
    return click.option("--config", "config", metavar="FILE", help=words)(function)

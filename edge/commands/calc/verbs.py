"""`tailgrain calc`: the hand calculations, useful with a tray, a ruler and no kit."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import click

from edge.commands.calc import keys, simple
from edge.commands.calc import sieve as calc_sieve
from edge.commands.calc import tray as calc_tray
from edge.commands.calc.options import Number, Verb, Verbs, config_option, numbers, shared_options
from edge.contract.errors import TailgrainError, WrongInput


@click.group(
    cls=Verbs,
    no_args_is_help=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)
def calc() -> None:
    """Hand calculations: no kit needed.

    \b
    Example: tailgrain calc kernels --tgw-g 31.7 --bushel-lb 60
    """


@calc.command(cls=Verb)
@click.option("--grains", type=Number(), multiple=True, help="Grains on the tray; again for each equal tray.")
@click.option("--mass-g", type=Number(), multiple=True, help="Grain on the tray, g; again for each equal tray.")
@numbers("heads-grains", "heads-mass-g", help="Grains in heads on the tray.")
@numbers("length-m", "length-ft", help="Length of the tray, along travel, m.")
@numbers("width-m", "width-ft", help="Width of the tray, across, m.")
@numbers("tgw-g", help="Thousand-grain weight, g.")
@numbers("cut-width-m", "cut-width-ft", help="Width of the cut, m.")
@numbers("residue-width-m", "residue-width-ft", help="Width over which the residue is laid, m.")
@click.option("--laid", type=click.Choice(["released", "ahead", "ground"]), help="How the tray was laid.")
@click.option("--catches", type=click.Choice(["both", "separator", "cleaning"]), help="Which streams fell on the tray.")
@click.option("--mill", type=click.Choice(["none", "bypassed", "engaged"]), help="Weed-seed mill in the stream.")
@numbers("front-grains", "front-area-m2", "front-area-ft2", help="Count in the cut strip between front and crop.")
@numbers("before-harvest-grains", "before-harvest-area-m2", "before-harvest-area-ft2", help="Count in the standing crop.")
@numbers("yield-t-ha", "yield-bu-ac", help="Yield in the tank, t/ha, for the percent.")
@numbers("price-per-t", "price-per-bu", help="Price of a tonne, for the value lost.")
@numbers("bushel-lb", help="Mass of a bushel, lb.")
@click.option("--crop", help="A crop of the table: its TGW and bushel stand in for what is not given.")
@config_option
@shared_options
def tray(as_json: bool, unit_system: str | None, source: str | None, config: str | None, **options: Any) -> None:
    """A tray test -> loss per area, percent and money.

    \b
    Before you lay a tray: two people in radio contact; chopper and
    spreader off and stopped. Stay to the side, never in front of a wheel
    or behind the discharge. Fetch it only after the machine has passed
    and the driver confirms. The operator's manual goes before this.

    \b
    Example, a tray as wide as the discharge:
    tailgrain calc tray --grains 180 --length-m 0.5 --width-m 1.6 --tgw-g 38 \\
        --residue-width-m 1.6 --cut-width-m 9 --yield-t-ha 4 --price-per-t 250
    Several trays at their places, or other keys of a `tray` entry: --from FILE
    """
    settings = keys.load_config(config)
    us = keys.in_us(unit_system, settings)
    plain = keys.gather("tray", source, _tray_keys(options, source))
    if not plain and source is None:
        raise WrongInput("calc tray: nothing given; allowed: --grains, --length-m, --width-m, --cut-width-m and more, or --from")
    figures, words = calc_tray.reckon(calc_tray.read(plain, us, settings))
    keys.answer(figures, words, as_json)


def _tray_keys(options: dict[str, Any], source: str | None) -> dict[str, Any]:
    """Options of one or several equal trays -> the keys that the JSON object has."""
    plain: dict[str, Any] = {}
    one: dict[str, Any] = {}
    for key, value in options.items():
        if value is None or value == ():
            continue
        for place in ("front", "before_harvest"):
            if key.startswith(f"{place}_"):
                plain.setdefault(place, {})[key.removeprefix(f"{place}_")] = value
                break
        else:
            of_tray = key in calc_tray.ONE_TRAY_KEYS or key in ("length_ft", "width_ft")
            (one if of_tray else plain)[key] = value
    if not one and (source is not None or not plain):
        return plain
    if source is not None:
        raise WrongInput(f"calc tray: --{next(iter(one)).replace('_', '-')}: given beside --from; allowed: in its `trays`")
    grains, masses = one.pop("grains", ()), one.pop("mass_g", ())
    if not grains and not masses:
        raise WrongInput("calc tray: --grains or --mass-g: missing; required: what lay on the tray")
    if grains and masses:
        raise WrongInput("calc tray: --mass-g: given beside --grains; allowed: one of the two (trays of both kinds by --from)")
    if len(grains) + len(masses) > 1:
        one_each = [key for key in one if key.startswith("heads_")]
        if one_each:
            raise WrongInput(f"calc tray: --{one_each[0].replace('_', '-')}: one tray only; allowed: several by --from")
    plain["trays"] = [{"grains": n, **one} for n in grains] + [{"mass_g": m, **one} for m in masses]
    return plain


@calc.command(cls=Verb)
@numbers("tgw-g", help="Thousand-grain weight, g.")
@numbers("bushel-lb", help="Mass of a bushel, lb.")
@click.option("--crop", help="A crop of the table.")
@config_option
@shared_options
def kernels(as_json: bool, unit_system: str | None, source: str | None, config: str | None, **options: Any) -> None:
    """How many kernels make a loss.

    \b
    Example: tailgrain calc kernels --tgw-g 31.7 --bushel-lb 60
    """
    settings = keys.load_config(config)
    us = keys.in_us(unit_system, settings)
    figures, words = simple.kernels(keys.gather("kernels", source, options), settings, us)
    keys.answer(figures, words, as_json)


@calc.command("area-rate", cls=Verb)
@numbers("kmh", "mph", help="Speed, km/h.")
@numbers("width-m", "width-ft", help="Width of the cut, m.")
@numbers("efficiency", help="Field efficiency, over 0 to 1; 1 if not given.")
@shared_options
def area_rate(as_json: bool, unit_system: str | None, source: str | None, **options: Any) -> None:
    """Area an hour from speed and width.

    \b
    Example: tailgrain calc area-rate --kmh 8 --width-m 12
    """
    us = keys.in_us(unit_system, None)
    figures, words = simple.area_rate(keys.gather("area-rate", source, options), us)
    keys.answer(figures, words, as_json)


@calc.command(cls=Verb)
@numbers("mass", help="Mass, in any unit.")
@numbers("from-pct", help="Moisture it has, % wet basis.")
@numbers("to-pct", help="Moisture it is brought to, % wet basis.")
@shared_options
def moisture(as_json: bool, unit_system: str | None, source: str | None, **options: Any) -> None:
    """Mass of the same dry matter at another moisture.

    \b
    Example: tailgrain calc moisture --mass 10000 --from-pct 20 --to-pct 15.5
    """
    figures, words = simple.moisture(keys.gather("moisture", source, options))
    keys.answer(figures, words, as_json)


@calc.command(cls=Verb)
@click.option("--events", type=Number(), nargs=2, default=None, help="The two counts.")
@click.option("--exposure", type=Number(), nargs=2, default=None, help="What each was counted over: area, distance, time.")
@numbers("level", help="Level of the interval; 0.95 if not given.")
@shared_options
def ratio(as_json: bool, unit_system: str | None, source: str | None, **options: Any) -> None:
    """Ratio of two rates, with its exact interval.

    \b
    Example: tailgrain calc ratio --events 60 30 --exposure 51477.5 54308.7
    """
    figures, words = simple.ratio(keys.gather("ratio", source, options))
    keys.answer(figures, words, as_json)


@calc.command(cls=Verb)
@click.option("--sieve", type=click.Choice(["pre", "top", "bottom"]), help="Which sieve.")
@numbers("readout-mm", "readout", help="What the cab shows, mm.")
@click.option("--unit", type=click.Choice(["mm", "percent", "notch"]), help="Unit of --readout.")
@click.option("--measured-mm", type=Number(), multiple=True, help="Gap at the sieve, mm; again for each place.")
@numbers("opened-to-mm", help="How far it was opened before it was closed to the reading, mm.")
@click.option("--gauge", "gauges", multiple=True, metavar="JSON", help="A gauge entry; again for more.")
@numbers("want-mm", help="The gap that is wanted, mm.")
@config_option
@shared_options
def sieve(as_json: bool, unit_system: str | None, source: str | None, config: str | None, **options: Any) -> None:
    """A gauge check -> offset, gain, and the readout to dial.

    \b
    Before you reach in: engine off, key in your pocket, wait until
    everything has stopped; prop what can fall. Open the sieve well past
    the gap, then close to it. The operator's manual goes before this.

    \b
    Example:
    tailgrain calc sieve --sieve top --readout-mm 12 --measured-mm 20.5 \\
        --opened-to-mm 26 --want-mm 16
    """
    settings = keys.load_config(config)
    found, beside = calc_sieve.gather(source, options.pop("gauges"), options)
    figures, words = calc_sieve.reckon(found, beside, settings)
    keys.answer(figures, words, as_json)


@calc.command(cls=Verb)
@numbers("cut", help="Width of the cut.")
@numbers("discharge", help="Width of the discharge, in the same unit.")
@shared_options
def concentration(as_json: bool, unit_system: str | None, source: str | None, **options: Any) -> None:
    """How much the discharge concentrates what was cut.

    \b
    Example: tailgrain calc concentration --cut 30 --discharge 5
    """
    figures, words = simple.concentration(keys.gather("concentration", source, options))
    keys.answer(figures, words, as_json)


def run(args: Sequence[str]) -> int:
    """Run the group on its own: exit status, with one line on standard error for wrong use or input."""
    try:
        return int(calc.main(args=list(args), prog_name="tailgrain calc", standalone_mode=False) or 0)
    except click.ClickException as fault:
        where = fault.ctx.command_path if isinstance(fault, click.UsageError) and fault.ctx else "tailgrain calc"
        click.echo(f"{where}: {' '.join(fault.format_message().split())}", err=True)
        return 2
    except TailgrainError as fault:
        click.echo(f"tailgrain {fault}", err=True)
        return fault.exit_status


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))

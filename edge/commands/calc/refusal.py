"""Refusals of `calc` in the user's own words: options where options were typed, JSON keys where a file was read, and US
customary keys and figures where those were given."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from edge.contract.errors import SettingsError, WrongInput
from edge.reckon.tables import units

US_LENGTHS = {"length_ft": "length_m", "width_ft": "width_m", "x_ft": "x_m", "residue_width_ft": "residue_width_m",
              "cut_width_ft": "cut_width_m"}  # fmt: skip
US_KEYS = {**US_LENGTHS, "area_ft2": "area_m2", "mph": "kmh", "yield_bu_ac": "yield_t_ha",
           "price_per_bu": "price_per_t"}  # fmt: skip
"""US customary key -> the SI key it stands for."""

FACTORS = {**dict.fromkeys(US_LENGTHS, units.FT_M), "area_ft2": units.FT2_M2, "mph": units.MILE_KM}
"""US customary key -> SI per unit of it; those in bushels depend on the crop."""

_HEAD = re.compile(r"^calc (?P<verb>[a-z-]+): (?:(?:tray|gauge): )?(?P<path>[a-z_][\w.\[\]]*): (?P<rest>.*)$", re.DOTALL)
_NUMBER = re.compile(r"(?<![\w.])-?\d[\d.]*(?:e[+-]?\d+)?(?![\w.]*\w)")
_FOUND = re.compile(r"found (-?\d[\d.]*(?:e[+-]?\d+)?)")
_GROUND = ("front", "before_harvest")


@contextmanager
def spoken(options: Mapping[str, Any], source: str | None, us: bool) -> Iterator[None]:
    """Faults of settings pass as they are, others name what was typed. `options`: all of a verb's, None where not given."""
    try:
        yield
    except SettingsError:
        raise
    except WrongInput as fault:
        raise WrongInput(as_typed(str(fault), options, source is not None, us)) from fault


def as_typed(text: str, options: Mapping[str, Any], from_file: bool, us: bool = False) -> str:
    """A refusal that names keys -> one that names options: all of them, or beside a file those that were given."""
    given = {name for name, value in options.items() if value is not None and value != ()}
    known = given if from_file else set(options)
    head = _HEAD.match(text)
    if head is None:
        return text if from_file or ": --gauge" in text else _plain(text, known)
    name = re.sub(r"\[\d+\]", "", head["path"]).removeprefix("trays.").replace(".", "_")
    rest = _plain(head["rest"], known)
    if name in known:
        return f"calc {head['verb']}: {_option(name)}: {rest}"
    if name == "trays" and not from_file:
        return f"calc {head['verb']}: {_option('length_m')} by {_option('width_m')}: {rest}"
    if name in _GROUND and not from_file:
        area = "area_ft2" if us else "area_m2"
        return f"calc {head['verb']}: {_option(f'{name}_grains')} and {_option(f'{name}_{area}')}: {rest}"
    return text


def _plain(text: str, known: set[str]) -> str:
    text = text.replace(" or null", "").replace("a known crop", "a known --crop" if "crop" in known else "a known crop")
    text = re.sub(r"a list of 2, each a number", "two numbers, one after the other", text)
    text = re.sub(r" or a list of [^;]*$", "", text)
    for name in sorted(known, key=len, reverse=True):
        if "_" in name or name in ("kmh", "mph"):
            text = re.sub(rf"(?<![\w'-])`?{name}`?(?![\w'-])", _option(name), text)
    return text


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


@contextmanager
def in_us(us: bool, plain: Mapping[str, Any]) -> Iterator[None]:
    """Under `us`, a fault of an SI key that a US customary one was read into is told in that key and its unit."""
    try:
        yield
    except WrongInput as fault:
        said = _in_us(str(fault), plain) if us else str(fault)
        if said == str(fault):
            raise
        raise WrongInput(said) from fault


def _in_us(text: str, plain: Mapping[str, Any]) -> str:
    head = _HEAD.match(text)
    if head is None:
        return text
    *place, last = head["path"].split(".")
    key = next((key for key, si in US_KEYS.items() if si == last), None)
    used = _keys(plain)
    if key is None or (last in used and key not in used):
        return text
    path = ".".join([*place, key])
    return f"calc {head['verb']}: {path}: {_scaled(head['rest'], _factor(key, head['rest'], plain))}"


def _factor(key: str, rest: str, plain: Mapping[str, Any]) -> float:
    """SI per unit; in bushels it follows from what was given and what was found."""
    if key in FACTORS:
        return FACTORS[key]
    found, given = _FOUND.search(rest), plain.get(key)
    if found is None or not isinstance(given, (int, float)) or not given:
        return 1.0
    return float(found[1]) / given


def _scaled(rest: str, factor: float) -> str:
    scaled = _NUMBER.sub(lambda number: f"{float(number[0]) / factor:.4g}", rest)
    return re.sub(r"(?<=\d) m\b", " ft", scaled)


def _keys(plain: Any) -> set[str]:
    """Every key of an object, nested ones too."""
    if isinstance(plain, Mapping):
        return set(plain).union(*map(_keys, plain.values()))
    return set().union(*map(_keys, plain)) if isinstance(plain, list) else set()


def check_us(verb: str, plain: Any, us: bool) -> None:
    """US customary keys only under `us`, and none beside the SI key it stands for. Raises WrongInput."""
    if isinstance(plain, list):
        for one in plain:
            check_us(verb, one, us)
    if not isinstance(plain, Mapping):
        return
    for key, value in plain.items():
        si = US_KEYS.get(key)
        if si is not None and si in plain:
            with_us = "" if us else f" ({key} with --units us)"
            raise WrongInput(f"calc {verb}: {key}: given beside {si}; allowed: one of the two{with_us}")
        if si is not None and not us:
            raise WrongInput(f"calc {verb}: {key}: a US customary unit; allowed: with --units us, or give {si} instead")
        check_us(verb, value, us)

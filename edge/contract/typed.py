"""Plain data (from TOML or JSON) -> typed structs, with one refusal a fault.

msgspec does the checking; this module turns its refusals into data: which key, what was found, what is allowed, and for
an unknown key the nearest known one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from difflib import get_close_matches
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

from edge.contract.allowed import NULL, AnyRule, ChoiceRule, InWords, KeyRule, ListRule, NumberRule, SeveralRule, TextRule
from edge.contract.refusal import LONGEST_BITS, MISSING, KeyPath, Refusal, dotted, value_found

DEEPEST = 12
"""Levels of nesting accepted; real settings and entries need four."""

T = TypeVar("T")


class TypedFault(Exception):
    """One fault; callers wrap its refusal into their own error with the file or entry named."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.line())
        self.refusal = refusal


def convert(plain: Any, kind: type[T], kind_of_key: str = "key") -> T:
    """Check plain data against a struct. Raises TypedFault naming key, what was found and what is allowed."""
    _check_finite(plain, ())
    info = _info(kind)
    _check_keys(plain, info, (), kind_of_key)
    try:
        return msgspec.convert(plain, kind, strict=True)
    except msgspec.ValidationError as fault:
        raise TypedFault(_refusal(str(fault), plain, info)) from fault


_INFO: dict[object, inspect.Type] = {}


def _info(kind: object) -> inspect.Type:
    """Looking a struct through costs 250 microseconds: over a season's entries that were seconds of every start."""
    if kind not in _INFO:
        _INFO[kind] = inspect.type_info(kind)
    return _INFO[kind]


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """` (did you mean `x`?)`, or nothing when no known name is near."""
    near = get_close_matches(name.lower(), list(known), n=1, cutoff=0.6)
    return f" (did you mean `{near[0]}`?)" if near else ""


def _check_finite(plain: Any, path: KeyPath) -> None:
    if len(path) > DEEPEST:
        where = dotted(path)[:80]  # only hostile input is so deep: its keys are not worth telling apart
        raise TypedFault(Refusal((where,), (f"nested deeper than {DEEPEST} levels",)))
    if isinstance(plain, float) and not math.isfinite(plain):
        raise TypedFault(Refusal(path, value_found(plain), InWords(("a finite number",))))
    if isinstance(plain, dict):
        for key, value in plain.items():
            _check_finite(value, (*path, str(key)))
    elif isinstance(plain, (list, tuple)):
        for number, value in enumerate(plain):
            _check_finite(value, (*path, number))


def _struct_for(plain: Any, info: inspect.Type) -> inspect.StructType | None:
    """The struct that a plain object is meant for: by its tag where several are possible."""
    options = info.types if isinstance(info, inspect.UnionType) else (info,)
    structs = [option for option in options if isinstance(option, inspect.StructType)]
    if len(structs) == 1:
        return structs[0]
    for struct in structs:
        if struct.tag_field is not None and isinstance(plain, dict) and plain.get(struct.tag_field) == struct.tag:
            return struct
    return None


def _items_of(info: inspect.Type) -> inspect.Type | None:
    options = info.types if isinstance(info, inspect.UnionType) else (info,)
    for option in options:
        if isinstance(option, (inspect.VarTupleType, inspect.ListType)):
            return option.item_type
    return None


def _plain_type(info: inspect.Type) -> inspect.Type:
    while isinstance(info, inspect.Metadata):
        info = info.type
    return info


def _check_keys(plain: Any, info: inspect.Type, path: KeyPath, kind_of_key: str) -> None:
    """Unknown keys first: a misspelled key would otherwise show as a missing one."""
    info = _plain_type(info)
    if isinstance(plain, (list, tuple)):
        items = _items_of(info)
        if items is not None:
            for number, value in enumerate(plain):
                _check_keys(value, items, (*path, number), kind_of_key)
        return
    struct = _struct_for(plain, info)
    if struct is None or not isinstance(plain, dict):
        return
    fields = {field.encode_name: field for field in struct.fields}
    for key, value in plain.items():
        if key == struct.tag_field:
            continue
        if key not in fields:
            unknown = f"unknown {kind_of_key}{did_you_mean(str(key), fields)}"
            raise TypedFault(Refusal((*path, str(key)), (unknown,), ChoiceRule(tuple(fields))))
        _check_keys(value, fields[key].type, (*path, str(key)), kind_of_key)


_MISSING = re.compile(r"Object missing required field `(?P<key>[^`]+)`")
_STEP = re.compile(r"\.([^.\[\]]+)|\[(\d+)\]")


def _refusal(message: str, plain: Any, info: inspect.Type) -> Refusal:
    """Of the library's text only the path is needed, and whether the key there is missing."""
    text, _, place = message.rpartition(" - at `$") if " - at `$" in message else (message, "", "")
    path: KeyPath = tuple(key or int(number) for key, number in _STEP.findall(place.removesuffix("`")))
    missing = _MISSING.fullmatch(text)
    if missing:
        path = (*path, missing["key"])
        field = _field(info, plain, path)
        return Refusal(path, MISSING, rule_of(field) if field is not None else InWords(("a value",)), by="required")
    found, field = _value(plain, path), _field(info, plain, path)
    near = did_you_mean(found, _words_of(field)) if isinstance(found, str) and field is not None else ""
    return Refusal(path, value_found(found, _show(found), near), rule_of(field) if field is not None else InWords((text,)))


def _words_of(info: inspect.Type) -> list[str]:
    info = _plain_type(info)
    options = info.types if isinstance(info, inspect.UnionType) else (info,)
    return [str(value) for option in options if isinstance(option, inspect.LiteralType) for value in option.values]


def _show(value: Any) -> str:
    if isinstance(value, int) and value.bit_length() > LONGEST_BITS:
        return f"a number of {value.bit_length()} bits"  # one too long to be written out at all
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else text[:57] + "..."


def _value(plain: Any, path: KeyPath) -> Any:
    for step in path:
        try:
            plain = plain[step]
        except (KeyError, IndexError, TypeError):
            return None
    return plain


def _field(info: inspect.Type | None, plain: Any, path: KeyPath) -> inspect.Type | None:
    for step in path:
        if info is None:
            return None
        info = _plain_type(info)
        if isinstance(step, str):
            struct = _struct_for(plain, info)
            if struct is not None and step == struct.tag_field:
                return None
            fields = {f.encode_name: f.type for f in struct.fields} if struct is not None else {}
            info = fields.get(step)
        else:
            info = _items_of(info)
        plain = _value(plain, (step,))
    return info


def rule_of(info: inspect.Type) -> KeyRule:
    """What a field takes."""
    info = _plain_type(info)
    if isinstance(info, inspect.UnionType):
        rules = [rule_of(option) for option in info.types if not isinstance(option, inspect.CustomType)]
        lists = [rule for rule in rules if isinstance(rule, ListRule)]
        if len(rules) == 2 and len(lists) == 1 and lists[0].item in rules:  # its range is said once
            return SeveralRule(lists[0].item, lists[0].most)
        return AnyRule(tuple(dict.fromkeys(rules)))
    if isinstance(info, (inspect.FloatType, inspect.IntType)):
        return NumberRule(info.ge, info.gt, info.le, info.lt, whole=isinstance(info, inspect.IntType))
    if isinstance(info, inspect.LiteralType):
        return ChoiceRule(tuple(map(str, info.values)))
    if isinstance(info, inspect.StrType):
        return TextRule(info.pattern, info.min_length, info.max_length)
    if isinstance(info, inspect.BoolType):
        return InWords(("true or false",))
    if isinstance(info, inspect.NoneType):
        return NULL
    if isinstance(info, (inspect.VarTupleType, inspect.ListType)):
        return ListRule(rule_of(info.item_type), info.min_length, info.max_length)
    if isinstance(info, inspect.StructType):
        tag = (info.tag_field,) if info.tag_field else ()
        return ChoiceRule((*tag, *(field.encode_name for field in info.fields)), lead="a table with ")
    return InWords(("another kind of value",))

"""Plain data (from TOML or JSON) -> typed structs, with one clear line a fault.

msgspec does the checking; this module turns its refusals into: which key, what was found, what is allowed, and for an
unknown key the nearest known one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from difflib import get_close_matches
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

DEEPEST = 12
"""Levels of nesting accepted; real settings and entries need four."""

T = TypeVar("T")


class TypedFault(Exception):
    """One fault in one line; callers wrap it into their own error with the file or entry named."""


def convert(plain: Any, kind: type[T], kind_of_key: str = "key") -> T:
    """Check plain data against a struct. Raises TypedFault naming key, what was found and what is allowed."""
    _check_finite(plain, "", 0)
    info = _info(kind)
    _check_keys(plain, info, "", kind_of_key)
    try:
        return msgspec.convert(plain, kind, strict=True)
    except msgspec.ValidationError as fault:
        raise TypedFault(_explain(str(fault), plain, info)) from fault


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


def _check_finite(plain: Any, path: str, depth: int) -> None:
    if depth > DEEPEST:
        raise TypedFault(f"{path[:80]}: nested deeper than {DEEPEST} levels")
    if isinstance(plain, float) and not math.isfinite(plain):
        raise TypedFault(f"{path}: found {plain}; allowed: a finite number")
    if isinstance(plain, dict):
        for key, value in plain.items():
            _check_finite(value, _join(path, str(key)), depth + 1)
    elif isinstance(plain, (list, tuple)):
        for number, value in enumerate(plain):
            _check_finite(value, f"{path}[{number}]", depth + 1)


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


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


def _check_keys(plain: Any, info: inspect.Type, path: str, kind_of_key: str) -> None:
    """Unknown keys first: a misspelled key would otherwise show as a missing one."""
    info = _plain_type(info)
    if isinstance(plain, (list, tuple)):
        items = _items_of(info)
        if items is not None:
            for number, value in enumerate(plain):
                _check_keys(value, items, f"{path}[{number}]", kind_of_key)
        return
    struct = _struct_for(plain, info)
    if struct is None or not isinstance(plain, dict):
        return
    fields = {field.encode_name: field for field in struct.fields}
    for key, value in plain.items():
        if key == struct.tag_field:
            continue
        if key not in fields:
            where = f"{_join(path, str(key))}: unknown {kind_of_key}{did_you_mean(str(key), fields)}"
            raise TypedFault(f"{where}; allowed: {', '.join(fields)}")
        _check_keys(value, fields[key].type, _join(path, str(key)), kind_of_key)


_PATH = re.compile(r"^(?P<text>.*?)(?: - at `\$(?P<path>.*)`)?$", re.DOTALL)
_MISSING = re.compile(r"missing required field `(?P<key>[^`]+)`")
_STEP = re.compile(r"\.([^.\[\]]+)|\[(\d+|\.\.\.)\]")


def _explain(message: str, plain: Any, info: inspect.Type) -> str:
    parts = _PATH.match(message)
    text, path = (parts["text"], parts["path"] or "") if parts else (message, "")
    missing = _MISSING.search(text)
    if missing:
        where = _join(path.lstrip("."), missing["key"])
        field = _field(info, plain, f"{path}.{missing['key']}")
        return f"{where}: missing; required: {allowed(field) if field is not None else 'a value'}"
    found, field = _value(plain, path), _field(info, plain, path)
    rule = allowed(field) if field is not None else text
    near = did_you_mean(found, _words_of(field)) if isinstance(found, str) and field is not None else ""
    return f"{path.lstrip('.')}: found {_show(found)}{near}; allowed: {rule}"


def _words_of(info: inspect.Type) -> list[str]:
    info = _plain_type(info)
    options = info.types if isinstance(info, inspect.UnionType) else (info,)
    return [str(value) for option in options if isinstance(option, inspect.LiteralType) for value in option.values]


def _show(value: Any) -> str:
    if isinstance(value, int) and value.bit_length() > 200:
        return f"a number of {value.bit_length()} bits"  # one too long to be written out at all
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else text[:57] + "..."


def _value(plain: Any, path: str) -> Any:
    for key, number in _STEP.findall(path):
        try:
            plain = plain[key] if key else plain[int(number)]
        except (KeyError, IndexError, TypeError, ValueError):
            return None
    return plain


def _field(info: inspect.Type | None, plain: Any, path: str) -> inspect.Type | None:
    for key, number in _STEP.findall(path):
        if info is None:
            return None
        info = _plain_type(info)
        if key:
            struct = _struct_for(plain, info)
            if struct is not None and key == struct.tag_field:
                return None
            fields = {f.encode_name: f.type for f in struct.fields} if struct is not None else {}
            info = fields.get(key)
            plain = plain.get(key) if isinstance(plain, dict) else None
        else:
            info = _items_of(info)
            try:
                plain = plain[int(number)]
            except (IndexError, TypeError, ValueError):
                plain = None
    return info


def allowed(info: inspect.Type) -> str:
    """What a field takes, in words."""
    info = _plain_type(info)
    if isinstance(info, inspect.UnionType):
        words = [allowed(option) for option in info.types if not isinstance(option, inspect.CustomType)]
        lists = [one for one in map(_plain_type, info.types) if isinstance(one, (inspect.VarTupleType, inspect.ListType))]
        each = allowed(lists[0].item_type) if len(lists) == 1 else ""
        if len(words) == 2 and each in words:  # one such value or several: its range is said once
            return f"{each}; one, or up to {lists[0].max_length or 'any number'} of them"
        return " or ".join(dict.fromkeys(words))
    if isinstance(info, (inspect.FloatType, inspect.IntType)):
        return _number_words(info)
    if isinstance(info, inspect.LiteralType):
        return ", ".join(str(value) for value in info.values)
    if isinstance(info, inspect.StrType):
        return _text_words(info)
    if isinstance(info, inspect.BoolType):
        return "true or false"
    if isinstance(info, inspect.NoneType):
        return "null"
    if isinstance(info, (inspect.VarTupleType, inspect.ListType)):
        if info.min_length is not None and info.min_length == info.max_length:
            return f"a list of {info.min_length}, each {allowed(info.item_type)}"
        return f"a list of {info.min_length or 0} to {info.max_length or 'any number of'}: {allowed(info.item_type)}"
    if isinstance(info, inspect.StructType):
        keys = ([info.tag_field] if info.tag_field else []) + [field.encode_name for field in info.fields]
        return "a table with " + ", ".join(keys)
    return "another kind of value"


def _number_words(info: inspect.FloatType | inspect.IntType) -> str:
    words = ["a whole number" if isinstance(info, inspect.IntType) else "a number"]
    if info.ge is not None:
        words.append(f"from {info.ge:g}")
    if info.gt is not None:
        words.append(f"over {info.gt:g}")
    if info.le is not None:
        words.append(f"up to {info.le:g}")
    if info.lt is not None:
        words.append(f"{'and ' if len(words) > 1 else ''}under {info.lt:g}")
    return " ".join(words)


def _text_words(info: inspect.StrType) -> str:
    words = "text"
    if info.pattern:
        words += f" of the form {info.pattern}"
    if info.min_length or info.max_length:
        words += f" of {info.min_length or 0} to {info.max_length or 'any number of'} characters"
    return words

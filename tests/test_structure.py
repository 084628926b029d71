"""The structure that a newcomer relies on: small folders, one way of imports, names that are met once, nothing private shared.

import-linter (in `make check`) holds the layers; these are the rules that it has no words for.
"""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("edge", "dashboard", "sim_feed")
MOST_MODULES = 16
TAKES_PRIVATE_NAMES = {"_replace", "_asdict", "_fields", "_make"}
"""Public in spite of their names: methods of every NamedTuple."""


@cache
def trees(*places: str) -> dict[str, ast.Module]:
    """Modules by their dotted name."""
    paths = [path for place in places for path in (ROOT / place).rglob("*.py") if path.name != "__init__.py"]
    return {".".join(path.relative_to(ROOT).with_suffix("").parts): ast.parse(path.read_text()) for path in sorted(paths)}


def imported(tree: ast.Module, modules: frozenset[str]) -> Iterator[str]:
    """Modules of ours that a module imports, also within functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in modules else node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def test_no_folder_holds_more_than_sixteen_modules() -> None:
    found: dict[str, int] = defaultdict(int)
    for name in trees(*PACKAGES, "tests"):
        found[name.rpartition(".")[0]] += 1
    for path in (ROOT / "dashboard" / "web").rglob("*.js"):
        if "vendor" not in path.parts:
            found[str(path.parent.relative_to(ROOT))] += 1
    assert len(found) > 60
    assert {name: count for name, count in found.items() if count > MOST_MODULES} == {}


def test_no_folders_import_each_other_not_even_in_a_round() -> None:
    every = trees(*PACKAGES)
    modules = frozenset(every)
    after: dict[str, set[str]] = defaultdict(set)
    for name, tree in every.items():
        here = name.rpartition(".")[0]
        others = {other.rpartition(".")[0] for other in imported(tree, modules) if other in modules}
        after[here] |= others - {here}
    try:
        order = list(TopologicalSorter(after).static_order())
    except CycleError as fault:
        raise AssertionError(f"folders that import each other: {' -> '.join(fault.args[1])}") from fault
    assert order.index("edge.contract") < order.index("edge.feed") < order.index("edge.reckon") < order.index("edge.engine")


def test_every_class_has_a_name_of_its_own() -> None:
    where: dict[str, list[str]] = defaultdict(list)
    for module, tree in trees(*PACKAGES).items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                where[node.name.lstrip("_")].append(module)
    assert len(where) > 300
    assert {name: modules for name, modules in where.items() if len(modules) > 1} == {}


def test_no_module_reaches_into_another_s_private_names() -> None:
    reached = []
    for module, tree in trees(*PACKAGES).items():
        own = {name for node in ast.walk(tree) for name in defined(node)}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                reached += [(module, node.lineno, alias.name) for alias in node.names if is_private(alias.name)]
            elif isinstance(node, ast.Attribute) and is_private(node.attr) and node.attr not in own | TAKES_PRIVATE_NAMES:
                reached.append((module, node.lineno, ast.unparse(node)))
    assert reached == []


def is_private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__")


def defined(node: ast.AST) -> Iterator[str]:
    """Names that a module gives to what is its own."""
    if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
        yield node.name
    elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in ("self", "cls"):
        yield node.attr
    elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
        yield node.id


def test_square_metres_of_a_hectare_stand_in_one_place() -> None:
    """Except for the simulated machine, which shares nothing with what it tests."""
    hectare = re.compile(r"\b(?:area|m2|ha)\w*(?:\([^()]*\))? ?[*/] ?10_?000\b|[*/] ?10_?000\.0|HA = 10_?000|/ 1e4\b")
    places = [path for place in ("edge", "dashboard") for path in (ROOT / place).rglob("*.py")]
    found = [str(path.relative_to(ROOT)) for path in places if hectare.search(path.read_text())]
    assert [name for name in found if not name.endswith("tables/units.py")] == []


def test_tests_take_what_they_share_from_kits_and_not_from_each_other() -> None:
    modules = frozenset(trees("tests"))
    taken = [
        (name, other)
        for name, tree in trees("tests").items()
        for other in imported(tree, modules)
        if other in modules and (other.rpartition(".")[2].startswith("test_") or other.endswith("conftest"))
    ]
    assert taken == []

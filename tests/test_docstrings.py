"""What one room uses of another is documented in full, by numpydoc's own validation.

Of all functions the public ones are those that cross a wall: imported by another package of ours, or handed
out by `halocline` or `halocline.plugin`. Whoever calls them does not read their code, so shapes, units,
ranges and errors have to stand in the docstring. What stays inside its package says so in its own words.
"""

from __future__ import annotations

import ast
import dataclasses
import inspect
import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from importlib import import_module

import pytest
from pydantic import BaseModel
from tests.trees import MODULES, name_of, nodes_of, tree_of

import halocline.plugin

# Of numpydoc's checks: there is a docstring; its parameters are those of the function, in their order, each
# with a description; what is returned or yielded is said, with a description.
WANTED = {"GL08", "PR01", "PR02", "PR03", "PR07", "RT01", "RT03", "YD01"}

Crossing = tuple[str, str]


PATHS = {name_of(path): path for path in MODULES}
ROOMS = {name: name_of(path.parent / "__init__.py") for name, path in PATHS.items()}


def used(nodes: Iterable[ast.AST]) -> Iterator[Crossing]:
    """Yield module and name of what a module takes from others, also as ``module.name``."""
    known_as: dict[str, str] = {}
    nodes = tuple(nodes)
    for node in nodes:
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                if whole in PATHS:
                    known_as[alias.asname or alias.name] = whole
                else:
                    yield node.module, alias.name
    for node in nodes:
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in known_as:
            yield known_as[node.value.id], node.attr


@lru_cache(maxsize=1)
def crossings() -> dict[str, list[str]]:
    """Return the public names of each module that another package uses."""
    defined = {
        module: {node.name for node in tree_of(path).body if isinstance(node, ast.FunctionDef | ast.ClassDef)}
        for module, path in PATHS.items()
    }
    found: dict[str, set[str]] = {}
    for module, path in PATHS.items():
        for source, name in used(nodes_of(path)):
            if name in defined.get(source, ()) and ROOMS[source] != ROOMS[module] and name[0] != "_":
                found.setdefault(source, set()).add(name)
    return {module: sorted(names) for module, names in sorted(found.items())}


def mistakes(name: str) -> list[str]:
    validate = pytest.importorskip("numpydoc.validate").validate
    return [f"{name}: {text}" for code, text in validate(name)["errors"] if code in WANTED]


def fields(kind: type) -> list[str]:
    if dataclasses.is_dataclass(kind):
        names = [field.name for field in dataclasses.fields(kind)]
    else:
        names = list(kind.model_fields) if issubclass(kind, BaseModel) else []
    return [name for name in names if not name.startswith("_")]


def documented(kind: type) -> set[str]:
    """Return the names that stand at the left margin of a class's docstring or of its bases'."""
    lines = [line for each in kind.__mro__ for line in inspect.cleandoc(each.__doc__ or "").splitlines()]
    return {name for line in lines if line == line.lstrip() for name in line.split(", ")}


@pytest.mark.parametrize("room", sorted(set(ROOMS.values())))
def test_what_crosses_a_wall_is_documented(room: str) -> None:
    wrong: list[str] = []
    for module, names in crossings().items():
        for name in names if ROOMS[module] == room else ():
            thing = getattr(import_module(module), name)
            if not inspect.isclass(thing):
                wrong += mistakes(f"{module}.{name}")
                continue
            assert inspect.getdoc(thing), name
            wrong += [f"{name}.{field}" for field in fields(thing) if field not in documented(thing)]
    assert not wrong


@pytest.mark.parametrize("room", sorted(set(ROOMS.values()) - {"halocline"}))
def test_the_map_of_a_room_names_what_others_use_of_it(room: str) -> None:
    told = ast.get_docstring(tree_of(PATHS[room])) or ""
    for module, names in crossings().items():
        if ROOMS[module] == room:
            missing = [name for name in names if not re.search(rf"\b{name}\b", told)]
            assert not missing, f"name them behind `{module.split('.')[-1]}` in the docstring of {room}"


def methods_of_the_face() -> list[str]:
    """Return the public methods of the classes that studios derive from or are given."""
    classes = [
        thing
        for name in halocline.plugin.__all__
        if inspect.isclass(thing := getattr(halocline.plugin, name))
    ]
    return [
        f"{kind.__module__}.{kind.__name__}.{name}"
        for kind in classes
        if kind.__module__.startswith("halocline.")
        for name, value in vars(kind).items()
        if inspect.isfunction(value) and not name.startswith("_")
    ]


@pytest.mark.parametrize("name", methods_of_the_face())
def test_methods_of_the_face_for_studios_are_documented(name: str) -> None:
    assert not mistakes(name)


def test_the_measure_sees_what_crosses_and_what_is_missing() -> None:
    assert "veiling_light" in crossings()["halocline.physics.path.transport"]
    # Used as module.name, and only inside its own room.
    assert ("halocline.units", "metres") in set(
        used(ast.walk(ast.parse("from halocline import units\nunits.metres('1 m')")))
    )
    assert "halocline.physics.path.halo_loops" not in crossings()
    assert mistakes(f"{__name__}.undocumented")


def undocumented(thickness: float) -> float:
    """Return twice as much."""
    return 2.0 * thickness

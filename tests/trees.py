"""The package's own source as syntax trees, for laws that read it; each file is parsed once in a process."""

from __future__ import annotations

import ast
from functools import lru_cache
from pathlib import Path

import halocline

HOUSE = Path(str(halocline.__file__)).parent
MODULES = sorted(HOUSE.rglob("*.py"))


@lru_cache(maxsize=1024)
def tree_of(path: Path) -> ast.Module:
    """Return a file's tree; nobody changes it."""
    return ast.parse(path.read_text(encoding="utf-8"))


@lru_cache(maxsize=1024)
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Return all nodes of a file's tree."""
    return tuple(ast.walk(tree_of(path)))


def name_of(path: Path) -> str:
    """Return a module's dotted name."""
    parts = path.relative_to(HOUSE.parent).with_suffix("").parts
    return ".".join(parts).removesuffix(".__init__")

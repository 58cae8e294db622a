"""Digests of source code: of a module and of all that it imports from its own package.

A compiled loop holds the code of the loops it calls and the values of the constants it names, wherever they
stand. Python's imports are read from the text, not run; a name that is imported may be a module or not.
"""

from __future__ import annotations

import hashlib
import re
import sys
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

_FROM = re.compile(r"^[ \t]*from[ \t]+(\.*)([\w.]*)[ \t]+import[ \t]+(\([^)]*\)|[^\n#]*)", re.MULTILINE)
_IMPORT = re.compile(r"^[ \t]*import[ \t]+([^\n#]*)", re.MULTILINE)
_NAME = re.compile(r"\w+")
# Modules, and names that may be some, that are kept: several times what this package has.
MOST_KEPT = 4096


@lru_cache(maxsize=MOST_KEPT)
def source_digest(module: str) -> str | None:
    """Return the digest of a module's source and of all modules of its package, or ours, that it imports.

    Parameters
    ----------
    module
        Its dotted name.

    Returns
    -------
    str | None
        Hexadecimal. None where its source is not to be found: nothing can then be told of what it was made
        from.
    """
    if _source(module) is None:
        return None
    packages = frozenset({module.partition(".")[0], __name__.partition(".")[0]})
    seen: set[str] = set()
    pending = [module]
    while pending:
        name = pending.pop()
        if name not in seen and name.partition(".")[0] in packages:
            seen.add(name)
            pending += _imported(name)
    whole = hashlib.blake2b(digest_size=32)
    for name in sorted(seen):
        found = _source(name)
        # What is no module is a name of one.
        if found is not None:
            whole.update(f"{name}\0{len(found[1])}\0".encode())
            whole.update(found[1])
    return whole.hexdigest()


@lru_cache(maxsize=MOST_KEPT)
def _source(name: str) -> tuple[Path, bytes] | None:
    path = _path(name)
    try:
        return None if path is None else (path, path.read_bytes())
    except OSError:
        return None


@lru_cache(maxsize=MOST_KEPT)
def _imported(name: str) -> tuple[str, ...]:
    """Return what may be modules among the names that a module imports."""
    found = _source(name)
    if found is None:
        return ()
    path, source = found
    text = source.decode("utf-8", errors="replace")
    ours = name.partition(".")[0], __name__.partition(".")[0]
    here = name.split(".") if path.name == "__init__.py" else name.split(".")[:-1]
    names = [each.split()[0] for line in _IMPORT.findall(text) for each in line.split(",") if each.split()]
    for dots, module, listed in _FROM.findall(text):
        base = here[: len(here) - len(dots) + 1] if dots else []
        stem = ".".join([*base, *([module] if module else [])])
        names.append(stem)
        # Of what is a single file, names are no modules.
        file = _path(stem) if stem.partition(".")[0] in ours else None
        if file is None or file.name == "__init__.py":
            names += [f"{stem}.{each}" for each in _NAME.findall(listed)]
    return tuple(dict.fromkeys(names))


@lru_cache(maxsize=MOST_KEPT)
def _root(package: str) -> Path | None:
    """Return the file of a package or module of the highest level."""
    loaded = sys.modules.get(package)
    file = getattr(loaded, "__file__", None)
    if file is None:
        try:
            spec = find_spec(package)
        except (ImportError, ValueError):
            return None
        file = None if spec is None else spec.origin
    return None if file is None else Path(file)


@lru_cache(maxsize=MOST_KEPT)
def _path(name: str) -> Path | None:
    """Return the file of a module's source, without importing it."""
    first, *rest = name.split(".")
    root = _root(first)
    if root is None or not rest:
        return root
    folder = root.parent.joinpath(*rest)
    # Most names that are imported are no modules: folders are listed once, not asked for each.
    beside = _listed(folder.parent)
    if f"{folder.name}.py" in beside:
        return folder.with_suffix(".py")
    is_package = folder.name in beside and "__init__.py" in _listed(folder)
    return folder / "__init__.py" if is_package else None


@lru_cache(maxsize=MOST_KEPT)
def _listed(folder: Path) -> frozenset[str]:
    try:
        return frozenset(each.name for each in folder.iterdir())
    except OSError:
        return frozenset()

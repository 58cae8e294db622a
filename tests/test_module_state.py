"""What a process keeps between frames and jobs in its modules is listed here, with its reason and its bound.

Read from the source: names of modules that are changed after import, objects that have a state of their own,
and what functions remember of their results. Tables that nobody changes are no state.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from textwrap import dedent

from tests.trees import HOUSE, MODULES, tree_of

# Where, which name, and why it may be there: what bounds it, or who clears it.
STATE = {
    "batch/claims.py: _JOBS_HERE": "tokens of the jobs under way; each job takes its own out as it ends",
    "compute/threads.py: _budget": "the threads a job allows, of each context; whoever sets it puts it back",
    "late_dataclass.py: _WRITING": "a lock: held while a class's methods are written, once a class",
    "compute/planes_on_disk.py: _here": "where a frame's planes are, of each context; put back as it ends",
    "compute/threads.py: _libraries": "libraries' own thread counts; the last at work puts them back",
    "operators/shared/surface_light.py: _FIELDS": "fields that some step holds; gone with the last that does",
    "operators/shared/water_shade.py: _SHADES": "shades that some step holds; gone with the last that does",
    "physics/water/fitted_bands.py: _FITTED": "fits of this process; emptied at MOST_FITTED",
    "presets/curves.py: _KNOWN": "curves met lately; emptied at _MOST_KNOWN",
}
# Kinds of objects that many modules hold and that come to rest after their first use.
AT_REST = {"OnDemand": "a module that is imported once, when something in it is asked for"}
# The most results that a function may remember.
MOST_REMEMBERED = 4096

CHANGING = {
    *("add", "append", "appendleft", "clear", "discard", "extend", "insert", "pop", "popitem", "popleft"),
    *("put", "remove", "set", "setdefault", "sort", "update"),
}
# Of the standard library: what is made to be changed.
BUILT_TO_CHANGE = {
    *("ContextVar", "Event", "Lock", "OrderedDict", "Queue", "RLock", "SimpleQueue", "WeakKeyDictionary"),
    *("WeakSet", "WeakValueDictionary", "count", "defaultdict", "deque", "local"),
}


def name_of(node: ast.expr) -> str:
    """Return the last name of what is called or named: ``b`` of ``a.b(...)``."""
    if isinstance(node, ast.Call | ast.Subscript):
        return name_of(node.func if isinstance(node, ast.Call) else node.value)
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


def held_by(tree: ast.Module) -> Iterator[tuple[str, ast.expr]]:
    """Yield the names that a module gives to values, with what makes the value."""
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else []
        if isinstance(node, ast.AnnAssign) and node.value is not None:
            targets = [node.target]
        for target in targets:
            for each in ast.walk(target):
                if isinstance(each, ast.Name):
                    assert isinstance(node, ast.Assign | ast.AnnAssign)
                    assert node.value is not None
                    yield each.id, node.value


def changed_in(tree: ast.AST) -> set[str]:
    """Return the names whose values a tree changes in place, or that functions bind anew."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Subscript | ast.Attribute) and isinstance(node.ctx, ast.Store | ast.Del):
            found.add(name_of(node.value))
        elif isinstance(node, ast.AugAssign):
            found.add(name_of(node.target))
        elif (
            isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CHANGING
        ):
            found.add(name_of(node.func.value))
        elif isinstance(node, ast.Global):
            found.update(node.names)
    return found


def with_state(trees: Iterable[ast.Module]) -> set[str]:
    """Return the classes whose methods, once an object is made, change what it holds."""
    found: set[str] = set()
    for tree in trees:
        for kind in ast.walk(tree):
            if not isinstance(kind, ast.ClassDef):
                continue
            for method in kind.body:
                begins = isinstance(method, ast.FunctionDef) and method.name == "__init__"
                makes = {
                    name_of(node.value)
                    for node in ast.walk(method)
                    if begins and isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None
                    if isinstance(node.value, ast.Call)
                }
                stored = {
                    node
                    for node in ast.walk(method)
                    if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store)
                    if name_of(node.value) == "self"
                }
                sets = any(
                    isinstance(node, ast.Call) and name_of(node) == "setattr" for node in ast.walk(method)
                )
                if (not begins and (stored or sets)) or makes & BUILT_TO_CHANGE:
                    found.add(kind.name)
    return found


def state_of(modules: dict[str, ast.Module]) -> dict[str, str]:
    """Return what modules hold that changes: by place and name, what it is made by."""
    kinds = with_state(modules.values()) | BUILT_TO_CHANGE
    found: dict[str, str] = {}
    for path, tree in modules.items():
        changed = changed_in(tree)
        for name, value in held_by(tree):
            made_by = name_of(value) if isinstance(value, ast.Call) else ""
            if name in changed or made_by in kinds:
                found[f"{path}: {name}"] = made_by
    return found


def forgetting_nothing(tree: ast.Module) -> list[str]:
    """Return the functions that remember results without a bound, or with one that is none."""
    bounds = {
        name: value.value
        for name, value in held_by(tree)
        if isinstance(value, ast.Constant) and isinstance(value.value, int)
    }
    found = []
    for node in ast.walk(tree):
        for way in node.decorator_list if isinstance(node, ast.FunctionDef) else ():
            most = [
                bounds.get(name_of(word.value)) if isinstance(word.value, ast.Name) else word.value.value
                for word in (way.keywords if isinstance(way, ast.Call) else ())
                if word.arg == "maxsize" and isinstance(word.value, ast.Name | ast.Constant)
            ]
            assert isinstance(node, ast.FunctionDef)
            bounded = len(most) == 1 and isinstance(most[0], int) and 0 < most[0] <= MOST_REMEMBERED
            # Of a function without arguments there is one result.
            endless = name_of(way) == "cache" and bool(ast.unparse(node.args))
            if endless or (name_of(way) == "lru_cache" and not bounded):
                found.append(node.name)
    return found


def house() -> dict[str, ast.Module]:
    return {path.relative_to(HOUSE).as_posix(): tree_of(path) for path in MODULES}


def test_what_modules_keep_is_listed_with_its_reason() -> None:
    found = {place for place, made_by in state_of(house()).items() if made_by not in AT_REST}
    assert found == STATE.keys()


def test_what_functions_remember_has_a_bound() -> None:
    found = {path: forgetting_nothing(tree) for path, tree in house().items()}
    assert {path: names for path, names in found.items() if names} == {}


def test_the_measure_sees_each_kind_of_state() -> None:
    text = """
    from functools import cache, lru_cache
    TABLE = {"a": 1}
    MOST = 8
    SEEN: set[str] = set()
    KNOWN, COUNT = {}, 0
    LOCK = threading.Lock()
    POOL = Pool()
    POINT = Point(1, 2)

    class Pool:
        def __init__(self):
            self.size = 0
        def grow(self):
            self.size += 1

    class Point:
        def __init__(self, x, y):
            self.x = x

    def note(name):
        global COUNT
        SEEN.add(name)
        KNOWN[name] = TABLE["a"]

    @cache
    def one(): ...

    @cache
    def endless(name): ...

    @lru_cache
    def by_default(): ...

    @functools.lru_cache(maxsize=None)
    def said_to_be_endless(): ...

    @lru_cache(maxsize=MOST)
    def bounded(): ...
    """
    tree = ast.parse(dedent(text))
    assert {place.split(": ")[1] for place in state_of({"a.py": tree})} == {
        *("SEEN", "KNOWN", "COUNT", "LOCK", "POOL")
    }
    assert forgetting_nothing(tree) == ["endless", "by_default", "said_to_be_endless"]

"""The house stands: lower floors never import upper ones, rooms on one floor never import each other."""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from textwrap import dedent

import pytest
from tests.trees import HOUSE, MODULES, name_of, nodes_of, tree_of

import halocline
from halocline import plugin
from halocline.operators.registry import BUILT_IN

FLOORS = {
    "": 0,
    "files": 1,
    "compute": 2,
    "filters": 3,
    "physics": 4,
    "imaging": 4,
    "graph": 5,
    "operators": 6,
    "presets": 7,
    "batch": 8,
    "review": 8,
    "matching": 8,
    "tuning": 9,
    "cli": 10,
}


def room_of(module: str) -> str:
    """Return the room of a dotted module name, nothing for the ground floor."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and (HOUSE / parts[1]).is_dir() else ""


def imported(nodes: Iterable[ast.AST]) -> Iterator[tuple[int, str]]:
    """Yield line and name of every module of ours that is imported anywhere in a module."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from ((node.lineno, name.name) for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: a relative import"
            module = node.module or ""
            yield node.lineno, module
            if module == "halocline":
                yield from ((node.lineno, f"halocline.{name.name}") for name in node.names)


def is_front_door(path: Path) -> bool:
    """The package's own __init__ and the face for other packages hand out names of all floors."""
    return path in (HOUSE / "__init__.py", HOUSE / "plugin.py")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(HOUSE)))
def test_module_imports_only_from_its_own_room_and_from_lower_floors(path: Path) -> None:
    if is_front_door(path):
        return
    here = room_of("halocline." + ".".join(path.relative_to(HOUSE).with_suffix("").parts))
    assert here in FLOORS, f"the room {here} has no floor: add it to FLOORS and to the design"
    for line, module in imported(nodes_of(path)):
        if module.split(".")[0] != "halocline":
            continue
        # The face for studios: an operator that was written with it may move in as it is.
        by_an_operator = module != "halocline.plugin" or here == "operators"
        assert by_an_operator, f"{path.relative_to(HOUSE)}:{line}: that is for operators"
        there = room_of(module)
        allowed = there == here or FLOORS[there] < FLOORS[here]
        assert allowed, f"{path.relative_to(HOUSE)}:{line} imports {module} from floor {FLOORS[there]}"


def test_every_room_on_the_plan_is_known_and_every_folder_is_a_room() -> None:
    rooms = {path.parent.name for path in HOUSE.glob("*/__init__.py")}
    assert rooms <= set(FLOORS)


def test_nothing_prints_or_sets_up_logging_below_the_command_line() -> None:
    for path in MODULES:
        if path.parent.name == "cli" or "__main__" in path.read_text(encoding="utf-8"):
            continue
        for node in nodes_of(path):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "print", f"{path}:{node.lineno} prints"


def test_the_measure_sees_a_forbidden_import() -> None:
    text = "from halocline.cli.main import run\nimport halocline.graph.engine"
    lines = list(imported(ast.walk(ast.parse(text))))
    assert lines == [(1, "halocline.cli.main"), (2, "halocline.graph.engine")]
    assert room_of("halocline.cli.main") == "cli"
    assert room_of("halocline.errors") == ""


def namings(nodes: Iterable[ast.AST]) -> Iterator[tuple[int, str]]:
    """Yield where a module gives a file its name: Path.replace and Path.hardlink_to take one argument."""
    for node in nodes:
        match node:
            case ast.Call(func=ast.Attribute(attr="replace" | "hardlink_to" as name), args=[_]):
                yield node.lineno, name
            case ast.Attribute(value=ast.Name(id="os"), attr="replace" | "rename" | "link" as name):
                yield node.lineno, name


def test_one_module_gives_files_their_names() -> None:
    found = {str(path.relative_to(HOUSE)) for path in MODULES if list(namings(nodes_of(path)))}
    assert found == {"files/whole.py"}


# Programs that are no tests: what they call is called.
PROGRAMS = [path for folder in ("tools", "benchmarks") for path in (HOUSE.parents[1] / folder).glob("*.py")]
# Called by the libraries whose classes these methods belong to: click's help, pydantic's validation.
CALLED_BY_LIBRARIES = {"format_commands", "model_post_init"}


def public_functions(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Yield the public functions, classes and methods of a module that no decorator hands over to anyone."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node.name, node
            methods = node.body if isinstance(node, ast.ClassDef) else []
            for method in methods:
                if isinstance(method, ast.FunctionDef) and not method.name.startswith("_"):
                    yield f"{node.name}.{method.name}", method


def names_used(tree: ast.AST) -> Counter[str]:
    """Count the names that a tree reads: bare, behind a dot, or written as ``module:name`` in a text."""
    found: Counter[str] = Counter()
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            found[node.id] += 1
        elif isinstance(node, ast.Attribute):
            found[node.attr] += 1
        elif isinstance(node, ast.alias) and node.asname:
            found[node.name] += 1
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            module, colon, name = node.value.rpartition(":")
            found[name] += bool(colon) and module.replace(".", "").replace("_", "").isalnum()
    return found


def uncalled(modules: Iterable[tuple[str, ast.Module]], programs: Iterable[ast.Module] = ()) -> list[str]:
    """Return the public functions, classes and methods that nothing but themselves and tests reads."""
    held = [(path, tree, names_used(tree)) for path, tree in modules]
    used: Counter[str] = Counter()
    for counts in (*(counts for _, _, counts in held), *map(names_used, programs)):
        used.update(counts)
    handed_over = set(halocline.__all__) | set(plugin.__all__) | CALLED_BY_LIBRARIES
    return [
        f"{path}: {name}"
        for path, tree, counts in held
        for name, node in public_functions(tree)
        # Read in no other module, and in this one only inside itself.
        if used[node.name] == counts[node.name] == names_used(node)[node.name]
        and node.name not in handed_over
        and name.split(".")[0] not in handed_over
        # A module of the command line is called by its name, see cli/commands.py.
        and path != f"cli/{name}.py"
        and not any("command" in ast.unparse(way) for way in node.decorator_list)
    ]


def test_no_public_function_is_for_tests_alone() -> None:
    modules = [(str(path.relative_to(HOUSE)), tree_of(path)) for path in MODULES]
    assert uncalled(modules, map(tree_of, PROGRAMS)) == []


def test_the_measure_sees_a_function_that_only_calls_itself() -> None:
    text = """
def lost():
    lost()

class Kept:
    def said(self): ...
    def unsaid(self): ...

Kept().said()
"""
    assert uncalled([("a.py", ast.parse(text))]) == ["a.py: lost", "a.py: Kept.unsaid"]
    named = ast.parse('COMMANDS = {"lose": "halocline.a:lost"}\nKept().unsaid()')
    assert uncalled([("a.py", ast.parse(text)), ("b.py", named)]) == []


def imports_of_each_module() -> dict[str, set[str]]:
    """Return which modules of ours each module imports, wherever in it the import stands."""
    names = {name_of(path): path for path in MODULES}
    graph: dict[str, set[str]] = {}
    for name, path in names.items():
        found = set()
        for node in nodes_of(path):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                whole = {f"{node.module}.{alias.name}" for alias in node.names}
                found |= {one if one in names else node.module or "" for one in whole}
        graph[name] = (found & set(names)) - {name}
    return graph


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Return the groups of modules that import each other, directly or over others."""

    def reached(start: str) -> set[str]:
        seen: set[str] = set()
        open_ends = [start]
        while open_ends:
            new = graph[open_ends.pop()] - seen
            seen |= new
            open_ends += new
        return seen

    all_reached = {name: reached(name) for name in graph}
    groups = {
        tuple(sorted(other for other in to if name in all_reached[other]))
        for name, to in all_reached.items()
        if name in to
    }
    return [list(group) for group in sorted(groups)]


def test_no_modules_import_each_other_in_a_circle() -> None:
    assert circles(imports_of_each_module()) == []


def test_the_measure_sees_a_circle() -> None:
    graph = {"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}
    assert circles(graph) == [["a", "b", "c"]]


@pytest.mark.parametrize(
    "path", sorted(HOUSE.rglob("*/__init__.py")), ids=lambda path: str(path.parent.relative_to(HOUSE))
)
def test_the_map_of_a_room_names_all_that_lives_there_and_nothing_else(path: Path) -> None:
    told = ast.get_docstring(tree_of(path)) or ""
    named = set(re.findall(r"`([a-z_]+)`", told))
    assert named <= {other.stem for other in path.parent.iterdir()}
    rooms = {wing.parent.name for wing in path.parent.glob("*/__init__.py")}
    there = {module.stem for module in path.parent.glob("*.py")} - {"__init__"} | rooms
    # Operators are listed by the registry.
    missing = sorted(there - named - (set(BUILT_IN) if path.parent.name == "operators" else set()))
    assert missing == [], f"give each a line in the docstring of {path.relative_to(HOUSE)}"


def public_classes(modules: Iterable[tuple[str, Iterable[ast.AST]]]) -> dict[str, list[str]]:
    """Return in which modules each public class name is defined, wherever in the module."""
    found: dict[str, list[str]] = {}
    for name, nodes in modules:
        for node in nodes:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found.setdefault(node.name, []).append(name)
    return found


def test_no_two_classes_share_a_name() -> None:
    """A name that means two things makes every reader look up which."""
    modules = ((str(path.relative_to(HOUSE)), nodes_of(path)) for path in MODULES)
    twice = {name: where for name, where in public_classes(modules).items() if len(where) > 1}
    assert twice == {}


def test_the_measure_sees_a_name_that_means_two_things() -> None:
    texts = {"a.py": "class Lens: ...", "b.py": "class Lens: ...\nclass _Own: ..."}
    found = public_classes((name, ast.walk(ast.parse(text))) for name, text in texts.items())
    assert found == {"Lens": ["a.py", "b.py"]}


# Words that are an operator's name and here mean something else: a plane, a seed, a column, a quantity.
OTHER_NOUNS = {
    ("graph/planes.py", "bubbles"): "the plane that the picture of bubbles alone goes to",
    ("graph/operator.py", "lamps"): "a source of light",
    ("physics/floating/bubbles.py", "bubbles"): "keys random numbers",
    ("physics/sea/light_field.py", "caustics"): "keys random numbers and the disk cache",
    ("physics/water/bands.py", "attenuation"): "a coefficient of the water",
}


def operators_named(nodes: Collection[ast.AST], names: set[str]) -> set[str]:
    """Return the operators that a module names or imports, docstrings aside."""
    docstrings = {
        id(node.value)
        for node in nodes
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    found = set()
    for node in nodes:
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("halocline.operators."):
            found |= {node.module.rpartition(".")[2]} & names if node.module else set()
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
            named = re.findall(r"(?:\[steps\.|operator = .)(\w+)", node.value)
            found |= {node.value, *named} & names
    return found


def test_nothing_names_an_operator_but_the_registry_and_its_own_file() -> None:
    """What is to be known of an operator stands on its class, so that a studio's own is a full citizen."""
    told = {}
    for path in MODULES:
        here = str(path.relative_to(HOUSE)).replace("\\", "/")
        if here.startswith("operators/"):
            continue
        named = operators_named(nodes_of(path), set(BUILT_IN))
        named -= {word for file, word in OTHER_NOUNS if file == here}
        if named:
            told[here] = sorted(named)
    # A page for people shows how a step is written.
    told.pop("presets/reference.py", None)
    assert told == {}


def test_the_measure_sees_an_operator_by_import_by_name_and_in_a_preset() -> None:
    text = '''
        from halocline.operators.mix import Mix
        ORDER = ["caustics"]
        TEXT = "[steps.lamps]"
        """bubbles"""
    '''
    nodes = list(ast.walk(ast.parse(dedent(text))))
    assert operators_named(nodes, set(BUILT_IN)) == {"mix", "caustics", "lamps"}

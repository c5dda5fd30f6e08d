"""The layer rule, read from the imports: a lower room never imports a higher one."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import synth

PACKAGE = Path(synth.__file__).resolve().parent

#: Rooms from the lowest to the highest.  Rooms of one row do not need each other.
ORDER = (
    ("errors",),
    ("shown",),
    ("units", "progress", "parallel"),
    ("transfer",),
    ("prototypes",),
    ("network",),
    ("analysis",),
    ("target",),
    ("masks",),
    ("measured",),
    ("transform",),
    ("positions",),
    ("stage_keys",),
    ("stage_file", "statements"),
    ("conditions",),
    ("supposed",),
    ("claims",),
    ("catalog",),
    ("drawing",),
    ("search",),
    ("values",),
    ("tolerances",),
    ("ladder",),
    ("checking",),
    ("realisation",),
    ("generators",),
    ("report",),
    ("plots",),
    ("pages",),
    ("demo",),
    ("cli",),
    (
        "api",
        "api_amplifier",
        "api_mask",
        "api_pages",
        "api_realise",
        "api_routes",
        "api_values",
        "__init__",
    ),
)
LEVEL = {room: level for level, rooms in enumerate(ORDER) for room in rooms}
HEAVY = ("scipy", "sympy", "networkx", "matplotlib", "jinja2", "schemdraw")
#: Modules that may import a heavy library when they are loaded, each with its reason: none.
HEAVY_ALLOWED: dict[str, str] = {}
FORBIDDEN = ("eval", "exec", "sympify", "parse_expr", "compile", "__import__", "literal_eval")


def files() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


every_file = pytest.mark.parametrize(
    "path", files(), ids=[str(p.relative_to(PACKAGE)) for p in files()]
)


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """(line, dotted name) of everything the file imports, at the top or inside a function."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            for alias in node.names:
                yield node.lineno, f"{node.module}.{alias.name}"


def at_load(tree: ast.AST) -> Iterator[ast.stmt]:
    """Import statements that run when the module is loaded, those for type checkers set aside."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            yield node
        yield from at_load(node)


def test_the_files_are_found() -> None:
    assert len(files()) > 40


def test_every_room_has_its_place_in_the_order() -> None:
    rooms = {room_of(p) for p in files()}
    assert rooms <= set(LEVEL), f"add {sorted(rooms - set(LEVEL))} to the order"


@every_file
def test_no_file_imports_a_higher_room(path: Path) -> None:
    room = room_of(path)
    for line, name in imported(path):
        parts = name.split(".")
        if parts[0] != "synth":
            continue
        target = parts[1] if parts[1] in LEVEL else "__init__"
        assert LEVEL[target] <= LEVEL[room], f"{path.name}:{line}: {room} imports {name}"


@every_file
def test_no_file_loads_a_heavy_library_at_module_level(path: Path) -> None:
    if str(path.relative_to(PACKAGE)) in HEAVY_ALLOWED:
        pytest.skip(HEAVY_ALLOWED[str(path.relative_to(PACKAGE))])
    for node in at_load(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        else:
            assert isinstance(node, ast.Import)
            names = [a.name for a in node.names]
        for name in names:
            assert name.split(".")[0] not in HEAVY, f"{path.name}:{node.lineno}: {name}"


@every_file
def test_no_file_evaluates_text(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        f = node.func
        if isinstance(f, ast.Name):
            assert f.id not in FORBIDDEN, f"{path.name}:{node.lineno}: {f.id}"
        elif isinstance(f, ast.Attribute):
            full = ast.unparse(f)
            assert f.attr not in FORBIDDEN or full == "re.compile", f"{path.name}:{node.lineno}"


def test_no_two_modules_import_each_other() -> None:
    """Imports at load have no cycle, within a room either."""
    names = {
        ".".join(("synth", *p.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
            ".__init__"
        ): p
        for p in files()
    }
    edges: dict[str, set[str]] = {}
    for name, path in names.items():
        edges[name] = set()
        for node in at_load(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                wanted = [f"{node.module}.{a.name}" for a in node.names]
                wanted.append(node.module or "")
            else:
                assert isinstance(node, ast.Import)
                wanted = [a.name for a in node.names]
            edges[name] |= {w for w in wanted if w in names and w != name}
        if path.name == "__init__.py":
            continue
        edges[name].discard(name.rpartition(".")[0])  # the folder's own description
    done: set[str] = set()

    def visit(name: str, above: tuple[str, ...]) -> None:
        assert name not in above, " -> ".join((*above[above.index(name) :], name))
        if name not in done:
            for other in sorted(edges[name]):
                visit(other, (*above, name))
            done.add(name)

    for name in sorted(names):
        visit(name, ())

"""The package's shape: imports point one way, libraries keep to their rooms, every kind is listed and
explained."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Literal, get_args, get_origin

import pytest
from pydantic import BaseModel

import optimiser

PACKAGE = Path(optimiser.__file__).parent

# From the start of the road to its end; a module may import anything to its left. A folder is one room, whose
# modules may import each other.
ORDER = [
    *(
        "errors",
        "versions",
        "writing",
        "words",
        "progress",
        "guide",
        "fields",
        "timeline",
        "series",
        "columns",
        "flows",
        "terms",
    ),
    *("equipment", "services", "tariff", "formulation", "scenario", "engine", "dispatch", "accounts"),
    *("readers", "making", "study", "finance", "plant", "control", "foresight", "studies", "summary"),
    *("report", "results", "daily", "batch", "importing", "starter", "cli"),
]

# Where a library may be imported; everything else reads it through these.
ROOMS = {
    "plotly": {"report"},
    "jinja2": {"report"},
    "markupsafe": {"report"},
    "pyomo": {"terms", "engine"},
    "highspy": {"engine"},
    "numba": {"engine", "control"},
    "scipy": {"engine", "batch"},
    "distributed": {"batch"},
    "SALib": {"batch"},
    "sklearn": {"foresight"},
    "click": {"cli"},
    "rich": {"cli"},
    "tomllib": {"scenario", "readers", "making", "services"},
    "holidays": {"timeline"},
    "rainflow": {"finance"},
    "openpyxl": {"results"},
    "pvlib": {"making"},
    "demandlib": {"making"},
}
NOT_IN_ENGINE = {"pandas", "pydantic", "pyarrow"}

MODULES = sorted(path for path in PACKAGE.rglob("*.py"))
IDS = [str(path.relative_to(PACKAGE).with_suffix("")) for path in MODULES]


def room(path: Path) -> str:
    """A module of the package, or the folder it is in."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def for_checkers(tree: ast.AST) -> list[ast.If]:
    """What stands under `if TYPE_CHECKING`, which is never run."""
    return [n for n in ast.walk(tree) if isinstance(n, ast.If) and ast.unparse(n.test) == "TYPE_CHECKING"]


def imports(path: Path) -> Iterator[tuple[str, ...]]:
    """Every module that a file imports, wherever in it, as parts of its name.

    The package itself offers the end of the road to those who import it: what it tells type checkers alone is left out.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    if path == PACKAGE / "__init__.py":
        for block in for_checkers(tree):
            block.body = [ast.Pass()]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (tuple(alias.name.split(".")) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} line {node.lineno} imports relatively"
            yield from (tuple(f"{node.module}.{alias.name}".split(".")) for alias in node.names)


def modules() -> list[ModuleType]:
    """Every module, imported."""
    found = pkgutil.walk_packages([str(PACKAGE)], "optimiser.")
    return [importlib.import_module(item.name) for item in found]


def test_every_module_has_a_place_in_the_order():
    """A new module is put into the order, once."""
    assert len(set(ORDER)) == len(ORDER)
    assert set() == {room(path) for path in MODULES} - set(ORDER) - {"__init__", "__main__"}


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_imports_point_to_the_left(path):
    """No module imports one to its right, or one of its own rank outside its folder."""
    own = room(path)
    if own in ("__init__", "__main__"):
        own = "fields" if own == "__init__" else "cli"
    allowed = set(ORDER[: ORDER.index(own)]) | ({own} if path.parent != PACKAGE else set())
    used = {parts[1] for parts in imports(path) if parts[0] == "optimiser"} - {"__version__"}
    assert set() == used - allowed


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_libraries_keep_to_their_rooms(path):
    """Plotting in the report, algebra in terms and engine, the solver in the engine, data frames out of
    it."""
    own, used = room(path), {parts[0] for parts in imports(path)}
    assert [name for name in sorted(used & ROOMS.keys()) if own not in ROOMS[name]] == []
    if own == "engine":
        assert set() == used & NOT_IN_ENGINE


def test_public_names_are_sorted_and_there():
    """`__all__` is sorted, has no repeats, and each name can be had and is explained."""
    assert sorted(set(optimiser.__all__)) == optimiser.__all__
    for name in optimiser.__all__:
        thing = getattr(optimiser, name)
        assert thing.__module__.startswith("optimiser.")
        assert inspect.getdoc(thing)
    assert set(optimiser._PLACES) <= set(optimiser.__all__)
    assert {*optimiser.__all__, "__version__"} == set(dir(optimiser))
    with pytest.raises(AttributeError):
        _ = optimiser.no_such_name


def test_public_names_are_typed():
    """Type checkers are told that the package is typed (PEP 561), and where each stage is that is imported late."""
    assert (PACKAGE / "py.typed").is_file()
    (block,) = for_checkers(ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8")))
    seen = {
        alias.name: (node.module or "").removeprefix("optimiser.")
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert optimiser._PLACES == seen


def test_what_a_checker_overlooks_has_its_reason():
    """Fewer than ten lines are kept from the type checker, each with what kind of fault and why."""
    lines = [
        f"{path.relative_to(PACKAGE)}: {line.strip()}"
        for path in MODULES
        for line in path.read_text(encoding="utf-8").splitlines()
        if "type: ignore" in line
    ]
    assert len(lines) < 10
    assert [line for line in lines if not re.search(r"# type: ignore\[[a-z-]+\]  # \w+ \w+", line)] == []


def test_every_kind_is_listed():
    """A class with a `kind` of its own stands in the KINDS of its module, or of another that its folder has for
    them, and no kind is there twice."""
    listed: dict[str, set[type[BaseModel]]] = {}
    for module in modules():
        kinds = getattr(module, "KINDS", ())
        words = [get_args(kind.model_fields["kind"].annotation)[0] for kind in kinds]
        assert len(set(words)) == len(words)
        listed.setdefault(_folder(module), set()).update(kinds)
    for module in modules():
        for thing in vars(module).values():
            if (
                inspect.isclass(thing)
                and issubclass(thing, BaseModel)
                and thing.__module__ == module.__name__
                and "kind" in thing.model_fields
                and get_origin(thing.model_fields["kind"].annotation) is Literal
            ):
                assert thing in listed[_folder(module)], thing.__name__


def _folder(module: ModuleType) -> str:
    """The folder that a module is in, or is."""
    return module.__name__ if hasattr(module, "__path__") else module.__name__.rpartition(".")[0]


def test_every_kind_names_its_source():
    """The docstring of each kind says where its rule is from, or that there is no source."""
    for module in modules():
        for kind in getattr(module, "KINDS", ()):
            assert "References" in (kind.__doc__ or ""), kind.__name__


@pytest.mark.parametrize("path", MODULES, ids=IDS)
def test_everything_public_is_explained(path):
    """Each module, public class, function and method has a docstring; each public class of fields has
    units."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "the module"
    bare = []

    def visit(body: list[ast.stmt], prefix: str) -> None:
        for node in body:
            if (
                isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef))
                and node.name[0] != "_"
            ):
                if not ast.get_docstring(node) and not _named_by_another(node):
                    bare.append(prefix + node.name)
                if isinstance(node, ast.ClassDef):
                    visit(node.body, f"{node.name}.")

    visit(tree.body, "")
    assert bare == []


def _named_by_another(node: ast.AST) -> bool:
    """True for a method that overrides a library's and so is explained there."""
    return isinstance(node, ast.FunctionDef) and node.name in ("invoke",)


@pytest.mark.parametrize("path", [path for path in MODULES if room(path) not in ("cli", "__main__")], ids=str)
def test_only_the_command_line_prints_or_exits(path):
    """Nothing is printed, no process ended and no debugger left outside `cli`."""
    calls = [ast.unparse(n.func) for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Call)]
    assert [
        call for call in calls if call in ("print", "exit", "quit", "sys.exit", "os._exit", "breakpoint")
    ] == []


@pytest.mark.parametrize("path", [path for path in MODULES if room(path) != "writing"], ids=str)
def test_files_are_moved_and_tables_are_written_in_one_place(path):
    """Only `writing` moves files into place and makes CSV: what it promises of both holds of every file."""
    calls = [n.attr for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Attribute)]
    moves = [ast.unparse(n) for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Attribute)]
    assert "to_csv" not in calls
    assert not {"os.replace", "os.rename", "shutil.move"} & set(moves)


UNWANTED = {
    "a path of one machine": r"(?<![\w.:/-])/(?:tmp|root|home|work|Users|mnt)/|[A-Z]:\\Users",
    "a package registry": r"pypi\.org|anaconda\.org|registry\.npmjs|pythonhosted",
    "an address within a network": r"localhost|127\.0\.0\.1|\b192\.168\.|\b10\.0\.\d",
    "a note to oneself": r"\b(?:TODO|FIXME|XXX|HACK)\b",
}


@pytest.mark.parametrize("what", UNWANTED)
def test_files_hold_nothing_of_one_machine(what):
    """No file of the package or of the shipped scenarios names a machine's paths, a registry or a note to
    oneself."""
    files = [*PACKAGE.rglob("*"), *(PACKAGE.parent / "scenarios").rglob("*")]
    found = []
    for path in files:
        if path.is_file() and path.parent.name != "__pycache__" and path.suffix not in (".parquet", ".gz"):
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
                if re.search(UNWANTED[what], line):
                    found.append(f"{path.name} line {number}: {line.strip()[:80]}")
    assert found == []


HEAVY = ("pandas", "pyomo", "numba", "plotly", "scipy", "highspy", "pyarrow", "jinja2", "pvlib")


@pytest.mark.parametrize(
    "code",
    [
        "import optimiser",
        "import optimiser.cli",
        "from optimiser.cli import main; main(['--help'], standalone_mode=False)",
        "from optimiser.cli import main; main(['run', '--help'], standalone_mode=False)",
        "from optimiser.cli import main; main(['make', 'sun', '--help'], standalone_mode=False)",
    ],
)
def test_help_is_quick(code):
    """Importing the package and asking for help load none of the heavy libraries."""
    after = f"import sys; print('loaded:', [n for n in {HEAVY!r} if n in sys.modules])"
    ran = subprocess.run(
        [sys.executable, "-c", f"{code}\n{after}"],
        capture_output=True,
        text=True,
        cwd=PACKAGE.parent,
        timeout=60,
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.splitlines()[-1] == "loaded: []"


def test_modules_that_the_command_line_asks_for_exist():
    """Imports inside functions are only met when run: each of the package's own must name a thing that is
    there."""
    missing = []
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "optimiser":
                for alias in node.names:
                    try:
                        module = importlib.import_module(node.module or "")
                    except ModuleNotFoundError:
                        missing.append(f"{path.name} line {node.lineno}: {node.module}")
                        continue
                    if not hasattr(module, alias.name):
                        try:
                            importlib.import_module(f"{node.module}.{alias.name}")
                        except ModuleNotFoundError:
                            missing.append(f"{path.name} line {node.lineno}: {node.module}.{alias.name}")
    assert missing == []

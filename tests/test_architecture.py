"""The fences between the rooms: who may import whom, and that every module stands alone."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted(path for room in ("models", "optimizer") for path in (ROOT / room).rglob("*.py"))
ROOMS = (  # each imports only those above it
    "models",
    "models/engine",
    "models/column",
    "models/peaks",
    "models/fit",
    "models/traces",
    "optimizer/base",
    "optimizer/runs",
    "optimizer/scenario",
    "optimizer/goal",
    "optimizer/search",
    "optimizer/search/front",
    "optimizer/methods",
    "optimizer/methods/columns",
    "optimizer/results",
    "optimizer/campaign",
    "optimizer/show",
    "optimizer/show/pictures",
    "optimizer/show/console",
    "optimizer/show/pages",
    "optimizer/app",
    "optimizer/page",
    "optimizer/package/rampwright",
)
FENCED = {
    "optuna": {"optimizer/search/search.py", "optimizer/search/study.py"},
    "matplotlib": {
        "optimizer/show/pictures/axes.py",
        "optimizer/show/pictures/compare.py",
        "optimizer/show/pictures/exposure.py",
        "optimizer/show/pictures/front.py",
        "optimizer/show/pictures/history.py",
        "optimizer/app/interface_compare.py",
        "optimizer/app/interface_results.py",
        "optimizer/show/pictures/pair.py",
        "optimizer/show/pictures/peaks.py",
        "optimizer/show/pictures/chromatograms.py",
        "optimizer/show/pictures/residuals.py",
        "optimizer/show/pictures/scout.py",
        "optimizer/app/interface_scout.py",
        "optimizer/app/interface_sweep.py",
        "optimizer/show/pictures/sweep_maps.py",
        "optimizer/show/pictures/sweep_curves.py",
        "optimizer/show/pictures/window.py",
    },
    # Budgets are held against `now`, which tests replace; the others wait for another process.
    "time": {"optimizer/base/clock.py", "optimizer/base/output.py", "optimizer/search/study.py"},
    "typer": {
        "optimizer/app/cli.py",
        "optimizer/app/new_command.py",
        "optimizer/app/options.py",
        "optimizer/page/command.py",
        "optimizer/app/campaign_command.py",
    },
    "starlette": {"optimizer/page/server.py"},
    "uvicorn": {"optimizer/page/server.py"},
}

HEAVY = {"numba", "scipy", "matplotlib", "optuna", "sqlalchemy", "jinja2", "starlette", "uvicorn"}


def imported(path: Path, top_level_only: bool = False) -> set[str]:
    """Full names of the modules a file imports, anywhere or at its top level."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if top_level_only else list(ast.walk(tree))
    names = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} uses a relative import"
            names.add(node.module or "")
    return names


def imported_first(path: Path) -> set[str]:
    """Full names of what may be a module and is imported before the file's own code can be used."""
    names, nodes = set(), list(ast.parse(path.read_text(encoding="utf-8")).body)
    while nodes:
        node = nodes.pop()
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names |= {str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            nodes += node.orelse
        elif not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            nodes += ast.iter_child_nodes(node)
    return names


def roots(names: set[str]) -> set[str]:
    return {name.split(".")[0] for name in names}


def modules_imported(path: Path) -> set[str]:
    """Files of the project that one imports, anywhere in it."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names |= {str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)}
    files = (f"{name.replace('.', '/')}.py" for name in names)
    return {name for name in files if (ROOT / name).is_file()}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_rooms_import_only_those_above_them(path: Path) -> None:
    own = path.parent.relative_to(ROOT).as_posix()
    above = ROOMS[: ROOMS.index(own) + 1] if own != "optimizer" else ()
    wrong = {name for name in modules_imported(path) if Path(name).parent.as_posix() not in above}
    assert wrong == set()


def test_no_imports_go_in_a_circle() -> None:
    """Not even those within functions or for types alone."""
    graph = {path.relative_to(ROOT).as_posix(): modules_imported(path) for path in MODULES}
    assert sum(map(len, graph.values())) > 500  # imports were found at all
    tuple(TopologicalSorter(graph).static_order())  # CycleError


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_is_small_and_says_what_it_holds(room: str) -> None:
    files = list((ROOT / room).glob("*.py"))
    assert len(files) - 1 <= 16  # besides __init__
    said = ast.get_docstring(ast.parse((ROOT / room / "__init__.py").read_text(encoding="utf-8")))
    assert said
    assert room in ("models", "optimizer/package/rampwright") or "Imports" in said


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_imports_stay_inside_the_fences(path: Path) -> None:
    where = path.relative_to(ROOT).as_posix()
    found = roots(imported(path))
    if where.startswith("models/"):
        allowed = set(sys.stdlib_module_names) | {"numpy", "scipy", "models"}
        if where.startswith("models/engine/"):
            allowed |= {"numba", "llvmlite"}
        assert found <= allowed, f"{where} imports {found - allowed}"
    for package, rooms in FENCED.items():
        if package in found:
            assert where in rooms, f"{where} imports {package}"


def test_the_command_line_is_imported_by_nothing() -> None:
    for path in MODULES:
        if path.name != "__main__.py":  # where it starts
            assert "optimizer.app.cli" not in imported(path), path


@pytest.mark.parametrize("name", ["cli", "campaign_command", "new_command", "options", "screen"])
def test_the_command_line_goes_through_the_interface(name: str) -> None:
    """It imports nothing that computes: what a command does, a function of the interface does."""
    rooms = (
        "optimizer/runs",
        "optimizer/scenario",
        "optimizer/goal",
        "optimizer/search",
        "optimizer/methods",
    )
    found = modules_imported(ROOT / f"optimizer/app/{name}.py")
    computing = {file for file in found if file.startswith(("models/", *rooms, "optimizer/results"))}
    assert computing <= {
        "models/engine/cache.py",  # says that the engine is being compiled
        "models/errors.py",
        "optimizer/runs/detection.py",  # ranges of options
        "optimizer/scenario/data.py",  # a type
        "optimizer/search/study_place.py",  # an option and the variable that stands for it
    }
    assert not {file for file in found if re.match(r"optimizer/app/(interface_(?!campaign)|result)", file)}


def test_matplotlib_is_imported_lazily() -> None:
    assert "matplotlib" not in roots(
        imported(ROOT / "optimizer/show/pictures/chromatograms.py", top_level_only=True)
    )


@pytest.mark.parametrize(
    "command", [("--help",), ("check", "scenarios/slow_isothermal"), ("new", "NEW")], ids=lambda c: c[0]
)
def test_commands_that_compute_nothing_load_none_of_the_heavy_packages(
    command: tuple[str, ...], tmp_path: Path
) -> None:
    script = (
        "import sys\n"
        "from rampwright.__main__ import main\n"
        "try:\n"
        "    main()\n"
        "except SystemExit as end:\n"
        "    assert not end.code, end.code\n"
        f"print(sorted({HEAVY!r} & set(sys.modules)), file=sys.stderr)\n"
    )
    words = [str(tmp_path / "new") if word == "NEW" else word for word in command]
    done = subprocess.run(
        [sys.executable, "-c", script, *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr.strip()) == (0, "[]")
    assert done.stdout


def test_every_module_can_be_the_first_that_is_imported() -> None:
    """Without a cycle among the imports at top level no order of imports can fail that another one passes."""
    dotted = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in MODULES}
    packages = {
        name.removesuffix(".__init__"): path for name, path in dotted.items() if path.stem == "__init__"
    }
    names = {name: path for name, path in dotted.items() if path.stem != "__init__"}
    graph = {name: imported_first(path) & names.keys() for name, path in names.items()}
    for name in names:  # a package's own file is run before its modules
        graph[name] |= imported_first(packages[name.rpartition(".")[0]]) & names.keys()
    tuple(TopologicalSorter(graph).static_order())  # CycleError
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(f"import {name}" for name in names)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_modules_stay_of_one_responsibility() -> None:
    long = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES}
    assert {path.name: lines for path, lines in long.items() if lines > 450} == {}


def test_no_test_imports_a_private_name() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {name.name}"
        for path in sorted((ROOT / "tests").rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom)
        and (node.module or "").partition(".")[0] in ("models", "optimizer", "rampwright")
        for name in node.names
        if name.name.startswith("_") and not name.name.startswith("__")
    ]
    assert not found

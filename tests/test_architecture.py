"""The fences between the rooms: who may import whom, and that every module stands alone."""

from __future__ import annotations

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted(path for room in ("models", "optimizer") for path in (ROOT / room).rglob("*.py"))
FENCED = {
    "optuna": {"optimizer/search.py", "optimizer/search_study.py"},
    "matplotlib": {
        "optimizer/axes_plots.py",
        "optimizer/band_plots.py",
        "optimizer/compare_plots.py",
        "optimizer/exposure_plots.py",
        "optimizer/front_plots.py",
        "optimizer/interface_method_results.py",
        "optimizer/interface_results.py",
        "optimizer/interface_trace_results.py",
        "optimizer/pair_letters.py",
        "optimizer/peaks_plots.py",
        "optimizer/plots.py",
        "optimizer/scout_plots.py",
        "optimizer/sweep_command.py",
        "optimizer/sweep_maps.py",
        "optimizer/sweep_plots.py",
        "optimizer/window_plots.py",
    },
    # Budgets are held against `now`, which tests replace; the others wait for another process.
    "time": {"optimizer/clock.py", "optimizer/output.py", "optimizer/search_study.py"},
    "typer": {"optimizer/cli.py", "optimizer/new_command.py", "optimizer/peaks_command.py"},
}

HEAVY = {"numba", "scipy", "matplotlib", "optuna", "sqlalchemy", "jinja2"}


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
            assert "optimizer.cli" not in imported(path), path


def test_matplotlib_is_imported_lazily() -> None:
    assert "matplotlib" not in roots(imported(ROOT / "optimizer" / "plots.py", top_level_only=True))


@pytest.mark.parametrize(
    "command", [("--help",), ("check", "scenarios/slow_isothermal"), ("new", "NEW")], ids=lambda c: c[0]
)
def test_commands_that_compute_nothing_load_none_of_the_heavy_packages(
    command: tuple[str, ...], tmp_path: Path
) -> None:
    script = (
        "import sys\n"
        "from optimizer.cli import main\n"
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

"""What the tests of all scenarios ask of the scripts that made their data."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).parents[2]
INSTRUMENT_FILES = tuple(
    ROOT / "tests/reference" / f"{name}.py" for name in ("instrument", "confirmation", "polymer_solution")
)


def load_script(folder: Path, name: str = "make_data") -> ModuleType:
    """A script of a scenario's folder as a module."""
    spec = importlib.util.spec_from_file_location(f"{folder.name}_{name}", folder / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def imported_by(paths: Iterable[Path]) -> set[str]:
    """Names of the modules that files import."""
    names: set[str] = set()
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                names.add(node.module or "")
    return names


def of_the_packages(names: Iterable[str]) -> set[str]:
    """Those names that belong to the packages under test."""
    return {name for name in names if name.split(".")[0] in ("models", "optimizer")}


def run_alone(script: Path) -> subprocess.CompletedProcess[str]:
    """Run a script by itself and print which modules of the packages that loads, as a list."""
    code = (
        "import runpy, sys\n"
        f"runpy.run_path({str(script)!r}, run_name='looked_at')\n"
        "print([name for name in sys.modules if name.split('.')[0] in ('models', 'optimizer')])\n"
    )
    # Isolated mode: nothing but the script itself says where modules are.
    return subprocess.run([sys.executable, "-I", "-c", code], capture_output=True, text=True, check=False)

"""The one name to import: every command as a function, for notebooks and scripts.

    import rampwright as rw

The names below are stable (docs/python.md); they are imported when first asked for, so that importing the package
costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from optimizer import __version__

if TYPE_CHECKING:
    from models.column.programs import Program as Program
    from models.errors import RampwrightError as RampwrightError
    from optimizer.app.interface import adapt as adapt
    from optimizer.app.interface import adapt_all as adapt_all
    from optimizer.app.interface import check as check
    from optimizer.app.interface import compare as compare
    from optimizer.app.interface import copy_scenario as copy_scenario
    from optimizer.app.interface import fit as fit
    from optimizer.app.interface import load_scenario as load_scenario
    from optimizer.app.interface import optimize as optimize
    from optimizer.app.interface import peaks as peaks
    from optimizer.app.interface import predict as predict
    from optimizer.app.interface import program as program
    from optimizer.app.interface import scout as scout
    from optimizer.app.interface import snap as snap
    from optimizer.app.interface import sweep as sweep
    from optimizer.app.interface import trim as trim
    from optimizer.app.interface import window as window
    from optimizer.app.interface_adapt import Adapted as Adapted
    from optimizer.app.interface_adapt import OwnedColumns as OwnedColumns
    from optimizer.app.interface_campaign import Added as Added
    from optimizer.app.interface_campaign import Addition as Addition
    from optimizer.app.interface_campaign import NextRun as NextRun
    from optimizer.app.interface_campaign import add_run as add_run
    from optimizer.app.interface_campaign import next_run as next_run
    from optimizer.app.interface_campaign import undo_run as undo_run
    from optimizer.app.interface_compare import Compared as Compared
    from optimizer.app.interface_results import Fitted as Fitted
    from optimizer.app.interface_results import Integrated as Integrated
    from optimizer.app.interface_results import Optimized as Optimized
    from optimizer.app.interface_results import Predicted as Predicted
    from optimizer.app.interface_scout import Scouted as Scouted
    from optimizer.app.interface_sweep import Swept as Swept
    from optimizer.app.result import Checked as Checked
    from optimizer.base.errors import ScenarioError as ScenarioError
    from optimizer.scenario.data import Scenario as Scenario

_HOME = {
    "models.errors": ("RampwrightError",),
    "models.column.programs": ("Program",),
    "optimizer.base.errors": ("ScenarioError",),
    "optimizer.scenario.data": ("Scenario",),
    "optimizer.app.interface_adapt": ("Adapted", "OwnedColumns"),
    "optimizer.app.interface_scout": ("Scouted",),
    "optimizer.app.interface_sweep": ("Swept",),
    "optimizer.app.interface": (
        "adapt",
        "adapt_all",
        "check",
        "compare",
        "copy_scenario",
        "fit",
        "load_scenario",
        "optimize",
        "peaks",
        "predict",
        "program",
        "scout",
        "snap",
        "sweep",
        "trim",
        "window",
    ),
    "optimizer.app.result": ("Checked",),
    "optimizer.app.interface_results": ("Fitted", "Integrated", "Optimized", "Predicted"),
    "optimizer.app.interface_campaign": ("Added", "Addition", "NextRun", "add_run", "next_run", "undo_run"),
    "optimizer.app.interface_compare": ("Compared",),
}
_MODULE_OF = {name: module for module, names in _HOME.items() for name in names}
__all__ = ["__version__", *sorted(_MODULE_OF)]


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_MODULE_OF[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

"""The one name to import: every command as a function, for notebooks and scripts.

    import rampwright as rw

The names below are stable (docs/python.md); they are imported when first asked for, so that importing the package
costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from optimizer import __version__ as __version__

if TYPE_CHECKING:
    from models.errors import RampwrightError as RampwrightError
    from models.programs import Program as Program
    from optimizer.errors import ScenarioError as ScenarioError
    from optimizer.interface import adapt as adapt
    from optimizer.interface import check as check
    from optimizer.interface import compare as compare
    from optimizer.interface import copy_scenario as copy_scenario
    from optimizer.interface import fit as fit
    from optimizer.interface import load_scenario as load_scenario
    from optimizer.interface import optimize as optimize
    from optimizer.interface import peaks as peaks
    from optimizer.interface import predict as predict
    from optimizer.interface import program as program
    from optimizer.interface import scout as scout
    from optimizer.interface import sweep as sweep
    from optimizer.interface import trim as trim
    from optimizer.interface import window as window
    from optimizer.interface_method_results import Adapted as Adapted
    from optimizer.interface_method_results import Compared as Compared
    from optimizer.interface_method_results import Scouted as Scouted
    from optimizer.interface_method_results import Swept as Swept
    from optimizer.interface_results import Checked as Checked
    from optimizer.interface_results import Fitted as Fitted
    from optimizer.interface_results import Optimized as Optimized
    from optimizer.interface_results import Predicted as Predicted
    from optimizer.interface_trace_results import Integrated as Integrated
    from optimizer.scenario_data import Scenario as Scenario

_HOME = {
    "models.errors": ("RampwrightError",),
    "models.programs": ("Program",),
    "optimizer.errors": ("ScenarioError",),
    "optimizer.scenario_data": ("Scenario",),
    "optimizer.interface": (
        "adapt",
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
        "sweep",
        "trim",
        "window",
    ),
    "optimizer.interface_results": ("Checked", "Fitted", "Optimized", "Predicted"),
    "optimizer.interface_trace_results": ("Integrated",),
    "optimizer.interface_method_results": ("Adapted", "Compared", "Scouted", "Swept"),
}
_MODULE_OF = {name: module for module, names in _HOME.items() for name in names}
__all__ = ["__version__", *sorted(_MODULE_OF)]


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_MODULE_OF[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

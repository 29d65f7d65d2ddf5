"""The readers of scenarios, peak tables, programs and candidates, for `benchmarks.fuzz`."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from benchmarks.fuzz_cases import Kind, chosen
from models.column.programs import Program
from optimizer.app.interface_compare import run_compared
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.predict import predict
from optimizer.methods.workflow import fit_scenario
from optimizer.results.candidate import json_bytes
from optimizer.results.documents import check_document
from optimizer.results.fit import FitResult
from optimizer.results.prediction import prediction_document
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_files import read_candidates
from optimizer.scenario.reading import load_scenario, read_program
from optimizer.show.console.common import show_check
from optimizer.show.console.prediction import show_fit

SCENARIOS = Path(__file__).parent.parent / "scenarios"

PROGRAM = b"""\
oven = { start_C = 40, hold_min = 1, ramps = [{ rate_C_per_min = 20, to_C = 200, hold_min = 3 }] }
carrier = { mode = "pressure program", start_psi = 12, hold_min = 1, ramps = [{ rate_psi_per_min = 2, to_psi = 30 }] }
"""


def kinds() -> list[Kind]:
    """All readers: a scenario each, and the other files that commands read."""
    folders = sorted(each for each in SCENARIOS.iterdir() if (each / "scenario.toml").exists())
    found = [Kind(each.name, _files(each), check_and_fit) for each in folders]
    demo, crossing = SCENARIOS / "slow_isothermal", SCENARIOS / "rescued_pair"
    loaded = load_scenario(demo)
    problem = problem_of(loaded, fit_scenario(loaded))
    ambient, outlet = loaded.ambient_pressure, loaded.outlet_pressure

    def program(at: Path) -> None:
        _predicted(problem, [read_program(at / "program.toml", ambient, outlet)])

    def candidates(at: Path) -> None:
        _predicted(problem, read_candidates(at / "candidates.json", ambient, 5, outlet))

    def run(at: Path) -> None:
        run_compared(loaded, at / "run.csv")

    document = json.dumps({"format": 1, "candidates": _candidates(loaded)}, indent=1).encode()
    found.append(Kind("program", {"program.toml": PROGRAM}, program))
    found.append(Kind("candidates", {"candidates.json": document}, candidates))
    found.append(Kind("run", {"run.csv": (demo / "fast.csv").read_bytes()}, run))
    found.append(Kind("matching", _nameless(crossing), check_and_fit))
    return found


def check_and_fit(folder: Path) -> None:
    """What `rampwright check` does, and of some scenarios `rampwright fit`."""
    scenario = load_scenario(folder)
    json_bytes(check_document(scenario))
    show_check(Console(file=io.StringIO(), highlight=False, width=160), scenario)
    if chosen(scenario.warnings, scenario.title):
        fitted = fit_scenario(scenario)
        result = FitResult(scenario, fitted)
        json_bytes(result.to_dict())
        show_fit(Console(file=io.StringIO(), highlight=False, width=160), result)
        if scenario.current is not None:
            _predicted(problem_of(scenario, fitted), [scenario.current], always=True)


def _predicted(problem: Problem, programs: list[Program], always: bool = False) -> None:
    """Of some programs what `rampwright predict` does."""
    for program in programs:
        if always or chosen(program):
            document = prediction_document(problem.scenario, predict(problem, program))
            json_bytes(document)


def _files(folder: Path) -> dict[str, bytes]:
    names = ["scenario.toml", *(run.peaks for run in _runs(folder))]
    return {name: (folder / name).read_bytes() for name in names}


def _runs(folder: Path) -> list[_Run]:
    import tomllib

    table = tomllib.loads((folder / "scenario.toml").read_text(encoding="utf-8"))
    return [_Run(run["peaks"]) for run in table["scouting_runs"]]


@dataclass(frozen=True)
class _Run:
    peaks: str


def _nameless(folder: Path) -> dict[str, bytes]:
    """A scenario whose second run has names only by a matching table."""
    files = _files(folder)
    lines = [line.rsplit(",", 4) for line in files["fast.csv"].decode().strip().split("\n")]
    files["fast.csv"] = "\n".join(",".join(cells[1:]) for cells in lines).encode()
    rows = [f"fast,{cells[1]},{cells[0]},0.990" for cells in lines[1:]]
    files["matching.csv"] = ("run,retention_min,compound,confidence\n" + "\n".join(rows) + "\n").encode()
    files["scenario.toml"] = b'matching = "matching.csv"\n' + files["scenario.toml"]
    return files


def _candidates(scenario: Scenario) -> list[dict[str, object]]:
    from optimizer.scenario.program_tables import program_document

    programs = [*(run.program for run in scenario.runs), scenario.current]
    return [
        {
            "rank": rank,
            "family": "one ramp",
            **program_document(program, scenario.ambient_pressure),
            "run_time_min": 9.9,
        }
        for rank, program in enumerate(programs, 1)
        if program is not None
    ]

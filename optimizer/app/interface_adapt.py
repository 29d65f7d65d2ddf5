"""What the adapt command and the function of that name make: a method carried over or trimmed, then tuned."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rich.console import Console

from models.column.programs import Program
from models.fit.fit import Fit
from optimizer.app.interface_results import Predicted
from optimizer.app.result import Result
from optimizer.base.clock import Progress
from optimizer.base.workbooks import Rows, workbook_bytes
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.methods import adapt as carrying
from optimizer.methods.adapt_options import Change, cut_of
from optimizer.methods.columns.choice import ColumnChoice
from optimizer.methods.trim import Trimmed, trim
from optimizer.methods.workflow import optimize
from optimizer.results.adapt import COLUMN_KEYS, adapted_document, column_table_rows, columns_document
from optimizer.results.candidate import candidate_document, csv_bytes, json_bytes
from optimizer.results.documents import Document
from optimizer.results.set_points import program_file
from optimizer.scenario.data import Scenario


@dataclass(frozen=True, eq=False)
class Adapted(Result):
    """A method carried to another gas, outlet or column, or restored after a cut.

    Attributes
    ----------
    found : optimizer.methods.adapt.Adapted, or optimizer.methods.trim.Trimmed after a cut; SI
    outcome : of the search on the new system; None without one
    """

    command = "adapt"
    found: carrying.Adapted | Trimmed
    outcome: SearchOutcome | None = None

    @property
    def before(self) -> Predicted:
        """The method in use on the system in use."""
        return Predicted(self.found.old, self.found.before)

    @property
    def after(self) -> Predicted:
        """The carried or restored method on the new system, as rounded to the instrument's steps."""
        return Predicted(self.found.new, self.found.after)

    @property
    def program(self) -> Program:
        """The carried or restored program."""
        return self.found.after.program

    @property
    def tuned(self) -> Candidate | None:
        """The best program of the search on the new system; None without one."""
        return self.outcome.candidates[0] if self.outcome is not None and self.outcome.candidates else None

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.found.old.scenario, self.found.new.scenario)

    def to_dict(self) -> Document:
        """As `rampwright adapt --json`."""
        document = adapted_document(self.found)
        if self.outcome is not None:
            document["tuned"] = candidate_document(self.found.new.scenario, self.outcome)
        return document

    def show(self, console: Console) -> None:
        """As the command shows it."""
        from optimizer.show.console.candidates import show_adapted, show_tuned

        show_adapted(console, self.found)
        if self.outcome is not None:
            show_tuned(console, self.found.new.scenario, self.outcome)

    def _files(self) -> dict[str, bytes]:
        """adapt.json, adapt.html and program files."""
        from optimizer.show.pages.methods import adapt_html

        system, ambient = self.found.new.fit.system, self.found.new.scenario.ambient_pressure
        files = {
            "adapt.json": json_bytes(self.to_dict()),
            "adapt.html": adapt_html(self.found, self.tuned).encode(),
            "program.toml": program_file(self.program, system, ambient),
        }
        if self.tuned is not None:
            files["tuned.toml"] = program_file(self.tuned.prediction.program, system, ambient)
        return files


@dataclass(frozen=True, eq=False)
class OwnedColumns(Result):
    """A method on every column that the laboratory owns, with every gas.

    Attributes
    ----------
    found : optimizer.methods.columns.choice.ColumnChoice; SI
    """

    command = "adapt"
    found: ColumnChoice

    @property
    def program(self) -> Program | None:
        """The program of the best column; None where none meets the goal."""
        return None if self.found.best is None else self.found.best.program

    def _inputs(self) -> tuple[Scenario, ...]:
        return (self.found.scenario,)

    def to_dict(self) -> Document:
        """As `rampwright adapt --all --json`."""
        return columns_document(self.found)

    def show(self, console: Console) -> None:
        """As the command shows it."""
        from optimizer.show.console.columns import show_columns

        show_columns(console, self.found)

    def _files(self) -> dict[str, bytes]:
        """columns.json, columns.csv, columns.html and the best program."""
        from optimizer.show.pages.columns import columns_html

        files = {
            "columns.json": json_bytes(self.to_dict()),
            "columns.csv": csv_bytes(COLUMN_KEYS, column_table_rows(self.found)),
            "columns.xlsx": workbook_bytes({"Columns": Rows(COLUMN_KEYS, column_table_rows(self.found))}),
            "columns.html": columns_html(self.found).encode(),
        }
        best = self.found.best
        if best is not None and best.program is not None and best.problem is not None:
            ambient = best.problem.scenario.ambient_pressure
            files["program.toml"] = program_file(best.program, best.problem.fit.system, ambient)
        return files


def carried_over(scenario: Scenario, fit: Fit, method: Program, change: Change) -> Adapted:
    """The method on another gas, outlet or column."""
    return Adapted(carrying.adapt(scenario, fit, method, change))


def trimmed(scenario: Scenario, fit: Fit, method: Program, trim_m: float, marker: str | None) -> Adapted:
    """The method on a column that lost a piece."""
    return Adapted(trim(scenario, fit, method, cut_of(scenario, trim_m), marker))


def tuned(
    made: Adapted,
    tune: bool,
    seconds: float | None = None,
    rounds: int | None = None,
    progress: Progress | None = None,
) -> Adapted:
    """The same with a search on the new system, within its limits; a budget asks for it, too."""
    if not tune and (seconds, rounds) == (None, None):
        return made
    _, outcome = optimize(made.found.new.scenario, made.found.new.fit, seconds, progress, rounds=rounds)
    return replace(made, outcome=outcome)

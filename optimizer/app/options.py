"""Arguments and options that are the same in every command, and the program that some of them name."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from optimizer.runs.detection import MIN_WIDTH_RANGE_S, SIGNAL_TO_NOISE_RANGE

if TYPE_CHECKING:
    from optimizer.app.chosen_program import Chosen
    from optimizer.scenario.data import Scenario

WORTH_PROCESSES = 6.0  # s of budget, from which a search has processes
ScenarioPath = Annotated[Path, typer.Argument(help="A scenario folder, or its scenario.toml.")]
Matching = Annotated[Path | None, typer.Option(help="Table of names for unnamed peaks; proposed when new.")]
Accept = Annotated[bool, typer.Option("--accept", help="Accept the proposed names.")]
ProgramFile = Annotated[
    Path | None,
    typer.Option("--program", help="A program file (tables oven and carrier); [current] when left out."),
]
CandidateRank = Annotated[
    int | None,
    typer.Option("--candidate", help="Or the candidate of this rank in --results; 1 is the best.", min=1),
]
ResultsFolder = Annotated[Path | None, typer.Option("--results", help="Folder that optimize wrote.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else.")]
Seconds = Annotated[float | None, typer.Option(help="Time budget; the scenario's when left out.", min=0.1)]
Cores = Annotated[
    int | None, typer.Option(help="Cores to use; all when left out.", min=1, show_default=False)
]
Rounds = Annotated[int | None, typer.Option(help="Or rounds: a seed gives the same anywhere.", min=1)]
MinSignalToNoise = Annotated[
    float | None,
    typer.Option(
        help="Smallest of a peak, 2 H/h; 3 when left out.",
        min=SIGNAL_TO_NOISE_RANGE[0],
        max=SIGNAL_TO_NOISE_RANGE[1],
        show_default=False,
    ),
]
MinWidth = Annotated[
    float | None,
    typer.Option(
        "--min-width-s",
        help="Smallest half-height width of a peak; from the clear peaks when left out.",
        min=MIN_WIDTH_RANGE_S[0],
        max=MIN_WIDTH_RANGE_S[1],
        show_default=False,
    ),
]
FromTrace = Annotated[
    bool, typer.Option("--from-trace", help="Find peaks even if the file lists some itself.")
]


def _folder(text: str) -> Path:
    if not text:
        raise typer.BadParameter("an empty text names no folder; give its name, or . for the one you are in")
    return Path(text)


_OUT = typer.Option(
    "--out", help="Folder to write results into.", show_default=False, parser=_folder, metavar="<path>"
)
OutNeeded = Annotated[Path, _OUT]
Out = Annotated[Path | None, _OUT]
Force = Annotated[
    bool, typer.Option("--force", help="Replace others' files in --out; they are kept as NAME.old.")
]


AllColumns = Annotated[
    bool, typer.Option("--all", help="Every column under [[columns]], with every gas; a search on the best.")
]


class TakesProgram(TyperCommand):
    """A command that says how a program file is given where one was given like the scenario."""

    allow_extra_args = True

    def invoke(self, ctx: Any) -> Any:
        """Run it, unless there is an argument too many."""
        if ctx.args:
            raise typer.BadParameter(
                f"{ctx.args[0]} is one argument too many; a program file is given as --program {ctx.args[0]}"
            )
        return super().invoke(ctx)


def program_of_options(
    scenario: Scenario, program: Path | None, candidate: int | None, results: Path | None
) -> Chosen:
    """The program that `--program`, or `--candidate` and `--results`, name, or the scenario's own.

    Raises
    ------
    ScenarioError : when options contradict each other, a file cannot be used, or there is no program
    """
    from optimizer.app.chosen_program import chosen, kept_candidate
    from optimizer.base.errors import ScenarioError

    if program is not None and (candidate is not None or results is not None):
        raise ScenarioError("--program and --candidate with --results both name a program; give one of them")
    if results is not None:
        return kept_candidate(scenario, results, candidate or 1)
    if candidate is not None:
        raise ScenarioError(
            f"--candidate {candidate} is the rank of a candidate; name the folder that optimize wrote with --results"
        )
    if program is None and scenario.current is None:
        raise ScenarioError(
            f"{scenario.path}: there is no [current] table; add one, or name a program file with --program, or a "
            "candidate with --candidate N --results FOLDER"
        )
    return chosen(scenario, program)


def fit_first(
    scenario: Scenario, command: typer.Context, seconds: float | None, rounds: int | None, cores: int | None
) -> tuple[Any, float | None]:
    """The fit, while processes of a search that is long enough for them start; what is left [s] of its time budget.

    `command.obj` is when the command began [s], by `clock.wall`; none of the processes outlasts it.
    """
    from optimizer.app.interface import fit
    from optimizer.base.clock import ROUND, left_of
    from optimizer.base.processes import end_early, start_early

    budget = ROUND * rounds if rounds else seconds or scenario.search.seconds
    if budget >= WORTH_PROCESSES:
        command.call_on_close(end_early)  # where something is wrong before they have work
        start_early(cores, "optimizer.search.islands")
    fitted = fit(scenario)
    return fitted, seconds if rounds else left_of(budget, command.obj)


def adapt_every_column(
    fitted: Any,
    method: Chosen,
    tuned: bool,
    seconds: float | None,
    rounds: int | None,
    out: Path | None,
    force: bool,
    as_json: bool,
) -> int:
    """What `adapt --all` does; the exit status."""
    from optimizer.app.interface import adapt_all
    from optimizer.app.screen import DONE, NOT_FEASIBLE, ProgressBar, finish

    few = {} if tuned else {"searched": 0}
    with ProgressBar() if tuned else nullcontext() as progress:
        made = adapt_all(fitted, method, seconds=seconds, rounds=rounds, progress=progress, **few)
    finish(made, out, force, as_json)
    return NOT_FEASIBLE if made.found.best is None else DONE

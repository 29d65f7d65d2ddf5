"""The scenarios that come with rampwright, and copies of them to start from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from optimizer.base.errors import ScenarioError
from optimizer.base.output import OutputError, make_folder
from optimizer.base.text_files import nearest

SCENARIO_FILE, README = "scenario.toml", "README.md"
BLANK_FILE = "blank_scenario.toml"
SCHEMA = Path(__file__).resolve().parent / "scenario.schema.json"
COPY_NOTE = (
    "> A copy made by `rampwright new`, to start from. The scripts named below, which made its data, are in the "
    "project's own folder `scenarios/` and not here.\n\n"
)


@dataclass(frozen=True)
class Shipped:
    """A scenario that comes with rampwright."""

    name: str
    title: str
    folder: Path


def shipped_scenarios() -> tuple[Shipped, ...]:
    """All of them, by name."""
    root = _root()
    files = sorted(root.glob(f"*/{SCENARIO_FILE}"))
    return tuple(
        Shipped(file.parent.name, str(tomllib.loads(file.read_text(encoding="utf-8"))["title"]), file.parent)
        for file in files
    )


def _root() -> Path:
    """The folder that holds them: inside the package when installed, beside it in the project's own folder."""
    installed = Path(__file__).parent / "scenarios"
    return installed if installed.is_dir() else Path(__file__).parents[2] / "scenarios"


def copy_of(name: str) -> dict[str, bytes]:
    """Names and contents of the files of a copy: the scenario, the tables it names, and its story.

    Raises
    ------
    ScenarioError : when there is no scenario of that name
    """
    shipped = {each.name: each for each in shipped_scenarios()}
    if name not in shipped:
        near = nearest(name, list(shipped), 0.4)
        hint = f"did you mean {near}? " if near else ""
        raise ScenarioError(f"--from {name}: there is no such scenario; {hint}there are {', '.join(shipped)}")
    folder = shipped[name].folder
    files = {SCENARIO_FILE: (folder / SCENARIO_FILE).read_bytes()}
    table = tomllib.loads(files[SCENARIO_FILE].decode())
    tables = [run["peaks"] for run in table["scouting_runs"]]
    for each in [*tables, *([table["matching"]] if "matching" in table else [])]:
        files[each] = (folder / each).read_bytes()
    heading, _, story = (folder / README).read_text(encoding="utf-8").partition("\n\n")
    return {**files, README: f"{heading}\n\n{COPY_NOTE}{story}".encode()}


def blank() -> dict[str, bytes]:
    """The files of a scenario with everything still to be filled in; its first line tells editors of the keys.

    The schema lies beside it, named relative to it, so that the folder can be moved.
    """
    text = (Path(__file__).parent / BLANK_FILE).read_text(encoding="utf-8")
    return {
        SCENARIO_FILE: f"#:schema ./{SCHEMA.name}\n{text}".encode(),
        SCHEMA.name: SCHEMA.read_bytes(),
    }


def make_scenario(folder: Path, name: str | None = None) -> tuple[str, ...]:
    """Make a new folder with a copy of a scenario that comes with rampwright, or with a blank one.

    Returns the names of the files in it.

    Raises
    ------
    ScenarioError : when there is no scenario of that name
    OutputError : when the folder exists already, whatever is in it, or cannot be made
    """
    files = blank() if name is None else copy_of(name)
    if folder.exists() or folder.is_symlink():
        raise OutputError(f"{folder}: exists already, and nothing in it was changed; name a new folder")
    try:
        make_folder(folder, files)
    except OutputError as error:
        reason = error.__cause__.strerror if isinstance(error.__cause__, OSError) else None
        raise OutputError(
            f"{folder}: cannot be made: {reason or error.__cause__}; name a folder where you may write"
        ) from error
    return tuple(sorted(files))

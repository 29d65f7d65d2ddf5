"""Every command in README.md and docs/ is one that works: those in code blocks run, those in sentences parse."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import typer
from typer.core import TyperGroup

import rampwright as rw
from optimizer.app.cli import app
from optimizer.page.command import add_to
from optimizer.runs.peak_tables import read_peak_table
from tests.optimizer.bad_inputs import write_good_scenario
from tests.optimizer.command import call
from tests.optimizer.recorded import recorded, write_e1947

ROOT = Path(__file__).parents[1]
PAGES = [
    ROOT / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
    *sorted((ROOT / "docs/howto").glob("*.md")),
]
BLOCK = re.compile(r"^```[^\n]*\n(.*?)^```$", re.MULTILINE | re.DOTALL)
# At the head of a line, from an environment of its own if need be; a comment stands behind two blanks.
COMMAND = re.compile(r"^\s*(?:\S*[\\/])?rampwright[ ]+(?P<arguments>.*?)(?:\s{2,}[(#].*)?$")
INLINE = re.compile(r"`rampwright ([^`\n]+)`")
PLACEHOLDERS = re.compile(r"\b(SCENARIO|FOLDER|DIR|FILE|NAME)\b")
SEARCHING = {"optimize", "scout", "adapt", "compare", "next"}
add_to(app)  # as where the program starts
UNMET = 3  # no program meets the goal: in a second of search not the page's fault


@dataclass(frozen=True)
class Documented:
    """A command as a page has it: file name, line, and the arguments after the program's name."""

    page: str
    line: int
    arguments: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.page}:{self.line}: rampwright {' '.join(self.arguments)}"


def in_blocks(page: str, text: str) -> list[Documented]:
    """The commands in the code blocks of a page."""
    found = []
    for block in BLOCK.finditer(text):
        first = text.count("\n", 0, block.start(1)) + 1
        for number, line in enumerate(block[1].splitlines(), first):
            if match := COMMAND.match(line):
                words = shlex.split(match["arguments"].replace("\\", "/"))
                found.append(Documented(page, number, tuple(words)))
    return found


def in_sentences(page: str, text: str) -> list[Documented]:
    """The commands between single backticks, of which many only name what there is."""
    return [
        Documented(page, text.count("\n", 0, match.start()) + 1, tuple(shlex.split(match[1])))
        for match in INLINE.finditer(text)
    ]


def every(finder: Callable[[str, str], list[Documented]]) -> list[Documented]:
    """One of each: what is the same but for the budget of a search and where its results go is run once."""
    found: dict[tuple[str, ...], Documented] = {}
    for page in PAGES:
        for each in finder(page.name, page.read_text(encoding="utf-8")):
            kept = shortened(each.arguments)
            at = kept.index("--out") if kept[0] == "optimize" and "--out" in kept else len(kept)
            found.setdefault(kept[:at] + kept[at + 2 :], each)
    return list(found.values())


def shortened(arguments: tuple[str, ...]) -> tuple[str, ...]:
    """The command with a search of one second, if it is one that searches."""
    if arguments[0] not in SEARCHING or "--trim-m" in arguments:
        return arguments
    if arguments[0] == "compare" and "--retune" not in arguments:
        return arguments
    kept = list(arguments)
    for budget in ("--seconds", "--rounds"):
        while budget in kept:
            at = kept.index(budget)
            del kept[at : at + 2]
    more = ["--no-what-if"] if kept[0] == "optimize" and "--no-what-if" not in kept else []
    return (*kept, "--seconds", "1", *more)


def test_commands_are_found_as_they_stand() -> None:
    page = (
        "a\n```\nrampwright check x     (comment)\n.venv\\Scripts\\rampwright fit a\\b\npipx install .\n```\n"
    )
    assert [(each.line, each.arguments) for each in in_blocks("p", page)] == [
        (3, ("check", "x")),
        (4, ("fit", "a/b")),
    ]
    assert shortened(("scout", "x", "--seconds", "60")) == ("scout", "x", "--seconds", "1")
    counted = {page.name: len(in_blocks(page.name, page.read_text(encoding="utf-8"))) for page in PAGES}
    assert counted["tutorial.md"] >= 6
    assert counted["README.md"] >= 4
    assert sum(counted.values()) >= 30
    assert len(every(in_sentences)) >= 10


# --- what the reader has by the time of a command: made here, and only what the command names is there ---


def a_scenario(path: Path) -> None:
    write_good_scenario(path)
    file = path / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    if "[search]" not in text:
        text += "\n[search]\n"
    file.write_text(text.replace("[search]", "[search]\ncandidates = 1"), encoding="utf-8")


def a_trace(path: Path) -> None:
    a_scenario(path.parent / "traced")
    write_e1947(path, recorded(read_peak_table(path.parent / "traced" / "slow.csv"), noise=0.5))


def a_program(path: Path) -> None:
    path.write_text(
        "oven = { start_C = 60, hold_min = 1, ramps = [{ rate_C_per_min = 12, to_C = 250, hold_min = 4 }] }\n"
        'carrier = { mode = "constant flow", flow_mL_min = 1.5 }\n',
        encoding="utf-8",
    )


def a_confirmation(path: Path) -> None:
    """The run of the candidate in `results`, as predicted."""
    document = json.loads((path.parent / "results" / "candidates.json").read_text(encoding="utf-8"))
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["compound", "retention_min", "width_half_min"])
        for peak in document["candidates"][0]["peaks"]:
            table.writerow(
                [peak["compound"], f"{peak['retention_min']:.4f}", f"{peak['width_half_min']:.4f}"]
            )


def without_names(scenario: Path) -> None:
    """The second run as it comes from the instrument."""
    table = scenario / "fast.csv"
    header, *rows = csv.reader(table.read_text(encoding="utf-8").splitlines())
    assert header[0] == "compound"
    with table.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([header, *(["", *row[1:]] for row in rows)])


def a_run(path: Path) -> None:
    """A run of the method in use, as predicted."""
    a_scenario(path.parent / "run")
    made = rw.predict(rw.fit(rw.load_scenario(path.parent / "run")), certainty="none")
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["compound", "retention_min"])
        table.writerows(
            [each["compound"], f"{each['retention_min']:.3f}"] for each in made.to_dict()["peaks"]
        )


class Yes(io.StringIO):
    """Somebody at a terminal who agrees."""

    def isatty(self) -> bool:
        return True


MADE = {
    "mymethod": a_scenario,
    "demo": a_scenario,
    "slow.cdf": a_trace,
    "robust.toml": a_program,
    "confirm.csv": a_confirmation,
    "run3.csv": a_run,
}


def with_columns(folder: Path) -> None:
    """The columns that the page states."""
    page = (ROOT / "docs" / "howto" / "columns.md").read_text(encoding="utf-8")
    (stated,) = re.findall(r"^```toml\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    file = folder / "scenario.toml"
    file.write_text(file.read_text(encoding="utf-8") + "\n" + stated, encoding="utf-8")


STATES = {
    "fit mymethod --accept": without_names,
    "adapt mymethod --all --out columns": with_columns,
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with everything that the commands name and the reader made."""
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(ROOT / "scenarios", folder / "scenarios")
    for file in folder.glob("scenarios/*/scenario.toml"):
        text, changed = re.subn(
            "^candidates = .*$", "candidates = 1", file.read_text(encoding="utf-8"), flags=re.M
        )
        assert changed == 1, file
        file.write_text(text, encoding="utf-8")
    a_scenario(folder / "searched")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("RAMPWRIGHT_STUDY", raising=False)
        status = call(
            patch,
            "optimize",
            folder / "searched",
            "--out",
            folder / "results",
            "--seconds",
            "1",
            "--no-what-if",
        )
    assert status == 0
    for name, make in MADE.items():
        make(folder / name)
    return folder


def run(arguments: tuple[str, ...], bench: Path, place: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """The exit status of a command in a folder with what it names and nothing else."""
    made = arguments[1] if arguments[0] == "new" and len(arguments) > 1 else None
    for before, word in zip(("", *arguments), arguments, strict=False):
        name = word.split("/")[0]
        source = bench / name
        if before == "--out" or word == made or not name or not source.exists() or (place / name).exists():
            continue
        if source.is_dir():
            shutil.copytree(source, place / name)
        else:
            shutil.copy(source, place / name)
    if state := STATES.get(" ".join(arguments)):
        state(place / arguments[1])
    monkeypatch.chdir(place)
    monkeypatch.delenv("RAMPWRIGHT_STUDY", raising=False)
    monkeypatch.setattr("sys.stdin", Yes("y\n"))
    return call(monkeypatch, *shortened(arguments))


@pytest.mark.parametrize("command", every(in_blocks), ids=str)
def test_commands_in_code_blocks_run(
    command: Documented,
    bench: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    status = run(command.arguments, bench, tmp_path, monkeypatch)
    said = capsys.readouterr()
    unmet = status == UNMET and "--seconds" in shortened(command.arguments)
    assert status == 0 or unmet, f"{command}\n{said.err}"


@pytest.mark.parametrize("command", every(in_sentences), ids=str)
def test_commands_in_sentences_parse(command: Documented) -> None:
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)
    name, *words = command.arguments
    if name.startswith("-"):
        assert name in {option for parameter in group.params for option in parameter.opts}, command
        return
    assert name in group.commands, command
    if words:  # else it is only named
        words = [PLACEHOLDERS.sub("1", word) for word in words]
        group.commands[name].make_context(name, words)


@pytest.mark.parametrize(
    "wrong",
    [
        ("check", "nosuch"),
        ("check", "mymethod", "--out", "x"),
        ("fit", "mymethod", "--programme", "robust.toml"),
        ("predict", "mymethod", "--program", "nosuch.toml"),
        ("optimize", "nosuch", "--out", "x"),
    ],
    ids=" ".join,
)
def test_a_wrong_command_would_be_found(
    wrong: tuple[str, ...], bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(wrong, bench, tmp_path, monkeypatch) == 2


def test_a_wrong_option_in_a_sentence_would_be_found() -> None:
    with pytest.raises(Exception, match="No such option"):
        test_commands_in_sentences_parse(Documented("p", 1, ("fit", "SCENARIO", "--programme", "FILE")))
    with pytest.raises(AssertionError):
        test_commands_in_sentences_parse(Documented("p", 1, ("fitt",)))

"""What the site shows of the tool itself: the reference of its commands, and the tutorial's session with its pictures.

Run by `make docs`, into docs/generated: every command of the tutorial is carried out, searches by rounds and seed.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
import tempfile
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path

import typer
from typer.core import TyperArgument, TyperGroup

from optimizer.app.cli import app
from optimizer.app.cli import main as command_line
from optimizer.page.command import add_to

HERE = Path(__file__).resolve().parent
GENERATED = HERE / "generated"
WIDTH = "92"  # columns of the terminal that is shown
SESSION = {
    "new": "new demo --from slow_isothermal",
    "check": "check demo",
    "fit": "fit demo",
    "optimize": "optimize demo --out results --rounds 150",
    "sweep": "sweep demo --candidate 1 --results results --vary start_C=35:70 --out swept",
    "by_hand": "predict demo --program by_hand.toml --out by_hand",
}
BY_HAND = """\
oven = { start_C = 45, hold_min = 1, ramps = [{ rate_C_per_min = 25, to_C = 190, hold_min = 1 }] }
carrier = { mode = "constant flow", flow_mL_min = 3 }
"""
PICTURES = {
    "results/chromatogram_1.png": "found",
    "swept/sweep.png": "swept",
    "by_hand/chromatogram.png": "by_hand",
}
KEPT = ("demo", "results")  # for make_pictures


def commands() -> str:
    """Every command with its arguments and options, as markdown."""
    add_to(app)
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)
    parts = []
    for name, command in group.commands.items():
        # Two blanks begin a new paragraph for the terminal; here a line of its own does.
        text = "\n\n".join(part.strip().replace("\n", " ") for part in (command.help or "").split("\n\n"))
        rows = []
        for each in command.params:
            flag = getattr(each, "is_flag", False)
            shown = ", ".join(f"`{option}`" for option in (*each.opts, *each.secondary_opts))
            if isinstance(each, TyperArgument):
                shown = f"`{(each.name or '').upper()}`"
            default = each.default if isinstance(each.default, int | float) and not flag else ""
            help_text = (getattr(each, "help", None) or "").replace("|", "\\|")
            rows.append(f"| {shown} | {'required' if each.required else default} | {help_text} |")
        head = ["| argument or option | default | meaning |", "|---|---|---|"]
        table = [*head, *rows] if rows else []
        example = f"`{command.epilog.removeprefix('Example: ')}`" if command.epilog else ""
        parts.append(
            "\n".join([f"## {name}", "", text, "", *(["Example: " + example, ""] if example else []), *table])
        )
    return "\n\n".join(parts) + "\n"


def printed_by(line: str) -> str:
    """What a command prints, in this process: a session then imports but once."""
    sys.argv, out, err = ["rampwright", *line.split()], io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            command_line()
        except SystemExit as end:
            if end.code:
                raise SystemExit(f"docs: rampwright {line} ended with {end.code}\n{err.getvalue()}") from None
    return out.getvalue()


def tutorial() -> None:
    """Carry the session out and keep what it prints and draws.

    Raises
    ------
    SystemExit : when a command fails
    """
    target = GENERATED / "tutorial"
    target.mkdir(parents=True, exist_ok=True)
    os.environ.update(COLUMNS=WIDTH, NO_COLOR="1")
    with tempfile.TemporaryDirectory() as place, chdir(place):
        (Path(place) / "by_hand.toml").write_text(BY_HAND, encoding="utf-8")
        for name, line in SESSION.items():
            text = "\n".join(row.rstrip() for row in printed_by(line).splitlines())
            (target / f"{name}.txt").write_text(f"$ rampwright {line}\n{text}\n", encoding="utf-8")
        (target / "by_hand.toml").write_text(BY_HAND, encoding="utf-8")
        for source, name in PICTURES.items():
            shutil.copy(Path(place) / source, target / f"{name}.png")
        for folder in KEPT:
            shutil.copytree(Path(place) / folder, target / folder, dirs_exist_ok=True)


def main() -> None:
    """Write all of it."""
    GENERATED.mkdir(exist_ok=True)
    (GENERATED / "commands.md").write_text(commands(), encoding="utf-8")
    tutorial()


if __name__ == "__main__":
    main()

"""Setting a scenario up by form: its keys as they are declared, the messages of `check`, and the files written."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from copy import deepcopy
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Lock
from typing import Any

from models.errors import InvalidInputError
from optimizer.app.shipped_scenarios import SCHEMA, blank
from optimizer.base.errors import ScenarioError
from optimizer.base.output import OutputError, make_folder, write_atomically
from optimizer.base.text_files import read_text
from optimizer.campaign.history import sha256
from optimizer.page.session import Session
from optimizer.results.documents import Document
from optimizer.scenario.messages import BLANK
from optimizer.scenario.reading import SCENARIO_FILE, load_scenario
from optimizer.scenario.scenario_edit import with_keys

RUNS = "scouting_runs"
MOST_VERSIONS = 1000
TABLE_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9 ._-]{0,58})?\.csv")
_KEY = re.compile(r"(?:unknown key )?([a-z]\w*(?:\[\d+\])?(?:\.[a-zA-Z]\w*(?:\[\d+\])?)*)")


class SettingUp:
    """The form of a session's scenario, which is checked as a copy before anything is written."""

    def __init__(self, session: Session) -> None:
        self._session, self._lock = session, Lock()
        self._schema: Document = json.loads(SCHEMA.read_text(encoding="utf-8"))

    def form(self, asked: Document) -> Document:
        """The declared keys, and what the scenario's file says, a blank one's where there is none."""
        raw, known = self._text()
        return {
            "schema": self._schema,
            "tree": _filled(tomllib.loads(raw.decode("utf-8-sig"))),
            "version": sha256(raw) if known else "",
            "file": str(self._session.file),
        }

    def check(self, asked: Document) -> Document:
        """What is wrong with a tree of keys in the words of `check`, each where it belongs; else warnings."""
        raw, _ = self._text()
        tree, tables = self._asked(asked)
        return self._checked(with_keys(self._session.file, raw, tree), tree, tables)

    def write(self, asked: Document) -> Document:
        """Write a tree that can be used, and the tables pasted for it; the file's former version is kept beside it.

        A table whose file exists with other content gets another name. What another page or program wrote since the
        form was read is not replaced.
        """
        with self._lock:
            raw, known = self._text()
            if asked.get("version", "") != (sha256(raw) if known else ""):
                raise InvalidInputError(
                    f"{self._session.file} was changed since this form was read: nothing was written; read it again"
                )
            tree, tables = self._asked(asked)
            tables = self._renamed(tree, tables)
            text = with_keys(self._session.file, raw, tree)
            found = self._checked(text, tree, tables)
            if found["problems"]:
                return found
            self._put(raw if known else None, text, tables)
        self._session.read_again()
        return {**found, "written": [str(self._session.file), *tables]}

    def _text(self) -> tuple[bytes, bool]:
        """The file's text, and whether there is one; else a blank one's."""
        file = self._session.file
        if not file.exists():
            return blank()[SCENARIO_FILE], False
        text = read_text(file)
        try:
            tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ScenarioError(
                f"{file}: is no valid TOML ({error}); correct it in an editor first"
            ) from None
        return file.read_bytes(), True

    def _asked(self, asked: Document) -> tuple[dict[str, Any], dict[str, bytes]]:
        tree, tables = asked.get("tree"), asked.get("tables", {})
        if not isinstance(tree, dict) or not isinstance(tables, dict):
            raise InvalidInputError("the form is no table of keys")
        for name, text in tables.items():
            if not TABLE_NAME.fullmatch(name) or not isinstance(text, str):
                raise InvalidInputError(
                    f"{name!r}: expected a file name such as slow.csv, of letters, digits, dashes and underscores"
                )
        return tree, {name: f"{text.rstrip()}\n".encode() for name, text in tables.items()}

    def _renamed(self, tree: dict[str, Any], tables: dict[str, bytes]) -> dict[str, bytes]:
        """Tables under names at which nothing else is; the runs name them so."""
        found = {}
        for name, content in tables.items():
            stem = name.removesuffix(".csv")
            names = (name, *(f"{stem}_{n}.csv" for n in range(2, MOST_VERSIONS)))
            free = next(each for each in names if self._may_be(each, content))
            for run in tree.get(RUNS, []):
                if isinstance(run, dict) and run.get("peaks") == name:
                    run["peaks"] = free
            found[free] = content
        return found

    def _may_be(self, name: str, content: bytes) -> bool:
        file = self._session.folder / name
        return not file.exists() or file.read_bytes() == content

    def _checked(self, text: bytes, tree: dict[str, Any], tables: dict[str, bytes]) -> Document:
        """The messages about a scenario that is not written yet: its files are copied, then read as ever."""
        folder = self._session.folder
        with TemporaryDirectory(prefix="rampwright-form-") as temporary:
            copy = Path(temporary) / self._session.file.name
            copy.write_bytes(with_keys(copy, text, _within_reach(tree, folder)))
            for name in _files_named(tree):
                inside = (Path(temporary) / name).resolve()
                if name in tables or not inside.is_relative_to(Path(temporary).resolve()):
                    continue
                if (folder / name).is_file():
                    inside.parent.mkdir(parents=True, exist_ok=True)
                    shutil.copyfile(folder / name, inside)
            for name, content in tables.items():
                (Path(temporary) / name).write_bytes(content)
            problems: tuple[str, ...] = ()
            warnings: tuple[str, ...] = ()
            try:
                scenario = load_scenario(copy, runs_needed=False)
                warnings = scenario.warnings
            except ScenarioError as error:
                problems = error.problems
            told = [each.replace(temporary, str(folder)) for each in (*problems, *warnings)]
        count = len(problems)
        return {
            "problems": [{"at": self._place(each, tree), "text": each} for each in told[:count]],
            "warnings": told[count:],
            "text": text.decode(),
        }

    def _place(self, problem: str, tree: dict[str, Any]) -> str:
        """The key that a message is about, as it names it; "" where it is about none of the form."""
        said = problem.removeprefix(f"{self._session.file}: ")
        found = _KEY.match(said)
        if found and re.split(r"[.\[]", found[1])[0] in self._schema["properties"]:
            return found[1]
        runs = tree.get(RUNS, [])
        for number, run in enumerate(runs if isinstance(runs, list) else [], 1):
            name = run.get("peaks") if isinstance(run, dict) else None
            if name and problem.startswith(str(self._session.folder / str(name))):
                return f"{RUNS}[{number}].peaks"
        return ""

    def _put(self, former: bytes | None, text: bytes, tables: dict[str, bytes]) -> None:
        file = self._session.file
        if not file.parent.exists():
            make_folder(file.parent, {file.name: text, SCHEMA.name: SCHEMA.read_bytes(), **tables})
            return
        for name, content in tables.items():
            write_atomically(file.parent / name, content)
        if former is None:
            if file.exists():
                raise OutputError(f"{file}: was written by somebody else meanwhile; nothing was replaced")
            write_atomically(file, text)
        elif former != text:
            versions = (file.with_name(f"{file.name}.former-{n}") for n in range(1, MOST_VERSIONS))
            write_atomically(next(each for each in versions if not each.exists()), former)
            write_atomically(file, text, former)


def _files_named(tree: dict[str, Any]) -> list[str]:
    runs = tree.get(RUNS, [])
    named = [each.get("peaks") for each in runs if isinstance(each, dict)] if isinstance(runs, list) else []
    return [each for each in (*named, tree.get("matching")) if isinstance(each, str) and each]


def _within_reach(tree: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The tree as a copy of the file elsewhere needs it: files outside the scenario's folder by their whole path."""
    found = deepcopy(tree)
    for run in found.get(RUNS, []) if isinstance(found.get(RUNS), list) else []:
        if isinstance(run, dict) and isinstance(name := run.get("peaks"), str) and ".." in Path(name).parts:
            run["peaks"] = str((folder / name).resolve())
    return found


def _filled(node: Any) -> Any:
    """A tree without values that nobody has filled in yet."""
    if isinstance(node, dict):
        return {key: _filled(value) for key, value in node.items() if value != BLANK}
    if isinstance(node, list):
        return [_filled(each) for each in node]
    return node

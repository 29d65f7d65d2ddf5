"""A run or other keys put into the text of a scenario, which otherwise stays: comments, order, spelling of numbers.

What no edit may do is checked afterwards: the new text must say what the old one did, and the run.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Comment, Table, Whitespace

from optimizer.base.errors import ScenarioError
from optimizer.base.given_values import inline_toml
from optimizer.base.text_files import text_of

RUNS = "scouting_runs"


def with_run(path: Path, raw: bytes, run: dict[str, Any]) -> bytes:
    """The bytes of a scenario file with one more of its `[[scouting_runs]]`, after those there are.

    Parameters
    ----------
    path : for messages
    run : keys of the new table, in the order in which they are written

    Raises
    ------
    ScenarioError : when the text cannot be edited so that all else stays
    """
    text = text_of(path, raw)
    before = tomllib.loads(text)
    run = tomllib.loads(f"run = {inline_toml(run)}")["run"]  # its numbers as they are written
    wanted = {**before, RUNS: [*before.get(RUNS, []), run]}
    edited = next((each for each in _edits(text, run) if _says(each, wanted) and _adds(text, each)), None)
    if edited is None:
        raise ScenarioError(
            f"{path}: its {RUNS} are written in a way to which none can be added without changing the rest; write each "
            f"as a table of its own, headed [[{RUNS}]]"
        )
    return _as_before(raw, edited)


def _as_before(raw: bytes, edited: str) -> bytes:
    """An edited text with the line ends and the mark of the former one."""
    if b"\n" in raw and raw.count(b"\r\n") == raw.count(b"\n"):
        edited = edited.replace("\r\n", "\n").replace("\n", "\r\n")
    mark = b"\xef\xbb\xbf" if raw.startswith(b"\xef\xbb\xbf") else b""
    return mark + edited.encode()


def with_keys(path: Path, raw: bytes, tree: dict[str, Any]) -> bytes:
    """The bytes of a scenario file that say what a tree of keys does; comments stay where what they are about does.

    Parameters
    ----------
    path : for messages
    tree : all keys, as `tomllib` would give them

    Raises
    ------
    ScenarioError : when the text cannot be edited so
    """
    try:
        wanted = tomllib.loads(_whole(tree).encode().decode())
    except UnicodeEncodeError as error:
        half = error.object[error.start]
        raise ScenarioError(f"{path}: cannot be written with {half!a}, which is half a character") from None
    except (tomllib.TOMLDecodeError, AttributeError, TypeError, ValueError, RecursionError) as error:
        raise ScenarioError(f"{path}: cannot be written with these keys ({error})") from None
    try:
        document = tomlkit.parse(text_of(path, raw))
        _set(document, wanted, True)
        edited = tomlkit.dumps(document)
    except (TOMLKitError, AttributeError, TypeError, ValueError):
        edited = ""
    return _as_before(raw, edited if _says(edited, wanted) else _whole(tree))


def _whole(tree: dict[str, Any]) -> str:
    """A tree as text of its own: single keys first, then tables under their headings."""
    plain = [f"{key} = {inline_toml(value)}" for key, value in tree.items() if not _headed(value)]
    return "\n".join([*plain, *(_block(key, value) for key, value in tree.items() if _headed(value))]) + "\n"


def _headed(value: Any) -> bool:
    """Whether a value at the top of a file is written under a heading."""
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and all(isinstance(each, dict) for each in value)
    )


def _block(key: str, value: Any) -> str:
    """A table, or all of a list of them, under headings."""
    tables, heading = ([value], f"[{key}]") if isinstance(value, dict) else (value, f"[[{key}]]")
    parts = [
        "\n".join([heading, *(f"{name} = {_written(each)}" for name, each in table.items())])
        for table in tables
    ]
    return "\n" + "\n\n".join(parts) + "\n"


def _set(container: Any, tree: dict[str, Any], top: bool = False) -> None:
    """Make a parsed table say what a tree does, touching only what differs."""
    for key in [each for each in container if each not in tree]:
        del container[key]
    for key, value in tree.items():
        if key not in container:
            made = _block(key, value) if top and _headed(value) else f"{key} = {inline_toml(value)}\n"
            container[key] = tomlkit.parse(made)[key]
            continue
        found = container[key]
        if isinstance(found, AoT) and _headed(value) and isinstance(value, list):
            _set_each(key, found, value)
        elif isinstance(found, Table) and isinstance(value, dict):
            _set(found, value)
        elif not _alike(found.unwrap(), value):
            container[key] = tomlkit.parse(f"{key} = {inline_toml(value)}\n")[key]


def _set_each(key: str, found: AoT, tables: list[dict[str, Any]]) -> None:
    while len(found) > len(tables):
        del found[-1]
    for table, wanted in zip(found, tables, strict=False):
        _set(table, wanted)
    for wanted in tables[len(found) :]:
        found.append(tomlkit.parse(_block(key, [wanted]))[key][0])


def _alike(a: Any, b: Any) -> bool:
    """Whether two values are written the same but for the spelling of numbers."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_alike(a[key], b[key]) for key in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(map(_alike, a, b))
    return bool(a == b) and isinstance(a, bool) == isinstance(b, bool)


def added_text(former: bytes, written: bytes) -> bytes:
    """What was put into `former` in one piece to make `written`; nothing where that is not all that was done."""
    first = next(
        (n for n, (a, b) in enumerate(zip(former, written, strict=False)) if a != b),
        min(len(former), len(written)),
    )
    end = first + len(written) - len(former)
    return written[first:end] if former[first:] == written[end:] else b""


def without(text: bytes, added: bytes) -> bytes | None:
    """A text without what was added to it; None where that is no longer in it as it was. What else changed stays."""
    return text.replace(added, b"") if added and text.count(added) == 1 else None


def _says(text: str, wanted: dict[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        return False


def _adds(text: str, edited: str) -> bool:
    return bool(added_text(text.encode(), edited.encode()))


def _edits(text: str, run: dict[str, Any]) -> list[str]:
    """Ways to add the run, the best first."""
    block = "\n".join([f"[[{RUNS}]]", *(f"{key} = {_written(value)}" for key, value in run.items())])
    end = "" if not text or text.endswith("\n") else "\n"
    gap = "\n" if text.strip() else ""
    at_end = f"{text}{end}{gap}{block}\n"
    try:
        document = tomlkit.parse(text)
        found = document.get(RUNS)
        if isinstance(found, Array):
            found.append(tomlkit.parse(f"run = {inline_toml(run)}")["run"])
            return [tomlkit.dumps(document)]
        if not isinstance(found, AoT) or not len(found):
            return [at_end]
        return [_after_the_last(document, found, f"{block}\n"), at_end]
    except (TOMLKitError, AttributeError, TypeError, ValueError):
        return [at_end]


def _after_the_last(document: tomlkit.TOMLDocument, runs: AoT, block: str) -> str:
    parsed = tomlkit.parse(block)[RUNS]
    assert isinstance(parsed, AoT)
    table, last = parsed.body[0], _deepest(runs.body[-1].value)
    # What stands between the last run and the next table is about that table.
    follows = _cut_from_first_blank_line(last)
    last.append(None, Whitespace("\n"))
    for item in follows:
        table.value.append(None, item)
    runs.append(table)
    return tomlkit.dumps(document)


def _deepest(container: Container) -> Container:
    """The container that the last line of a table is in: its own, or that of its last part."""
    for key, item in reversed(container.body):
        if key is None:
            continue
        if isinstance(item, Table):
            return _deepest(item.value)
        if isinstance(item, AoT):
            return _deepest(item.body[-1].value)
        break
    return container


def _cut_from_first_blank_line(container: Container) -> list[Whitespace | Comment]:
    """Take what follows the last key away from its first blank line on."""
    body = container.body
    start = len(body)
    while start and body[start - 1][0] is None:
        start -= 1
    blank = next((n for n in range(start, len(body)) if isinstance(body[n][1], Whitespace)), len(body))
    cut = [item for _, item in body[blank:] if isinstance(item, Whitespace | Comment)]
    del body[blank:]
    return cut


def _written(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else inline_toml(value)

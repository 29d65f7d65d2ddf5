"""Files of shared studies spoilt at random, from a seed: their bytes, their pages, and what their tables say."""

from __future__ import annotations

import random
import sqlite3
import tempfile
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path

from benchmarks import mutations

STUDY = "study.db"
Mutation = Callable[[random.Random, bytes], bytes]
VALUES: tuple[object, ...] = (
    None, 0, -1, 1, 7, 2**31, 2**63 - 1, -(2**63), 1e308, float("inf"), "", "x", "RUNNING", "COMPLETE", "FAIL",
    "WAITING", "PRUNED", "NaN", "null", "{}",
    "[]", '{"a": 1}', "1.5", "true", "9" * 5000, "[" * 5000, "\x1b[31m", "\ud7ff\u202e",
    b"\x00\xff", "2026-13-45 99:99:99", "x" * 100_000, "end", "claim", "binding", '"text"', "[1, 2]", "1e999",
)  # fmt: skip
# Parts of the JSON in which claims and ends are kept, and what they become.
PARTS = (
    ('"family": 0', '"family": 99'), ('"family": 0', '"family": -1'), ('"family": 0', '"family": "a"'),
    ('"family": ', '"famly": '), ('"start": [', '"start": [5, '), ('"start": [', '"start": [NaN, '),
    ('"start": [', '"start": [[], '), ('"start": [', '"start": ["a", '), ('"start": [0', '"start": [-7'),
    ('"start": ', '"start": null, "x": '), ('"class": "', '"class": "=?'), ('"class": "', '"class": 5, "x": "'),
    ('"merit": ', '"merit": "a", "x": '), ('"merit": ', '"merit": NaN, "x": '), ('"merit": ', '"merit": null, "x": '),
    ('"cost": ', '"cost": null, "x": '), ('"cost": ', '"cost": -Infinity, "x": '), ('"cost": ', '"cost": NaN, "x": '),
    ('"cost": ', '"cost": "a", "x": '), ('"margin": ', '"margin": {}, "x": '), ('"end": [', '"end": [5, '),
    ('"end": [', '"end": [NaN, '), ('"backoff": null', '"backoff": {}'), ('"backoff": null', '"backoff": 1'),
    ('"screened": ', '"screened": "a", "x": '), ('"screened": ', '"screened": 1e300, "x": '),
    ('"evaluations": ', '"evaluations": null, "x": '), ('"value": ', '"value": null, "x": '),
    ('"pid": ', '"pid": -1, "x": '), ('"pid": ', '"pid": "a", "x": '), ('"pid": ', '"pid": 1e99, "x": '),
    ('"worker": ', '"worker": null, "x": '), ('"host": ', '"host": 5, "x": '), ('"kind": ', '"kind": 5, "x": '),
    ('"parts": {', '"parts": 5, "x": {'), ('"families": [', '"families": 5, "x": ['), ('"fit": [', '"fit": ["a", '),
    ('"fit": [', '"fit": null, "x": ['), ('"format": 1', '"format": null'), ('"version": ', '"vrsion": '),
    ('"needed": ', '"x": '), ("{", "{{"), ("}", ""), ("[", ""), ('"', ""),
)  # fmt: skip


def byte_flips(rng: random.Random, data: bytes) -> bytes:
    for _ in range(rng.choice((1, 1, 5, 50))):
        data = mutations.byte_flip(rng, data)
    return data


def page_spoilt(rng: random.Random, data: bytes) -> bytes:
    """A page emptied, filled with anything, or put in the place of another."""
    at, other = (4096 * rng.randrange(max(len(data) // 4096, 1)) for _ in range(2))
    page = rng.choice((b"\0" * 4096, rng.randbytes(4096), data[other : other + 4096]))
    return data[:at] + page + data[at + 4096 :]


def pages_lost(rng: random.Random, data: bytes) -> bytes:
    """The rest of a file that a copy did not finish."""
    return data[: 4096 * rng.randrange(max(len(data) // 4096, 1))]


def head_flip(rng: random.Random, data: bytes) -> bytes:
    return mutations.byte_flip(rng, data[:100]) + data[100:]


def text_replaced(rng: random.Random, data: bytes) -> bytes:
    """A word of the file's text replaced by one as long."""
    words = (
        b"trial_id",
        b"study_id",
        b"COMPLETE",
        b"RUNNING",
        b"MINIMIZE",
        b"CREATE TABLE",
        b"claim",
        b"number",
    )
    word = rng.choice(words)
    places = [at for at in range(len(data)) if data.startswith(word, at)]
    if not places:
        return byte_flips(rng, data)
    at = rng.choice(places)
    return data[:at] + rng.randbytes(len(word)) + data[at + len(word) :]


def appended(rng: random.Random, data: bytes) -> bytes:
    return data + rng.choice((data, b"\0" * 4096, rng.randbytes(5000)))


def said(change: Callable[[random.Random, sqlite3.Connection], object]) -> Mutation:
    """A change of what the tables say, as a change of the file."""

    def changed(rng: random.Random, data: bytes) -> bytes:
        with tempfile.TemporaryDirectory() as name:
            file = Path(name) / STUDY
            file.write_bytes(data)
            with closing(sqlite3.connect(file, isolation_level=None)) as database:
                try:
                    database.execute("PRAGMA ignore_check_constraints=ON")
                    change(rng, database)
                except (sqlite3.Error, OverflowError, UnicodeDecodeError):
                    # Spoilt before, or not to be stored.
                    return byte_flips(rng, data)
            return file.read_bytes()

    changed.__name__ = change.__name__
    return changed


def _tables(database: sqlite3.Connection) -> list[str]:
    return [
        name
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    ]


def _filled(rng: random.Random, database: sqlite3.Connection) -> str:
    """A table with something in it."""
    filled = [
        each for each in _tables(database) if database.execute(f"SELECT COUNT(*) FROM {each}").fetchone()[0]
    ]
    found = filled or _tables(database)
    if not found:
        raise sqlite3.DatabaseError("spoilt before: there are no tables")
    return rng.choice(found)


@said
def cell_changed(rng: random.Random, database: sqlite3.Connection) -> None:
    table = _filled(rng, database)
    column = rng.choice([row[1] for row in database.execute(f"PRAGMA table_info({table})")])
    rows = [row for (row,) in database.execute(f"SELECT rowid FROM {table}")]
    which = "" if rng.random() < 0.2 else f" WHERE rowid = {rng.choice(rows)}"
    database.execute(f'UPDATE OR IGNORE {table} SET "{column}" = ?{which}', (rng.choice(VALUES),))


@said
def content_changed(rng: random.Random, database: sqlite3.Connection) -> None:
    """What claims, ends and the study's binding say."""
    table = rng.choice(("trial_user_attributes",) * 4 + ("study_user_attributes",))
    rows = database.execute(f"SELECT rowid, value_json FROM {table}").fetchall()
    rng.shuffle(rows)
    for _ in range(30):
        old, new = rng.choice(PARTS)
        found = next(((row, text) for row, text in rows if old in str(text)), None)
        if found is not None:
            text = found[1].replace(old, new, 1)
            database.execute(f"UPDATE {table} SET value_json = ? WHERE rowid = ?", (text, found[0]))
            return


@said
def content_exchanged(rng: random.Random, database: sqlite3.Connection) -> None:
    """The contents of two attributes in each other's place."""
    rows = database.execute("SELECT rowid, value_json FROM trial_user_attributes").fetchall()
    one, other = rng.sample(rows, 2)
    for row, text in ((one[0], other[1]), (other[0], one[1])):
        database.execute("UPDATE trial_user_attributes SET value_json = ? WHERE rowid = ?", (text, row))


@said
def rows_deleted(rng: random.Random, database: sqlite3.Connection) -> None:
    table = _filled(rng, database)
    keep = rng.choice((0, 2, 3))
    database.execute(f"DELETE FROM {table}" + (f" WHERE rowid % {keep} = 1" if keep else ""))


@said
def row_twice(rng: random.Random, database: sqlite3.Connection) -> None:
    """A trial that was copied, under another id."""
    database.execute(
        "INSERT INTO trials SELECT trial_id + 1000, number + ?, study_id, state, datetime_start, datetime_complete "
        "FROM trials LIMIT 3",
        (rng.choice((0, 0, 1000)),),
    )


@said
def table_changed(rng: random.Random, database: sqlite3.Connection) -> None:
    """A table that is missing, has another name or other columns."""
    found = _tables(database)
    if not found:
        raise sqlite3.DatabaseError("spoilt before: there are no tables")
    table = rng.choice(found)
    columns = [row[1] for row in database.execute(f"PRAGMA table_info({table})")]
    how = rng.randrange(4)
    if how == 0:
        database.execute(f"DROP TABLE {table}")
    elif how == 1:
        database.execute(f"ALTER TABLE {table} RENAME TO other_{table}")
    elif how == 2:
        database.execute(f'ALTER TABLE {table} RENAME COLUMN "{rng.choice(columns)}" TO other')
    else:
        database.execute(f"ALTER TABLE {table} ADD COLUMN more TEXT NOT NULL DEFAULT 'x'")


@said
def other_schema(rng: random.Random, database: sqlite3.Connection) -> None:
    """That of an earlier or later version of the storage."""
    if rng.random() < 0.5:
        database.execute(
            "UPDATE version_info SET schema_version = ?, library_version = '9.9'", (rng.choice((1, 99)),)
        )
    else:
        database.execute(
            "UPDATE alembic_version SET version_num = ?", (rng.choice(("v0.9.0.a", "v9.9.9.a", "")),)
        )


@said
def kept_otherwise(rng: random.Random, database: sqlite3.Connection) -> None:
    """In another way, or with a rule of its own."""
    database.execute(
        rng.choice(
            (
                "PRAGMA journal_mode=DELETE",
                "PRAGMA user_version=77",
                "CREATE TRIGGER no BEFORE INSERT ON trials BEGIN SELECT RAISE(ABORT, 'no more'); END",
                "CREATE TRIGGER never BEFORE UPDATE ON trials BEGIN SELECT RAISE(FAIL, 'never'); END",
                "CREATE VIEW mine AS SELECT * FROM trials",
                "CREATE UNIQUE INDEX one ON trials(state)",
            )
        )
    )


MUTATIONS: tuple[Mutation, ...] = (
    byte_flips, page_spoilt, pages_lost, head_flip, text_replaced, appended, cell_changed, content_changed,
    content_exchanged, rows_deleted, row_twice, table_changed, other_schema, kept_otherwise, mutations.truncation,
    mutations.byte_put, mutations.empty,
)  # fmt: skip
WEIGHTS = tuple(
    {cell_changed: 6.0, content_changed: 10.0, rows_deleted: 2.0, table_changed: 2.0}.get(each, 1.0)
    for each in MUTATIONS
)


def mutated_study(rng: random.Random, files: Mapping[str, bytes]) -> tuple[dict[str, bytes], list[str]]:
    """A study's file with one to three changes, now and then with the rest of another's log beside it."""
    data, done = files[STUDY], []
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        change = rng.choices(MUTATIONS, WEIGHTS)[0]
        data = change(rng, data) if data else rng.randbytes(3)
        done.append(change.__name__)
    out = {STUDY: data}
    if rng.random() < 0.05:
        out[f"{STUDY}-wal"] = rng.choice((rng.randbytes(200), b"7\x7f\x06\x82" + bytes(5000), files[STUDY]))
        done.append("a log that is not its own")
    return out, done

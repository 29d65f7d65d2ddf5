"""Files on which a reader once failed, as the change that did it: `benchmarks.fuzz` found them."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmarks.study_mutations import STUDY, said
from benchmarks.trace_mutations import Contents, bytes_of, contents_of

Spoil = Callable[[bytes], bytes]


@dataclass(frozen=True)
class OnceFailed:
    """What was done to a file of a kind of `benchmarks.fuzz`, and a part of what must now be said about it."""

    kind: str
    file: str
    spoil: Spoil
    says: str


def _put(old: bytes, new: bytes) -> Spoil:
    def spoil(data: bytes) -> bytes:
        assert old in data
        return data.replace(old, new, 1)

    return spoil


def _contents(change: Callable[[Contents], None]) -> Spoil:
    """A change of what a netCDF file says."""

    def spoil(data: bytes) -> bytes:
        contents = contents_of(data)
        change(contents)
        return bytes_of(contents)

    return spoil


def _two_channels(contents: Contents) -> None:
    signal = contents.variables["ordinate_values"]
    contents.sizes["channels"] = 2
    signal.dimensions = (*signal.dimensions, "channels")
    signal.values = np.column_stack([signal.values, signal.values])


def _late(contents: Contents) -> None:
    interval = contents.variables["actual_sampling_interval"]
    interval.values, interval.attributes = np.array(1e10), {"scale_factor": 1e300}


def _tables(statement: str) -> Spoil:
    """A change of what a study's tables say."""
    return lambda data: said(lambda _, database: database.execute(statement))(random.Random(0), data)


def _written(old: str, new: str) -> Spoil:
    """A change of what the claims and ends of a study say."""
    return _tables(f"UPDATE trial_user_attributes SET value_json = REPLACE(value_json, '{old}', '{new}')")


DEEP = b"[" * 20_000 + b"1" + b"]" * 20_000
ONCE_FAILED = {
    "a number of 5000 digits": OnceFailed(
        "program", "program.toml", _put(b"to_C = 200", b"to_C = " + b"1" * 5000), "far too many digits"
    ),
    "brackets without end": OnceFailed(
        "program", "program.toml", _put(b"200", DEEP), "nested far too deeply"
    ),
    "tables within tables": OnceFailed(
        "program", "program.toml", lambda data: data + b".".join([b"a"] * 500) + b" = 1\n", "nested 20 levels"
    ),
    "a pressure at which nothing flows": OnceFailed(
        "program", "program.toml", _put(b"start_psi = 12", b"start_psi = -0.0"), "no carrier flows"
    ),
    "candidates with brackets without end": OnceFailed(
        "candidates", "candidates.json", _put(b"9.9", DEEP), "no candidates.json as optimize writes it"
    ),
    "candidates with a number of 5000 digits": OnceFailed(
        "candidates", "candidates.json", _put(b"9.9", b"1" * 5000), "no candidates.json as optimize writes it"
    ),
    "a key of 200,000 characters": OnceFailed(
        "candidates", "candidates.json", _put(b'"hold_min"', b'"hold_min' + b"9" * 200_000 + b'"'), "[...]"
    ),
    "a cell of 5000 digits": OnceFailed(
        "run", "run.csv", _put(b"3.560", b"1" * 5000), "expected a value above zero"
    ),
    "a name of 10,000 characters": OnceFailed(
        "run", "run.csv", _put(b"toluene,3.560", b"a." * 5000 + b",x"), "expected a number"
    ),
    "a command to the screen in a cell": OnceFailed(
        "run", "run.csv", _put(b"3.560", b"3.\x1b[31m560"), r"3.\x1b[31m560"
    ),
    "a command to the screen in a name": OnceFailed(
        "run", "run.csv", _put(b"toluene", b"tol\x1b[31muene"), "unseen character"
    ),
    "a name that is turned round": OnceFailed(
        "run", "run.csv", _put(b"toluene", "tolu\u202eene".encode()), "unseen character"
    ),
    "a line separator in a key's value": OnceFailed(
        "program", "program.toml", _put(b'"pressure program"', '"\u2028 program"'.encode()), r"\u2028 program"
    ),
    "line ends in a value": OnceFailed(
        "program", "program.toml", _put(b'"pressure program"', b'"""a\n\nb\n\n\n\n\n\nc"""'), r"a\n\nb"
    ),
    "a width next to nothing": OnceFailed(
        "run", "run.csv", lambda _: b"compound,retention_min,width_half_min\na,3.5,1e-200\n", "power of ten"
    ),
    "separators alone": OnceFailed("run", "run.csv", lambda _: b"\n,,,\n;\n,\n", "unknown column"),
    "commas alone": OnceFailed("run", "run.csv", lambda _: b"\n,,,\n", "nothing but separators"),
    "a matching with a cell without end": OnceFailed(
        "matching", "matching.csv", _put(b"fast", b'"' + b"x" * 200_000), "cannot be read as CSV"
    ),
    "two readings at a time": OnceFailed("readings", "run.cdf", _contents(_two_channels), "expected one row"),
    "times beyond all numbers": OnceFailed("readings", "run.cdf", _contents(_late), "a time is no number"),
    "a time beyond all numbers": OnceFailed(
        "csv", "run.csv", lambda data: data.replace(b"\n1.", b"\n1.7e308,1\n1.", 1), "a time is no number"
    ),
    "a study with a start in no family": OnceFailed(
        "file", STUDY, _written('"family": 1', '"family": 99'), "a start of trial"
    ),
    "a study with a start that is no point": OnceFailed(
        "file", STUDY, _written('"start": [', '"start": [[], '), "a start of trial"
    ),
    "a study with an end without a margin": OnceFailed(
        "file", STUDY, _written('"margin": ', '"margin": {}, "x": '), "an end of trial"
    ),
    "a study with an end of a cost beyond all numbers": OnceFailed(
        "file", STUDY, _written('"cost": ', '"cost": -Infinity, "x": '), "an end of trial"
    ),
    "a study with brackets that are not closed": OnceFailed("file", STUDY, _written("}", ""), "is damaged"),
    "a study of another version of the storage": OnceFailed(
        "file",
        STUDY,
        _tables("UPDATE alembic_version SET version_num = 'v0.9.0.a'"),
        "another version of Optuna",
    ),
    "a study with a command to the screen in its text": OnceFailed(
        "file", STUDY, _put(b"CREATE TABLE trials", b"CREATE TABLE \x1brials"), "is damaged"
    ),
}

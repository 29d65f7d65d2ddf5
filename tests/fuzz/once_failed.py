"""Files on which a reader once failed, as the change that did it: `benchmarks.fuzz` found them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

Spoil = Callable[[bytes], bytes]


@dataclass(frozen=True)
class OnceFailed:
    """What was done to a file of one of `benchmarks.fuzz.kinds`, and a part of what must now be said about it."""

    kind: str
    file: str
    spoil: Spoil
    says: str


def _put(old: bytes, new: bytes) -> Spoil:
    def spoil(data: bytes) -> bytes:
        assert old in data
        return data.replace(old, new, 1)

    return spoil


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
    "a quote that separates": OnceFailed("run", "run.csv", lambda data: b'sep="\n' + data, "sep="),
    "separators alone": OnceFailed("run", "run.csv", lambda _: b"\n,,,\n;\n,\n", "unknown column"),
    "commas alone": OnceFailed("run", "run.csv", lambda _: b"\n,,,\n", "nothing but separators"),
    "a matching with a cell without end": OnceFailed(
        "matching", "matching.csv", _put(b"fast", b'"' + b"x" * 200_000), "cannot be read as CSV"
    ),
}

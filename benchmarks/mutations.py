"""Files spoilt at random, from a seed: what editors, spreadsheets, transfers and hands do to text, and worse."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Mapping

Mutation = Callable[[random.Random, bytes], bytes]

NUMBER = re.compile(rb"(?<![\w.])-?\d+(\.\d+)?")
WORD = re.compile(rb"[A-Za-z_][A-Za-z_0-9]*")
NUMBERS = (
    b"0", b"-0.0", b"-1", b"1e308", b"1e309", b"-1e400", b"5e-324", b"1e-300", b"nan", b"-nan", b"inf", b"-inf",
    b"NaN", b"Infinity", b"9" * 30, b"9" * 400, b"1" * 5000, b"1_000", b"0x7fffffff", b"0b11", b"0o17", b"1,5",
    b"1.5.2", b"2147483648", b"-9223372036854775809", b"18446744073709551616", b"true", b'"30"', b"30 m", b"[]", b"{}",
    b"[1, 2]", b"1979-05-27", b"07:32:00", b"1979-05-27T07:32:00Z", b"''", b'""', b"0.0001", b"449.9", b"1000",
    b"999999",
)  # fmt: skip
WORDS = (
    "ü", "µ", "é\u0301", "\u202e", "\u200b", "\ufeff", "\U0001f600", "中文", "\x1b[31m", "\x07", "\x7f", "\u2028",
    "\x85", "\x0b", "\x0c", "\\", "\\u12", "\\ud800", "\\U0010FFFF", "'''", '"""', "=", "[[", "]]", "{", "}", "#", ",",
    ";", "\t", "'", '"', "[a.b.c.d]", "<script>", "{{ 7 * 7 }}", "%s%n", "../../etc/passwd", "/", "..", "CON",
    "a" * 300, "[bold]", "[/]", "[/bold]",
)  # fmt: skip


def byte_flip(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]


def byte_put(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.randbytes(rng.randint(1, 4)) + data[at + rng.choice((0, 1)) :]


def truncation(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] if rng.random() < 0.8 else data[at:]


def line_deleted(rng: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    del lines[rng.randrange(len(lines))]
    return b"\n".join(lines)


def line_twice(rng: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    line = rng.choice(lines)
    lines[rng.randrange(len(lines) + 1) : 0] = [line] * rng.choice((1, 1, 1, 50))
    return b"\n".join(lines)


def lines_swapped(rng: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def _replaced(rng: random.Random, data: bytes, pattern: re.Pattern[bytes], other: bytes) -> bytes:
    found = list(pattern.finditer(data))
    if not found:
        return data + other
    one = rng.choice(found)
    return data[: one.start()] + other + data[one.end() :]


def number(rng: random.Random, data: bytes) -> bytes:
    return _replaced(rng, data, NUMBER, rng.choice(NUMBERS))


def number_scaled(rng: random.Random, data: bytes) -> bytes:
    found = list(NUMBER.finditer(data))
    if not found:
        return data
    one = rng.choice(found)
    value = float(one[0]) * rng.choice((-1, 0.001, 0.01, 0.1, 0.5, 0.9, 1.1, 2, 10, 60, 1 / 60, 1000))
    return data[: one.start()] + f"{value:.6g}".encode() + data[one.end() :]


def numbers_swapped(rng: random.Random, data: bytes) -> bytes:
    return _swapped(rng, data, NUMBER)


def words_swapped(rng: random.Random, data: bytes) -> bytes:
    return _swapped(rng, data, WORD)


def _swapped(rng: random.Random, data: bytes, pattern: re.Pattern[bytes]) -> bytes:
    found = list(pattern.finditer(data))
    if len(found) < 2:
        return data
    a, b = sorted(rng.sample(found, 2), key=lambda each: each.start())
    return data[: a.start()] + b[0] + data[a.end() : b.start()] + a[0] + data[b.end() :]


def word(rng: random.Random, data: bytes) -> bytes:
    return _replaced(rng, data, WORD, rng.choice(WORDS).encode())


def word_put(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(WORDS).encode() + data[at:]


def word_misspelt(rng: random.Random, data: bytes) -> bytes:
    found = list(WORD.finditer(data))
    if not found:
        return data
    one = rng.choice(found)
    letters = list(one[0])
    at = rng.randrange(len(letters))
    letters[at : at + rng.choice((0, 1))] = rng.choice((b"", b"x", b"_", b"E"))
    return data[: one.start()] + bytes(letters) + data[one.end() :]


def nested(rng: random.Random, data: bytes) -> bytes:
    """A value buried in brackets, up to far deeper than any reader recurses."""
    depth = rng.choice((1, 2, 5, 50, 3000, 20000))
    opened, closed = rng.choice(((b"[", b"]"), (b"{ a = ", b" }"), (b'{"a":', b"}")))
    found = list(NUMBER.finditer(data)) or list(WORD.finditer(data))
    if not found:
        return opened * depth + closed * depth
    one = rng.choice(found)
    return data[: one.start()] + opened * depth + one[0] + closed * depth + data[one.end() :]


def table_deep(rng: random.Random, data: bytes) -> bytes:
    """A heading or key of many parts, which makes tables within tables."""
    parts = b".".join([b"a"] * rng.choice((2, 10, 500, 5000)))
    line = rng.choice((b"[" + parts + b"]", b"[[" + parts + b"]]", parts + b" = 1"))
    lines = data.split(b"\n")
    lines.insert(rng.randrange(len(lines) + 1), line)
    return b"\n".join(lines)


def byte_order_mark(rng: random.Random, data: bytes) -> bytes:
    return rng.choice((b"\xef\xbb\xbf", b"\xef\xbb\xbf" * 2, b"\xff\xfe", b"\xfe\xff", b"\x00")) + data


def other_encoding(rng: random.Random, data: bytes) -> bytes:
    text = data.decode("utf-8", errors="replace")
    return text.encode(rng.choice(("utf-16", "utf-16-le", "utf-32", "cp1252", "utf-7")), errors="replace")


def nul(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + b"\x00" * rng.choice((1, 1, 100)) + data[at:]


def line_ends(rng: random.Random, data: bytes) -> bytes:
    return data.replace(
        b"\n", rng.choice((b"\r\n", b"\r", b"\n\n", b"\r\r\n", b"", b"\x0b", b"\xe2\x80\xa8", b"\n "))
    )


def separators(rng: random.Random, data: bytes) -> bytes:
    return data.replace(b",", rng.choice((b";", b"\t", b"|", b" ", b",,", b", ", b'","', b"", b"\x1f")))


def decimal_commas(rng: random.Random, data: bytes) -> bytes:
    return re.sub(rb"(\d)\.(\d)", rb"\1,\2", data)


def separator_announced(rng: random.Random, data: bytes) -> bytes:
    mark = rng.choice((b";", b",", b"\t", b"", b'"', b" ", b"ab", b"\xc3\xa9", b"\r", b"e"))
    return b"sep=" + mark + b"\n" + data


def quotes(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice((b'"', b"'", b'""', b'"""', b"'''")) + data[at:]


def long_line(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data) + 1)
    return (
        data[:at]
        + rng.choice((b"x", b" ", b"9", b",", b'"', b"\n")) * rng.choice((1000, 200_000))
        + data[at:]
    )


def empty(rng: random.Random, data: bytes) -> bytes:
    return rng.choice((b"", b" ", b"\n", b"\n\n\n", b"\xef\xbb\xbf", b"{}", b"[]", b"null", b"compound"))


MUTATIONS: tuple[Mutation, ...] = (
    byte_flip, byte_put, truncation, line_deleted, line_twice, lines_swapped, number, number_scaled, numbers_swapped,
    words_swapped, word, word_put, word_misspelt, nested, table_deep, byte_order_mark, other_encoding, nul, line_ends,
    separators, decimal_commas, separator_announced, quotes, long_line, empty,
)  # fmt: skip
# Those that leave most of a file's meaning get further into the checks, so they come more often.
WEIGHTS = tuple(
    4 if each in (line_deleted, line_twice, number, number_scaled, numbers_swapped, words_swapped, word) else
    0.3 if each in (other_encoding, empty, long_line, byte_order_mark) else 1
    for each in MUTATIONS
)  # fmt: skip


def mutated(rng: random.Random, files: Mapping[str, bytes]) -> tuple[dict[str, bytes], list[str]]:
    """The files with one to four changes in one or two of them, and what was done to which."""
    out, done = dict(files), []
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4))):
        name = rng.choice(sorted(out))
        change = rng.choices(MUTATIONS, WEIGHTS)[0]
        data = out[name]
        out[name] = change(rng, data) if data else rng.randbytes(3)
        done.append(f"{change.__name__} of {name}")
    return out, done

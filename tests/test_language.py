"""Words that docs/nomenclature.md lists as gone are gone, from what a reader of code, screens or documentation sees."""

from __future__ import annotations

import io
import re
import tokenize
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HEADING = "## Words that left"
CODE = [file for folder in ("models", "optimizer") for file in sorted((ROOT / folder).rglob("*.py"))]
TEMPLATES = sorted((ROOT / "optimizer").rglob("*.j2"))
PAGES = [
    ROOT / "README.md",
    *sorted(each for each in (ROOT / "docs").rglob("*.md") if "generated" not in each.parts),
    *sorted(ROOT.glob("scenarios/*/README.md")),
]
TEXTS = {
    tokenize.COMMENT,
    tokenize.STRING,
    getattr(tokenize, "FSTRING_MIDDLE", tokenize.STRING),
}  # Python 3.12 has it
KEY = re.compile(r"""[a-z]*(["'])\w+\1""")  # a string of one word is a key of a document, not prose

ATTRIBUTE = re.compile(r"^ +\w+(, \w+)* : ", re.MULTILINE)  # of a docstring's list


def words_that_left() -> list[str]:
    table = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8").split(HEADING)[1]
    rows = re.findall(r"^\| ([^|]+) \| [^|]+ \|$", table, re.MULTILINE)
    return [word for row in rows if row != "old" for word in row.split(", ")]


# Between the words of a phrase a line may end, also within a comment, a quotation or a string.
BREAK = r"""[\s#>"]+"""
PATTERN = re.compile(
    "|".join(rf"\b{BREAK.join(map(re.escape, each.split()))}\b" for each in words_that_left()), re.IGNORECASE
)


def texts_of_code(source: str) -> str:
    """Comments and strings of a module, each on the line it begins on; names in code and keys are left out."""
    lines = [""] * (source.count("\n") + 2)
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type in TEXTS and not KEY.fullmatch(token.string):
            text = re.sub(ATTRIBUTE, "", token.string)
            if re.match(r"r?f", token.string):
                text = re.sub(r"\{[^{}]*\}", "", text)
            for number, part in enumerate(text.split("\n"), token.start[0]):
                lines[number - 1] += part + " "
    return "\n".join(lines)


def texts_of_template(source: str) -> str:
    """A template without its expressions, statements and names of classes."""
    return re.sub(
        r"\{\{.*?\}\}|\{%.*?%\}|class=\"[^\"]*\"", lambda m: "\n" * m[0].count("\n"), source, flags=re.DOTALL
    )


def texts_of_page(source: str) -> str:
    """A page without names in backticks and without the table of words."""
    return re.sub(r"`[^`\n]+`", "", source.split(HEADING)[0])


def found(text: str) -> Iterator[tuple[int, str]]:
    for match in PATTERN.finditer(text):
        yield text.count("\n", 0, match.start()) + 1, " ".join(match[0].split())


@pytest.mark.parametrize(
    ("files", "texts_of"),
    [(CODE, texts_of_code), (TEMPLATES, texts_of_template), (PAGES, texts_of_page)],
    ids=["code", "templates", "pages"],
)
def test_words_that_left_are_gone(files: list[Path], texts_of: Callable[[str], str]) -> None:
    assert files
    lines = [
        f"{file.relative_to(ROOT)}:{line}: {word}"
        for file in files
        for line, word in found(texts_of(file.read_text(encoding="utf-8")))
    ]
    assert not lines, "docs/nomenclature.md says what to write instead:\n" + "\n".join(lines)


def test_words_are_found_where_they_are_read() -> None:
    code = 'x = wish["wish"]  # a wish\ny = f"{x} is fast on "\n# so\n# on\n# paper\n"""No\nWISHES."""\n'
    assert list(found(texts_of_code(code))) == [(1, "wish"), (4, "on # paper"), (7, "WISHES")]
    assert list(found(texts_of_template('<p class="wish">{{ wish }}{% if\nwish %} Wish</p>'))) == [
        (2, "Wish")
    ]
    assert list(found(texts_of_page("`wishes` unwished\non\npaper\n" + HEADING + " wish"))) == [
        (2, "on paper")
    ]

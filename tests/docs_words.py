"""Words and sentences of the documentation that are written by hand (`python -m tests.docs_words` prints them).

Not counted: blocks of code, equations, tables that `make keys` writes, rows that stand in benchmarks/RESULTS.md. Names
in backticks and formulas in a line count as one word. Sentences are those of paragraphs, lists and cells of tables. In
cells a semicolon ends one; the average is taken without them, since they are fragments, and without notes with sources.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from tests.key_tables import BLOCK

ROOT = Path(__file__).parents[1]
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted(each for each in (ROOT / "docs").rglob("*.md") if "generated" not in each.parts),
]
FENCE = re.compile(r"^(`{3,}|:{3,})[^\n]*\n(.*?)^\1\s*$", re.MULTILINE | re.DOTALL)
# Between sentences; an initial or an abbreviation ends none.
END = re.compile(r"(?<![\s(][A-Z]\.)(?<![Cc]hem\.)(?<!e\.g\.)(?<=[.!?])[\"')*]*\s+(?=[\"'(*]*[A-Z\d])")
ITEM = re.compile(r"^\s*(?:[-*]|\d+\.)\s+", re.MULTILINE)


@dataclass(frozen=True)
class Measured:
    """A page: its words, the sentences of its prose and those of its cells."""

    page: str
    words: int
    prose: list[str]
    cells: list[str]

    @property
    def longest(self) -> int:
        return max((words_in(each) for each in [*self.prose, *self.cells]), default=0)

    @property
    def average(self) -> float:
        return sum(map(words_in, self.prose)) / max(len(self.prose), 1)


def words_in(text: str) -> int:
    """Words: what has a letter or a digit in it."""
    return len(re.findall(r"\S*\w\S*", text))


def written_in(text: str) -> int:
    """Words of a page: what has a letter in it, so that figures in tables are none."""
    return len(re.findall(r"\S*[^\W\d_]\S*", text))


def plain(text: str, results: frozenset[str]) -> str:
    """A page without what is not written by hand, and without marks."""
    text = BLOCK.sub("", text)
    text = FENCE.sub(lambda block: "" if block[1].startswith("`") else f"\n{block[2]}\n", text)
    text = re.sub(r"\$\$.*?\$\$|<!--.*?-->|^---\n.*?\n---\n", "", text, flags=re.DOTALL)
    text = "\n".join(line for line in text.split("\n") if line not in results)
    text = re.sub(r"^:\w[\w-]*:.*$|^\{[^}\n]*\}$", "", text, flags=re.MULTILINE)
    text = re.sub(r"`[^`\n]+`|\$[^$\n]+\$", "Code", text)
    return re.sub(r"!?\[([^\]]*)\]\([^)]*\)|\[\^\w+\](?!:)", r"\1", text)


def measured(name: str, text: str, results: frozenset[str] = frozenset()) -> Measured:
    text = plain(text, results)
    prose: list[str] = []
    cells: list[str] = []
    for block in re.split(r"\n\s*\n", text):
        rows = [line for line in block.split("\n") if line.lstrip().startswith("|")]
        cells += [part for row in rows for cell in re.split(r"[|;]", row) for part in END.split(cell)]
        rest = "\n".join(line for line in block.split("\n") if not line.lstrip().startswith(("|", "#")))
        if rest.startswith("[^"):
            continue
        for part in ITEM.split(rest):
            prose += [each for each in END.split(" ".join(part.split())) if words_in(each)]
    return Measured(name, written_in(re.sub(r"[|#*-]", " ", text)), prose, cells)


def of_pages() -> list[Measured]:
    """Every page that is written by hand."""
    rows = (ROOT / "benchmarks" / "RESULTS.md").read_text(encoding="utf-8").split("\n")
    results = frozenset(row for row in rows if row.startswith("|") and re.search(r"\d", row))
    return [
        measured(str(page.relative_to(ROOT)), page.read_text(encoding="utf-8"), results) for page in PAGES
    ]


def main() -> None:
    """Print the figures."""
    pages = of_pages()
    for each in pages:
        print(f"{each.page:32} {each.words:6} words, {each.average:5.1f} a sentence, longest {each.longest}")
    prose = [sentence for each in pages for sentence in each.prose]
    average = sum(map(words_in, prose)) / len(prose)
    print(f"{'all':32} {sum(each.words for each in pages):6} words, {average:5.1f} a sentence")


if __name__ == "__main__":
    main()

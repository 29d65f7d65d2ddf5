"""The documentation stays short: words written by hand, sentences, how-to pages; and its links lead somewhere."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import unquote

import pytest

from tests.docs_words import FENCE, PAGES, ROOT, Measured, measured, of_pages, words_in

WORDS, LONGEST, AVERAGE, HOW_TO = 20_000, 25, 15, 300
LINK = re.compile(r"\]\(([^)\s]+)\)")


@pytest.fixture(scope="module")
def pages() -> list[Measured]:
    return of_pages()


def test_words_written_by_hand(pages: list[Measured]) -> None:
    assert len(pages) > 30
    assert sum(page.words for page in pages) <= WORDS


def test_sentences_are_short(pages: list[Measured]) -> None:
    long = [
        f"{page.page}: {words_in(each)} words: {each.strip()[:90]}"
        for page in pages
        for each in (*page.prose, *page.cells)
        if words_in(each) > LONGEST
    ]
    assert not long, "\n".join(long)
    sentences = [each for page in pages for each in page.prose]
    assert len(sentences) > 500
    assert sum(map(words_in, sentences)) / len(sentences) <= AVERAGE


def test_how_to_pages_are_short(pages: list[Measured]) -> None:
    how_to = {page.page: page.words for page in pages if page.page.startswith("docs/howto/")}
    assert len(how_to) >= 12
    assert {page: words for page, words in how_to.items() if words > HOW_TO} == {}


def test_what_is_counted() -> None:
    page = """# A head

One two `three four` and [five](x.md) at 1 °C. Six: J. Chem. 58 has $a + b$[^note] of 3!
Then more.

- An item that
  goes on
- another

| key | meaning |
|---|---|
| `a` | one; two of them |

```text
not counted
```

$$
neither = 1
$$

[^note]: Some Source, 1999.
"""
    found = measured("x", page)
    assert [words_in(each) for each in found.prose] == [8, 8, 2, 5, 1]
    assert found.longest == 8
    assert found.words == 2 + 7 + 6 + 2 + 5 + 1 + 2 + 5 + 3


def anchors(page: Path) -> set[str]:
    """The anchors of a page's headings, as the site and most viewers make them."""
    heads = re.findall(r"(?m)^#{1,6} (.+)$", FENCE.sub("", page.read_text(encoding="utf-8")))
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize(
    "page",
    [*PAGES, *sorted(ROOT.glob("scenarios/*/README.md"))],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_links_lead_somewhere(page: Path) -> None:
    """Files and anchors within the project; the site's build holds what only it knows."""
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    broken = []
    for link in LINK.findall(text):
        if re.match(r"\w+:", link):
            continue
        name, _, anchor = unquote(link).partition("#")
        target = page if not name else page.parent / name
        if "generated" in target.parts:
            continue
        if not target.exists() or (anchor and anchor not in anchors(target)):
            broken.append(link)
    assert broken == []

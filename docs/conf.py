"""How the documentation becomes a site: Sphinx with MyST, equations as MathML, everything offline (`make docs`)."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

from docutils import nodes
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.application import Sphinx
from sphinx.writers.html5 import HTML5Translator

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "optimizer" / "package")]

import optimizer  # noqa: E402

project = "rampwright"
version = release = optimizer.__version__
copyright = "the authors of rampwright, MIT licence"
extensions = ["myst_parser", "sphinx.ext.autodoc"]
exclude_patterns = ["generated"]  # included by pages, not pages themselves
smartquotes = False
highlight_language = "none"
nitpicky = True
nitpick_ignore_regex = [("py:.*", ".*")]  # types of other packages, whose documentation is not fetched

myst_enable_extensions = ["dollarmath", "colon_fence", "attrs_block", "attrs_inline"]
myst_heading_anchors = 4
myst_dmath_double_inline = True

html_theme = "furo"
html_title = "rampwright"
html_show_sphinx = False
html_show_copyright = False
html_static_path = ["static"]
html_css_files = ["site.css"]
html_theme_options = {"navigation_with_keys": True, "light_logo": "", "dark_logo": ""}
html_copy_source = False
html_math_renderer = "offline"

autodoc_member_order = "bysource"
autodoc_typehints = "description"
autodoc_typehints_description_target = "documented"
default_role = "code"


def inline_math(writer: HTML5Translator, node: nodes.math) -> None:
    """An equation in a line, as MathML."""
    writer.body.append(tex2mathml(node.astext()))
    raise nodes.SkipNode


def block_math(writer: HTML5Translator, node: nodes.math_block) -> None:
    """An equation of its own, as MathML in a box that scrolls."""
    text = node.astext()
    if "\\\\" in text:
        text = rf"\begin{{aligned}}{text}\end{{aligned}}"
    writer.body.append(f'<div class="equation">{tex2mathml(text, as_block=True)}</div>\n')
    raise nodes.SkipNode


SECTION = re.compile(r"^(Parameters|Attributes|Raises|Returns)\n-{3,}\n", re.MULTILINE)
ENTRY = re.compile(r"^(\S[^\n:]*?) : ", re.MULTILINE)
FIELD = {"Parameters": "param", "Attributes": "ivar", "Raises": "raises"}


def as_fields(docstring: str) -> str:
    """The lists of a docstring, `name : what it is` under underlined heads, as Sphinx's own fields."""
    head, *parts = SECTION.split(docstring)
    text = head
    for kind, body in zip(parts[::2], parts[1::2], strict=True):
        if kind == "Returns":
            text += "\n:returns: " + " ".join(body.split()) + "\n"
        else:
            text += "\n" + ENTRY.sub(lambda entry, kind=kind: f":{FIELD[kind]} {entry[1]}: ", body)
    return text


def on_docstring(app: Sphinx, what: str, name: str, found: object, options: Any, lines: list[str]) -> None:
    """Autodoc's hook."""
    lines[:] = as_fields("\n".join(lines)).split("\n")


def list_external(app: Sphinx, failed: Exception | None) -> None:
    """Links to elsewhere, which no build can check, into external_links.txt."""
    found: dict[str, set[str]] = {}
    for name in sorted(app.env.found_docs) if failed is None else ():
        for node in app.env.get_doctree(name).findall(nodes.reference):
            if re.match("https?:", node.get("refuri", "")):
                found.setdefault(node["refuri"], set()).add(name)
    lines = [f"{address}  ({', '.join(sorted(pages))})\n" for address, pages in sorted(found.items())]
    (Path(app.outdir) / "external_links.txt").write_text("".join(lines) or "none\n", encoding="utf-8")


def setup(app: Sphinx) -> None:
    app.add_html_math_renderer("offline", (inline_math, None), (block_math, None))
    app.connect("autodoc-process-docstring", on_docstring)
    app.connect("build-finished", list_external)

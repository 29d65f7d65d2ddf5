"""Self-contained pages from the templates beside this module: no script, nothing fetched, every text escaped."""

from __future__ import annotations

from importlib.resources import files as resource_files
from typing import Any

import numpy as np


def page(template: str, **values: Any) -> str:
    """A template filled in; pages share `page_style.html.j2` and the macros of `page_parts.html.j2`."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(_source),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["number"] = number_text
    return environment.get_template(template).render(**values)


def _source(name: str) -> str:
    return (resource_files("optimizer") / name).read_text(encoding="utf-8")


def number_text(value: float | None, form: str) -> str:
    """A number in a form, a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "–"
    text = format(value, form)
    return text if float(text) else format(0.0, form)  # no minus before a zero

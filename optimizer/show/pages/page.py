"""Self-contained pages from the templates beside this module: nothing fetched, every text escaped, and no style or
script obeyed but those named here by their hash."""

from __future__ import annotations

import re
from base64 import b64encode
from hashlib import sha256
from importlib.resources import files as resource_files
from typing import Any

import numpy as np

from optimizer.base.numbers import MINUTES, RESOLUTION, SAMPLES, percent

STYLE = "page_style.css"


def page(template: str, script: str | None = None, **values: Any) -> str:
    """A template filled in; pages share a frame, `STYLE` and the macros of `page_parts.html.j2`.

    `script` names a file beside this module that the page runs.
    """
    from jinja2 import Environment, FunctionLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FunctionLoader(_source),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "number": number_text,
        "minutes": MINUTES.text,
        "resolution": RESOLUTION.text,
        "samples": SAMPLES.text,
        "percent": percent,
        "options": _with_options,
    }
    # Of the filter tojson, which also escapes what could end a script element.
    environment.policies["json.dumps_kwargs"] = {
        "separators": (",", ":"),
        "ensure_ascii": False,
        "allow_nan": False,
    }
    style, code = _source(STYLE), None if script is None else _source(script)
    return environment.get_template(template).render(
        style=Markup(style),
        script=None if code is None else Markup(code),
        policy=Markup(content_policy(style, code)),
        **values,
    )


def content_policy(style: str, script: str | None) -> str:
    """What a page may do: show its own pictures, obey this style and run this script, and nothing else."""
    rules = ["default-src 'none'", "img-src data:", f"style-src {_hashed(style)}"]
    if script is not None:
        rules.append(f"script-src {_hashed(script)}")
    return "; ".join([*rules, "base-uri 'none'", "form-action 'none'"])


def _with_options(text: str) -> str:
    """A text in which no line ends behind the dashes of an option, as markup."""
    from markupsafe import Markup, escape

    return Markup(re.sub(r"--[a-z][\w-]*", r'<span class="option">\g<0></span>', str(escape(text))))


def _hashed(source: str) -> str:
    return f"'sha256-{b64encode(sha256(source.encode()).digest()).decode()}'"


def _source(name: str) -> str:
    return (resource_files("optimizer.show.pages") / name).read_text(encoding="utf-8")


def number_text(value: float | None, form: str) -> str:
    """A number in a form, a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "–"
    text = format(value, form)
    return text if float(text) else format(0.0, form)  # no minus before a zero

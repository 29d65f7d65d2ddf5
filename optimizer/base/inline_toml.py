"""Values of a document as inline TOML, as a scenario or a program file holds them."""

from __future__ import annotations

from typing import Any


def inline_toml(value: Any) -> str:
    """Tables, lists, numbers and text on one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {inline_toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(inline_toml(each) for each in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value:.10g}"

"""Keys and values as files have them: `column.length_m = 30` for messages, and inline TOML."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from optimizer.base.tables import written

Place = tuple[str | int, ...]


@dataclass(frozen=True)
class Written:
    """How the person wrote a pressure that is not in kPa."""

    key: str
    unit: str
    value: Any


class Given:
    """What a file gives for each of its keys, its own words first, then the defaults.

    Parameters
    ----------
    table : as read
    tree : what the file holds, pressures in kPa
    spelled : the pressures it has in other units, by dotted key in kPa
    ambient_pressure : float  [Pa absolute], to which its gauge pressures refer
    """

    def __init__(
        self, table: Any, tree: dict[str, Any], spelled: Mapping[str, Written], ambient_pressure: float
    ) -> None:
        self._stated = dict(_leaves(tree, ()))
        self._all = dict(_leaves(written(table, ambient_pressure), ())) | self._stated
        self._spelled = spelled

    def stated(self, key: str) -> bool:
        """Whether the file itself has a key, or anything inside it."""
        return any(each == key or each.startswith((f"{key}.", f"{key}[")) for each in self._stated)

    def number(self, key: str) -> float | None:
        """The number the file itself has for a key in the key's own unit; None if it has none, or in another unit."""
        value = None if key in self._spelled else self._stated.get(key)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    def unit(self, key: str) -> str:
        """The unit in which the file has a pressure."""
        return self._spelled[key].unit if key in self._spelled else "kPa"

    def value(self, key: str) -> str:
        """The value of a key as the file has it."""
        return shown(self._spelled[key].value if key in self._spelled else self._all[key])

    def short(self, key: str) -> str:
        """The last part of a key and its value: `to_C = 40`."""
        name = self._spelled[key].key if key in self._spelled else key.rpartition(".")[2]
        return f"{name} = {self.value(key)}"

    def __call__(self, key: str) -> str:
        """A key and its value: `oven.ramps[1].to_C = 40`."""
        table, dot, _ = key.rpartition(".")
        return f"{table}{dot}{self.short(key)}"


def dotted(place: Sequence[str | int]) -> str:
    """The key as messages write it, lists counted from one."""
    text = ""
    for step in place:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else step
    return text.replace("\n", "\\n")


def shown(value: Any) -> str:
    """A value as a file has it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'.replace("\n", "\\n")
    if isinstance(value, list):
        return f"[{', '.join(map(shown, value))}]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _leaves(node: Any, place: Place) -> Iterator[tuple[str, Any]]:
    """Every value by its dotted key; lists of values as a whole, too."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _leaves(value, (*place, key))
        return
    yield dotted(place), node
    if isinstance(node, list):
        for number, each in enumerate(node):
            yield from _leaves(each, (*place, number))


def inline_toml(value: Any) -> str:
    """Tables, lists, numbers and text on one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {inline_toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(inline_toml(each) for each in value) + "]"
    if isinstance(value, int):  # one of any size
        return str(value).lower()
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else f"{value:.10g}"

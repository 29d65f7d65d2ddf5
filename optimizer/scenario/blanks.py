"""Values of a blank scenario that nobody has filled in yet: what each of them is, line by line."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic.fields import FieldInfo

from optimizer.base.quantities import Quantity
from optimizer.base.tables import keys_of, tables_in

BLANK = "fill in"
BLANKS_REMAIN = f'replace each "{BLANK}" by a value; a number stands without quotes'
DEEPEST = 20  # levels of lists and tables; what recurses must end
_ASSIGNMENT = re.compile(rf'^\s*(?P<key>\w+)\s*=\s*"{BLANK}"\s*(?:#\s*(?P<comment>.*))?$')


def blank_lines(text: str, raw: dict[str, Any], schema: type) -> list[str]:
    """One line for each blank value: where it stands, what its comment says, and what is expected; none without any.

    Parameters
    ----------
    text, raw : the file, and what it holds
    """
    written = [
        (number, found["key"], found["comment"] or "")
        for number, line in enumerate(text.split("\n"), 1)
        if (found := _ASSIGNMENT.match(line))
    ]
    lines = []
    for key, field in _blanks(raw, schema, "", 0):
        at = next((each for each in written if each[1] == key.rpartition(".")[2]), None)
        where, said = "", ""
        if at is not None:
            written.remove(at)
            where, said = f"line {at[0]}: ", at[2]
        about = "; ".join(part for part in (said, _expected(field)) if part)
        lines.append(f"  {where}{key}" + (f": {about}" if about else ""))
    return lines


def _blanks(node: Any, schema: type | None, key: str, depth: int) -> Iterator[tuple[str, FieldInfo | None]]:
    """The dotted key and the field of each blank value, in order."""
    if depth > DEEPEST or not isinstance(node, dict | list):
        return
    if isinstance(node, list):
        for number, each in enumerate(node, 1):
            yield from _blanks(each, schema, f"{key}[{number}]", depth + 1)
        return
    for name, value in node.items():
        field = None if schema is None else keys_of(schema).get(name)
        place = f"{key}.{name}" if key else name
        if value == BLANK:
            yield place, field
        else:
            yield from _blanks(
                value, _table_of(None if field is None else field.annotation), place, depth + 1
            )


def _table_of(annotation: Any) -> type | None:
    """The only kind of table an annotation allows, alone or in a list; None where there is none, or a choice."""
    found = tables_in(annotation)
    return found[0] if len(found) == 1 else None


def _expected(field: FieldInfo | None) -> str:
    """The values a key may have, in words; empty where there is nothing to say."""
    if field is None:
        return ""
    for each in _parts(Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation):
        if isinstance(each, Quantity):
            return f"{each.low:g} to {each.high:g} {each.unit.text}".rstrip()
        if get_origin(each) is Literal:
            return "one of " + ", ".join(f'"{choice}"' for choice in get_args(each))
    return "text in quotes" if field.annotation is str else ""


def _parts(annotation: Any) -> Iterator[Any]:
    """An annotation and everything inside it."""
    yield annotation
    if get_origin(annotation) is not Literal:
        for each in get_args(annotation):
            yield from _parts(each)

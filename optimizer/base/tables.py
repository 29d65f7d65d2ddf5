"""What every declared table of a scenario has in common: its keys, and reading and writing it; and writing results.

A table is a frozen dataclass in SI units. The type of a field is one of `quantities`, its key in a file the
field's alias, and its meaning in the reference the string below the field: all else follows from these. A result is
declared alike, but need not be read, so that whatever has a key is written: fields and properties.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Iterator, Sequence
from functools import cache, cached_property
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from pydantic import ConfigDict, Field, TypeAdapter
from pydantic.fields import FieldInfo

from optimizer.base.numbers import NONE, Rounded
from optimizer.base.quantities import Quantity, Unit

T = TypeVar("T")


class Table:
    """Base of all tables: unknown keys are errors."""

    __pydantic_config__ = ConfigDict(extra="forbid")


def key(name: str | None = None, expected: str = "", unless_stated: str = "") -> Any:
    """How a file writes a field, whose meaning is the string below it.

    Parameters
    ----------
    name : its key; that of the field when None
    expected, unless_stated : what the reference says of its values and its default where the type says too little
    """
    said = {"x-range": expected, "x-default": unless_stated}
    return Field(alias=name, json_schema_extra={k: v for k, v in said.items() if v})


def whole(low: int, high: int) -> Any:
    """A whole number within a range."""
    return Field(strict=True, ge=low, le=high)


@cache
def keys_of(table: type) -> dict[str, FieldInfo]:
    """The fields of a table by their keys."""
    hints = get_type_hints(table, include_extras=True)
    fields = {each.name: FieldInfo.from_annotation(hints[each.name]) for each in dataclasses.fields(table)}
    return {info.alias or name: info for name, info in fields.items()}


def unit_of(table: type, field: str) -> tuple[str, Unit]:
    """The key of a field that holds a quantity, and its unit."""
    keys = dict(zip((each.name for each in dataclasses.fields(table)), keys_of(table).items(), strict=True))
    key, info = keys[field]
    return key, next(each.unit for each in info.metadata if isinstance(each, Quantity))


def quantity_in(info: FieldInfo) -> Quantity | None:
    """The quantity a key holds, if it holds one."""
    declared = Annotated[info.annotation, *info.metadata] if info.metadata else info.annotation
    return next((each for each in parts_of(declared) if isinstance(each, Quantity)), None)


def parts_of(annotation: Any) -> Iterator[Any]:
    """An annotation and everything inside it, but for the choices of a literal."""
    yield annotation
    if get_origin(annotation) is not Literal:
        for each in get_args(annotation):
            yield from parts_of(each)


def tables_in(annotation: Any) -> list[type]:
    """The tables that an annotation allows, alone or in a list."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return [annotation]
    return [table for each in get_args(annotation) for table in tables_in(each)]


def every_table(table: type) -> Iterator[type]:
    """A table and all that its keys hold."""
    yield table
    for info in keys_of(table).values():
        for each in tables_in(info.annotation):
            yield from every_table(each)


@cache
def _adapter(table: Any) -> TypeAdapter[Any]:
    """pydantic's reader and writer of a table."""
    return TypeAdapter(table)


def read_table(table: type[T], tree: Any, ambient_pressure: float) -> T:
    """A table in SI from keys in trade units; `ambient_pressure` [Pa] is what gauge pressures refer to.

    Raises
    ------
    pydantic.ValidationError : for keys, values and units; `scenario_messages` words it
    """
    found: T = _adapter(table).validate_python(  # type: ignore[arg-type]  # classes are hashable
        tree, context={"ambient_pressure": ambient_pressure}
    )
    return found


def written(table: Any, ambient_pressure: float | None = None) -> dict[str, Any]:
    """A table as a file has it: every key in trade units, None where it has no value."""
    context = None if ambient_pressure is None else {"ambient_pressure": ambient_pressure}
    document: dict[str, Any] = _adapter(type(table)).dump_python(  # type: ignore[arg-type]
        table, mode="json", by_alias=True, context=context
    )
    return document


BESIDE = ""  # the key of a part whose keys stand beside those of what it is a part of


@dataclasses.dataclass(frozen=True)
class WrittenBy:
    """In the annotation of a part of a result: a function of it and of the room's pressure [Pa] that writes it."""

    written: Callable[[Any, float], Any]


class Heading(str):
    """In the annotation of a field: the heading of its column where people read a table of such results."""


OR_NULL = WrittenBy(lambda value, _: value or None)  # null where it is empty


@cache
def declared_in(result: type) -> list[tuple[str, str, str, Rounded | WrittenBy | None]]:
    """What is written of a result: attribute, key, heading, and how, where that does not follow from its type."""
    hints = get_type_hints(result, include_extras=True)
    for base in reversed(result.__mro__):
        for name, member in vars(base).items():
            if isinstance(member, property | cached_property):
                getter = member.fget if isinstance(member, property) else member.func
                hints[name] = get_type_hints(getter, include_extras=True).get("return")
    found = []
    for name, hint in hints.items():
        said = getattr(hint, "__metadata__", ())
        info = next((each for each in said if isinstance(each, FieldInfo)), None)
        if info is not None:
            how = next((each for each in said if isinstance(each, Rounded | WrittenBy)), None)
            heading = next((each for each in said if isinstance(each, Heading)), "")
            found.append((name, name if info.alias is None else info.alias, heading, how))
    return found


def document_of(result: Any, ambient_pressure: float) -> dict[str, Any]:
    """A result as JSON has it: all that is declared with a `key`, in trade units, None where there is no value.

    Parameters
    ----------
    result : a dataclass or named tuple; numbers in SI with `Rounded` in their annotations
    ambient_pressure : float  [Pa absolute], to which gauge pressures refer
    """
    document: dict[str, Any] = {}
    for attribute, name, _, how in declared_in(type(result)):  # type: ignore[arg-type]  # classes are hashable
        value = _document_value(getattr(result, attribute), how, ambient_pressure)
        document |= value if name == BESIDE else {name: value}
    return document


def _document_value(value: Any, how: Rounded | WrittenBy | None, ambient_pressure: float) -> Any:
    if value is None:
        return None
    if isinstance(how, WrittenBy):
        return how.written(value, ambient_pressure)
    if dataclasses.is_dataclass(value) or hasattr(value, "_fields"):
        return document_of(value, ambient_pressure)
    if isinstance(value, dict):
        return {name: _document_value(each, how, ambient_pressure) for name, each in value.items()}
    if isinstance(value, tuple):
        return [_document_value(each, how, ambient_pressure) for each in value]
    return value if how is None else how.written(value, ambient_pressure)


class Shown:
    """A result's declared numbers as text, the same on every screen: `Shown(result).run_time` is "12.35"."""

    def __init__(self, result: Any) -> None:
        declared = declared_in(type(result))  # type: ignore[arg-type]  # classes are hashable
        self._result = result
        self._how = {name: how for name, *_, how in declared if isinstance(how, Rounded)}

    def __getattr__(self, name: str) -> str:
        return self._how[name].text(getattr(self._result, name))


def table_of(records: Sequence[Any], without: Collection[str] = ()) -> tuple[list[str], list[list[str]]]:
    """Records of one kind as a table for people: what has a `Heading`, but for what is known of none.

    Parameters
    ----------
    without : attributes that are left out as well
    """
    declared = declared_in(type(records[0])) if records else []  # type: ignore[arg-type]  # classes are hashable
    columns = [
        (heading, [_cell(getattr(each, name), how) for each in records])
        for name, _, heading, how in declared
        if heading and name not in without
    ]
    known = [(heading, texts) for heading, texts in columns if set(texts) != {NONE}]
    rows = zip(*(texts for _, texts in known), strict=True)
    return [heading for heading, _ in known], [list(row) for row in rows]


def _cell(value: Any, how: Rounded | WrittenBy | None) -> str:
    return how.text(value) if isinstance(how, Rounded) else str(value)

"""Declared tables as a JSON Schema, in trade units, for editors and for the pages of the reference."""

from __future__ import annotations

import ast
import inspect
from dataclasses import fields
from itertools import pairwise
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import SchemaSerializer

from models.units import REFERENCE_PRESSURE
from optimizer.base.quantities import KPA_PER
from optimizer.base.tables import every_table, keys_of

Node = dict[str, Any]
DRAFT = "http://json-schema.org/draft-07/schema#"


class _InTradeUnits(GenerateJsonSchema):
    """What a TOML file may hold: nothing is null there, tables have keys, and defaults are in the keys' units."""

    def nullable_schema(self, schema: Any) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: Any) -> JsonSchemaValue:
        node, default = self.generate_inner(schema["schema"]), schema.get("default")
        if default is None or default == () or hasattr(default, "__dataclass_fields__"):
            return node
        value = SchemaSerializer(schema["schema"]).to_python(
            default, mode="json", by_alias=True, context={"ambient_pressure": REFERENCE_PRESSURE}
        )
        whole = isinstance(value, float) and value.is_integer()
        return {**node, "default": int(value) if whole else value}

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def json_schema(table: type) -> Node:
    """The JSON Schema of a file that holds this table; pressures may stand in psi and bar as well."""
    schema = TypeAdapter(table).json_schema(by_alias=True, schema_generator=_InTradeUnits)
    definitions = {table.__name__: schema, **schema.get("$defs", {})}
    for each in definitions.values():
        each.pop("description", None)  # of a class, for readers of code; not every pydantic has it
        _tidy(each)
    for declared in set(every_table(table)):
        for key, meaning in _meanings(declared).items():
            definitions[declared.__name__]["properties"][key]["description"] = meaning
    for each in definitions.values():
        _with_other_pressures(each)
    return {"$schema": DRAFT, **schema}


def _meanings(table: type) -> dict[str, str]:
    """The strings below the fields of a table, by key."""
    (body,) = (
        each.body for each in ast.parse(inspect.getsource(table)).body if isinstance(each, ast.ClassDef)
    )
    below = {
        field.target.id: " ".join(str(string.value.value).split())
        for field, string in pairwise(body)
        if isinstance(field, ast.AnnAssign)
        and isinstance(field.target, ast.Name)
        and isinstance(string, ast.Expr)
        and isinstance(string.value, ast.Constant)
    }
    names = [each.name for each in fields(table)]
    return {key: below[name] for name, key in zip(names, keys_of(table), strict=True) if name in below}


def _tidy(node: Any) -> None:
    """Leave out what says nothing to an editor: titles of classes, patterns of unseen characters, an `allOf` of one."""
    if isinstance(node, list):
        for each in node:
            _tidy(each)
    elif isinstance(node, dict):
        for key in ("title", "pattern", "discriminator"):
            node.pop(key, None)
        if "const" in node:
            node.pop("enum", None)
        if len(node.get("allOf", ())) == 1:
            node.update(node.pop("allOf")[0])
        for key, each in node.items():
            for inner in each.values() if key in ("properties", "$defs") else (each,):
                _tidy(inner)


def _with_other_pressures(node: Node) -> None:
    """Each pressure key a second and third time, in psi and bar; one of the three is enough where it is required."""
    keys, required = node.get("properties", {}), node.get("required", [])
    for key in [each for each in keys if "kPa" in each]:
        spellings = [key]
        for unit, kPa in KPA_PER.items():
            spellings.append(key.replace("kPa", unit))
            keys[spellings[-1]] = {
                name: round(value / kPa, 6)
                if name in ("minimum", "maximum", "default")
                else value.replace("kPa", unit)
                if name == "x-unit"
                else value
                for name, value in keys[key].items()
            }
        if key in required:
            required.remove(key)
            node.setdefault("allOf", []).append({"oneOf": [{"required": [each]} for each in spellings]})

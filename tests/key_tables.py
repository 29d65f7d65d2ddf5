"""What is made from the declarations: the key tables of the documentation and the schema for editors.

`make keys` writes them; `test_key_tables` holds them current.
"""

from __future__ import annotations

import ast
import inspect
import json
import re
from dataclasses import fields
from itertools import pairwise
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import SchemaSerializer

from models.units import REFERENCE_PRESSURE
from optimizer.app.shipped_scenarios import SCHEMA
from optimizer.base.numbers import Rounded
from optimizer.base.quantities import KPA_PER
from optimizer.base.tables import BESIDE, declared_in, every_table, keys_of
from optimizer.goal.asides import AnotherRun, NotMet
from optimizer.goal.outcome import Candidate, FrontPoint, InUse, Prediction, WhatIf
from optimizer.goal.reliability import Moved, Reliability, SetPointTolerance, Source
from optimizer.goal.shared_cause import Cause, Causes
from optimizer.goal.split import ChosenSplit
from optimizer.methods.compare import ComparedPair, Comparison, FoundRequirement
from optimizer.methods.scout import Critical
from optimizer.methods.scout_programs import FirstRun
from optimizer.methods.sweep_axes import AsItIs, Gives
from optimizer.results.compare import (
    ComparedPeak,
    CompareResult,
    ExpectedByFit,
    RefitResult,
    SmallestResolution,
    WrongName,
)
from optimizer.results.detector import DetectorSettings
from optimizer.results.peaks import FoundPeak, SearchedTrace
from optimizer.results.prediction import PredictedPeak
from optimizer.runs.peak_tables import PeakRow
from optimizer.scenario.schema import ScenarioTable
from tests.unit_slips import unseen_slips

Node = dict[str, Any]
DRAFT = "http://json-schema.org/draft-07/schema#"
PAGES = tuple(Path(__file__).parent.parent / "docs" / name for name in ("scenario.md", "results.md"))
BLOCK = re.compile(r"(<!-- keys of (\w+) -->\n).*?(<!-- end -->)", re.S)
KEYS = ("key", "range", "default", "meaning")
RESULTS = {
    each.__name__: each
    for each in (
        *(
            AnotherRun,
            AsItIs,
            ChosenSplit,
            DetectorSettings,
            Candidate,
            Cause,
            Causes,
            CompareResult,
            ComparedPair,
            ComparedPeak,
            Critical,
            ExpectedByFit,
        ),
        *(
            FirstRun,
            FoundPeak,
            FoundRequirement,
            FrontPoint,
            Gives,
            InUse,
            Moved,
            NotMet,
            PredictedPeak,
        ),
        *(
            RefitResult,
            Reliability,
            SearchedTrace,
            SetPointTolerance,
            SmallestResolution,
            Source,
            WhatIf,
        ),
        WrongName,
    )
}
# What is written beside the keys of a result and belongs into its table.
WITHIN = {
    (Candidate, "prediction"): Prediction,
    (CompareResult, "comparison"): Comparison,
}


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
    below = _below_fields(table)
    names = [each.name for each in fields(table)]
    return {key: below[name] for name, key in zip(names, keys_of(table), strict=True) if name in below}


def _below_fields(table: type) -> dict[str, str]:
    """The strings below the fields of a class."""
    (body,) = (
        each.body for each in ast.parse(inspect.getsource(table)).body if isinstance(each, ast.ClassDef)
    )
    return {
        field.target.id: " ".join(str(string.value.value).split())
        for field, string in pairwise(body)
        if isinstance(field, ast.AnnAssign)
        and isinstance(field.target, ast.Name)
        and isinstance(string, ast.Expr)
        and isinstance(string.value, ast.Constant)
    }


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


def schema_text() -> str:
    """The schema as it is shipped."""
    return json.dumps(json_schema(ScenarioTable), indent=1, ensure_ascii=False) + "\n"


def with_tables(page: str) -> str:
    """A page with its tables made anew."""
    schema = json_schema(ScenarioTable)
    return BLOCK.sub(lambda found: found[1] + _table(schema, found[2]) + found[3], page)


def _table(schema: Node, name: str) -> str:
    """The table of a declared class or result; `Carriers` and `GoalOfResults` are made up."""
    if name == "UnseenSlips":
        return _markdown(("unit", "written in", "keys"), unseen_slips())
    if name in RESULTS:
        return _markdown(("key", "unit", "meaning"), _of_result(RESULTS[name]))
    definitions = schema["$defs"]
    if name == "Carriers":
        modes = definitions["ProgramTable"]["properties"]["carrier"]["oneOf"]
        tables = [definitions[each["$ref"].rpartition("/")[2]] for each in modes]
        rows = [
            (f'"{_keys(table)["mode"]["const"]}"', _inline(definitions, table, but="mode"))
            for table in tables
        ]
        return _markdown(("`mode`", "keys"), rows)
    if name == "PeakRow":
        columns = _keys(json_schema(PeakRow)).items()
        rows = [(f"`{key}`", _range(node), node["description"]) for key, node in columns]
        return _markdown(("column", "range", "meaning"), rows)
    if name == "GoalOfResults":
        rows = []
        for key, node in _keys(definitions["Goal"]).items():
            inner = _keys(_table_in(definitions, node) or {"properties": {}})
            units = ", ".join(f"`{each}` ({of.get('x-unit')})" for each, of in inner.items())
            rows.append(
                (f"`{key}`", node.get("x-unit", ""), node["description"] + (f": {units}" if units else ""))
            )
        return _markdown(("key", "unit", "meaning"), rows)
    table = schema if name == "ScenarioTable" else definitions[name]
    return _markdown(KEYS, [_row(definitions, table, key, node) for key, node in _keys(table).items()])


def _of_result(result: type) -> list[tuple[str, ...]]:
    """Rows of what is written of a result, with those of what it is written beside; null for nan and None."""
    rows: list[tuple[str, ...]] = []
    below = {
        name: text
        for each in result.__mro__[::-1]
        if hasattr(each, "__dataclass_fields__")
        for name, text in _below_fields(each).items()
    }
    for attribute, key, _, how in declared_in(result):
        if key == BESIDE:
            rows += _of_result(WITHIN[result, attribute]) if (result, attribute) in WITHIN else []
            continue
        getter = getattr(getattr(result, attribute, None), "fget", None)
        text = below.get(attribute) or (inspect.getdoc(getter) or "").split("\n\n")[0]
        meaning = re.sub(r"\b(nan|None|infinite)\b", "null", " ".join(text.split()).rstrip("."))
        assert meaning, f"{result.__name__}.{attribute} says nothing of itself"
        unit = how.unit.text if isinstance(how, Rounded) else ""
        rows.append((f"`{key}`", unit, meaning[0].lower() + meaning[1:]))
    return rows


def _keys(table: Node) -> Node:
    """The keys of a table, pressures in kPa alone."""
    return {key: node for key, node in table["properties"].items() if not re.search(r"_(psi|bar)(_|$)", key)}


def _row(definitions: Node, table: Node, key: str, node: Node) -> tuple[str, ...]:
    meaning, inner = node["description"], _table_in(definitions, node)
    if inner and not meaning.startswith(("`[", "see ")):
        meaning += f": {_inline(definitions, inner)}"
    return f"`{key}`", _range(node), _default(definitions, table, key, node), meaning


def _table_in(definitions: Node, node: Node) -> Node | None:
    reference = node.get("$ref") or node.get("items", {}).get("$ref")
    return definitions[reference.rpartition("/")[2]] if reference else None


def _inline(definitions: Node, table: Node, but: str = "") -> str:
    """The keys of a table in one cell."""
    parts = []
    for key, node in _keys(table).items():
        if key == but:
            continue
        inner, default = _table_in(definitions, node), _default(definitions, table, key, node)
        says = [_range(node)] + ([f"default {default}"] if default not in ("required", "none") else [])
        says += [node["description"]] if node.get("description") else []
        parts.append(
            f"`{key}` ({'; '.join(says)})" + (f" with {_inline(definitions, inner)}" if inner else "")
        )
    return ", ".join(parts)


def _range(node: Node) -> str:
    if "x-range" in node:
        return str(node["x-range"])
    if "enum" in node or "const" in node:
        return ", ".join(f'"{each}"' for each in node.get("enum", [node.get("const")]))
    if "minimum" in node:
        return f"{_number(node['minimum'])} to {_number(node['maximum'])} {node.get('x-unit', '')}".rstrip()
    kinds = {"boolean": "true, false", "string": "text", "array": "list"}
    return kinds.get(node.get("type", ""), "table")


def _default(definitions: Node, table: Node, key: str, node: Node) -> str:
    one_of = [each["required"][0] for rule in table.get("allOf", []) for each in rule["oneOf"]]
    if key in [*table.get("required", []), *one_of]:
        return "required"
    if "x-default" in node:
        return str(node["x-default"])
    if "default" in node:
        value = node["default"]
        return _number(value) if isinstance(value, float) else json.dumps(value)
    inner = _table_in(definitions, node)
    optional = inner is not None and "$ref" in node and not inner.get("required")
    return "see below" if optional and table.get("$defs") else "none"


def _number(value: float) -> str:
    text = f"{value:g}" if isinstance(value, float) and value >= 1e7 else f"{value:.10g}"
    return re.sub(r"e([+-])0(\d)", lambda found: f"e{found[1].strip('+')}{found[2]}", text)


def _markdown(heading: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = [heading, ("---",) * len(heading), *rows]
    return "".join("| " + " | ".join(line) + " |\n" for line in lines).replace(" --- ", "---")


def main() -> None:
    """Write all of them."""
    SCHEMA.write_text(schema_text(), encoding="utf-8")
    for page in PAGES:
        page.write_text(with_tables(page.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
